"""What a calibration run gives, and how several runs are combined."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from fifthwheel.car.model import Car, Session
from fifthwheel.data import Finding, Quantity
from fifthwheel.figures.gum import coverage_factor, effective_degrees_of_freedom

TYPE_B_DOF = 10.0
"""Degrees of freedom of a stated standard uncertainty: it is itself known to about 22 % (JCGM 100:2008, G.4.2)."""


@dataclass(frozen=True)
class Calibration:
    """One calibrated quantity, a measurement result.

    quantity: key of calibration.toml ("tyre.front.radius"); for a row that is only shown, its name. written: whether
    it belongs into calibration.toml. value, u, low, high (95 %) in `unit` (SI). dof: effective degrees of freedom.
    count: runs or positions in it. parts: term -> share of the variance. places: the runs in it, for a person.
    car: what the car holds now (None when nothing), with `stated` when car.toml says so itself.
    """

    quantity: str
    label: str
    method: str
    value: float
    u: float
    low: float
    high: float
    unit: str
    dof: float
    count: int
    parts: Mapping[str, float]
    places: tuple[str, ...]
    written: bool = True
    remark: str = ""
    car: Quantity | None = None
    stated: bool = False


@dataclass(frozen=True)
class Calibrations:
    """All that a session calibrates: results, findings about its calibration runs, and tables for drawing and reading
    ("steer": rows of reading, angle [rad], its 95 % half-width [rad])."""

    results: tuple[Calibration, ...]
    findings: tuple[Finding, ...]
    tables: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Calibrated:
    """What `calibrate` did: car and session, what was found, and the file it was written to (None without writing)."""

    car: Car
    session: Session
    found: Calibrations
    path: Path | None


def combine(values: Sequence[float], independent: Sequence[float]) -> tuple[float, float, float]:
    """Return mean, standard uncertainty and degrees of freedom of repeated measurements of one quantity.

    Weighted by 1/u^2. The stated uncertainties count as known with TYPE_B_DOF degrees of freedom and are scaled by what
    the repetitions show: s^2 = (nu_B + chi^2) / (nu_B + n - 1), so that two runs that agree by chance promise nothing.
    """
    y, u = np.asarray(values, dtype=np.float64), np.asarray(independent, dtype=np.float64)
    weight = 1.0 / u**2
    mean = float(np.sum(weight * y) / np.sum(weight))
    chi2 = float(np.sum(weight * (y - mean) ** 2))
    dof = TYPE_B_DOF + y.size - 1
    scale = (TYPE_B_DOF + chi2) / dof
    return mean, math.sqrt(scale / float(np.sum(weight))), dof


def result(
    quantity: str,
    label: str,
    method: str,
    value: float,
    terms: Mapping[str, tuple[float, float]],
    unit: str,
    *,
    count: int,
    places: Sequence[str],
    written: bool = True,
    remark: str = "",
) -> Calibration:
    """Return a Calibration from its budget: terms name -> (standard uncertainty, degrees of freedom).

    Combined and expanded by JCGM 100:2008, 5.1.2 and G.4.1 (Welch-Satterthwaite).
    """
    u = np.array([size for size, _ in terms.values()])
    nu = np.array([dof for _, dof in terms.values()])
    variance = float(np.sum(u**2))
    combined = math.sqrt(variance)
    dof = effective_degrees_of_freedom(u, nu)
    half = coverage_factor(dof) * combined
    parts = {name: size**2 / variance if variance > 0.0 else 0.0 for name, (size, _) in terms.items()}
    return Calibration(
        quantity, label, method, value, combined, value - half, value + half, unit, dof, count, parts, tuple(places),
        written, remark,
    )  # fmt: skip
