"""All that a sheet is made from: what was described, what was read and what was measured."""

from __future__ import annotations

from dataclasses import dataclass

from fifthwheel.car.model import Car, Session
from fifthwheel.data import Measured, Recording
from fifthwheel.units import System


@dataclass(frozen=True)
class Report:
    """One test day of one car, ready to be printed in one system of units ("metric" or "imperial")."""

    car: Car
    session: Session
    recording: Recording
    measured: Measured
    units: System
