"""Wording, tables, methods paragraph, references, checklists, HTML, PDF, XLSX and docx; computes nothing."""
