"""The sensor tables of `car.toml`, key by key: one rule per key."""

from fifthwheel.car.rules import Rule
from fifthwheel.car.table import Annotated, TomlTable
from fifthwheel.data import Quantity

Place = tuple[Quantity, Quantity, Quantity]
_PLACE = "Where it sits, from the centre of gravity: forward, left, up."


class InertialTable(TomlTable):
    """The inertial sensor: accelerometer and gyroscope."""

    place: Annotated[
        Place | None,
        Rule(
            "place",
            _PLACE,
            "m",
            least=-20.0,
            most=20.0,
            bound="10 mm",
            derived='["0 mm", "0 mm", "0 mm"], each +- 50 mm',
            shown='["20 mm", "0 mm", "10 mm"]',
        ),
    ] = None
    axes: Annotated[
        tuple[str, str, str] | None,
        Rule(
            "axes",
            "Where the sensor's own x, y, z point: forward, back, left, right, up, down. "
            "Look at the arrows on its board.",
            derived='["forward", "left", "up"]',
            shown='["forward", "left", "up"]',
        ),
    ] = None
    accel_range: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Range of the accelerometer as set (either way).",
            "m/s2",
            above=0.0,
            most=1e5,
            derived="not stated",
            shown="16 g",
        ),
    ] = None
    gyro_range: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Range of the gyroscope as set (either way).",
            "rad/s",
            above=0.0,
            most=1e4,
            derived="not stated",
            shown="2000 deg/s",
        ),
    ] = None
    delay: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Delay of the sensor's own low-pass filter.",
            "s",
            least=0.0,
            most=1.0,
            bound="50 %",
            default="2 ms +- 4 ms",
        ),
    ] = None


class GnssTable(TomlTable):
    """The GNSS receiver and its antenna."""

    place: Annotated[
        Place | None,
        Rule(
            "place",
            "Where the antenna sits, from the centre of gravity: forward, left, up.",
            "m",
            least=-20.0,
            most=20.0,
            bound="10 mm",
            derived='["0 mm", "0 mm", "50 mm"], each +- 100 mm',
            shown='["-60 mm", "0 mm", "90 mm"]',
        ),
    ] = None
    rate: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Fixes per second as set.",
            "Hz",
            above=0.0,
            most=1e4,
            derived="counted in the recording",
            shown="10 Hz",
        ),
    ] = None
    latency: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "How late a fix arrives (usually 40-250 ms); estimated in every session.",
            "s",
            least=0.0,
            most=10.0,
            bound="80 ms",
            default="120 ms +- 120 ms",
        ),
    ] = None
    speed_noise: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Standard deviation of its speed under open sky.",
            "m/s",
            above=0.0,
            most=100.0,
            bound="100 %",
            default="0.10 m/s +- 0.10 m/s",
        ),
    ] = None


class EncoderTable(TomlTable):
    """The angle encoders at the wheels."""

    bits: Annotated[int, Rule("whole", "Bits of one turn.", least=1, most=32, required=True, shown="14")]
    delay: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Delay of the wheel speed computed on the car.",
            "s",
            least=0.0,
            most=1.0,
            bound="50 %",
            default="2 ms +- 4 ms",
        ),
    ] = None
    timeout: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "How long that speed is held after the wheel has stopped.",
            "s",
            above=0.0,
            most=60.0,
            derived="not stated",
            shown="100 ms",
        ),
    ] = None
