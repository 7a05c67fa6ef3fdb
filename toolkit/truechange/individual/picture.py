"""The picture: the scores over time with their error, the two lines that matter, and the posterior beside."""

from math import isnan
from typing import TYPE_CHECKING, Any

from truechange.foundation.distributions import two_sided
from truechange.foundation.drawing import ACCENT, INK, QUIET, WARM, WASH, axes, plain
from truechange.foundation.errors import RefusedError
from truechange.individual import words

if TYPE_CHECKING:
    from matplotlib.axes import Axes


Line = tuple[float, str, str, str]  # height, words, colour, dash


def draw(result: Any, ax: "Axes | None") -> "Axes":
    """Draw `result` on `ax`; return the axes of the scores, the posterior hangs on its right.

    Raises
    ------
    RefusedError
        One of the scores is "unable", or they are scores of two tests: there is nothing to draw.
    """
    if isnan(result.improvement):
        raise RefusedError(
            "A person who was unable at one visit, or was tested in two ways, has no two scores to draw."
        )
    if ax is None:
        import matplotlib.pyplot as plt

        figure, ax = plt.subplots(figsize=(7.2, 3.9))
        figure.subplots_adjust(left=0.09, right=0.62, top=0.9, bottom=0.13)
    ax = axes(ax)
    turn = result.test.sign
    z = two_sided(result.confidence)
    errors = [z * result.error.before, z * result.error.after] if result.error else [0.0, 0.0]
    scores = [result.before, result.after]
    marks = lines(result)
    ends = [at for at, *_ in marks] + [s + side * e for s, e in zip(scores, errors, strict=True) for side in (-1, 1)]
    ends += [result.before + turn * end for b in result.beliefs[:1] for end in b.interval(0.995)]
    margin = 0.05 * (max(ends) - min(ends))
    ax.set_ylim(min(ends) - margin, max(ends) + margin)
    low, high = ([s + side * e for s, e in zip(scores, errors, strict=True)] for side in (-1, 1))
    ax.fill_between([0, 1], low, high, color=WASH, zorder=0)
    ax.errorbar([0, 1], scores, yerr=errors, color=INK, lw=1.4, capsize=4, marker="o", ms=7, zorder=3)
    for x, score in enumerate(scores):
        away = (-9, 6) if x == 0 else (9, -3)
        text = words.score_text(result, score)
        ax.annotate(
            text, (x, score), away, textcoords="offset points", color=INK, fontsize=12, ha="left" if x else "right"
        )
    ax.set_xticks([0, 1], [date or word for date, word in zip(result.dates, ("before", "after"), strict=True)])
    ax.set_xlim(-0.25, 1.25)
    ax.set_ylabel(f"{result.test.unit or 'score'}, better upwards")
    ax.set_title(result.test.name, loc="left", fontsize=11)
    panel = plain(ax.inset_axes((1.03, 0, 0.3, 1), sharey=ax)) if result.beliefs else ax
    for part in {ax: 1, panel: 1}:
        for at, _, colour, dash in marks:
            part.axhline(at, color=colour, lw=1.4, ls=dash, zorder=2)
    _labels(panel, marks)
    if panel is not ax:
        _posterior(result, panel)
    if turn < 0:
        ax.invert_yaxis()
    return ax


def draw_plain(result: Any, ax: "Axes | None" = None) -> "Axes":
    """Draw the scores of a PersonChange or Visits for the person: dots joined by a line, better upwards, no statistics.

    Raises
    ------
    RefusedError
        There are no two scores of one test to draw.
    """
    course = hasattr(result, "points")
    last = result.last
    if last is None or not last.drawable:
        raise RefusedError("There are no two scores of one test to draw.")
    scores = [score for _, score, able in result.points if able] if course else [result.before, result.after]
    ax = axes(ax, width=6.4, height=3.0)
    places = range(len(scores))
    ax.plot(places, scores, color=ACCENT, lw=3, marker="o", ms=14)
    for place, score in zip(places, scores, strict=True):
        ax.annotate(words.score_text(last, score), (place, score), (0, 16), textcoords="offset points", ha="center",
                    fontsize=18, color=INK)  # fmt: skip
    ax.set_xticks([0, len(scores) - 1], ["at first", "now"], fontsize=14)
    ax.set_yticks([])
    ax.margins(0.15, 0.45)
    ax.set_ylabel("better \u2191", fontsize=14)
    if last.test.sign < 0:
        ax.invert_yaxis()
    return ax


def lines(result: Any) -> list[Line]:
    """Return where the first score, the important and the detectable change lie, on the side the person moved to."""
    turn = -result.test.sign if result.worse else result.test.sign
    found = [(result.before, "first score", QUIET, ":")]
    found.append((result.before + turn * result.bar.value, "important change", WARM, "--"))
    if result.mdc is not None:
        practice = -result.practice if result.worse else result.practice
        found.append((result.before + turn * (result.mdc.value + practice), "detectable change", ACCENT, "-."))
    return found


def _labels(ax: "Axes", marks: list[Line]) -> None:
    """Write the words at the right of each line, pushed apart where two lines lie close."""
    low, high = ax.get_ylim()
    last = low - high
    for at, label, colour, _ in sorted(marks):
        last = max(at, last + 0.065 * (high - low))
        where = ("axes fraction", "data")
        ax.annotate(
            label, (1.0, at), (1.04, last), xycoords=where, textcoords=where,
            color=colour, fontsize=9, va="center", annotation_clip=False,
        )  # fmt: skip


def _posterior(result: Any, panel: "Axes") -> None:
    """Draw the curve of the true change sideways, on the scores' own scale counted from the first score."""
    low, high = panel.get_ylim()
    heights = [low + (high - low) * k / 300 for k in range(301)]
    changes = [result.test.sign * (y - result.before) for y in heights]
    main, *others = result.beliefs
    curve = [main.density(change) for change in changes]
    inside = [-change >= result.bar.value if result.worse else change >= result.bar.value for change in changes]
    panel.fill_betweenx(heights, 0, curve, color=WASH, lw=0)
    panel.fill_betweenx(heights, 0, curve, where=inside, color=WARM, alpha=0.4, lw=0)
    panel.plot(curve, heights, color=INK, lw=1.6)
    for other in (belief for belief in others if belief.prior == "flat"):
        panel.plot([other.density(change) for change in changes], heights, ":", color=QUIET, lw=1.3)
    panel.set_xlim(0, None)
    panel.set_xticks([])
    panel.tick_params(left=False, labelleft=False)
    panel.spines["bottom"].set_visible(False)
    panel.set_xlabel(
        "true change" + ("" if main.prior == "flat" else "\n(dotted: scores alone)"), fontsize=8.5, loc="left"
    )
