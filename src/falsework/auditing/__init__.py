"""What a machine program will really print: its strands, and what lies beneath each."""

from falsework.auditing.pipeline import audit
from falsework.auditing.request import Bed, Reads
from falsework.auditing.value import Audit, Decision, Finding, FindingLevel, UndersideAudit

__all__ = ["Audit", "Bed", "Decision", "Finding", "FindingLevel", "Reads", "UndersideAudit", "audit"]
