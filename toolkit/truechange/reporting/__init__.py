"""Wording, tables, methods paragraph, references, checklists, HTML, PDF, XLSX and docx; computes nothing."""

from truechange.reporting.references import ReferenceList, cite

__all__ = ["ReferenceList", "cite"]
