"""A programme as a whole: who was tested, how much the group changed, and what that can and cannot show."""

from truechange.programme.audit import audit
from truechange.programme.audit_result import ProgrammeAudit

__all__ = ["ProgrammeAudit", "audit"]
