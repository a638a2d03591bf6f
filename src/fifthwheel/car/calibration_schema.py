"""The table of `calibration.toml`, key by key: one rule per key."""

from fifthwheel.car.calibration import QUANTITIES
from fifthwheel.car.rules import Rule
from fifthwheel.car.table import Annotated, TomlTable
from fifthwheel.glossary import CALIBRATION_KINDS


class CalibrationTable(TomlTable):
    """One calibrated quantity; the newest of each is used, by date, then by order in the file."""

    quantity: Annotated[str, Rule("choice", "What was calibrated.", choices=tuple(QUANTITIES), required=True)]
    value: Annotated[str, Rule("text", "Its value with the 95 % bound, in SI.", required=True)]
    date: Annotated[str, Rule("date", "Day of the test.", required=True)]
    session: Annotated[str, Rule("name", "Session it comes from.", required=True)]
    method: Annotated[str, Rule("choice", "How.", choices=CALIBRATION_KINDS, required=True)]
    count: Annotated[int, Rule("whole", "Runs or positions in it.", least=1, most=10**6, required=True)]


class CalibrationFile(TomlTable):
    """The whole of `calibration.toml`."""

    calibration: tuple[CalibrationTable, ...] = ()
