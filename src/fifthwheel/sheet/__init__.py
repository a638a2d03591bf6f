"""The sheet of a session: in the terminal, as one HTML file that opens offline, and as a PDF to print."""

from __future__ import annotations

from fifthwheel.sheet.html import write_html
from fifthwheel.sheet.pdf import write_pdf
from fifthwheel.sheet.report import Report
from fifthwheel.sheet.terminal import sheet_terminal

__all__ = ["Report", "sheet_terminal", "write_html", "write_pdf"]
