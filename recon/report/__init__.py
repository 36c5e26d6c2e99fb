"""One offline HTML page for coach and player."""

from recon.report.page import render_report, write_report

__all__ = ["render_report", "write_report"]
