"""Write a study: page, accessible PDF, Word document, figures at print size, tables to paste, references."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from truechange.figures import save_print
from truechange.foundation.errors import MissingPartError
from truechange.reporting.methods import told_sources
from truechange.reporting.page import page_html
from truechange.reporting.page_docx import edited, write_docx
from truechange.reporting.page_pdf import write_pdf
from truechange.reporting.references import cite
from truechange.reporting.safe_files import whole_folder
from truechange.reporting.stamp import Stamp
from truechange.reporting.study import Study
from truechange.reporting.study_sections import study_pictures, study_sections, study_tables

KEPT = "Move or rename it, or add --overwrite to replace it."
TITLE = "Measurement error, meaningful change and responders"


def write_study(
    study: Study,
    out: Path,
    *,
    stamp: Stamp,
    overwrite: bool = False,
    step: Callable[[str], None] = lambda _words: None,
) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """Write the study into a folder, all or none: page, PDF, Word document, figures, tables and references.

    Parameters
    ----------
    study : Study
        What was computed.
    out : Path
        The folder.
    stamp : Stamp
        Files and options of the run.
    overwrite : bool, optional
        Replace a ``study.docx`` that was edited since it was written; by default it is left alone, and said.
    step : callable, optional
        Told what is being written.

    Returns
    -------
    tuple of Path, tuple of str
        The documents written, and what was left out: because a part is not installed, or not to lose somebody's work.
    """
    study = study.public()
    step("drawing the figures")
    pictures, tables = study_pictures(study), study_tables(study)
    sections = study_sections(study, stamp, pictures, tables)
    lead = f"{study.measure.name}; {study.audit.programme}, {study.audit.before} to {study.audit.after}."
    page = page_html(TITLE, lead, sections)
    writers: dict[str, Callable[[Path], Any]] = {
        "study.html": lambda path: path.write_text(page, encoding="utf-8"),
        "study.pdf": lambda path: write_pdf(TITLE, lead, sections, path),
        "study.docx": lambda path: write_docx(TITLE, lead, sections, path),
        "references.bib": lambda path: path.write_text(_bibtex(study), encoding="utf-8"),
    }
    made, left_out = [], []
    if not overwrite and edited(Path(out) / "study.docx"):
        del writers["study.docx"]
        left_out.append(f"{Path(out) / 'study.docx'} was edited since it was written and is left as it is. {KEPT}")
    with whole_folder(out) as aside:
        for name, write in writers.items():
            step(f"writing {name}")
            try:
                write(aside / name)
                made.append(Path(out) / name)
            except MissingPartError as missing:
                left_out.append(f"{name} was not written. {missing}")
        step("figures and tables")
        for folder in ("figures", "tables"):
            (aside / folder).mkdir()
        for name, picture in pictures.items():
            save_print(picture.drawn, aside / "figures" / name)
        for name, table in tables.items():
            (aside / "tables" / f"{name}.csv").write_text(table.csv(), encoding="utf-8-sig")
            (aside / "tables" / f"{name}.tex").write_text(table.latex(), encoding="utf-8")
    return tuple(made), tuple(left_out)


def _bibtex(study: Study) -> str:
    keys = [key for one in study.results for key in told_sources(one)]
    return "\n\n".join(cite(*keys, style="bibtex").sentences()) + "\n"
