"""Tables ready to paste: one style for page, document, LaTeX and CSV; the interval beside its estimate."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import nan
from numbers import Integral, Real
from string import ascii_lowercase
from typing import TYPE_CHECKING, Any, ClassVar

from truechange.foundation.drawing import block_html, cell_text
from truechange.foundation.errors import needs
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import decimals_for, decimals_of, fixed, p_value, percent, with_interval
from truechange.foundation.result import Result
from truechange.records.copies import inert_frame

if TYPE_CHECKING:
    import pandas as pd

SHARES = ("proportion", "share", "shrunken")
PAGE_INCHES = 6.3  # between the margins of a Word document
WIDE = 5  # columns beyond which an interval may wrap in its cell
SHORT = 14  # rows that stay on one printed page
FOOTNOTED = ("method", "origin")
LATEX_SIGNS = {sign: f"\\{sign}" for sign in "&%$#_{}"} | {
    "\\": r"\textbackslash{}", "~": r"\textasciitilde{}", "^": r"\textasciicircum{}", "–": "--", "−": "$-$", "<": "$<$",
    ">": "$>$", "|": "$|$", "∞": r"$\infty$", "≥": r"$\geq$", "≤": r"$\leq$", "√": r"$\surd$", "×": r"$\times$",
    "→": r"$\to$", "χ": r"$\chi$", "α": r"$\alpha$", "β": r"$\beta$", "ρ": r"$\rho$", "σ": r"$\sigma$",
    "Σ": r"$\Sigma$", "Δ": r"$\Delta$", "²": "$^2$", "³": "$^3$",
    "₁": "$_1$", "₂": "$_2$", "±": r"$\pm$", "·": r"$\cdot$", "′": "$'$", "°": r"$^\circ$",
}  # fmt: skip
NUMBER_LIKE = re.compile(r"[<>−]? ?[\d.,∞]+%?( [^\s()]+)?( \([^)]*\))?(; .*)?$|–$|hidden$")


@dataclass(frozen=True)
class ReadyTable:
    """A table of text, rounded and labelled, that writes itself in every format.

    Parameters
    ----------
    title : str
        Its caption.
    head : tuple of str
        Column heads.
    rows : tuple of tuple of str
        Cells; the first of a row names it.
    notes : tuple of str
        Footnotes below the table.
    """

    macro: ClassVar[str] = "readytable"
    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()

    @property
    def frame(self) -> "pd.DataFrame":
        """The cells as a DataFrame of text."""
        import pandas as pd

        return pd.DataFrame(self.rows, columns=list(self.head))

    def __repr__(self) -> str:
        return "\n".join((self.title, self.frame.to_string(index=False), *self.notes))

    def numeric(self) -> list[bool]:
        """Return which columns hold mostly numbers."""
        columns = list(zip(*self.rows, strict=True)) or [()] * len(self.head)
        hits = [sum(map(self.is_number, column)) for column in columns]
        return [at > 0 and 2 * hit > len(self.rows) for at, hit in enumerate(hits)]

    def widths(self) -> list[int]:
        """Return each column's share of a printed width: its longest text, long ones held back, words never broken."""
        columns = [(name, *(row[at] for row in self.rows)) for at, name in enumerate(self.head)]
        words = [max(len(word) for text in texts for word in text.split() or [""]) for texts in columns]
        return [max(min(max(map(len, texts)), 30), word + 7) for texts, word in zip(columns, words, strict=True)]

    def is_number(self, cell: str) -> bool:
        """Return whether a cell reads as a number, with its interval or a unit."""
        return bool(NUMBER_LIKE.match(cell))

    def look(self, numeric: Sequence[bool]) -> str:
        """Return the classes by which the page sets the table."""
        looks = {"short": len(self.rows) <= SHORT, "wide": len(self.head) > WIDE, "prose": not any(numeric)}
        return " ".join(["table", *(name for name, holds in looks.items() if holds)])

    def html(self) -> str:
        """Write it as HTML with header scopes; everything escaped."""
        return block_html(self)

    _repr_html_ = html

    def latex(self, label: str = "") -> str:
        """Write it as a LaTeX table that needs no package, columns as wide as the page allows, notes below."""
        widths = self.widths()
        room = 0.92 - 0.024 * len(widths)
        layout = "".join(rf"p{{{room * width / sum(widths):.3f}\linewidth}}" for width in widths)
        lines = [" & ".join(map(latex_text, row)) + r" \\" for row in (self.head, *self.rows)]
        body = "\n".join([r"\hline", lines[0], r"\hline", *lines[1:], r"\hline"])
        caption = r"\caption{" + latex_text(self.title) + "}" + (rf"\label{{tab:{label}}}" if label else "")
        notes = "".join(f"\\par\\footnotesize {latex_text(note)}\n" for note in self.notes)
        return (
            f"\\begin{{table}}\n\\centering\\small\\raggedright\n{caption}\n\\begin{{tabular}}{{{layout}}}\n{body}\n"
            f"\\end{{tabular}}\n{notes}\\end{{table}}\n"
        )

    def csv(self) -> str:
        """Write it as CSV; text that a spreadsheet would run as a formula is made inert."""
        return inert_frame(self.frame).to_csv(index=False, lineterminator="\n")

    def add_to(self, document: Any) -> None:
        """Add it to a python-docx document: caption above, repeated head, rows that do not split, notes below.

        Raises
        ------
        MissingPartError
            The extra ``thesis`` is not installed.
        """
        try:
            from docx.oxml import OxmlElement
            from docx.shared import Inches, Pt
        except ImportError as missing:
            raise needs("What writes Word documents", "thesis") from missing

        caption = document.add_paragraph(self.title, style="Caption").paragraph_format
        caption.keep_with_next, caption.space_before = True, Pt(8)
        numeric, widths = self.numeric(), self.widths()
        table = document.add_table(rows=1, cols=len(self.head))
        table.rows[0]._tr.get_or_add_trPr().append(OxmlElement("w:tblHeader"))
        for at, row in enumerate((self.head, *self.rows)):
            line = table.add_row() if at else table.rows[0]
            line._tr.get_or_add_trPr().append(OxmlElement("w:cantSplit"))
            for cell, text, number in zip(line.cells, row, numeric, strict=True):
                paragraph = cell.paragraphs[0]
                run = paragraph.add_run(text)
                run.font.size, run.bold = Pt(9), not at
                paragraph.alignment = 2 if number else 0
                paragraph.paragraph_format.space_before = paragraph.paragraph_format.space_after = Pt(1)
                paragraph.paragraph_format.keep_with_next = True
        _rule(table)
        table.autofit = False
        for column, count in zip(table.columns, widths, strict=True):
            column.width = Inches(PAGE_INCHES * count / sum(widths))
            for cell in column.cells:
                cell.width = column.width
        for note in self.notes or ("",):  # a line of air below, at the least
            paragraph = document.add_paragraph()
            paragraph.add_run(note).font.size = Pt(8)
            paragraph.paragraph_format.space_after = Pt(2)


def latex_text(text: str) -> str:
    """Write text for LaTeX: signs that are commands escaped, others as the default fonts have them."""
    return "".join(LATEX_SIGNS.get(sign, sign) for sign in text)


def _rule(table: Any) -> None:
    """Rule a table above, below and under its head."""
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    def edges(tag: str, *names: str) -> Any:
        borders = OxmlElement(tag)
        for name in names:
            edge = OxmlElement(f"w:{name}")
            for key, value in (("val", "single"), ("sz", "6"), ("color", "22303C")):
                edge.set(qn(f"w:{key}"), value)
            borders.append(edge)
        return borders

    table._tbl.tblPr.append(edges("w:tblBorders", "top", "bottom"))
    for cell in table.rows[0].cells:
        cell._tc.get_or_add_tcPr().append(edges("w:tcBorders", "bottom"))


def ready_table(
    source: "Result | pd.DataFrame",
    title: str,
    *,
    resolution: float | None = None,
    names: Sequence[str] = (),
    notes: Sequence[str] = (),
) -> ReadyTable:
    """Turn a result's table into one that can be pasted.

    Parameters
    ----------
    source : Result or DataFrame
        A result's cautions become footnotes. A column before ``low`` and ``high`` takes its interval into its cell; a
        column without a word in it is left out.
    title : str
        Caption.
    resolution : float, optional
        Smallest step of the test; values are shown with one decimal more than it is read to. Without it each
        value gets the digits its interval earns.
    names : sequence of str, optional
        Columns to keep, in this order; all by default.
    notes : sequence of str, optional
        Footnotes ahead of the cautions.

    Returns
    -------
    ReadyTable

    Examples
    --------
    >>> import pandas as pd
    >>> frame = pd.DataFrame({"group": ["North"], "mean": [2.834], "low": [2.21], "high": [3.68], "n": [30]})
    >>> print(ready_table(frame, "Change in stands", resolution=1).csv())
    group,mean (95% CI),n
    North,2.8 (2.2 to 3.7),30
    """
    import pandas as pd

    frame, cautions = (source.table(), source.cautions) if isinstance(source, Result) else (source, ())
    frame = frame if isinstance(frame.index, pd.RangeIndex) else frame.reset_index()
    columns = [name for name in (names or frame.columns) if name in frame.columns]
    paired = _estimate_column(list(frame.columns))
    spent = {"low", "high", "confidence", *FOOTNOTED} | ({"unit"} if paired else set())
    shown = [name for at, name in enumerate(columns) if not at or name not in spent]
    footnoted = [name for name in FOOTNOTED if name not in shown]
    whole = _whole_columns(frame, paired)
    marks: dict[str, str] = {}
    rows = []
    for record in frame.to_dict("records"):
        cells = [_cell(record, name, paired, resolution, whole) for name in shown]
        said = "; ".join(str(record[name]) for name in footnoted if record.get(name) and record[name] == record[name])
        if said:
            cells[0] += f" ({marks.setdefault(said, ascii_lowercase[len(marks) % 26])})"
        rows.append(tuple(cells))
    level = frame["confidence"].iloc[0] if "confidence" in frame.columns and len(frame) else 0.95
    head = [str(name).replace("_", " ") + f" ({100 * level:g}% CI)" * (name == paired) for name in shown]
    told = [column for column in zip(head, *rows, strict=True) if not rows or any(column[1:])]  # no word: no column
    footnotes = tuple(f"({mark}) {text.replace('_', ' ').rstrip('.')}." for text, mark in marks.items())
    top, *body = zip(*told, strict=True)
    return ReadyTable(title, top, tuple(body), (*footnotes, *notes, *cautions))


def _estimate_column(columns: list[str]) -> str | None:
    if "low" not in columns or "high" not in columns:
        return None
    before = [name for name in columns[: columns.index("low")] if name not in ("unit", "n")]
    return before[-1] if before else None


def _whole_columns(frame: "pd.DataFrame", paired: str | None) -> set[Any]:
    numbers = frame.map(lambda value: None if isinstance(value, str) else value).infer_objects().select_dtypes("number")
    return {name for name in numbers.columns if name != paired and (numbers[name].dropna() % 1 == 0).all()}


def _cell(record: dict[Any, Any], name: Any, paired: str | None, resolution: float | None, whole: set[Any]) -> str:
    value = record[name]
    if isinstance(value, str):  # a word, or a number that is hidden, as its limits then are
        return value
    low, high = (float(record["low"]), float(record["high"])) if name == paired else (nan, nan)
    is_share = name in SHARES or "share" in str(name) or str(name).endswith("_possible")
    if value is None or value != value or (not is_share and (not isinstance(value, Real) or isinstance(value, bool))):
        return cell_text(value)
    if is_share:
        return percent(float(value)) if low != low else with_interval(float(value), low, high)
    number = float(value)
    if name in whole or isinstance(value, Integral):
        return cell_text(int(number))
    if str(next(iter(record.values()))).startswith("p ("):
        return bare_p(number)
    unit = f" {record['unit']}" if record.get("unit") and record["unit"] == record["unit"] else ""
    earned = resolution is None or (paired is not None and not unit)
    places = decimals_for(low, high, number) if earned else decimals_of(resolution) + 1  # type: ignore[arg-type]
    shown = fixed(number, places) + (unit if name == paired else "")
    return shown if low != low else f"{shown} ({fixed(low, places)} to {fixed(high, places)})"


def bare_p(p: float) -> str:
    """Write a p-value without its letter and equals sign, for a column that is headed by them."""
    return p_value(p).removeprefix("p ").removeprefix("= ")


def interval_cell(value: Any, low: float, high: float, decimals: int | None = None, lacking: str = "–") -> str:
    """Write a value with its interval into one cell, a share without `decimals`; what is hidden stays hidden."""
    if isinstance(value, str):
        return value
    return lacking if value is None or value != value else with_interval(value, low, high, decimals)


def interval_cells(rows: "pd.DataFrame", columns: Sequence[str], *how: Any) -> list[str]:
    """Write three columns of numbers (value and limits) as one of cells; `how` as for :func:`interval_cell`."""
    return [interval_cell(*row, *how) for row in rows[list(columns)].itertuples(index=False)]


def estimate_cell(estimate: Estimate, decimals: int | None = None) -> str:
    """Write an estimate with its interval into one cell, a share without `decimals`."""
    return with_interval(estimate.value, estimate.low, estimate.high, decimals)
