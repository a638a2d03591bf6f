"""The described car and its sessions: `car.toml` and `session.toml` read, checked and written."""

from __future__ import annotations

from fifthwheel.car.load import load_car, load_session
from fifthwheel.car.write import write_new_car, write_new_profile, write_new_session

__all__ = ["load_car", "load_session", "write_new_car", "write_new_profile", "write_new_session"]
