"""``truechange plan``: how many people a study needs, in words, as a table, or as a picture."""

import argparse
import inspect
import json
import re
from collections.abc import Callable
from contextlib import nullcontext
from typing import Any

from truechange.cli.progress import progress

HELP = "work out how many people a study needs"
EXAMPLE = (
    "examples:\n"
    "  truechange plan change --change 2 --sd 2.4 --unit stands --attrition 0.15\n"
    "  truechange plan icc --icc 0.9 --width 0.1\n"
    "  truechange plan responders --share 0.5 --half-width 0.1 --json\n"
    "Each kind has its own help: truechange plan change --help"
)
KINDS = {
    "change": ("plan_change", "a mean change in one group, before and after"),
    "two-programmes": ("plan_two_programmes", "a difference in means between two programmes"),
    "responders": ("plan_responders", "a share of responders, pinned down"),
    "two-shares": ("plan_two_shares", "a difference between two shares of responders"),
    "paired-shares": ("plan_paired_shares", "more who gain than who lose, in one group judged twice"),
    "icc": ("plan_icc", "an ICC, pinned down or shown to exceed a value"),
    "error": ("plan_error", "the SEM and the MDC, pinned down"),
    "agreement": ("plan_agreement", "limits of agreement, pinned down"),
    "mcid": ("plan_mcid", "an MCID, pinned down"),
    "true-share": ("plan_true_share", "the share whose true change is large enough (by simulation)"),
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare one sub-command a kind of plan, its options read from the signature of the function behind it."""
    from truechange import planning

    kinds = parser.add_subparsers(dest="kind", required=True, metavar="KIND", title="what is planned")
    for kind, (name, words) in KINDS.items():
        function = getattr(planning, name)
        one = kinds.add_parser(kind, help=words, description=f"Plan {words}.", allow_abbrev=False)
        said = _parameter_words(function)
        for parameter in inspect.signature(function).parameters.values():
            needed = parameter.default is inspect.Parameter.empty
            given = "" if needed or parameter.default in (None, "") else f" (default {parameter.default:g})"
            one.add_argument(
                f"--{parameter.name.replace('_', '-')}",
                type=_kind_of(parameter.annotation),
                required=needed,
                default=argparse.SUPPRESS,
                metavar="WORDS" if parameter.annotation in (str, "str") else "NUMBER",
                help=(said.get(parameter.name, "") + given).replace("%", "%%"),
            )
        one.add_argument("--picture", metavar="FILE", help="also draw the curve into this file (png, svg or pdf)")
        one.add_argument("--json", action="store_true", help="print for another program")


def run(arguments: argparse.Namespace) -> int:
    """Print the plan; return the exit status."""
    from truechange import planning

    given = vars(arguments).copy()
    kind, as_json, picture = given.pop("kind"), given.pop("json"), given.pop("picture")
    name, _ = KINDS[kind]
    slow = kind == "true-share" or given.get("simulate", 0) > 0
    with progress(1, "drawing and analysing studies") if slow else nullcontext():
        plan = getattr(planning, name)(**given)
    if picture:
        plan.plot().figure.savefig(picture, dpi=150, bbox_inches="tight")
    if as_json:
        story = {
            "kind": kind,
            "need": plan.need,
            "start": plan.start,
            "groups": plan.groups,
            "exact": plan.exact,
            "goal": plan.goal,
            "target": plan.target,
            "sentences": plan.sentences(),
            "cautions": plan.cautions,
            "table": plan.table().to_dict("records"),
        }
        print(json.dumps(story, indent=1, ensure_ascii=False))
        return 0
    print(plan)
    each = " a group" if plan.groups == 2 else ""
    print(f"\n{plan.goal:<40}{'needed' + each:>18}{'to start' + each:>18}")
    for row in plan.table().itertuples():
        mark = "  <- asked for" if row.target == plan.target else ""
        print(f"{row.target:<40g}{row.need:>18}{row.start:>18}{mark}")
    return 0


def _kind_of(annotation: Any) -> Callable[[str], Any]:
    kinds = {"str": str, "int": int}
    return kinds.get(getattr(annotation, "__name__", str(annotation)), float)


def _parameter_words(function: Callable[..., Any]) -> dict[str, str]:
    """Return what the docstring says of each parameter; "As in" refers to the plan of a change."""
    from truechange.planning import plan_change

    found: dict[str, str] = {}
    for source in (plan_change, function):
        section = (inspect.getdoc(source) or "").partition("Parameters\n----------\n")[2].partition("\n\nReturns")[0]
        for entry in re.findall(r"^(\w[\w, ]*?)(?: : .*)?\n((?:    .*\n?)+)", section, flags=re.MULTILINE):
            words = " ".join(entry[1].replace("`", "").split())
            if not words.startswith("As in"):
                found |= dict.fromkeys(entry[0].split(", "), words)
    return found
