"""Self-contained pages: the work order of a plan, how a part should lie, how supports come off."""

from falsework.report.lies import lies_html
from falsework.report.order import report_html
from falsework.report.release import release_html

__all__ = ["lies_html", "release_html", "report_html"]
