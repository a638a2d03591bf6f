"""A car on the desk: both boards as a host program from the car's own headers, fed by the simulated test day."""

from fifthwheel.desk.demo import write_emulated_demo
from fifthwheel.desk.emulate import Emulated, emulate
from fifthwheel.desk.script import Change, Script, Trouble, day_script, load_script

__all__ = [
    "Change",
    "Emulated",
    "Script",
    "Trouble",
    "day_script",
    "emulate",
    "load_script",
    "write_emulated_demo",
]
