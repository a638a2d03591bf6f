"""From a recording to the motion of the car: two passes of the core's filter and smoother.

The first pass weighs every sensor by what is known beforehand; the second by what the first has shown: wheels that
slipped, the noise of the GNSS speed, its latency. The constants of a session (radii, growth, gyro scale, latency, ...)
are one set for all its boots.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fifthwheel.car.model import Car
from fifthwheel.core import (
    QUANTITIES,
    STATES,
    WANDERING,
    Filtered,
    MotionProblem,
    Smoothed,
    filter_motion,
    smooth_motion,
)
from fifthwheel.data import WHEELS, Bools, Finding, Floats, Motion, Quantity, Recording, Track
from fifthwheel.motion.coarse import coarse_problem, coarse_rows, on_all_rows, thinned
from fifthwheel.motion.gnss import (
    Fixes,
    Latency,
    find_latency,
    fix_columns,
    gnss_fixes,
    noise_scale,
    position_noise,
    speed_memory,
    speed_on_rows,
    typical_accuracy,
    usual_walk,
)
from fifthwheel.motion.levels import (
    COARSE_STEP,
    LIGHT_LOAD,
    Noise,
    SpeedSteps,
    aliasing,
    coasting_resistance,
    force_noise,
    honest_only,
    rate_noise,
    rolling_density,
    session_noise,
    settings,
    side_ratio,
    speed_steps,
    stated_resistance,
    steered_rate,
    torque_near,
    wheel_places,
)
from fifthwheel.motion.mounting import Mounting, level, twist
from fifthwheel.motion.notes import motion_notes
from fifthwheel.motion.prepare import (
    InertialColumns,
    Timeline,
    WheelColumns,
    inertial_columns,
    on_rows,
    rate_of,
    smooth,
    timeline,
    to_centre,
    tyre_of,
    wheel_columns,
)
from fifthwheel.motion.scale import Scale, stated_tyres, wanders
from fifthwheel.motion.starts import Start, segment_starts
from fifthwheel.motion.still import standstill
from fifthwheel.motion.tyres import bending, pull, wheel_variance

UNKNOWN_FORCE = 5.0
"""Power spectral density [m2/s3] of a lateral force that nothing measures: some m/s2 over some tenths of a second."""

GUIDE = 0.15
"""Time [s] over which the speed of the first pass is smoothed for the derivatives of the second."""
SLIDING = 0.4
"""Sideslip [rad] of a rear axle per slip of its wheels: a tyre that slides along holds next to no side force (combined
slip; common practice, no source)."""

Progress = Callable[[str, float], None] | None


@dataclass(frozen=True)
class Posterior:
    """What backward sampling needs, shared by all tracks of a session. offset: first row of the track in `problem`;
    scale: of a session with wheels only, else None; wanders: of the rolling radii where GNSS has told them [1]."""

    problem: MotionProblem
    filtered: Filtered
    adjoints: Floats
    offset: int
    scale: Scale | None = None
    wanders: float = 0.0


@dataclass
class Scene:
    """Everything read from a recording before the filter runs."""

    car: Car
    line: Timeline
    wheels: WheelColumns
    inertial: InertialColumns | None
    fixes: Fixes | None
    latency: Latency
    mounting: Mounting
    still: Bools
    noise: Noise
    force: tuple[Floats, Floats]
    steer: Floats | None
    radius: Floats
    """(4,) [m] the stated rolling radii, what the wheels of an axle differ by taken from the session."""
    rim: np.ndarray
    """(n, 4) float32 rim speeds at that radius [m/s]."""
    read: np.ndarray
    """(n, 4) float32 wheel speeds [rad/s] as the filter takes them: see thinned."""
    resisting: tuple[float, float]
    """Drag [1/m] and rolling resistance [m/s2] per mass."""
    typical: Floats
    """(n,) [m/s] one signed speed for everything that only needs it roughly; 0 where unknown."""


def _typical_speed(
    wheels: WheelColumns, rim: np.ndarray, fixes: Fixes | None, latency: float, line: Timeline
) -> Floats:
    """Return the most trustworthy rough speed on the rows: free wheels, else the slowest driven wheel, else GNSS."""
    free = [i for i in range(4) if wheels.present[i] and not wheels.driven[i]]
    chosen = free or [i for i in range(4) if wheels.present[i]]
    speed = np.full(line.t.size, np.nan)
    if chosen:
        columns = rim[:, chosen]
        known = np.isfinite(columns)
        count = known.sum(axis=1)
        total = np.where(known, columns, 0.0).sum(axis=1, dtype=np.float64)
        speed = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    if fixes is not None:
        gnss = speed_on_rows(fixes, latency, line)
        speed = np.where(np.isfinite(speed), speed, gnss)
    good = np.isfinite(speed)
    if not good.any():
        return np.zeros(line.t.size)
    filled: Floats = np.interp(line.t, line.t[good], speed[good])
    return filled


def _latency(
    fixes: Fixes | None, inertial: InertialColumns | None, typical: Floats, line: Timeline, car: Car, *, any_wheel: bool
) -> Latency:
    """Return the session's GNSS latency, by the specific force where there is one, else by the wheels."""
    if fixes is None:
        return Latency(0.0, 0.0, "none")
    stated = (0.1, 0.08)
    if car.gnss is not None:
        stated = (car.gnss.latency.value, max(car.gnss.latency.u, 0.02))
    if inertial is not None and inertial.pushes:
        ax = inertial.ax - float(np.median(inertial.ax))
        reference = np.concatenate([[0.0], np.cumsum(0.5 * (ax[1:] + ax[:-1]) * np.diff(line.t))])
        found = find_latency(fixes, reference, line, stated)
        if found.method == "matched":
            return found
    if any_wheel and np.any(typical != 0.0):
        return find_latency(fixes, np.abs(typical), line, stated)
    return Latency(*stated, "stated")


def look(recording: Recording, car: Car) -> Scene:
    """Read everything that the filter needs from a recording."""
    line = timeline(recording)
    with ThreadPoolExecutor(1) as beside:
        pushed = beside.submit(inertial_columns, recording, car, line)
        wheels = wheel_columns(recording, car, line)
        fixes = gnss_fixes(recording, car, line)
        inertial = pushed.result()
    radius = np.array([tyre_of(car, i).radius.value for i in range(4)])
    rim = wheels.speed * radius.astype(np.float32)
    first_guess = car.gnss.latency.value if car.gnss is not None else 0.1
    gnss_speed = speed_on_rows(fixes, first_guess, line) if fixes is not None else None
    still = standstill(wheels, inertial, gnss_speed, car, line)
    mounting = Mounting()
    typical = _typical_speed(wheels, rim, fixes, first_guess, line)
    if inertial is not None and inertial.pushes and inertial.slides:
        inertial, mounting = level(inertial, still)
        inertial, mounting = twist(inertial, typical, still, line, mounting)
    with ThreadPoolExecutor(1) as beside:
        late = beside.submit(_latency, fixes, inertial, typical, line, car, any_wheel=any(wheels.present))
        gz = inertial.gz if inertial is not None else np.zeros(line.t.size)
        if any(wheels.present):
            radius = radius * side_ratio(wheels, gz, still, car)
            rim = wheels.speed * radius.astype(np.float32)
        nothing = np.zeros(line.t.size)
        force = to_centre(inertial, car, line) if inertial is not None else (nothing, nothing)
        noise = session_noise(inertial, wheels, still, car)
        steer = on_rows(recording, line, "steer")
        pushes = inertial is not None and inertial.pushes
        read = honest_only(thinned(wheels, force[0] if pushes else None, radius, line), wheels, pushes=pushes)
        latency = late.result()
    if fixes is not None:
        fixes = replace(fixes, speed=np.where(fixes.speed > 150.0, np.nan, fixes.speed))
    resisting = stated_resistance(car)
    free = _rolling_free(recording, line)
    if free is not None and any(wheels.present):
        slowing = rate_of(smooth(typical, round(0.4 / line.dt)), line.t)
        resisting = coasting_resistance(slowing, np.abs(typical), gz, free, car, line)
    return Scene(
        car, line, wheels, inertial, fixes, latency, mounting, still, noise, force, steer, radius, rim, read,
        resisting, typical,
    )  # fmt: skip


def _rolling_free(recording: Recording, line: Timeline) -> Bools | None:
    """Return (n,) where the pedals ask for neither drive nor braking, or None where no throttle is logged."""
    pedals = [on_rows(recording, line, name) for name in ("throttle", "brake")]
    if pedals[0] is None:
        return None
    let_go: Bools = np.logical_and.reduce([np.abs(np.nan_to_num(p, nan=1.0)) < 0.01 for p in pedals if p is not None])
    return let_go


def _narrow(values: Any) -> np.ndarray:
    return np.ascontiguousarray(values, dtype=np.float32)


def _rows(
    scene: Scene, rim: np.ndarray, typical: Floats, systematic: np.ndarray | None, doubted: np.ndarray | None,
    rate: Floats,
) -> dict[str, Any]:  # fmt: skip
    """Return the core's row columns; `systematic` and `doubted` (n, 4) carry what an earlier pass showed.

    rate: (n,) [rad/s] yaw rate, which stands in for what no sensor shows of a bend. The noise of the inertial sensor is
    worked out in a second thread meanwhile.
    """
    line = scene.line
    ax, ay = scene.force
    width = max(1, round(0.1 / line.dt))
    inertial = scene.inertial
    gz = inertial.gz if inertial is not None else np.zeros(line.t.size)
    rows: dict[str, Any] = {"t": line.t, "ax": _narrow(ax), "ay": _narrow(ay), "gz": _narrow(gz)}
    with ThreadPoolExecutor(1) as beside:
        steps = speed_steps(typical)
        noise = beside.submit(_noise_rows, scene, rim, typical, steps)
        slow = {f"slow_{k}": smooth(c, width) for k, c in (("ax", ax), ("ay", ay), ("gz", gz))}
        rows |= {k: _narrow(c) for k, c in slow.items()}
        bend = _bend(scene, slow, typical, rate)
        lateral = np.abs(bend[1] if inertial is None or not inertial.slides else slow["slow_ay"])
        memory = max(1.0, 0.4 / max(line.dt, COARSE_STEP))
        angle = 0.004 + 0.008 * lateral
        if systematic is not None:
            angle = angle + SLIDING * _rear_slip(scene, systematic, typical)
        aside = _narrow(((0.01 + np.abs(typical) * angle) ** 2) * memory)
        rows["lateral_variance"] = np.zeros_like(aside)
        kept = coarse_rows(line)
        rows["lateral_variance"][kept] = aside[kept]
        rows["lateral_memory"] = float(memory)
        rows["still"] = scene.still.astype(np.uint8)
        if scene.steer is not None:
            rows["steer"] = _narrow(np.nan_to_num(scene.steer))
        if any(scene.wheels.present):
            rows |= _wheel_rows(scene, rim, typical, steps, slow["slow_ax"], bend, systematic, doubted)
            if systematic is not None:
                guide = np.where(scene.still, 0.0, smooth(typical, round(GUIDE / line.dt)))
                rows["guide"] = _narrow(guide)
                if inertial is not None and inertial.pushes:
                    rest = float(np.median(ax[scene.still])) if scene.still.any() else float(np.median(ax))
                    rows["slow_ax"] = _narrow(_steps(guide, line) + rest)
        rows |= noise.result()
    return rows


def _noise_rows(scene: Scene, rim: np.ndarray, typical: Floats, steps: SpeedSteps) -> dict[str, Any]:
    """Return the densities of the inertial sensor's noise on the rows."""
    line, inertial = scene.line, scene.inertial
    rows: dict[str, Any] = {}
    if inertial is not None and inertial.pushes:
        made_up = np.where(inertial.missing, 50.0, 1.0).astype(np.float32)
        alias = aliasing(rim, scene.wheels, scene.car, line)
        for axis, force in zip("xy", scene.force, strict=True):
            rows[f"noise_{axis}"] = force_noise(force, scene.noise, typical, steps, line, alias) * made_up
        if not inertial.slides:
            rows["noise_y"][:] = UNKNOWN_FORCE
    else:
        rows["noise_x"] = rows["noise_y"] = np.full(line.t.size, 0.05, dtype=np.float32)
    if inertial is not None and inertial.turns:
        rows["noise_r"] = rate_noise(inertial.gz, scene.noise, typical, steps, line)
    return rows


def _wheel_rows(
    scene: Scene, rim: np.ndarray, typical: Floats, steps: SpeedSteps, slow_ax: Floats, bent: tuple[Floats, Floats],
    systematic: np.ndarray | None, doubted: np.ndarray | None,
) -> dict[str, Any]:  # fmt: skip
    """Return the wheels' readings, what slip is expected of them, and how far each is trusted.

    The first pass looks at every row, since its residuals are smoothed; the second only at rows with a reading.
    """
    car, inertial, wheels = scene.car, scene.inertial, scene.wheels
    push = _push(scene, slow_ax, typical)
    turn, aside = bent
    turns = inertial is not None and inertial.turns
    gz = inertial.gz if inertial is not None and turns else turn
    density = rolling_density(wheels, rim, gz, car, steps, scene.line)
    at: Any = slice(None) if systematic is None else np.flatnonzero(np.isfinite(scene.read).any(axis=1))
    steer = None if scene.steer is None else scene.steer[at]
    bend = bending(car, aside[at], turn[at], typical[at], steer)
    tyres = pull(car, wheels, push[at], typical[at], scene.resisting, bend)
    size = tyres.size
    if systematic is not None:
        size = np.hypot(size, systematic[at] / np.maximum(np.abs(typical[at]), 1.0)[:, None].astype(np.float32))
    variance, own = wheel_variance(
        replace(wheels, speed=wheels.speed[at]), scene.noise, size, rim[at], scene.line, density
    )
    if doubted is not None:
        variance[doubted[at]] = 0.0
    if scene.fixes is not None and not (inertial is not None and inertial.pushes):
        variance[torque_near(tyres.load, scene.line.t[at], wheels)] = 0.0
    read = scene.read[at]
    variance[~np.isfinite(read)] = 0.0
    columns = {
        "wheel_speed": read / (1.0 + tyres.free), "wheel_variance": variance, "wheel_own": own,
        "wheel_load": tyres.load, "wheel_slide": size,
    }  # fmt: skip
    return {name: _spread(column, at, scene.read.shape) for name, column in columns.items()}


def _spread(column: np.ndarray, at: Any, shape: tuple[int, ...]) -> np.ndarray:
    """Return a column of the rows `at` on all rows, zero elsewhere (where no variance stands, nothing is read)."""
    if isinstance(at, slice):
        return _narrow(column)
    out = np.zeros(shape, dtype=np.float32)
    out[at] = column
    return out


def _steps(speed: Floats, line: Timeline) -> Floats:
    """Return the acceleration [m/s2] of every step to the next row, so that steps from a standstill add up to speed."""
    dt = np.diff(line.t)
    usual = dt < 5.0 * line.dt
    rise: Floats = np.append(np.where(usual, np.diff(speed) / np.where(usual, dt, 1.0), 0.0), 0.0)
    return rise


def _bend(scene: Scene, slow: dict[str, Floats], typical: Floats, rate: Floats) -> tuple[Floats, Floats]:
    """Return (n,) yaw rate [rad/s] and lateral force per mass [m/s2], smoothed: of the sensors, else by `rate`."""
    inertial = scene.inertial
    turns, slides = inertial is not None and inertial.turns, inertial is not None and inertial.slides
    turn = slow["slow_gz"] - _at_rest(slow["slow_gz"], scene) if turns else rate
    return turn, slow["slow_ay"] - _at_rest(slow["slow_ay"], scene) if slides else turn * typical


def _at_rest(column: Floats, scene: Scene) -> float:
    return float(np.median(column[scene.still])) if scene.still.any() else 0.0


def _rear_slip(scene: Scene, residual: np.ndarray, typical: Floats) -> Floats:
    """Return (n,) the larger slip of the rear wheels, 0..1, as an earlier pass showed it."""
    if not any(scene.wheels.present[2:]):
        return np.zeros(scene.line.t.size)
    slip = np.abs(residual[:, 2:]).max(axis=1) / np.maximum(np.abs(typical), 1.0)
    return np.where(slip > 0.02, np.minimum(slip, 1.0), 0.0)


def _push(scene: Scene, slow_ax: Floats, typical: Floats) -> Floats:
    """Return the smoothed longitudinal acceleration [m/s2] without gravity: from the sensor, else from the speed."""
    line = scene.line
    if scene.inertial is None or not scene.inertial.pushes:
        return rate_of(smooth(typical, round(0.4 / line.dt)), line.t)
    quick = smooth(scene.force[0], round(0.08 / line.dt))
    rest = float(np.median(slow_ax[scene.still])) if scene.still.any() else float(np.median(slow_ax))
    return quick - rest


def _doubts(
    scene: Scene, problem: MotionProblem, seen: dict[str, Floats], filtered: Filtered
) -> tuple[np.ndarray, np.ndarray]:
    """Return for each wheel what the first pass showed: smoothed residual [m/s] and rows that must be left out."""
    line = scene.line
    u, v, r = seen["u"], seen["v"], seen["r"]
    constants = dict(zip(STATES, filtered.last[0][: len(STATES)], strict=True))
    width = max(1, round(0.1 / line.dt))
    systematic = np.zeros((line.t.size, 4), dtype=np.float32)
    doubted = np.zeros((line.t.size, 4), dtype=np.bool_)
    shape = wheel_places(scene.car, scene.wheels)
    load, growth_speed = problem.rows["wheel_load"], problem.settings["growth_speed"]
    for i in range(4):
        if not scene.wheels.present[i]:
            continue
        angle = scene.steer if scene.steer is not None and i < 2 else np.zeros(1)
        hub = (u - r * shape[1][i]) * np.cos(angle) + (v + r * shape[0][i]) * np.sin(angle)
        growth = constants["growth_front" if i < 2 else "growth_rear"]
        turning = np.nan_to_num(scene.rim[:, i]) / growth_speed
        factor = np.exp(-constants["radius_front" if i < 2 else "radius_rear"]) / (1.0 + growth * turning**2)
        braking = load[:, i] < -LIGHT_LOAD
        factor *= 1.0 + np.where(braking, constants["brake_slip"], constants["slip"]) * load[:, i]
        error = np.nan_to_num(scene.rim[:, i] - hub * factor)
        slow = smooth(error, width)
        # A wheel under torque errs to the side the torque pulls; what a free wheel shows is the first pass's error.
        pulled = (np.abs(load[:, i]) > LIGHT_LOAD) & (load[:, i] * slow * np.sign(hub) > 0.0)
        systematic[:, i] = np.where(pulled, slow, 0.0)
        far = np.abs(slow) > 0.04 * np.abs(hub) + 0.15
        reach = max(1, round(0.3 / line.dt))
        doubted[:, i] = smooth(far.astype(np.float64), reach) > 0.5 / reach
    return systematic, doubted


def _restart_columns(scene: Scene, starts: list[Start]) -> dict[str, np.ndarray]:
    mean = np.zeros((len(starts), WANDERING))
    sd = np.full((len(starts), WANDERING), -1.0)
    for j, start in enumerate(starts):
        for name, (value, u) in start.states.items():
            at = STATES.index(name)
            mean[j, at], sd[j, at] = value, u
    return {"row": np.array([s.row for s in starts], dtype=np.int64), "mean": mean, "sd": sd}


def estimate_motion(recording: Recording, car: Car, *, progress: Progress = None) -> Motion:
    """Estimate the motion of the car from whatever subset of wheels, inertial sensor and GNSS the recording has.

    Parameters: recording (tables in SI, as read), car, progress (what, fraction). Returns a Motion with one Track per
    boot on the rows of the log. Raises FifthwheelError where there is nothing to estimate from.
    Equations: cpp/include/fifthwheel/motion.hpp; smoother of Bryson and Frazier (Bierman 1977).
    """
    from fifthwheel.errors import FifthwheelError

    def tell(what: str, part: float) -> None:
        if progress is not None:
            progress(what, part)

    tell("looking at the sensors", 0.0)
    scene = look(recording, car)
    if not any(scene.wheels.present) and scene.inertial is None and scene.fixes is None:
        raise FifthwheelError(
            "nothing in this recording tells how the car moved",
            expected="a wheel speed, an inertial sensor or GNSS",
            found=", ".join(sorted(recording.tables["log"].channels)) or "no channel",
            do="Name such a channel in the mapping",
        )
    starts = segment_starts(scene.line, scene.fixes, scene.latency.value, scene.inertial, scene.typical, scene.still)
    # GNSS alone cannot tell its own latency: it stays as stated, and what is left of it is added afterwards.
    told = scene.inertial is not None or any(scene.wheels.present)
    fixed = settings(
        car, scene.radius, scene.wheels, scene.noise, scene.line.dt, scene.inertial, scene.latency.u if told else 0.0,
        gnss=scene.fixes is not None,
    )  # fmt: skip
    tell("filtering, first pass", 0.1)
    rows = _rows(scene, scene.rim, scene.typical, None, None, steered_rate(scene.steer, scene.typical, car))
    fixes: dict[str, Any] = {}
    if scene.fixes is not None:
        fixes = fix_columns(scene.fixes, scene.latency.value, scene.line, 1.0)
        fixed["place_walk"] = usual_walk(scene.fixes)
    problem = MotionProblem(fixed, rows, fixes, _restart_columns(scene, starts))
    kept = coarse_rows(scene.line)
    rough = coarse_problem(problem, kept, scene.line)
    filtered = filter_motion(rough)
    smoothed = smooth_motion(rough, filtered, sd_every=50)
    seen = {
        name: on_all_rows(smoothed.mean[QUANTITIES.index(name)], kept, scene.line)
        for name in ("u", "v", "r", "psi", "ax")
    }
    del rough, smoothed
    tell("filtering, second pass", 0.4)
    problem, late = _second(recording, scene, problem, filtered, seen, starts)
    filtered = filter_motion(problem)
    tell("smoothing", 0.7)
    smoothed = smooth_motion(problem, filtered, sd_every=max(1, round(0.05 / scene.line.dt)))
    tell("writing down the motion", 0.95)
    return _motion(recording, scene, problem, filtered, smoothed, late)


def _second(
    recording: Recording,
    scene: Scene,
    problem: MotionProblem,
    filtered: Filtered,
    seen: dict[str, Floats],
    starts: list[Start],
) -> tuple[MotionProblem, float]:
    """Return the problem of the second pass and the latency it takes off."""
    u, psi = seen["u"], seen["psi"]
    rows = dict(problem.rows)
    if any(scene.wheels.present):
        free = _rolling_free(recording, scene.line)
        if free is not None and scene.inertial is not None and scene.inertial.pushes:
            scene.resisting = coasting_resistance(seen["ax"], u, seen["r"], free, scene.car, scene.line)
        systematic, doubted = _doubts(scene, problem, seen, filtered)
        rows = _rows(scene, scene.rim, u, systematic, doubted, smooth(seen["r"], round(0.3 / scene.line.dt)))
    late = scene.latency.value
    fixed = dict(problem.settings)
    fixes: dict[str, np.ndarray] = {}
    if scene.fixes is not None:
        late += float(filtered.last[0][STATES.index("latency")])
        pushes = scene.inertial is not None and scene.inertial.pushes
        scale = noise_scale(*filtered.nis["gnss velocity"], least=0.5 if pushes else 1.0)
        fixed["place_walk"], white = position_noise(scene.fixes, late, scene.line, u, seen["v"], psi)
        memory = speed_memory(scene.fixes, late, scene.line, u, independent=any(scene.wheels.present))
        fixes = fix_columns(scene.fixes, late, scene.line, scale, memory, white)
    better = [
        Start(s.row, s.states | {"psi": (float(psi[s.row]), s.states["psi"][1])}) if "psi" in s.states else s
        for s in starts
    ]
    return MotionProblem(fixed, rows, fixes, _restart_columns(scene, better)), late


def _parameters(scene: Scene, filtered: Filtered, late: float) -> dict[str, Quantity]:
    """Return the estimated constants in words of the glossary."""
    x = dict(zip(STATES, filtered.last[0][: len(STATES)], strict=True))
    sd = dict(zip(STATES, np.sqrt(np.diag(filtered.last[1:, : len(STATES)])), strict=True))
    if (scale := _scale(scene)) is not None:
        sd |= scale.uncertainties()
    out = {}
    for i, wheel in enumerate(WHEELS):
        if scene.wheels.present[i]:
            axle = "radius_front" if i < 2 else "radius_rear"
            radius = float(scene.radius[i] * np.exp(x[axle]))
            out[f"wheel_radius_{wheel}"] = Quantity(radius, radius * float(sd[axle]), "m")
    if any(scene.wheels.present):
        out["tyre_growth_front"] = Quantity(float(x["growth_front"]), float(sd["growth_front"]))
        out["tyre_growth_rear"] = Quantity(float(x["growth_rear"]), float(sd["growth_rear"]))
        out["tyre_growth"] = out["tyre_growth_rear" if any(scene.wheels.driven[:2]) else "tyre_growth_front"]
        out["slip_per_load"] = Quantity(float(x["slip"]), float(sd["slip"]), "s2/m")
    if scene.fixes is not None:
        told = scene.inertial is not None or any(scene.wheels.present)
        found = late + float(x["latency"])
        out["gnss_latency"] = Quantity(found, float(sd["latency"]) if told else scene.latency.u, "s")
    if scene.inertial is not None:
        out["gyro_scale"] = Quantity(1.0 + float(x["gyro_scale"]), float(sd["gyro_scale"]))
        for state, name, unit in (
            ("bias_ax", "accel_bias_x", "m/s2"),
            ("bias_ay", "accel_bias_y", "m/s2"),
            ("bias_gz", "gyro_bias_z", "rad/s"),
            ("squat", "squat", "rad s2/m"),
            ("roll", "roll", "rad s2/m"),
        ):
            out[name] = Quantity(float(x[state]), float(sd[state]), unit)
        mounting = scene.mounting
        out["mount_roll"] = Quantity(mounting.roll, 0.01, "rad")
        out["mount_pitch"] = Quantity(mounting.pitch, 0.01, "rad")
        out["mount_yaw"] = Quantity(mounting.yaw, mounting.u_yaw, "rad")
    return out


def _scale(scene: Scene) -> Scale | None:
    """Return what the scale rests on where wheels are all there is, else None."""
    wheels = scene.wheels
    if scene.fixes is not None or scene.inertial is not None or not any(wheels.present):
        return None
    front = any(p and not d for p, d in zip(wheels.present[:2], wheels.driven[:2], strict=True))
    rear = any(p and not d for p, d in zip(wheels.present[2:], wheels.driven[2:], strict=True))
    return Scale(stated_tyres(scene.car), 0 if front or (not rear and any(wheels.present[:2])) else 1)


def _sensors(scene: Scene) -> tuple[str, ...]:
    wheels = scene.wheels
    names = []
    if any(p and not d for p, d in zip(wheels.present, wheels.driven, strict=True)):
        names.append("free wheels")
    if any(p and d for p, d in zip(wheels.present, wheels.driven, strict=True)):
        names.append("driven wheels")
    if scene.inertial is not None:
        names.append("inertial")
    if scene.fixes is not None:
        names.append("gnss")
    return tuple(names)


def _usable(scene: Scene) -> Bools:
    """Return the rows on which something has told the speed recently: false through long stretches without."""
    n = scene.line.t.size
    told = scene.still.copy()
    if any(scene.wheels.present):
        told |= np.isfinite(scene.wheels.speed).any(axis=1)
    if scene.fixes is not None:
        told |= np.isfinite(speed_on_rows(scene.fixes, scene.latency.value, scene.line))
    if not told.any():
        return np.zeros(n, dtype=np.bool_)
    at = np.flatnonzero(told)
    before = at[np.clip(np.searchsorted(at, np.arange(n), side="right") - 1, 0, at.size - 1)]
    after = at[np.clip(np.searchsorted(at, np.arange(n)), 0, at.size - 1)]
    away = np.minimum(np.abs(scene.line.t - scene.line.t[before]), np.abs(scene.line.t[after] - scene.line.t))
    # An inertial sensor alone knows the speed at rest only.
    alone = scene.fixes is None and not any(scene.wheels.present)
    usable = away < (0.1 if alone else 5.0)
    if scene.inertial is not None:
        usable &= smooth(scene.inertial.missing.astype(np.float64), max(1, round(0.5 / scene.line.dt))) < 0.95
    return usable


def _slips(scene: Scene, growth_speed: float, filtered: Filtered, smoothed: Smoothed) -> dict[str, Floats]:
    """Return the longitudinal slip of each wheel there is: rim speed over the hub's forward speed, less one."""
    x = dict(zip(STATES, filtered.last[0][: len(STATES)], strict=True))
    u, v, r = (smoothed.mean[QUANTITIES.index(k)] for k in ("u", "v", "r"))
    wheel_x, wheel_y = wheel_places(scene.car, scene.wheels)
    out = {}
    for i, wheel in enumerate(WHEELS):
        if not scene.wheels.present[i]:
            continue
        growth = 1.0 + x["growth_front" if i < 2 else "growth_rear"] * (scene.rim[:, i] / growth_speed) ** 2
        rim = scene.rim[:, i] * np.exp(x["radius_front" if i < 2 else "radius_rear"]) * growth
        if scene.steer is not None and i < 2:
            c, s = np.cos(scene.steer), np.sin(scene.steer)
            hub = (u - r * wheel_y[i]) * c + (v + r * wheel_x[i]) * s
        else:
            hub = u - r * wheel_y[i]
        with np.errstate(invalid="ignore", divide="ignore"):
            out[f"slip_{wheel}"] = np.where(np.abs(hub) > 0.5, rim / hub - 1.0, np.nan)
    return out


def _motion(
    recording: Recording, scene: Scene, problem: MotionProblem, filtered: Filtered, smoothed: Smoothed, late: float
) -> Motion:
    """Cut the smoothed rows into one track per boot and say what the estimation noticed."""
    log = recording.tables["log"]
    usable = _usable(scene)
    slips = _slips(scene, problem.settings["growth_speed"], filtered, smoothed)
    bounds = [*scene.line.boots.tolist(), log.t.size]
    tracks = []
    late_u = scene.latency.u
    scale = _scale(scene)
    loose = wanders(scene.wheels.present, scene.wheels.driven, gnss=scene.fixes is not None)
    place_u = typical_accuracy(scene.fixes) if scene.fixes is not None else 0.0
    for first, last in itertools.pairwise(bounds):
        mean = {name: smoothed.mean[q, first:last] for q, name in enumerate(QUANTITIES)}
        mean |= {name: values[first:last] for name, values in slips.items()}
        sd: dict[str, Any] = {name: smoothed.sd[q, first:last] for q, name in enumerate(QUANTITIES)}
        if scene.inertial is None and not any(scene.wheels.present):
            sd["u"] = _narrow(np.hypot(sd["u"], np.abs(rate_of(smooth(mean["u"], 40), log.t[first:last])) * late_u))
        if scale is not None:
            spread = scale.spread(mean["u"])
            sd |= {name: _narrow(np.hypot(sd[name], spread * np.abs(mean[name]))) for name in ("u", "distance")}
        if loose:
            sd["u"] = _narrow(np.hypot(sd["u"], loose * np.abs(mean["u"])))
        if scene.fixes is not None:
            # The filter's place is the receiver's; how far that may be from the true one the receiver says.
            sd |= {name: _narrow(np.hypot(sd[name], place_u)) for name in ("east", "north")}
        posterior = Posterior(problem, filtered, smoothed.adjoints, first, scale, loose)
        tracks.append(
            Track(int(log.boot[first]), first, last, log.t[first:last], mean, sd, usable[first:last], posterior)
        )
    nis = {name: (total / whole, whole) for name, (total, whole, _) in filtered.nis.items() if whole > 0}
    notes: tuple[Finding, ...] = motion_notes(scene, filtered, smoothed)
    return Motion(tuple(tracks), _parameters(scene, filtered, late), nis, _sensors(scene), notes)
