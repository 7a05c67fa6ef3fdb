"""Run the validation cases and show them: expected, computed, difference, tolerance, source, on one page."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from html import escape
from math import floor, isfinite, log10, nan

import pandas as pd

from truechange.foundation.drawing import ACCENT, INK, WARM, Axes, axes, bullet_list, document, frame_table
from truechange.foundation.errors import MissingPartError
from truechange.foundation.numbers import fixed
from truechange.reporting.files import stamp
from truechange.validation import as_text, broken_assumptions
from truechange.validation.cases import CAME, case_ids, compute, load_case

AGREES, DISAGREES, NOT_RUN, LEFT_OUT = "agrees", "disagrees", "not run", "left out"
WAY = "how the other number came"
ELSEWHERE = "another library's own"
KINDS = {
    "printed table": "printed", "certified file": "certified", "output of another program": "other program",
    "from memory": "printed but only remembered", "recomputed": "own identity",
    "independent route": "independent route",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Check:
    """One number held against another.

    Parameters
    ----------
    topic, case, name : str
        What it is about, the case or route it belongs to, the number's name in it.
    source, doi, came : str
        Where the other number is from and how it came to us.
    printed : str
        The other number, as printed.
    other, ours, tolerance : float
        The two numbers and the difference that still agrees.
    by : str
        Public function that computed ours.
    verdict : {"agrees", "disagrees", "not run", "left out"}
        Not run: a library is missing on this machine. Left out: this library does not compute it.
    reason : str
        Why it was not run or left out, or what went wrong.
    """

    topic: str
    case: str
    name: str
    source: str
    doi: str
    came: str
    printed: str
    other: float
    ours: float
    tolerance: float
    by: str
    verdict: str
    reason: str = ""

    @property
    def elsewhere(self) -> bool:
        """Whether it holds another library against its source, and so says nothing about this one."""
        return self.by.startswith("statsmodels")

    @property
    def digits(self) -> int | None:
        """Significant digits in which the two agree, at most those printed; None if not run."""
        if self.verdict in (NOT_RUN, LEFT_OUT):
            return None
        return digits_agreed(self.printed, self.ours) if self.printed else 0


def digits_agreed(printed: str, ours: float) -> int:
    """Count the significant digits of `printed` that `ours` reproduces when rounded to them.

    Examples
    --------
    >>> digits_agreed("0.29", 0.28976), digits_agreed("4.74", 4.75), digits_agreed("0.0000", 0.0)
    (2, 2, 4)
    """
    theirs = float(printed)
    mantissa = printed.lower().split("e")[0].lstrip("+-").replace(".", "")
    shown = len(mantissa.lstrip("0")) or len(mantissa.split(".")[-1]) - 1 or 1
    if not isfinite(ours):
        return 0
    gap = abs(ours - theirs)
    top = floor(log10(abs(theirs))) if theirs else 0
    return max((d for d in range(1, shown + 1) if gap <= 0.5 * 10.0 ** (top - d + 1) * (1 + 1e-6)), default=0)


def run_case(name: str) -> list[Check]:
    """Recompute one case and compare every number it promises."""
    case, ours, trouble = load_case(name), {}, ("", "")
    try:
        ours = compute(case)
    except (MissingPartError, ImportError) as missing:
        trouble = NOT_RUN, f"not installed: {missing}"
    except Exception as broken:  # a check that breaks is a disagreement, with its reason
        trouble = DISAGREES, f"{type(broken).__name__}: {broken}"
    checks = []
    for key, item in case.expected.items():
        verdict, reason = trouble
        if key in ours:
            verdict = AGREES if item.agrees(ours[key]) else DISAGREES
        elif not verdict:  # a number that is not computed needs a reason
            reason = item.left_out or (case.left_out if not case.ours else "")
            verdict = LEFT_OUT if reason else DISAGREES
            reason = reason or "neither computed nor left out with a reason"
        checks.append(Check(case.topic, case.id, key, case.citation, case.doi, item.came, item.printed, item.value,
                            ours.get(key, nan), item.tolerance, case.by, verdict, reason))  # fmt: skip
    return checks


def all_checks(word: str = "") -> Iterator[tuple[str, Callable[[], list[Check]]]]:
    """Yield every case whose name or topic contains `word`, with a function that runs it."""
    for name in case_ids():
        if word in name.lower() or word in load_case(name).topic.lower():
            yield name, partial(run_case, name)


def tally(checks: Iterable[Check]) -> dict[str, int]:
    """Count the verdicts."""
    seen = Counter(check.verdict for check in checks)
    return {verdict: seen[verdict] for verdict in (AGREES, DISAGREES, NOT_RUN, LEFT_OUT)}


def checks_table(checks: Sequence[Check]) -> pd.DataFrame:
    """Return one row a check, unrounded.

    Returns
    -------
    DataFrame
        topic, case, name, came, printed, other, ours, tolerance, digits, verdict, by, source, doi, reason.
    """
    columns = ("topic", "case", "name", "came", "printed", "other", "ours", "tolerance", "digits", "verdict", "by",
               "source", "doi", "reason")  # fmt: skip
    return pd.DataFrame([{column: getattr(check, column) for column in columns} for check in checks])


def counts_table(checks: Sequence[Check]) -> pd.DataFrame:
    """Count the verdicts by how the other number came to us; checks of another library stand apart, last."""
    ways = [(came, meant, [c for c in checks if c.came == came and not c.elsewhere]) for came, meant in CAME.items()]
    apart = "a library that ours builds on, held against its source: no check of this library's formulas"
    ways.append((ELSEWHERE, apart, [check for check in checks if check.elsewhere]))
    return pd.DataFrame([{WAY: came, "meaning": meant, **tally(those)} for came, meant, those in ways if those])


def headline(checks: Sequence[Check]) -> str:
    """Say how many checks agree, and against what; those of another library are counted apart."""
    own, apart = ([check for check in checks if check.elsewhere == other] for other in (False, True))
    counts, kinds = tally(own), Counter(KINDS[check.came] for check in own if check.verdict == AGREES)
    against = ", ".join(f"{kinds[kind]} {kind}" for kind in dict.fromkeys(KINDS.values()) if kinds[kind])
    others = f" {tally(apart)[AGREES]} more hold for a library that this one builds on." if apart else ""
    return (
        f"{counts[AGREES]} of {counts[AGREES] + counts[DISAGREES]} checks agree, {counts[DISAGREES]} disagree"
        f"{f' (agreeing: {against})' if against else ''}.{others} "
        f"{counts[NOT_RUN]} could not be run here, {counts[LEFT_OUT]} printed numbers are not computed by this library."
    )


def plot_counts(checks: Sequence[Check], *, ax: Axes | None = None) -> Axes:
    """Draw how many checks agree and disagree, a row for each way the other number came to us."""
    rows = counts_table(checks).to_dict("records")
    ax = axes(ax, height=0.9 + 0.34 * len(rows))
    for at, row in enumerate(rows):
        agree, disagree = row[AGREES], row[DISAGREES]
        ax.barh(at, agree, color=ACCENT, height=0.6)
        ax.barh(at, disagree, left=agree, color=WARM, height=0.6, hatch="//")
        ax.annotate(f"{agree}", (agree + disagree, at), (4, -3), textcoords="offset points", fontsize=8, color=INK)
    ax.set_yticks(range(len(rows)), [row[WAY] for row in rows])
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.set_xlabel("numbers that agree (hatched: that disagree)")
    return ax


def _shown(check: Check) -> dict[str, object]:
    printed, ours = (text.replace("-", "−") for text in (check.printed, f"{check.ours:.10g}"))
    row: dict[str, object] = {"number": check.name, "printed": printed, "ours": ours}
    return row | {"digits agreed": str(check.digits), "verdict": check.verdict}


def not_computed(checks: Sequence[Check]) -> list[str]:
    """Say, one line a case and reason, which numbers were left out or could not be run."""
    reasons: dict[tuple[str, str, str], list[str]] = {}
    for check in checks:
        if check.verdict in (NOT_RUN, LEFT_OUT):
            reasons.setdefault((check.case, check.verdict, check.reason), []).append(check.name)
    return [f"{case} ({', '.join(names)}): {verdict}, {why}" for (case, verdict, why), names in reasons.items()]


def page(checks: Sequence[Check]) -> str:
    """Return the whole report as one self-contained HTML page."""
    parts = ["<h1>How the numbers were checked</h1>", f'<p class="lead">{headline(checks)}</p>']
    bad = [check for check in checks if check.verdict == DISAGREES]
    if bad:
        lines = [f"{c.case}, {c.name}: printed {c.printed}, ours {fixed(c.ours, 6)}; "
                 f"{c.reason or 'outside the tolerance'}" for c in bad]  # fmt: skip
        parts.append(f'<div class="caution"><strong>Disagreements</strong>{bullet_list(lines)}</div>')
    parts.append(
        '<p class="quiet">A check agrees when the difference is at most half of the last printed digit, or what its '
        "note allows and says why. Agreement with a printed number shows that the formula is the published one; it "
        "does not show that the formula suits a given clinic's data. Other libraries, identities and simulations with "
        "known truth are held against the same functions in the project's tests, not here. The results inform a "
        "judgement; they do not diagnose.</p>"
    )
    parts.append(frame_table(counts_table(checks), "Checks by how the other number came to us"))
    ran = [check for check in checks if check.verdict in (AGREES, DISAGREES)]
    for topic in sorted({check.topic for check in ran}):
        parts.append(f"<h2>{escape(topic)}</h2>")
        for case in dict.fromkeys(check.case for check in ran if check.topic == topic):
            parts.append(_case_section([check for check in ran if check.case == case]))
    if spare := not_computed(checks):
        parts.append("<h2>Printed numbers that were not computed, and why</h2>" + bullet_list(spare))
    parts.append("<h2>Where an assumption is broken</h2>")
    parts.append(frame_table(as_text(broken_assumptions()), "Worst cell of each stored simulation, before and now"))
    parts.append(f'<p class="quiet">{stamp().software}.</p>')
    return document("How the numbers were checked", "\n".join(parts))


def _case_section(checks: Sequence[Check]) -> str:
    first = checks[0]
    came = ", ".join(dict.fromkeys(check.came for check in checks))
    doi = f" doi {first.doi}." if first.doi else ""
    through = f" Ours through {first.by}." if first.by else ""
    note = load_case(first.case).note if first.case in case_ids() else ""
    title = f"{first.case} [{came}]. {first.source}{doi}{through}{' ' + note if note else ''}"
    return frame_table(pd.DataFrame([_shown(c) for c in checks]), title)
