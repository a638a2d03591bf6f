"""What the workbench needs on paper: the harness and three lists of tests, each test with its limits."""

from __future__ import annotations

import math
from dataclasses import dataclass

from fifthwheel.plan.results import Conductor
from fifthwheel.units import System


@dataclass(frozen=True)
class WorkbenchTest:
    """One test of a list. id: stays the same while the thing that it tests stays the same.

    group: under which heading. do, at: what to do and where to look; of a continuity test the two probes. expect: for
    a person. low, high: limits of what is measured, in `unit` ("ohm", "V", "A", "m/s2"), NaN where none. caution: what
    can hurt, or "". tells: the likely cause when it fails. volts: rail voltage [V] at the probe later, NaN where none.
    supply, limit: what the bench supply is set to [V] and limited to [A], NaN where it does not matter.
    """

    id: str
    group: str
    do: str
    at: str
    expect: str
    low: float = math.nan
    high: float = math.nan
    unit: str = ""
    caution: str = ""
    tells: str = ""
    volts: float = math.nan
    supply: float = math.nan
    limit: float = math.nan


@dataclass(frozen=True)
class Workbench:
    """All lists of one car. units: that its builder reads."""

    car: str
    units: System
    harness: tuple[Conductor, ...]
    continuity: tuple[WorkbenchTest, ...]
    first_power: tuple[WorkbenchTest, ...]
    bring_up: tuple[WorkbenchTest, ...]
