"""A programme as a whole: who was tested, how much the group changed, and what that can and cannot show."""

from truechange.foundation import on_first_use

_HOME = {"ProgrammeAudit": "audit_result", "audit": "auditing", "responder_registry": "registry", "study": "studying"}

__all__ = [*_HOME]
__getattr__ = on_first_use(__name__, _HOME)
