"""What a machine program will really print: its strands, and what lies beneath each."""

from falsework.auditing.pipeline import audit
from falsework.auditing.value import Audit, Finding, Level, UndersideAudit

__all__ = ["Audit", "Finding", "Level", "UndersideAudit", "audit"]
