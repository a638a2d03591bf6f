"""Which figures a subset of the sensors can support, and the reason where it cannot.

The four groups are those of `Motion.sensors`. A figure that is supported may still be refused for its width.
"""

from __future__ import annotations

from types import MappingProxyType

SENSORS: tuple[str, ...] = ("free wheels", "driven wheels", "inertial", "gnss")
"""Groups of sensors in the order of `Motion.sensors`; a free wheel is one that is not driven."""

FIGURES: tuple[str, ...] = (
    "launch.time",
    "launch.peak_acceleration",
    "launch.peak_driven_slip",
    "braking.distance",
    "braking.peak_deceleration",
    "braking.locked_share",
    "coast_down",
    "speed_pass",
    "steady_circle",
    "step_steer.yaw_rate",
    "step_steer.response_time",
)
"""Groups of figures: launch.time stands for times and speeds, braking.distance for distances, times and MFDD,
step_steer.yaw_rate for the gain as well, step_steer.response_time for the time and size of the peak."""

REASONS = MappingProxyType(
    {
        "A": "an inertial sensor alone tells no speed for longer than some seconds after rest",
        "a": "a peak over 50 ms needs an inertial sensor: the derivative of a noisy speed is no acceleration",
        "d": "needs the speed of a driven wheel",
        "w": "needs the speed of a wheel",
        "g": "a driven wheel needs something to be held against: a free wheel, an inertial sensor or GNSS",
        "s": "without an inertial sensor or GNSS nothing tells the slip of a driven wheel from a change of speed",
        "m": "GNSS alone does not see the first centimetre of a launch",
        "p": "between GNSS fixes only driven wheels tell the speed, and under power they run fast",
        "r": "GNSS alone does not see the car come to rest",
        "b": "without an inertial sensor only wheels tell the speed under braking, and they run slow or lock",
        "o": "wheels alone tell the yaw rate only as well as both wheels of an axle are equal",
        "l": "without an inertial sensor nothing tells the speed while a wheel is locked",
        "t": "needs the yaw rate within hundredths of a second; readings of wheels are means over a tenth",
        "e": "under power both wheels of a driven axle slip unequally in a bend, which passes for a yaw rate",
        "y": "needs the yaw rate within hundredths of a second, and GNSS has one course per fix",
    }
)
"""Letter of the table -> why a figure is refused."""

_ROWS = """
free wheels, driven wheels, inertial, gnss   . . . . . . . . . . .
free wheels, driven wheels, inertial         . . . . . . . . . . .
free wheels, driven wheels, gnss             . a . b a l . . . . t
free wheels, inertial, gnss                  . . d . . . . . . . .
driven wheels, inertial, gnss                . . . . . . . . . . .
free wheels, driven wheels                   . a s b a l . . o o t
free wheels, inertial                        . . d . . . . . . . .
free wheels, gnss                            . a d b a l . . . . t
driven wheels, inertial                      . . . . . . . . . . .
driven wheels, gnss                          p a p b a l . . . e t
inertial, gnss                               . . d . . w . . . . .
free wheels                                  . a d b a l . . o o t
driven wheels                                g a g g a g g g o o t
inertial                                     A A A A A A A A A A A
gnss                                         m a d r a w . . . y y
"""
"""One line per subset, one letter per group of FIGURES; a point is a figure that is supported."""

SUPPORT: MappingProxyType[tuple[str, ...], MappingProxyType[str, str]] = MappingProxyType(
    {
        tuple(name.strip() for name in line[:44].split(",")): MappingProxyType(
            dict(zip(FIGURES, line[44:].split(), strict=True))
        )
        for line in _ROWS.strip().splitlines()
    }
)
"""Subset of SENSORS -> group of FIGURES -> "." or a letter of REASONS."""


def figure_group(name: str) -> str:
    """Return the group of FIGURES that a figure's full name belongs to; "" for one that needs no motion."""
    kind, _, rest = name.partition(".")
    if kind in ("coast_down", "speed_pass", "steady_circle"):
        return kind
    if kind == "step_steer":
        return "step_steer.yaw_rate" if rest.startswith("yaw_rate") else "step_steer.response_time"
    if kind == "launch":
        if rest.startswith(("time_to", "speed_at")):
            return "launch.time"
        if rest.startswith(("peak_driven_slip", "peak_slip_speed")):
            return "launch.peak_driven_slip"
        return "launch.peak_acceleration" if rest.startswith("peak_acceleration") else ""
    if kind == "braking":
        if rest.startswith(("distance", "time_from", "mfdd", "speed_at_command")):
            return "braking.distance"
        if rest.startswith("peak_deceleration"):
            return "braking.peak_deceleration"
        return "braking.locked_share" if rest.startswith("locked_share") else ""
    return ""


def unsupported(name: str, sensors: tuple[str, ...]) -> str:
    """Return why the sensors (as in `Motion.sensors`) cannot support the figure of that name, "" where they can."""
    group = figure_group(name)
    chosen = tuple(sensor for sensor in SENSORS if sensor in sensors)
    letter = SUPPORT[chosen][group] if group and chosen in SUPPORT else "."
    return REASONS.get(letter, "")


def support_table() -> str:
    """Return the table of all subsets against all groups of figures, the reasons below."""
    lines = [f"{'':44s} " + " ".join(f"{name.split('.')[-1][:12]:>12s}" for name in FIGURES)]
    for subset, row in SUPPORT.items():
        cells = ("yes" if row[name] == "." else f"no ({row[name]})" for name in FIGURES)
        lines.append(f"{', '.join(subset):44s} " + " ".join(f"{cell:>12s}" for cell in cells))
    return "\n".join([*lines, *(f"({letter}) {reason}" for letter, reason in REASONS.items())])
