"""Self-contained pages: the work order of a plan, and how a part should lie."""

from falsework.report.lies import lies_html
from falsework.report.order import report_html

__all__ = ["lies_html", "report_html"]
