"""The tables of `car.toml`, key by key: one rule per key."""

from fifthwheel.car.board_schema import ActuatorTable, BusTable, ControllerTable, SensorTable
from fifthwheel.car.layout_schema import ChannelTable, RecordTable, SettingTable
from fifthwheel.car.rules import Rule
from fifthwheel.car.sensor_schema import EncoderTable, GnssTable, InertialTable
from fifthwheel.car.table import Annotated, TomlTable
from fifthwheel.car.task_schema import FunctionTable, InterruptTable, SharedTable, TaskTable
from fifthwheel.car.want_schema import WantTable
from fifthwheel.car.wiring_schema import CableTable, CardTable, FrameTable, LinkTable, RailTable, SafetyTable
from fifthwheel.data import Quantity


class CarTable(TomlTable):
    """The car as a whole. Weigh it ready to drive, with pack and body."""

    name: Annotated[str, Rule("name", "What you call the car.", required=True)]
    mass: Annotated[
        Quantity,
        Rule(
            "quantity",
            "Ready to drive, with pack and body, on a scale.",
            "kg",
            above=0.0,
            most=20000.0,
            bound="1 %",
            required=True,
        ),
    ]
    wheelbase: Annotated[
        Quantity,
        Rule(
            "quantity",
            "Front axle to rear axle.",
            "m",
            above=0.0,
            most=20.0,
            bound="1 %",
            required=True,
            shown="330 mm +- 2 mm",
        ),
    ]
    front_share: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Share of the weight on the front wheels: scale under the front wheels, car level, divided by the mass.",
            "1",
            above=0.0,
            most=1.0,
            bound="0.03",
            default="0.48 +- 0.08",
        ),
    ] = None
    cg_height: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Height of the centre of gravity above the ground.",
            "m",
            above=0.0,
            most=5.0,
            bound="20 %",
            derived="15 % of the wheelbase, +- 40 % of that",
            shown="45 mm +- 10 mm",
        ),
    ] = None
    track_front: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Middle of the left front tyre to middle of the right one.",
            "m",
            above=0.0,
            most=10.0,
            bound="2 %",
            derived="75 % of the wheelbase, +- 20 % of that",
            shown="250 mm +- 2 mm",
        ),
    ] = None
    track_rear: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "The same at the rear.",
            "m",
            above=0.0,
            most=10.0,
            bound="2 %",
            derived="75 % of the wheelbase, +- 20 % of that",
            shown="250 mm +- 2 mm",
        ),
    ] = None
    yaw_inertia: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Moment of inertia about the vertical axis; leave it out unless you have swung the car.",
            "kg m2",
            above=0.0,
            most=1e6,
            bound="10 %",
            derived="not stated",
            shown="0.07 kg m2 +- 10 %",
        ),
    ] = None


class TyreKeys(TomlTable):
    """Keys of a tyre."""

    radius: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Rolling radius at walking pace: push the car ten wheel turns along a tape, divide the length by 20 pi. "
            "Not the diameter.",
            "m",
            above=0.0,
            most=2.0,
            bound="2 %",
            required=True,
        ),
    ] = None
    growth: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "How much the radius grows at the speed growth_at (soft tyres 5-15 % at top speed).",
            "1",
            least=0.0,
            most=1.0,
            bound="60 %",
            default="4 % +- 8 %",
        ),
    ] = None
    growth_at: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Speed at which the tyre has grown that much.",
            "m/s",
            above=0.0,
            most=500.0,
            derived="drive.top_speed",
            shown="25 m/s",
        ),
    ] = None
    friction: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Peak friction on your usual surface.",
            "1",
            above=0.0,
            most=5.0,
            bound="20 %",
            default="0.95 +- 0.40",
        ),
    ] = None
    wheel_inertia: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "One wheel with its tyre, about its axle.",
            "kg m2",
            least=0.0,
            most=1000.0,
            bound="30 %",
            derived="6e-5 kg m2 at 31 mm radius, with the fourth power of the radius, +- 80 %",
            shown="6e-5 kg m2 +- 20 %",
        ),
    ] = None


class FrontTyreTable(TyreKeys):
    """The front tyres where they differ: any key of [tyre]."""


class RearTyreTable(TyreKeys):
    """The rear tyres where they differ: any key of [tyre]."""


class TyreTable(TyreKeys):
    """Tyres, all four alike, unless [tyre.front] or [tyre.rear] says otherwise."""

    front: FrontTyreTable | None = None
    rear: RearTyreTable | None = None


class DriveTable(TomlTable):
    """Which wheels drive and which brake: only a free wheel is an honest witness of speed."""

    driven: Annotated[
        tuple[str, ...],
        Rule(
            "wheels",
            'Wheels that a motor turns: ["rl", "rr"] for rear-wheel drive, all four for all-wheel drive.',
            required=True,
        ),
    ]
    braked: Annotated[
        tuple[str, ...] | None,
        Rule("wheels", "Wheels that brake, by motor or by disc.", derived="the driven wheels", shown='["rl", "rr"]'),
    ] = None
    top_speed: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Speed you expect it to reach; limits are checked against it.",
            "m/s",
            above=0.0,
            most=500.0,
            bound="20 %",
            default="25 m/s +- 20 m/s",
        ),
    ] = None
    steer_lock: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Angle of the front wheels at full lock.",
            "rad",
            above=0.0,
            most=1.6,
            bound="10 %",
            derived="not stated",
            shown="25 deg +- 2 deg",
        ),
    ] = None


class MotorTable(TomlTable):
    """One motor; write one [[motor]] for each."""

    name: Annotated[
        str | None, Rule("name", "What you call it.", derived="motor 1, motor 2 and so on", shown="rear")
    ] = None
    drives: Annotated[
        tuple[str, ...] | None,
        Rule("wheels", "Wheels that it turns.", derived="all driven wheels", shown='["rl", "rr"]'),
    ] = None
    gear: Annotated[
        Quantity,
        Rule(
            "quantity",
            "Motor turns per wheel turn, all stages together.",
            "1",
            above=0.0,
            most=1000.0,
            required=True,
            shown="8.2",
        ),
    ]
    kv: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Speed constant.",
            "rad/s/V",
            above=0.0,
            most=1e5,
            bound="5 %",
            derived="not stated",
            shown="2200 rpm/V",
        ),
    ] = None
    resistance: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Winding resistance, phase to phase.",
            "ohm",
            above=0.0,
            most=1000.0,
            bound="20 %",
            derived="not stated",
            shown="12 mohm",
        ),
    ] = None
    pole_pairs: Annotated[
        int | None,
        Rule(
            "whole",
            "Pole pairs: magnets on the rotor, divided by two.",
            least=1,
            most=100,
            derived="not stated",
            shown="2",
        ),
    ] = None
    rotor_inertia: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Rotor with pinion, about its axis; it counts with the square of the gear.",
            "kg m2",
            least=0.0,
            most=1000.0,
            bound="30 %",
            derived="not stated",
            shown="6e-6 kg m2 +- 30 %",
        ),
    ] = None
    max_current: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Limit set in the motor controller.",
            "A",
            above=0.0,
            most=1e5,
            bound="5 %",
            derived="not stated",
            shown="120 A",
        ),
    ] = None


class PackTable(TomlTable):
    """The traction pack."""

    cells: Annotated[int, Rule("whole", "Cells in series.", least=1, most=500, required=True, shown="3")]
    voltage: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Nominal voltage of the pack.",
            "V",
            above=0.0,
            most=5000.0,
            bound="10 %",
            derived="3.7 V a cell, +- 15 %",
            shown="11.1 V",
        ),
    ] = None
    charge: Annotated[
        Quantity | None,
        Rule(
            "quantity", "Rated charge.", "A s", above=0.0, most=1e8, bound="5 %", derived="not stated", shown="5000 mAh"
        ),
    ] = None
    resistance: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Internal resistance of the pack with its leads.",
            "ohm",
            least=0.0,
            most=1000.0,
            bound="30 %",
            derived="not stated",
            shown="12 mohm",
        ),
    ] = None


class AirTable(TomlTable):
    """First guesses of the air forces; coast-downs measure drag."""

    drag_area: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Drag coefficient times frontal area.",
            "m2",
            least=0.0,
            most=100.0,
            bound="50 %",
            default="0.04 m2 +- 0.04 m2",
        ),
    ] = None
    lift_area: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Lift coefficient times area, downforce positive.",
            "m2",
            least=-100.0,
            most=100.0,
            bound="50 %",
            default="0 m2 +- 0.04 m2",
        ),
    ] = None


class RollingTable(TomlTable):
    """First guess of the rolling resistance; coast-downs measure it."""

    coefficient: Annotated[
        Quantity | None,
        Rule(
            "quantity",
            "Rolling resistance divided by weight, bearings included.",
            "1",
            least=0.0,
            most=1.0,
            bound="50 %",
            default="0.03 +- 0.03",
        ),
    ] = None


class SensorsTable(TomlTable):
    """The sensors on the car."""

    inertial: InertialTable | None = None
    gnss: GnssTable | None = None
    encoder: EncoderTable | None = None


class ReportTable(TomlTable):
    """How results are shown."""

    units: Annotated[
        str | None,
        Rule("choice", "Units of sheets and exports.", choices=("metric", "imperial"), default="metric"),
    ] = None


class CarFile(TomlTable):
    """The whole of `car.toml`."""

    car: CarTable
    tyre: TyreTable
    drive: DriveTable
    motor: tuple[MotorTable, ...] = ()
    pack: PackTable | None = None
    air: AirTable | None = None
    rolling: RollingTable | None = None
    sensors: SensorsTable | None = None
    channel: tuple[ChannelTable, ...] = ()
    report: ReportTable | None = None
    want: tuple[WantTable, ...] = ()
    controller: tuple[ControllerTable, ...] = ()
    bus: tuple[BusTable, ...] = ()
    sensor: tuple[SensorTable, ...] = ()
    actuator: tuple[ActuatorTable, ...] = ()
    task: tuple[TaskTable, ...] = ()
    interrupt: tuple[InterruptTable, ...] = ()
    shared: tuple[SharedTable, ...] = ()
    link: LinkTable | None = None
    frame: tuple[FrameTable, ...] = ()
    card: CardTable | None = None
    record: tuple[RecordTable, ...] = ()
    setting: tuple[SettingTable, ...] = ()
    function: tuple[FunctionTable, ...] = ()
    rail: tuple[RailTable, ...] = ()
    cable: tuple[CableTable, ...] = ()
    safety: SafetyTable | None = None
