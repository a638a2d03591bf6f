"""The described car and its sessions: `car.toml` and `session.toml` read, checked and written."""

from __future__ import annotations

from fifthwheel.car.load import load_car, load_session

__all__ = ["load_car", "load_session"]
