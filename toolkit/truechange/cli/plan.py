"""``truechange plan``: how many people a study needs, in words, as a table, or as a picture."""

import argparse
import inspect
import re
from collections.abc import Callable
from contextlib import nullcontext
from typing import Any

import truechange as tc
from truechange.cli.shared import print_json, progress

KINDS = {
    "change": "a mean change in one group, before and after",
    "two-programmes": "a difference in means between two programmes",
    "responders": "a share of responders, pinned down",
    "two-shares": "a difference between two shares of responders",
    "paired-shares": "more who gain than who lose, in one group judged twice",
    "icc": "an ICC, pinned down or shown to exceed a value",
    "error": "the SEM and the MDC, pinned down",
    "agreement": "limits of agreement, pinned down",
    "mcid": "an MCID, pinned down",
    "true-share": "the share whose true change is large enough (by simulation)",
}
IN_JSON = ("need", "start", "groups", "exact", "goal", "target")


def planner(kind: str) -> Callable[..., Any]:
    """Return the function that makes this kind of plan."""
    function: Callable[..., Any] = getattr(tc, f"plan_{kind.replace('-', '_')}")
    return function


def add_kinds(parser: argparse.ArgumentParser) -> None:
    """Declare one sub-command a kind of plan, its options read from the signature of the function behind it."""
    kinds = parser.add_subparsers(dest="kind", required=True, metavar="KIND", title="what is planned")
    for kind, words in KINDS.items():
        one = kinds.add_parser(kind, help=words, description=f"Plan {words}.", allow_abbrev=False)
        explained = parameter_words(planner(kind))
        for parameter in inspect.signature(planner(kind)).parameters.values():
            needed = parameter.default is inspect.Parameter.empty
            default = "" if needed or parameter.default in (None, "") else f" (default {parameter.default:g})"
            one.add_argument(
                f"--{parameter.name.replace('_', '-')}",
                type=_type_of(parameter.annotation),
                required=needed,
                default=argparse.SUPPRESS,
                metavar="WORDS" if parameter.annotation in (str, "str") else "NUMBER",
                help=(explained.get(parameter.name, "") + default).replace("%", "%%"),
            )
        one.add_argument("--picture", metavar="FILE", help="also draw the curve into this file (png, svg or pdf)")
        one.add_argument("--json", action="store_true", help="print for another program")


def run_plan(args: argparse.Namespace) -> int:
    """Print the plan; return the exit status."""
    given = vars(args).copy()
    kind, as_json, picture = given.pop("kind"), given.pop("json"), given.pop("picture")
    slow = kind == "true-share" or given.get("simulate", 0) > 0
    with progress(1, "drawing and analysing studies") if slow else nullcontext():
        plan = planner(kind)(**given)
    if picture:
        plan.plot().figure.savefig(picture, dpi=150, bbox_inches="tight")
    if as_json:
        numbers = {name: getattr(plan, name) for name in IN_JSON}
        words = {"sentences": plan.sentences(), "cautions": plan.cautions}
        print_json({"kind": kind, **numbers, **words, "table": plan.table().to_dict("records")})
        return 0
    print(plan)
    each = " a group" if plan.groups == 2 else ""
    print(f"\n{plan.goal:<40}{'needed' + each:>18}{'to start' + each:>18}")
    for row in plan.table().itertuples():
        print(f"{row.target:<40g}{row.need:>18}{row.start:>18}" + "  <- asked for" * (row.target == plan.target))
    return 0


def _type_of(annotation: Any) -> Callable[[str], Any]:
    return {"str": str, "int": int}.get(getattr(annotation, "__name__", str(annotation)), float)


def parameter_words(function: Callable[..., Any]) -> dict[str, str]:
    """Return what the docstring says of each parameter; "As in" refers to the plan of a change."""
    explained: dict[str, str] = {}
    for source in (tc.plan_change, function):
        section = (inspect.getdoc(source) or "").partition("Parameters\n----------\n")[2].partition("\n\nReturns")[0]
        for names, text in re.findall(r"^(\w[\w, ]*?)(?: : .*)?\n((?:    .*\n?)+)", section, flags=re.MULTILINE):
            words = " ".join(text.replace("`", "").split())
            if not words.startswith("As in"):
                explained |= dict.fromkeys(names.split(", "), words)
    return explained
