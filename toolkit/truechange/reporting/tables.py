"""Tables ready to paste: one style for page, document, LaTeX and CSV; the interval beside its estimate."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from numbers import Integral, Real
from string import ascii_lowercase
from typing import TYPE_CHECKING, Any

from truechange.foundation.drawing import cell_text
from truechange.foundation.errors import needs
from truechange.foundation.numbers import decimals_for, decimals_of, fixed, p_value, percent
from truechange.foundation.result import Result
from truechange.records.copies import inert_frame

if TYPE_CHECKING:
    import pandas as pd

SHARES = ("proportion", "share", "shrunken")
NUMBER_CLASS = ' class="number"'
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
        hits = [sum(bool(NUMBER_LIKE.match(cell)) for cell in column) for column in columns]
        return [at > 0 and 2 * hit > len(self.rows) for at, hit in enumerate(hits)]

    def widths(self) -> list[int]:
        """Return each column's share of a printed width: its longest text, long ones held back, words never broken."""
        columns = [(name, *(row[at] for row in self.rows)) for at, name in enumerate(self.head)]
        words = [max(len(word) for text in texts for word in text.split() or [""]) for texts in columns]
        return [max(min(max(map(len, texts)), 30), word + 3) for texts, word in zip(columns, words, strict=True)]

    def html(self) -> str:
        """Write it as HTML with header scopes; everything escaped."""
        numeric = self.numeric()
        head = "".join(
            f'<th scope="col"{NUMBER_CLASS if number else ""}>{escape(name)}</th>'
            for name, number in zip(self.head, numeric, strict=True)
        )
        body = "".join(
            f'<tr><th scope="row">{escape(row[0])}</th>'
            + "".join(
                f"<td{NUMBER_CLASS if number and NUMBER_LIKE.match(cell) else ''}>{escape(cell)}</td>"
                for cell, number in zip(row[1:], numeric[1:], strict=True)
            )
            + "</tr>"
            for row in self.rows
        )
        notes = "".join(f'<p class="note">{escape(note)}</p>' for note in self.notes)
        caption = f"<caption>{escape(self.title)}</caption>"
        table = f"<table>{caption}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
        looks = {"short": len(self.rows) <= SHORT, "wide": len(self.head) > WIDE, "prose": not any(numeric)}
        kind = " ".join(["table", *(name for name, held in looks.items() if held)])
        return f'<div class="{kind}">{table}{notes}</div>'

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
            from docx.shared import Pt
        except ImportError as missing:
            raise needs("What writes Word documents", "thesis") from missing

        caption = document.add_paragraph(self.title, style="Caption")
        caption.paragraph_format.keep_with_next = True
        numeric = self.numeric()
        table = document.add_table(rows=1, cols=len(self.head))
        table.rows[0]._tr.get_or_add_trPr().append(OxmlElement("w:tblHeader"))
        for row in (self.head, *self.rows):
            cells = table.rows[0].cells if row is self.head else table.add_row().cells
            for place, (cell, text) in enumerate(zip(cells, row, strict=True)):
                run = cell.paragraphs[0].add_run(text)
                run.font.size = Pt(9)
                run.bold = row is self.head
                cell.paragraphs[0].alignment = 2 if numeric[place] else 0
                cell.paragraphs[0].paragraph_format.space_before = Pt(1)
                cell.paragraphs[0].paragraph_format.space_after = Pt(1)
        for line in table.rows:
            line._tr.get_or_add_trPr().append(OxmlElement("w:cantSplit"))
            if line is not table.rows[-1]:
                for cell in line.cells:
                    cell.paragraphs[0].paragraph_format.keep_with_next = True
        _rule(table)
        _set_widths(table, self.widths())
        for note in self.notes:
            paragraph = document.add_paragraph()
            paragraph.add_run(note).font.size = Pt(8)
            paragraph.paragraph_format.space_after = Pt(2)


def latex_text(text: str) -> str:
    """Write text for LaTeX: signs that are commands escaped, others as the default fonts have them."""
    return "".join(LATEX_SIGNS.get(sign, sign) for sign in text)


def _set_widths(table: Any, wanted: Sequence[int], inches: float = 6.3) -> None:
    """Share the width of the page."""
    from docx.shared import Inches

    table.autofit = False
    for column, count in zip(table.columns, wanted, strict=True):
        column.width = Inches(inches * count / sum(wanted))
        for cell in column.cells:
            cell.width = column.width


def _rule(table: Any) -> None:
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    def edges(*names: str) -> Any:
        borders = OxmlElement("w:tcBorders" if names[0] == "bottom" else "w:tblBorders")
        for name in names:
            edge = OxmlElement(f"w:{name}")
            for key, value in (("val", "single"), ("sz", "6"), ("color", "22303C")):
                edge.set(qn(f"w:{key}"), value)
            borders.append(edge)
        return borders

    table._tbl.tblPr.append(edges("top", "bottom"))
    for cell in table.rows[0].cells:
        cell._tc.get_or_add_tcPr().append(edges("bottom"))


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
        A result's cautions become footnotes. A column before ``low`` and ``high`` takes its interval into its cell.
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

    frame = source.table() if isinstance(source, Result) else source
    cautions = source.cautions if isinstance(source, Result) else ()
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
            mark = marks.setdefault(said, ascii_lowercase[len(marks) % 26])
            cells[0] = f"{cells[0]} ({mark})"
        rows.append(tuple(cells))
    level = frame["confidence"].iloc[0] if "confidence" in frame.columns and len(frame) else 0.95
    head = tuple(_head(name, paired, level) for name in shown)
    footnotes = tuple(f"({mark}) {text.replace('_', ' ')}." for text, mark in marks.items())
    return ReadyTable(title, head, tuple(rows), (*footnotes, *notes, *cautions))


def _estimate_column(columns: list[str]) -> str | None:
    if "low" not in columns or "high" not in columns:
        return None
    before = [name for name in columns[: columns.index("low")] if name not in ("unit", "n")]
    return before[-1] if before else None


def _head(name: Any, paired: str | None, level: float) -> str:
    words = str(name).replace("_", " ")
    return f"{words} ({100 * level:g}% CI)" if name == paired else words


def _whole_columns(frame: "pd.DataFrame", paired: str | None) -> set[Any]:
    numbers = frame.map(lambda value: None if isinstance(value, str) else value).infer_objects().select_dtypes("number")
    return {name for name in numbers.columns if name != paired and (numbers[name].dropna() % 1 == 0).all()}


def _cell(record: dict[Any, Any], name: Any, paired: str | None, resolution: float | None, whole: set[Any]) -> str:
    value = record[name]
    if isinstance(value, str):
        return value
    if name in SHARES or "share" in str(name) or str(name).endswith("_possible"):
        shown = percent(float(value)) if value is not None else "–"
        if name == paired and record["low"] == record["low"]:
            shown += f" ({percent(record['low'])} to {percent(record['high'])})"
        return shown
    if not isinstance(value, Real) or isinstance(value, bool | Integral):
        return cell_text(value)
    low, high = (float(record["low"]), float(record["high"])) if name == paired else (float("nan"), float("nan"))
    number = float(value)
    if number != number:
        return "–"
    if name in whole:
        return cell_text(int(number))
    if str(next(iter(record.values()))).startswith("p ("):
        return p_value(number).removeprefix("p ").removeprefix("= ")
    unitless = paired is not None and not (record.get("unit") and record["unit"] == record["unit"])
    places = decimals_for(low, high, number) if resolution is None or unitless else decimals_of(resolution) + 1
    shown = fixed(number, places)
    if name != paired:
        return shown
    unit = f" {record['unit']}" if record.get("unit") and record["unit"] == record["unit"] else ""
    return f"{shown}{unit}" if low != low else f"{shown}{unit} ({fixed(low, places)} to {fixed(high, places)})"
