"""fifthwheel: from the recording of a small electric test car to figures with a true uncertainty."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_PUBLIC = {
    "calibrate": "fifthwheel.session",
    "compare": "fifthwheel.session",
    "findings": "fifthwheel.session",
    "load_car": "fifthwheel.car",
    "load_session": "fifthwheel.car",
    "measure": "fifthwheel.session",
    "open_recording": "fifthwheel.session",
    "read": "fifthwheel.session",
    "write_film": "fifthwheel.session",
    "write_sheet": "fifthwheel.session",
    "export": "fifthwheel.session",
    "to_frame": "fifthwheel.store",
    "FifthwheelError": "fifthwheel.errors",
}
"""Public name -> module it is loaded from on first use, so that importing fifthwheel stays light."""

__all__ = [*_PUBLIC, "__version__"]

if TYPE_CHECKING:
    from fifthwheel.car import load_car, load_session
    from fifthwheel.errors import FifthwheelError
    from fifthwheel.session import (
        calibrate,
        compare,
        export,
        findings,
        measure,
        open_recording,
        read,
        write_film,
        write_sheet,
    )
    from fifthwheel.store import to_frame


def __getattr__(name: str) -> Any:
    if name not in _PUBLIC:
        raise AttributeError(f"module 'fifthwheel' has no attribute '{name}'")
    from importlib import import_module

    return getattr(import_module(_PUBLIC[name]), name)
