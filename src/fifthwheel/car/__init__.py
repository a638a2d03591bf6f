"""The described car and its sessions: `car.toml` and `session.toml` read, checked and written."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fifthwheel.car.load import load_car, load_session

if TYPE_CHECKING:
    from fifthwheel.car.write import write_new_car, write_new_profile, write_new_session

__all__ = ["load_car", "load_session", "write_new_car", "write_new_profile", "write_new_session"]


def __getattr__(name: str) -> Any:
    """Return what writes templates, imported when it is first asked for."""
    if name not in __all__:
        raise AttributeError(f"module 'fifthwheel.car' has no attribute '{name}'")
    from fifthwheel.car import write

    return getattr(write, name)
