"""The sheet of a session: in the terminal, as one HTML file that opens offline, and as a PDF to print."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fifthwheel.sheet.html import write_html
    from fifthwheel.sheet.pdf import write_pdf
    from fifthwheel.sheet.report import Report
    from fifthwheel.sheet.terminal import sheet_terminal

__all__ = ["Report", "sheet_terminal", "write_html", "write_pdf"]

_MODULES = {"Report": "report", "sheet_terminal": "terminal", "write_html": "html", "write_pdf": "pdf"}


def __getattr__(name: str) -> Any:
    """Return what writes a sheet, imported when it is first asked for: a plan needs none of the plots."""
    if name not in _MODULES:
        raise AttributeError(f"module 'fifthwheel.sheet' has no attribute '{name}'")
    from importlib import import_module

    return getattr(import_module(f"fifthwheel.sheet.{_MODULES[name]}"), name)
