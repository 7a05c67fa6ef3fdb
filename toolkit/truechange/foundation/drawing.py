"""Pictures and HTML: one restrained look, readable in grey; escaped tables, alt text, a page that needs no network."""

from base64 import b64encode
from collections.abc import Sequence
from functools import cache
from html import escape
from io import BytesIO
from numbers import Integral, Real
from pathlib import Path
from typing import TYPE_CHECKING, Any

from truechange.foundation.numbers import fixed

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes as Axes
else:
    Axes = Any  # importing matplotlib takes longer than any answer

INK, QUIET, LINE, WASH = "#22303c", "#5b6b77", "#c9d2d8", "#e9eef1"
ACCENT, WARM = "#1f6f8b", "#a4501f"
SERIES = (ACCENT, WARM, "#7a8f2e", "#6b4f8a", INK)
MARKERS = ("o", "s", "^", "D", "v")
DASHES = ("-", "--", "-.", ":")


def axes(ax: "Axes | None" = None, *, width: float = 6.4, height: float = 3.6) -> "Axes":
    """Return `ax`, or a new figure's axes (inches) in the house look; never the current axes of someone else."""
    import matplotlib.pyplot as plt

    if ax is None:
        _, ax = plt.subplots(figsize=(width, height), layout="constrained")
    return plain(ax)


def plain(ax: "Axes") -> "Axes":
    """Give axes the house look: two spines, quiet ticks, no grid."""
    ax.spines[["top", "right"]].set_visible(False)
    ax.spines[["left", "bottom"]].set_color(QUIET)
    ax.tick_params(colors=QUIET, labelsize=9)
    for text in (ax.xaxis.label, ax.yaxis.label, ax.title):
        text.set_color(INK)
    return ax


def percent_axis(ax: "Axes", along: str = "x") -> None:
    """Write the ticks of the `along` axis as percentages, with a true minus sign."""
    axis = ax.xaxis if along == "x" else ax.yaxis
    axis.set_major_formatter(lambda value, _: f"{100 * value:.0f}%".replace("-", "−"))


def interval_rows(
    labels: Sequence[str], estimates: Sequence[Any], *, ax: "Axes | None" = None, strong: Sequence[int] = (),
    unit: str = "",
) -> "Axes":  # fmt: skip
    """Draw one row an Estimate, top to bottom: a point, its interval, the rows in `strong` heavier."""
    ax = axes(ax, height=0.9 + 0.34 * len(labels))
    for row, estimate in enumerate(estimates):
        heavy = row in strong
        colour = ACCENT if heavy else INK
        if estimate.has_interval:
            ends = [estimate.low, estimate.high]
            ax.plot(ends, [row, row], color=colour, lw=3 if heavy else 1.4, solid_capstyle="butt")
        ax.plot(estimate.value, row, "D" if heavy else "o", color=colour, ms=8 if heavy else 5, zorder=3)
    ax.set_yticks(range(len(labels)), labels)
    ax.set_ylim(len(labels) - 0.4, -0.6)
    ax.set_xlabel(unit or ax.get_xlabel())
    return ax


def mark_line(ax: "Axes", at: float, label: str, *, along: str = "y", colour: str = QUIET, dash: str = "--") -> Any:
    """Draw a thin reference line across the axes at `at` on the `along` axis, with its words beside it."""
    draw, beside, frame, shift, place = {
        "y": (ax.axhline, (1.0, at), ("axes fraction", "data"), (4, 0), {"va": "center"}),
        "x": (ax.axvline, (at, 1.0), ("data", "axes fraction"), (0, 3), {"ha": "center"}),
    }[along]
    draw(at, color=colour, lw=1, ls=dash)
    style: dict[str, Any] = {"textcoords": "offset points", "fontsize": 8, "color": colour, "annotation_clip": False}
    return ax.annotate(label, beside, xycoords=frame, xytext=shift, **style | place)


TEMPLATES = Path(__file__).parent / "templates"


def cell_text(value: object, decimals: int = 3) -> str:
    """Write one table cell: whole numbers whole, others rounded and without trailing zeros, missing as a dash."""
    if value is None or value != value:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Integral):
        return str(int(value)).replace("-", "−")
    if isinstance(value, Real):
        text = fixed(float(value), decimals)
        return text.rstrip("0").rstrip(".") if "." in text else text
    return str(value)


def paragraphs(*texts: str) -> str:
    """Return each text that is not empty as an escaped paragraph."""
    return "".join(f"<p>{escape(text)}</p>" for text in texts if text)


def frame_table(frame: "pd.DataFrame", caption: str = "", decimals: int = 3) -> str:
    """Return `frame` as an HTML table with header scopes and an optional caption; all text escaped.

    A named index becomes the first column; a plain running index is left out.
    """
    import pandas as pd

    shown = frame if isinstance(frame.index, pd.RangeIndex) else frame.reset_index()
    head = "".join(f'<th scope="col">{escape(str(name).replace("_", " "))}</th>' for name in shown.columns)
    rows = []
    for record in shown.itertuples(index=False):
        cells = [escape(cell_text(value, decimals)) for value in record]
        kinds = [' class="number"' * (isinstance(value, Real) and not isinstance(value, bool)) for value in record]
        body = "".join(f"<td{kind}>{text}</td>" for kind, text in zip(kinds[1:], cells[1:], strict=True))
        rows.append(f'<tr><th scope="row">{cells[0]}</th>{body}</tr>')
    title = f"<caption>{escape(caption)}</caption>" if caption else ""
    return f"<table>{title}<thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table>"


def data_address(image: bytes) -> str:
    """Return PNG bytes as an address that a page can show without a file or a network."""
    return f"data:image/png;base64,{b64encode(image).decode('ascii')}"


def png(drawn: Any, dpi: int = 150, *, trim: bool = True) -> bytes:
    """Return a Figure or Axes as PNG bytes without dates or versions, and close it: same input, same bytes.

    Trimming the empty edge draws the picture twice; without it, it is laid out once and drawn once.
    """
    import matplotlib.pyplot as plt

    picture = drawn if hasattr(drawn, "savefig") else drawn.figure
    if not trim and (engine := picture.get_layout_engine()):
        picture.set_dpi(dpi)  # texts measured for the layout are then those drawn
        engine.execute(picture)
        picture.set_layout_engine("none")
    buffer = BytesIO()
    picture.savefig(buffer, format="png", dpi=dpi, bbox_inches="tight" if trim else None, metadata={"Software": None})
    plt.close(picture)
    return buffer.getvalue()


def bullet_list(items: Sequence[str]) -> str:
    """Return an escaped HTML list, empty text for no items."""
    return f"<ul>{''.join(f'<li>{escape(item)}</li>' for item in items)}</ul>" if items else ""


def document(title: str, body: str, *, language: str = "en") -> str:
    """Wrap `body` (HTML already escaped) in a self-contained page with its own screen and print style."""
    from markupsafe import Markup

    return str(_template("document.html.j2").render(title=title, body=Markup(body), language=language))


def block_html(block: Any) -> str:
    """Write a block of a report as HTML, by its macro; text is escaped."""
    return str(getattr(_template("blocks.html.j2").module, block.macro)(block))


@cache
def _template(name: str) -> Any:
    from jinja2 import Environment, FileSystemLoader

    return Environment(loader=FileSystemLoader(TEMPLATES), autoescape=True).get_template(name)
