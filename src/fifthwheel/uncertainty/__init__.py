"""Uncertainty: draws of the motion taken through the figures, repeatability, and what single runs combine to."""

from fifthwheel.uncertainty.measure import measure_figures

__all__ = ["measure_figures"]
