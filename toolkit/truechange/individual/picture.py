"""The picture: the scores over time with their error, the two lines that matter, and the posterior beside."""

from math import isnan
from typing import TYPE_CHECKING

from truechange.foundation.drawing import ACCENT, INK, QUIET, WARM, WASH, axes, plain
from truechange.foundation.errors import RefusedError
from truechange.individual import words
from truechange.individual.distributions import two_sided

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from truechange.individual.belief import Belief
    from truechange.individual.change import PersonChange


def draw(result: "PersonChange", ax: "Axes | None") -> "Axes":
    """Draw `result` on `ax`; return the axes of the scores, the posterior hangs on its right.

    Raises
    ------
    RefusedError
        One of the scores is "unable": there is nothing to draw.
    """
    if isnan(result.improvement):
        raise RefusedError("A person who was unable to do the test at one visit has no two scores to draw.")
    beside = bool(result.beliefs)
    if ax is None:
        import matplotlib.pyplot as plt

        figure, ax = plt.subplots(figsize=(6.8, 3.9))
        figure.subplots_adjust(left=0.1, right=0.66 if beside else 0.78, top=0.9, bottom=0.13)
    ax = axes(ax)
    _scores(result, ax)
    lines = _lines(result)
    low, high = _reach(result, [at for at, *_ in lines])
    ax.set_ylim(low, high)
    panel = plain(ax.inset_axes((1.03, 0, 0.27, 1), sharey=ax)) if beside else None
    for at, _, colour, dash in lines:
        for part in filter(None, (ax, panel)):
            part.axhline(at, color=colour, lw=1.3, ls=dash, zorder=1)
    _labels(panel or ax, lines, high - low)
    if panel is not None:
        _posterior(result, panel, low, high)
    return ax


def _scores(result: "PersonChange", ax: "Axes") -> None:
    scores = (result.before, result.after)
    if result.error is not None:
        z = two_sided(result.true_change.confidence)
        errors = (z * result.error.before, z * result.error.after)
        ax.fill_between(
            [0, 1],
            [s - e for s, e in zip(scores, errors, strict=True)],
            [s + e for s, e in zip(scores, errors, strict=True)],
            color=WASH,
            zorder=0,
        )
        ax.errorbar([0, 1], scores, yerr=errors, color=INK, lw=1.2, capsize=4, zorder=3)
    ax.plot([0, 1], scores, "o-", color=INK, ms=7, zorder=4)
    for x, score in enumerate(scores):
        ax.annotate(
            words.score_text(result, score), (x, score), (9, 7), textcoords="offset points", color=INK, weight="bold"
        )
    dates = [date or word for date, word in zip(result.dates, ("before", "after"), strict=True)]
    ax.set_xticks([0, 1], dates)
    ax.set_xlim(-0.18, 1.25)
    ax.set_ylabel(result.unit or "score")
    if result.name:
        ax.set_title(result.name, loc="left", fontsize=11)


def _lines(result: "PersonChange") -> list[tuple[float, str, str, str]]:
    """Return where the person's smallest detectable and important scores lie, on the side the person moved to."""
    up = 1 if result.better == "higher" else -1
    turn = -up if result.worse else up
    bar = result.mcid_deterioration if result.worse else result.mcid
    lines = [
        (result.before, "first score", QUIET, ":"),
        (result.before + turn * bar.value, "important change", WARM, "--"),
    ]
    if result.mdc is not None:
        net = result.mdc.value + (-result.practice if result.worse else result.practice)
        lines.append((result.before + turn * net, "detectable change", ACCENT, "-."))
    return lines


def _reach(result: "PersonChange", marks: list[float]) -> tuple[float, float]:
    ends = [result.before, result.after, *marks]
    if result.error is not None:
        z = two_sided(result.true_change.confidence)
        for score, error in ((result.before, result.error.before), (result.after, result.error.after)):
            ends += [score - z * error, score + z * error]
    margin = 0.08 * (max(ends) - min(ends))
    return min(ends) - margin, max(ends) + margin


def _labels(ax: "Axes", lines: list[tuple[float, str, str, str]], height: float) -> None:
    """Write the words at the right of each line, pushed apart where two lines lie close."""
    last = None
    for at, label, colour, _ in sorted(lines):
        place = at if last is None else max(at, last + 0.06 * height)
        ax.annotate(
            label,
            (1.0, at),
            (1.03, place),
            xycoords=("axes fraction", "data"),
            textcoords=("axes fraction", "data"),
            color=colour,
            fontsize=8.5,
            va="center",
            annotation_clip=False,
        )
        last = place


def _posterior(result: "PersonChange", panel: "Axes", low: float, high: float) -> None:
    """Draw the curve of the true change sideways, on the scores' own scale counted from the first score."""
    turn = 1 if result.better == "higher" else -1
    heights = [low + (high - low) * k / 240 for k in range(241)]
    bar = result.mcid.value
    for belief, style in zip(result.beliefs[:1] + _other(result), ("-", ":"), strict=False):
        curve = [belief.density(turn * (y - result.before)) for y in heights]
        main = style == "-"
        panel.plot(curve, heights, style, color=INK if main else QUIET, lw=1.6 if main else 1.2)
        if main:
            enough = [turn * (y - result.before) >= bar for y in heights]
            panel.fill_betweenx(heights, 0, curve, where=enough, color=WARM, alpha=0.35, lw=0)
            panel.fill_betweenx(heights, 0, curve, where=[not yes for yes in enough], color=WASH, lw=0)
    panel.set_xlim(0, None)
    panel.set_xticks([])
    panel.tick_params(left=False, labelleft=False)
    panel.spines["bottom"].set_visible(False)
    panel.set_xlabel("true change", fontsize=9)


def _other(result: "PersonChange") -> "tuple[Belief, ...]":
    return tuple(b for b in result.beliefs if b.prior == "flat") if result.beliefs[0].prior != "flat" else ()


def alt_text(result: "PersonChange") -> str:
    """Return the picture in words."""
    if isnan(result.improvement):
        return "No picture: the person was unable to do the test at one visit."
    said = f"{result.name or 'Score'} {words.score_text(result, result.before)} before and "
    said += f"{words.score_text(result, result.after)} {result.unit} after, each with its error band; ".replace(
        "  ", " "
    )
    bar = result.mcid_deterioration if result.worse else result.mcid
    said += f"lines at the important change ({words.size_text(result, bar.value)})"
    if result.mdc is not None:
        said += f" and the smallest detectable change ({words.size_text(result, result.mdc.value)})"
    if result.views:
        main = result.views[0]
        low, high = (
            words.size_text(result, end) if end >= 0 else "−" + words.size_text(result, end)
            for end in (main.low, main.high)
        )
        said += f"; beside them the curve of the true change, most likely between {low} and {high}, "
        said += "the part above the MCID shaded"
    return said + "."
