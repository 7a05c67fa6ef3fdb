"""Wording, tables, methods paragraph, references, checklists, HTML, PDF, XLSX and docx; computes nothing."""

from truechange.reporting.checklists import Checklist, checklist
from truechange.reporting.methods import methods_paragraph
from truechange.reporting.prose import Prose
from truechange.reporting.references import ReferenceList, cite
from truechange.reporting.tables import ReadyTable, ready_table

__all__ = [
    "Checklist", "Prose", "ReadyTable", "ReferenceList", "checklist", "cite", "methods_paragraph", "ready_table",
]  # fmt: skip
