"""The one-page report: `render_html(data)` and `render_pdf(data, paper)` from one pure value, `ReportData`."""

from collector.share.report.data import CuffLine, RegimenChange, ReportData
from collector.share.report.html import render_html
from collector.share.report.pdf import PAPERS, ReportError, render_pdf

__all__ = ["PAPERS", "CuffLine", "RegimenChange", "ReportData", "ReportError", "render_html", "render_pdf"]
