"""Wording, tables, methods paragraph, references, checklists, HTML, PDF, XLSX and docx; computes nothing."""

from truechange.reporting.methods import Prose, methods_paragraph
from truechange.reporting.page import picture, tell
from truechange.reporting.references import Checklist, ReferenceList, checklist, cite, reliability_facts
from truechange.reporting.tables import ReadyTable, ready_table

__all__ = [
    "Checklist", "Prose", "ReadyTable", "ReferenceList", "checklist", "cite", "methods_paragraph", "picture",
    "ready_table", "reliability_facts", "tell",
]  # fmt: skip
