"""The catalogue of what a car or its sheet may be asked to do, and what each purpose needs of the data, and why.

Rates follow from the car where first principles give them (how fast a wheel's slip grows, how fast the car yaws); other
rates, ages and steps are common practice, no source. A demand names alternatives: any of its channels will do.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from types import MappingProxyType

from fifthwheel.car.model import Car, Tyre
from fifthwheel.data import WHEELS
from fifthwheel.records import dataclass
from fifthwheel.units import STANDARD_GRAVITY

CONTROL_SPEED = 5.0
"""Speed [m/s] from which a law is asked to hold slip; slower, 20 % is a crawl (common practice, no source)."""

SLIP_BAND = 0.2
"""Slip a wheel gains from its peak, near 0.1, to where most grip is lost (common practice, no source)."""

SLIP_STEP = 0.02
"""Slip that must be told apart: a fifth of the slip at the peak (common practice, no source)."""

VIBRATION = 3.0 * STANDARD_GRAVITY
"""Vibration and bumps on top of the car's own acceleration [m/s2] (common practice, no source)."""

FULL_SIZE_WHEELBASE = 2.7
"""Wheelbase [m] of the passenger cars for which ISO 15037-1 asks a bandwidth of 8 Hz (common practice, no source)."""

BANDWIDTH = 8.0
"""Bandwidth of lateral measurements on passenger cars [Hz]: ISO 15037-1 (from memory)."""

CELL_FULL = 4.2
"""Voltage of a full lithium-polymer cell [V] (cell data sheets)."""


@dataclass(frozen=True)
class Purpose:
    """One thing that can be wanted. place: "car", a law that runs on a controller, or "card", worked out from the
    recording. tolerates [s]: oldest data it may act on, infinity where it is worked out afterwards."""

    name: str
    place: str
    tolerates: float
    what: str


@dataclass(frozen=True)
class Demand:
    """One thing a purpose needs: any one of `channels`. rate [Hz] at least; age [s] at most at the law; step and reach
    in the SI unit of the first channel (NaN: does not matter or not known). must: without it the purpose fails; else it
    is only poorer. why: a sentence."""

    channels: tuple[str, ...]
    rate: float
    age: float
    step: float
    reach: float
    must: bool
    why: str


@dataclass(frozen=True)
class Expected:
    """What is to be expected of a car at its peaks [SI], NaN when not known. Wheel by wheel: `wheel_speed` at top speed
    or with the motor unloaded, whichever is more; `slip_rate` [Hz]: see slip_rate. yaw_rate in a spin twice that of
    the tightest turn. motion_rate [Hz]: sampling for the car's lateral motion. braked: driven wheels where none."""

    speed: float
    wheel_speed: Mapping[str, float]
    radius: Mapping[str, float]
    slip_rate: Mapping[str, float]
    acceleration: float
    yaw_rate: float
    current: float
    voltage: float
    motion_rate: float
    driven: tuple[str, ...]
    braked: tuple[str, ...]


PURPOSES: Mapping[str, Purpose] = MappingProxyType(
    {
        purpose.name: purpose
        for purpose in (
            Purpose("traction control", "car", 0.020, "holds the slip of driven wheels when accelerating"),
            Purpose("anti-lock", "car", 0.020, "keeps braked wheels turning"),
            Purpose("stability control", "car", 0.050, "holds the yaw rate near what the driver steers"),
            Purpose("torque split", "car", 0.050, "shares drive torque between wheels or axles"),
            Purpose("moving aero", "car", 0.100, "sets wings to speed, braking and cornering"),
            Purpose("radio failsafe", "car", 0.250, "stops the car when the radio falls silent"),
            Purpose("0-to-speed figure", "card", math.inf, "time from rest to a speed or a distance"),
            Purpose("braking figure", "card", math.inf, "stopping distance and mean fully developed deceleration"),
            Purpose("coast-down figure", "card", math.inf, "air drag and rolling resistance from free deceleration"),
            Purpose("steady-circle figure", "card", math.inf, "lateral acceleration and understeer gradient"),
            Purpose("step-steer figure", "card", math.inf, "response time and overshoot of the yaw rate"),
            Purpose("top-speed figure", "card", math.inf, "mean speed over the best 30 m"),
            Purpose("power and energy figure", "card", math.inf, "power and energy taken from the pack"),
            Purpose("film", "card", math.inf, "the recording set in time with a film by its sound"),
        )
    }
)
"""The catalogue. How old the data of a law may be is common practice, no source: a wheel goes from its peak slip to
spinning in 10 to 30 ms, a car of this size swings round in 50 to 100 ms, a wing servo takes 100 ms."""


def purpose_of(name: str) -> Purpose | None:
    """Return the purpose of that name in the catalogue, None for a user's own; letter case and blanks do not matter."""
    return PURPOSES.get(" ".join(name.lower().split()))


def demands(purpose: Purpose, expected: Expected) -> tuple[Demand, ...]:
    """Return what a purpose of the catalogue needs of a car with these expected peaks."""
    return _DEMANDS[purpose.name](expected)


def slip_rate(inertia: float, radius: float, limit: float) -> float:
    """Return how often a wheel's speed must be read [Hz] so that its slip is seen twice while it grows by SLIP_BAND.

    inertia [kg m2] about the axle with the motor's share; limit [N]: the tyre's peak force. A torque twice what the
    tyre bears leaves the torque limit * radius to spin the wheel up, so that at CONTROL_SPEED u the slip grows in
    t = SLIP_BAND u I / (limit R^2) and the rate is 2 / t. First principles.
    """
    return 2.0 * limit * radius * radius / (SLIP_BAND * CONTROL_SPEED * inertia)


def motion_rate(wheelbase: float) -> float:
    """Return the sampling rate [Hz] for lateral motion: five times the bandwidth of ISO 15037-1 at this car's size.

    Small cars of like build move faster by the square root of the length ratio (Froude); five samples per period of the
    bandwidth leave room for a filter against aliases (common practice, no source).
    """
    return 5.0 * BANDWIDTH * math.sqrt(max(FULL_SIZE_WHEELBASE / wheelbase, 1.0))


def grown_radius(tyre: Tyre, speed: float) -> float:
    """Return a tyre's radius [m] at a rim speed [m/s]: R (1 + growth (speed / growth_at)^2)."""
    return tyre.radius.value * (1.0 + tyre.growth.value * (speed / tyre.growth_at.value) ** 2)


def expect(car: Car | None) -> Expected:
    """Return the expected peaks of a car; without one, peaks are not known and rates are usual ones (no source)."""
    if car is None:
        nothing, usual = dict.fromkeys(WHEELS, math.nan), dict.fromkeys(WHEELS, 200.0)
        return Expected(
            math.nan, nothing, nothing, usual, math.nan, math.nan, math.nan, math.nan, 100.0, WHEELS, WHEELS
        )  # fmt: skip
    tyres = {wheel: car.tyre_front if wheel[0] == "f" else car.tyre_rear for wheel in WHEELS}
    full = CELL_FULL * car.pack.cells if car.pack else math.nan
    grip, top, mass = max(t.friction.value for t in tyres.values()), car.top_speed.value, car.mass.value
    lift = 0.5 * 1.2 * car.lift_area.value * top * top
    drag = 0.5 * 1.2 * car.drag_area.value * top * top
    lock = car.steer_lock.value if car.steer_lock else math.atan(0.5)
    turn = car.wheelbase.value / math.tan(lock)
    currents = [motor.max_current.value for motor in car.motors if motor.max_current]
    return Expected(
        speed=top,
        wheel_speed={w: max(top / grown_radius(tyres[w], top), _unloaded(car, w, full)) for w in WHEELS},
        radius={wheel: tyres[wheel].radius.value for wheel in WHEELS},
        slip_rate={wheel: _slip_rate(car, wheel, tyres[wheel]) for wheel in WHEELS},
        acceleration=grip * (STANDARD_GRAVITY + max(lift, 0.0) / mass) + drag / mass + VIBRATION,
        yaw_rate=2.0 * math.sqrt(grip * STANDARD_GRAVITY / turn),
        current=sum(currents) if currents else math.nan,
        voltage=full,
        motion_rate=motion_rate(car.wheelbase.value),
        driven=car.driven,
        braked=car.braked or car.driven,
    )  # fmt: skip


def _unloaded(car: Car, wheel: str, voltage: float) -> float:
    """Return the speed [rad/s] at which the wheel's motor runs unloaded, 0 without one or when not known."""
    speeds = [
        motor.kv.value * voltage / motor.gear.value
        for motor in car.motors
        if motor.kv and wheel in motor.drives and not math.isnan(voltage)
    ]
    return max(speeds, default=0.0)


def _slip_rate(car: Car, wheel: str, tyre: Tyre) -> float:
    share = car.front_share.value if wheel[0] == "f" else 1.0 - car.front_share.value
    inertia = tyre.wheel_inertia.value + sum(
        motor.rotor_inertia.value * motor.gear.value**2 / len(motor.drives)
        for motor in car.motors
        if wheel in motor.drives and motor.rotor_inertia
    )
    limit = tyre.friction.value * 0.5 * share * car.mass.value * STANDARD_GRAVITY
    return slip_rate(inertia, tyre.radius.value, limit)


def wheel_ways(*wheels: str) -> tuple[str, ...]:
    """Return the channels that tell the speed of any of the wheels: speed, turned angle, step, angle within a turn."""
    return tuple(f"wheel_{what}_{wheel}" for wheel in wheels for what in ("speed", "turned", "step", "angle"))


def free_wheels(expected: Expected) -> tuple[str, ...]:
    """Return the wheels without drive, which tell the speed over ground."""
    return tuple(wheel for wheel in WHEELS if wheel not in expected.driven)


def _slipping(expected: Expected, wheel: str, age: float) -> Demand:
    why = (
        f"slip of {wheel.upper()} grows from its peak to spinning or locking within "
        f"{2e3 / expected.slip_rate[wheel]:.1f} ms at {CONTROL_SPEED:g} m/s, and must be seen twice meanwhile"
    )
    step = SLIP_STEP * CONTROL_SPEED / expected.radius[wheel]
    reach = expected.wheel_speed[wheel]
    return Demand(wheel_ways(wheel), expected.slip_rate[wheel], age, step, reach, True, why)


def _driver(expected: Expected, age: float, *channels: str, must: bool = True, rate: float = 50.0) -> Demand:
    why = "the law starts from what the driver asks, which a radio sends some 50 times a second"
    return Demand(channels, rate, age, 0.01, math.nan, must, why)


def _ground_rate() -> float:
    """Return the rate [Hz] at which a speed that changes with 1 g moves by no more than the slip to be told apart."""
    return STANDARD_GRAVITY / (SLIP_STEP * CONTROL_SPEED)


def _ground(expected: Expected, age: float) -> tuple[Demand, ...]:
    """Return what tells the speed over ground to a law: free wheels, or acceleration and GNSS where all are driven."""
    free, accel = (
        free_wheels(expected),
        _accel(expected, "x", _ground_rate(), age, "carries the speed where wheels slip"),
    )
    if free:
        why = "the speed over ground comes from wheels without drive; at 1 g it moves by 2 % of 5 m/s between readings"
        step = SLIP_STEP * CONTROL_SPEED / expected.radius[free[0]]
        reach = expected.wheel_speed[free[0]]
        return (Demand(wheel_ways(*free), _ground_rate(), age, step, reach, True, why),)
    why = "with all wheels driven only the satellites hold the speed over ground against drift of the accelerometer"
    gnss = ("gnss_speed", "gnss_velocity_north")
    return accel, Demand(gnss, 5.0, 0.3, 0.1, expected.speed, True, why)


def _accel(expected: Expected, axis: str, rate: float, age: float, why: str, must: bool = True) -> Demand:
    full = f"acceleration {why}; its peak is that of the tyres with 3 g of vibration on top"
    return Demand((f"accel_{axis}",), rate, age, 0.05, expected.acceleration, must, full)


def _yaw(expected: Expected, rate: float, age: float, why: str) -> Demand:
    return Demand(("gyro_z",), rate, age, 0.01, expected.yaw_rate, True, why)


def _steer(expected: Expected, rate: float, age: float, why: str, must: bool = True) -> Demand:
    return Demand(("steer", "steer_command"), rate, age, 0.01, math.nan, must, why)


def _fixes(expected: Expected, rate: float, why: str, must: bool) -> Demand:
    return Demand(("gnss_speed", "gnss_velocity_north"), rate, math.inf, 0.1, expected.speed, must, why)


def _any_wheel(expected: Expected, rate: float, age: float, why: str, must: bool) -> Demand:
    wheels = free_wheels(expected) or expected.driven
    step, reach = 0.05 / expected.radius[wheels[0]], expected.wheel_speed[wheels[0]]
    return Demand(wheel_ways(*wheels), rate, age, step, reach, must, why)


def _traction_control(e: Expected) -> tuple[Demand, ...]:
    wheels = tuple(_slipping(e, wheel, 0.010) for wheel in e.driven)
    return (*wheels, *_ground(e, 0.020), _driver(e, 0.050, "throttle"))


def _anti_lock(e: Expected) -> tuple[Demand, ...]:
    wheels = tuple(_slipping(e, wheel, 0.010) for wheel in e.braked)
    why = "is what is left of the speed over ground when all braked wheels slip"
    brake = _driver(e, 0.050, "brake", "throttle")
    return (*wheels, _accel(e, "x", _ground_rate(), 0.020, why), brake)


def _stability_control(e: Expected) -> tuple[Demand, ...]:
    rate = e.motion_rate
    yaw = f"the yaw rate is what is held; {rate:.0f} Hz is five times the bandwidth of a car of this length"
    return (
        _yaw(e, rate, 0.020, yaw),
        _accel(e, "y", rate, 0.020, "tells how much grip the turn takes"),
        _steer(e, 50.0, 0.050, "the wanted yaw rate follows from the steer angle"),
        _any_wheel(e, 50.0, 0.050, "the wanted yaw rate follows from speed and steer angle", True),
    )


def _torque_split(e: Expected) -> tuple[Demand, ...]:
    wheels = tuple(_slipping(e, wheel, 0.020) for wheel in e.driven)
    yaw = "torque goes to the side that turns the car as steered, so the yaw rate must be known"
    steer = _steer(e, 50.0, 0.050, "torque goes to the side that turns the car as steered")
    return (*wheels, _yaw(e, e.motion_rate, 0.020, yaw), steer, _driver(e, 0.050, "throttle"))


def _moving_aero(e: Expected) -> tuple[Demand, ...]:
    why = "air force goes with the square of speed; at 1 g the speed moves by 0.5 m/s between 20 readings a second"
    return (
        _any_wheel(e, 20.0, 0.100, why, True),
        _accel(e, "x", 50.0, 0.050, "tells braking, at which wings stand up", False),
        _driver(e, 0.050, "brake", "throttle"),
    )


def _radio_failsafe(e: Expected) -> tuple[Demand, ...]:
    gone = "" if math.isnan(e.speed) else f", in which the car runs {0.25 * e.speed:.1f} m at top speed"
    why = f"silence of the radio shows only against commands that arrive regularly, within 0.25 s{gone}"
    return (Demand(("throttle",), 20.0, 0.100, math.nan, math.nan, True, why),)


def _zero_to_speed(e: Expected) -> tuple[Demand, ...]:
    free = bool(free_wheels(e))
    wheel = "a wheel without drive rolls as fast as the car" if free else "wheel speeds show the slip of the launch"
    fixes = "satellites give the speed without knowing the tyre radius, and hold it where every driven wheel slips"
    return (
        _accel(e, "x", 100.0, math.inf, "finds the start and the crossing between fixes to 10 ms"),
        _any_wheel(e, 50.0, math.inf, wheel, free),
        _fixes(e, 5.0, fixes, not free),
        Demand(("throttle",), 50.0, math.inf, 0.01, math.nan, False, "marks the launch that the driver meant"),
    )


def _braking(e: Expected) -> tuple[Demand, ...]:
    why = "a wheel that locks is known by its own speed; 50 Hz place a lock-up within 4 % of a stop of half a second"
    locked = tuple(
        Demand(wheel_ways(w), 50.0, math.inf, 0.1 / e.radius[w], e.wheel_speed[w], False, why) for w in e.braked
    )
    return (
        _accel(e, "x", 100.0, math.inf, "is the speed's only witness while wheels lock"),
        _fixes(e, 5.0, "satellites hold the speed before and after wheels that lock", True),
        *locked,
        Demand(("brake", "throttle"), 50.0, math.inf, 0.01, math.nan, False, "marks the command to brake"),
    )


def _coast_down(e: Expected) -> tuple[Demand, ...]:
    why = "the deceleration of some 0.5 m/s2 is the slope of the speed: 10 values a second average its noise"
    return (
        _any_wheel(e, 10.0, math.inf, why, True),
        _fixes(e, 5.0, "satellites give the speed without knowing how the tyre grows", False),
        Demand(("throttle",), 10.0, math.inf, 0.01, math.nan, False, "shows that the motor was off"),
    )


def _steady_circle(e: Expected) -> tuple[Demand, ...]:
    return (
        _yaw(e, 25.0, math.inf, "radius and lateral acceleration follow from yaw rate and speed"),
        _accel(e, "y", 25.0, math.inf, "lateral is held against speed times yaw rate", False),
        _any_wheel(e, 10.0, math.inf, "lateral acceleration is speed times yaw rate", True),
        _steer(e, 10.0, math.inf, "the understeer gradient is steer angle over lateral acceleration", False),
    )


def _step_steer(e: Expected) -> tuple[Demand, ...]:
    rate = e.motion_rate
    why = f"8 Hz of passenger cars (ISO 15037-1) are {rate / 5.0:.0f} Hz at this length, sampled at five times that"
    return (
        _yaw(e, rate, math.inf, f"the response is read off the yaw rate: {why}"),
        _steer(e, rate, math.inf, f"the response starts at half of the steer step: {why}"),
        _any_wheel(e, 10.0, math.inf, "the yaw rate is held against the speed", True),
    )


def _top_speed(e: Expected) -> tuple[Demand, ...]:
    rate = 5.0 if math.isnan(e.speed) else max(3.0 * e.speed / 30.0, 1.0)
    why = f"three fixes fall within 30 m at {rate:.1f} Hz, and satellites do not care how much the tyre has grown"
    wheel = _any_wheel(e, 10.0, math.inf, "wheel speed fills in between fixes", False)
    return _fixes(e, rate, why, True), wheel


def _power(e: Expected) -> tuple[Demand, ...]:
    volt, amp = 0.01 * e.voltage, 0.01 * e.current
    why = "current follows the throttle within 0.1 s, so that 50 values a second bring the energy to about 1 %"
    return (
        Demand(("battery_voltage",), 50.0, math.inf, volt, e.voltage, True, "power is voltage times current"),
        Demand(("battery_current",), 50.0, math.inf, amp, e.current, True, why),
    )


def _film(e: Expected) -> tuple[Demand, ...]:
    suffixes = ("", "_front", "_rear", "_fl", "_fr", "_rl", "_rr")
    motors = tuple(f"motor_speed{suffix}" for suffix in suffixes)
    why = "the tone of motor and gears in the film's sound is matched with their logged speed, to a frame of 40 ms"
    return (Demand((*motors, *wheel_ways(*e.driven)), 50.0, math.inf, math.nan, math.nan, True, why),)


_DEMANDS: Mapping[str, Callable[[Expected], tuple[Demand, ...]]] = {
    "traction control": _traction_control,
    "anti-lock": _anti_lock,
    "stability control": _stability_control,
    "torque split": _torque_split,
    "moving aero": _moving_aero,
    "radio failsafe": _radio_failsafe,
    "0-to-speed figure": _zero_to_speed,
    "braking figure": _braking,
    "coast-down figure": _coast_down,
    "steady-circle figure": _steady_circle,
    "step-steer figure": _step_steer,
    "top-speed figure": _top_speed,
    "power and energy figure": _power,
    "film": _film,
}
