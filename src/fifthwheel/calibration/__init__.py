"""Calibration runs: found or marked, computed with intervals, and written beside the car."""

from __future__ import annotations

from fifthwheel.calibration.find import contradictions, entries_of, find_calibrations
from fifthwheel.calibration.result import Calibrated, Calibration, Calibrations

__all__ = ["Calibrated", "Calibration", "Calibrations", "contradictions", "entries_of", "find_calibrations"]
