"""Self-contained pages: work order, how a part should lie, how supports come off, audit of a program."""

from falsework.report.audit import audit_html
from falsework.report.order import report_html
from falsework.report.orientations import orientations_html
from falsework.report.release import release_html

__all__ = ["audit_html", "orientations_html", "release_html", "report_html"]
