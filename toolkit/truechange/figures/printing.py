"""Figures for print: 300 dots an inch and SVG, the same bytes for the same picture."""

from pathlib import Path
from typing import Any

from truechange.foundation.errors import OutcomeError
from truechange.foundation.html import png

PRINT_DPI = 300
COLUMN_INCHES = (3.3, 6.9)  # one and two columns of a journal page


def save_print(drawn: Any, stem: str | Path) -> tuple[Path, Path]:
    """Write a Figure or Axes as ``stem.png`` (300 dpi) and ``stem.svg``, and close it.

    Parameters
    ----------
    drawn : Figure or Axes
        The picture.
    stem : path
        Where it goes, without ending.

    Returns
    -------
    tuple of Path
        The PNG and the SVG.

    Raises
    ------
    OutcomeError
        The picture is wider than a page's two columns.
    """
    import matplotlib as mpl

    picture = drawn if hasattr(drawn, "savefig") else drawn.figure
    width = picture.get_size_inches()[0]
    if width > COLUMN_INCHES[1]:
        raise OutcomeError(f"The figure is {width:.1f} inches wide; at most {COLUMN_INCHES[1]} fit a printed page.")
    base = Path(stem)
    made = base.with_name(f"{base.name}.png"), base.with_name(f"{base.name}.svg")
    with mpl.rc_context({"svg.hashsalt": "truechange", "svg.fonttype": "none"}):
        picture.savefig(made[1], format="svg", bbox_inches="tight", metadata={"Date": None, "Creator": None})
    made[0].write_bytes(png(picture, dpi=PRINT_DPI))
    return made
