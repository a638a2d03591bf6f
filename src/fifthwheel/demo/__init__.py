"""A car and a test day of our own invention, simulated for the demo and for tests; shares no code with the estimator."""

from fifthwheel.demo.day import Move, Phase, Reboot
from fifthwheel.demo.drive import TrueRun
from fifthwheel.demo.sensors import Errors
from fifthwheel.demo.simulate import Simulated, Weather, simulate, to_recording
from fifthwheel.demo.vehicle import Spec

__all__ = [
    "Errors",
    "Move",
    "Phase",
    "Reboot",
    "Simulated",
    "Spec",
    "TrueRun",
    "Weather",
    "simulate",
    "to_recording",
]
