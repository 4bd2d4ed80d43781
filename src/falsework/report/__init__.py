"""The work order: a self-contained page with pictures, tables and figures of one plan."""

from falsework.report.order import report_html

__all__ = ["report_html"]
