"""The page that shows every check: what was printed elsewhere, what we get, and in how many digits they agree."""

from collections.abc import Sequence
from html import escape
from typing import TYPE_CHECKING, Any

import pandas as pd

from truechange.foundation.html import bullet_list, document, frame_table
from truechange.foundation.numbers import fixed
from truechange.reporting.stamp import stamp
from truechange.validation.cases import CAME, case_ids, load_case
from truechange.validation.run import AGREES, DISAGREES, LEFT_OUT, NOT_RUN, Check, tally

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MEANING = {
    "printed table": "a number printed in a paper or handbook, seen there or in a faithful copy",
    "certified file": "a value certified by a standards institute, to 15 digits",
    "output of another program": "computed by another program; script and version are kept",
    "from memory": "a published number as we remember it: nobody has looked it up for this check",
    "recomputed": "computed with a separate implementation; no publication prints it",
    "independent route": "no published number exists: brute force, an identity or numerical integration instead",
}


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
    """Count the verdicts by how the other number came to us."""
    return pd.DataFrame(_counted(checks))


def _counted(checks: Sequence[Check]) -> list[dict[str, Any]]:
    counts = {came: tally(check for check in checks if check.came == came) for came in CAME}
    return [
        {"how the other number came": came, "meaning": MEANING[came], **found}
        for came, found in counts.items()
        if sum(found.values())
    ]


def headline(checks: Sequence[Check]) -> str:
    """Say how many checks agree, and against what."""
    counts = tally(checks)
    against = ", ".join(f"{row[AGREES]} {row['how the other number came']}" for row in _counted(checks) if row[AGREES])
    return (
        f"{counts[AGREES]} of {counts[AGREES] + counts[DISAGREES]} checks agree, {counts[DISAGREES]} disagree"
        f"{f' (agreeing: {against})' if against else ''}. "
        f"{counts[NOT_RUN]} could not be run here, {counts[LEFT_OUT]} printed numbers are not computed by this library."
    )


def plot_counts(checks: Sequence[Check], *, ax: "Axes | None" = None) -> "Axes":
    """Draw how many checks agree and disagree, a row for each way the other number came to us."""
    from truechange.foundation.drawing import ACCENT, INK, WARM, axes

    rows = _counted(checks)
    ax = axes(ax, height=0.9 + 0.34 * len(rows))
    for at, row in enumerate(rows):
        ax.barh(at, row[AGREES], color=ACCENT, height=0.6)
        ax.barh(at, row[DISAGREES], left=row[AGREES], color=WARM, height=0.6, hatch="//")
        ax.annotate(
            f"{row[AGREES]}",
            (row[AGREES] + row[DISAGREES], at),
            (4, -3),
            textcoords="offset points",
            fontsize=8,
            color=INK,
        )
    ax.set_yticks(range(len(rows)), [row["how the other number came"] for row in rows])
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.set_xlabel("numbers that agree (hatched: that disagree)")
    return ax


def _shown(check: Check) -> dict[str, object]:
    printed, ours = (text.replace("-", "−") for text in (check.printed, f"{check.ours:.10g}"))
    row: dict[str, object] = {"number": check.name, "printed": printed, "ours": ours}
    return row | {"digits agreed": str(check.digits), "verdict": check.verdict}


def not_computed(checks: Sequence[Check]) -> list[str]:
    """Say, one line a case and reason, which numbers were left out or could not be run."""
    held: dict[tuple[str, str, str], list[str]] = {}
    for check in checks:
        if check.verdict in (NOT_RUN, LEFT_OUT):
            held.setdefault((check.case, check.verdict, check.reason), []).append(check.name)
    return [f"{case} ({', '.join(names)}): {verdict}, {why}" for (case, verdict, why), names in held.items()]


def page(checks: Sequence[Check]) -> str:
    """Return the whole report as one self-contained HTML page."""
    parts = ["<h1>How the numbers were checked</h1>", f'<p class="lead">{headline(checks)}</p>']
    bad = [check for check in checks if check.verdict == DISAGREES]
    if bad:
        said = [
            f"{c.case}, {c.name}: printed {c.printed}, ours {fixed(c.ours, 6)}; {c.reason or 'outside the tolerance'}"
            for c in bad
        ]
        parts.append(f'<div class="caution"><strong>Disagreements</strong>{bullet_list(said)}</div>')
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
