"""``truechange page``: the one-person page in a browser, on this machine only."""

import argparse
import os.path

HELP = "ask about one person in the browser, on this machine only"
EXAMPLE = (
    "example:\n  truechange page --port 8890\n\n"
    "It listens on loopback behind a token, works offline, and keeps nothing that is typed. Ctrl-C ends it.\n"
    "The clinic's own numbers are read from clinic.toml in this folder, if it is there (truechange settings)."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of the command on `parser`."""
    parser.add_argument("--port", type=int, help="port on loopback (a free one otherwise)")
    parser.add_argument(
        "--settings", metavar="FILE", help="the clinic's own numbers (default: clinic.toml here, if any)"
    )
    parser.add_argument("--no-browser", action="store_true", help="print the address only")


def run(arguments: argparse.Namespace) -> int:
    """Serve until Ctrl-C; return the exit status."""
    from threading import Event

    from truechange.measures.settings import FILE, settings
    from truechange.page.serve import serving

    path = arguments.settings or (FILE if os.path.exists(FILE) else None)
    with serving(arguments.port, settings(path) if path else None) as address:
        print(f"The page is at {address}\nCtrl-C ends it.", flush=True)
        if not arguments.no_browser:
            import webbrowser

            webbrowser.open(address)
        try:
            Event().wait()
        except KeyboardInterrupt:
            print("\nThe page is closed.")
    return 0
