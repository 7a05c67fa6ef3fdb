"""Find the command, hand over to its module, turn refusals into a sentence and an exit status.

Only the module of the command asked for is imported, and only to run it, so that neither help
nor an answer about one person waits for libraries it never uses.
"""

import sys
from collections.abc import Sequence
from importlib import import_module

from truechange.cli.shared import own_tests, parser_of, purpose_and_example
from truechange.foundation.errors import ChoiceError, MissingPartError, OutcomeError

# command: the module of this room that holds its function, ``run_`` and the command's name
COMMANDS = {
    "demo": "reports", "person": "person", "audit": "reports", "study": "reports", "inspect": "data",
    "settings": "reports", "template": "data", "measures": "data", "plan": "plan", "page": "person",
    "validate": "data", "notebooks": "data",
}  # fmt: skip
NO_TEST = ("demo", "validate", "notebooks")  # commands to which a clinic's own tests are nothing
FINE, NEEDS_ATTENTION, MISUSE = 0, 1, 2
CAUTION = (
    "The results inform a judgement; they do not diagnose. Local rules and a licensed clinician decide. "
    "Exit status: 0 fine, 1 the data need attention, 2 the command was not understood."
)


def _overview() -> str:
    rows = "\n".join(f"  {name:<{max(map(len, COMMANDS))}}  {purpose_and_example(name)[0]}" for name in COMMANDS)
    return (
        "usage: truechange COMMAND [options]\n\n"
        "Did this person, or this programme, really get better, and is it enough to matter?\n\n"
        f"commands:\n{rows}\n\n"
        "Each has its own help with an example that runs as printed: truechange person --help\n"
        f"{CAUTION}"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; return its exit status (0 fine, 1 the data need attention, 2 misuse)."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a console without ± or − gets a replacement, not a crash
            stream.reconfigure(errors="replace")
    if not words or words[0] in ("-h", "--help"):
        print(_overview())
        return FINE if words else MISUSE
    if words[0] == "--version":
        from truechange import __version__

        print(f"truechange {__version__}")
        return FINE
    command, *rest = words
    if command not in COMMANDS:
        print(f"truechange: there is no command {command!r}; choose one of: {', '.join(COMMANDS)}.", file=sys.stderr)
        return MISUSE
    module, parser = f"truechange.cli.{COMMANDS[command]}", parser_of(command)
    if command == "plan":
        import_module(module).add_kinds(parser)
    try:
        args = parser.parse_args(rest)
        if command not in NO_TEST:
            own_tests(args)
        return int(getattr(import_module(module), f"run_{command}")(args))
    except OutcomeError as trouble:
        print(f"truechange {command}: {trouble}", file=sys.stderr)
        return MISUSE if isinstance(trouble, ChoiceError | MissingPartError) else NEEDS_ATTENTION
    except KeyboardInterrupt:
        print(f"\ntruechange {command}: stopped; nothing half-written was kept.", file=sys.stderr)
        return 130
    except BrokenPipeError:
        sys.stderr.close()
        return FINE


if __name__ == "__main__":
    sys.exit(main())
