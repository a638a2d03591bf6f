"""What a car and a session are: frozen types with every quantity in SI, filled by `load_car` and `load_session`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from pathlib import Path

from fifthwheel.car.electronics import Electronics
from fifthwheel.data import Quantity
from fifthwheel.records import dataclass
from fifthwheel.units import System

Triple = tuple[Quantity, Quantity, Quantity]


@dataclass(frozen=True)
class Tyre:
    """radius: rolling radius at walking pace [m]. growth: relative growth of the radius at `growth_at` [m/s].
    friction: peak friction on the usual surface [1]. wheel_inertia: one wheel with tyre about its axle [kg m2]."""

    radius: Quantity
    growth: Quantity
    growth_at: Quantity
    friction: Quantity
    wheel_inertia: Quantity


@dataclass(frozen=True)
class Motor:
    """One motor. drives: wheels it turns. gear: motor turns per wheel turn [1]. kv [rad/s/V], resistance [ohm]."""

    name: str
    drives: tuple[str, ...]
    gear: Quantity
    kv: Quantity | None
    resistance: Quantity | None
    pole_pairs: int | None
    rotor_inertia: Quantity | None
    max_current: Quantity | None


@dataclass(frozen=True)
class Pack:
    """cells in series, nominal pack voltage [V], charge [A s], resistance [ohm]."""

    cells: int
    voltage: Quantity
    charge: Quantity | None
    resistance: Quantity | None


@dataclass(frozen=True)
class Inertial:
    """place: sensor position from the centre of gravity (x forward, y left, z up) [m]. axes: where the sensor's own
    x, y, z point ("forward", "back", "left", "right", "up", "down"). Ranges in SI; delay of its filter [s].

    In the sensor's own axes, of the channels as mapped: a true turn rate is (1 + gyro_scale) (reading - gyro_bias), a
    true specific force (I + K) (reading - accel_bias) with K symmetric, accel_scale on its diagonal and accel_cross
    (xy, xz, yz) beside it. They come from calibration.toml; without it they are zero with bounds that are usual for an
    ordinary MEMS sensor (common practice, no source)."""

    place: tuple[Quantity, Quantity, Quantity]
    axes: tuple[str, str, str]
    accel_range: Quantity | None
    gyro_range: Quantity | None
    delay: Quantity
    gyro_scale: Triple = (Quantity(0.0, 0.01),) * 3
    gyro_bias: Triple = (Quantity(0.0, 0.02, "rad/s"),) * 3
    accel_scale: Triple = (Quantity(0.0, 0.01),) * 3
    accel_bias: Triple = (Quantity(0.0, 0.3, "m/s2"),) * 3
    accel_cross: Triple = (Quantity(0.0, 0.01),) * 3


@dataclass(frozen=True)
class SteerMap:
    """From the reading of a steer channel to the angle of the road wheels: angle = offset + gain * reading [rad]."""

    gain: Quantity
    offset: Quantity


@dataclass(frozen=True)
class CalibrationEntry:
    """One calibrated quantity as calibration.toml keeps it. quantity: its key ("tyre.front.radius"). date: of the test
    day, "2026-05-17"; session: its name; method: how; count: runs or positions in it; line: in the file."""

    quantity: str
    value: Quantity
    date: str
    session: str
    method: str
    count: int
    line: int = 0


@dataclass(frozen=True)
class Gnss:
    """place: antenna position from the centre of gravity [m]. latency [s] and speed_noise [m/s] as first guesses."""

    place: tuple[Quantity, Quantity, Quantity]
    rate: Quantity | None
    latency: Quantity
    speed_noise: Quantity


@dataclass(frozen=True)
class Encoder:
    """Wheel angle encoder: bits of one turn, delay [s] and time-out [s] of the speed computed on the car."""

    bits: int
    delay: Quantity
    timeout: Quantity | None


@dataclass(frozen=True)
class PlannedChannel:
    """A channel that the car is meant to log: glossary name and rate [Hz]."""

    name: str
    rate: Quantity


@dataclass(frozen=True)
class Want:
    """A figure that the builder wants to know. bound: wanted half-width of its 95 % interval, in the figure's SI unit,
    or as a share of the figure where `relative`. line: in the file that asks for it, 0 when no file does."""

    figure: str
    bound: float
    relative: bool
    line: int = 0


@dataclass(frozen=True)
class Car:
    """The described vehicle. Lengths from the centre of gravity; `front_share` is the share of weight on the front
    axle, so the centre of gravity lies wheelbase * (1 - front_share) behind the front axle."""

    path: Path
    name: str
    mass: Quantity
    front_share: Quantity
    cg_height: Quantity
    wheelbase: Quantity
    track_front: Quantity
    track_rear: Quantity
    yaw_inertia: Quantity | None
    tyre_front: Tyre
    tyre_rear: Tyre
    driven: tuple[str, ...]
    braked: tuple[str, ...]
    motors: tuple[Motor, ...]
    pack: Pack | None
    drag_area: Quantity
    lift_area: Quantity
    rolling_resistance: Quantity
    top_speed: Quantity
    steer_lock: Quantity | None
    inertial: Inertial | None
    gnss: Gnss | None
    encoder: Encoder | None
    channels: tuple[PlannedChannel, ...]
    units: System
    locations: Mapping[str, int] = field(default_factory=dict)
    """Dotted key -> line in car.toml, for findings that point at it."""
    assumed: tuple[str, ...] = ()
    """Dotted keys that the file leaves out and that took their default with a wide bound."""
    wanted: tuple[Want, ...] = ()
    """What the builder wants to know of this car on any day that does not say otherwise."""
    steer_maps: Mapping[str, SteerMap] = field(default_factory=dict)
    """Steer channel ("steer", "steer_command") -> its calibrated map to the angle of the road wheels."""
    calibrated: Mapping[str, CalibrationEntry] = field(default_factory=dict)
    """Key of a calibrated quantity -> the newest entry of calibration.toml, which stands in this car's fields."""
    stated: Mapping[str, Quantity] = field(default_factory=dict)
    """Key of a calibrated quantity -> what car.toml states for it (no entry where car.toml leaves it out)."""
    electronics: Electronics | None = None
    """Controllers, buses, tasks and what hangs on them; None when car.toml states none."""


@dataclass(frozen=True)
class Conditions:
    """Of one test day. wind [m/s] with `wind_from` [rad, clockwise from north, where it blows from]; slope [1] along
    direction A, uphill positive."""

    air_temperature: Quantity
    air_pressure: Quantity
    air_humidity: Quantity
    wind: Quantity | None
    wind_from: Quantity | None
    slope: Quantity
    surface: str
    not_stated: tuple[str, ...] = ()
    """Keys that the file leaves out; their values are wide guesses or None."""


@dataclass(frozen=True)
class MarkedRun:
    """A run that the driver marked or struck in session.toml: kind, boot, start and end [s] on the logger's own
    clock (Table.clock, wraps undone); mark "strike" or "valid". distance: taped [m], of a "taped distance"; turns:
    whole turns of "turns on the spot", None when the gyro is to count them."""

    kind: str
    boot: int
    start: float
    end: float
    mark: str
    note: str
    distance: Quantity | None = None
    turns: int | None = None


@dataclass(frozen=True)
class Session:
    """One test day: its folder, its car, conditions, notes, and how the log is said to be made."""

    path: Path
    car: Path
    name: str
    date: str
    place: str
    conditions: Conditions
    setup: str
    changed: str
    notes: str
    runs: tuple[MarkedRun, ...] = ()
    locations: Mapping[str, int] = field(default_factory=dict)
    """Dotted key -> line in session.toml."""
    wanted: tuple[Want, ...] = ()
