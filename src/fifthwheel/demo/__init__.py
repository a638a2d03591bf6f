"""A car and a test day of our own invention, simulated for the demo and for tests alone.

It shares no code with the estimator or the vehicle model.
"""

from fifthwheel.demo.day import Move, Phase, Reboot
from fifthwheel.demo.drive import TrueRun
from fifthwheel.demo.sensors import Errors
from fifthwheel.demo.simulate import Simulated, Weather, simulate, to_recording
from fifthwheel.demo.vehicle import Spec
from fifthwheel.demo.write import COLUMNS, DemoTruth, Fault, write_demo

__all__ = [
    "COLUMNS",
    "DemoTruth",
    "Errors",
    "Fault",
    "Move",
    "Phase",
    "Reboot",
    "Simulated",
    "Spec",
    "TrueRun",
    "Weather",
    "simulate",
    "to_recording",
    "write_demo",
]
