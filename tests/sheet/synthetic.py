"""A made-up test day in memory, drawn from closed forms, so that the sheet can be tested without the rooms above it.

The car is launched with tanh speed (constant force against quadratic drag), braked at constant deceleration, coasted
down. Names, numbers and places are invented. Nothing here is computed by the code under test.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from fifthwheel.car.model import Car, Conditions, Gnss, Inertial, Pack, Session, Tyre
from fifthwheel.data import (
    Alignment,
    Channel,
    Estimate,
    Finding,
    Measured,
    Motion,
    Quantity,
    RawFile,
    Recording,
    Refusal,
    Run,
    Step,
    Table,
    Track,
)
from fifthwheel.sheet.report import Report
from fifthwheel.units import System

RATE = 100.0
MARKS = {
    "metric": (("km_h", "km/h", 1 / 3.6, (20, 30, 40, 50, 60)),),
    "imperial": (("mph", "mph", 0.44704, (10, 20, 30)),),
}
Z = Quantity(0.0, 0.0, "m")


def made_car(name: str = "Kestrel 8", units: System = "metric") -> Car:
    tyre = Tyre(
        Quantity(0.0415, 0.0002, "m"),
        Quantity(0.05, 0.025),
        Quantity(25.0, 0.0, "m/s"),
        Quantity(1.0, 0.1),
        Quantity(6e-5, 1e-5, "kg m2"),
    )
    return Car(
        path=Path("kestrel/car.toml"),
        name=name,
        mass=Quantity(4.12, 0.01, "kg"),
        front_share=Quantity(0.48, 0.005),
        cg_height=Quantity(0.045, 0.003, "m"),
        wheelbase=Quantity(0.33, 0.0005, "m"),
        track_front=Quantity(0.25, 0.001, "m"),
        track_rear=Quantity(0.252, 0.001, "m"),
        yaw_inertia=None,
        tyre_front=tyre,
        tyre_rear=tyre,
        driven=("rl", "rr"),
        braked=("fl", "fr", "rl", "rr"),
        motors=(),
        pack=Pack(3, Quantity(11.1, 0.0, "V"), None, None),
        drag_area=Quantity(0.03, 0.005, "m2"),
        lift_area=Quantity(0.0, 0.0, "m2"),
        rolling_resistance=Quantity(0.02, 0.005),
        top_speed=Quantity(25.0, 0.0, "m/s"),
        steer_lock=None,
        inertial=Inertial((Z, Z, Z), ("forward", "left", "up"), None, None, Quantity(0.005, 0.0, "s")),
        gnss=Gnss((Z, Z, Z), Quantity(10.0, 0.0, "Hz"), Quantity(0.12, 0.03, "s"), Quantity(0.1, 0.0, "m/s")),
        encoder=None,
        channels=(),
        units=units,
    )


def made_session(name: str = "2026-05-03", **other: str) -> Session:
    texts = {
        "place": "Harrow Lane car park",
        "setup": "Front springs 2.4 N/mm, rear 2.1 N/mm; tyres 40 shore.",
        "changed": "Rear wing taken off.",
        "notes": "Dry, a light breeze along the straight after eleven.",
    } | other
    return Session(
        path=Path("kestrel/sessions") / "2026-05-03",
        car=Path("kestrel/car.toml"),
        name=name,
        date="2026-05-03",
        place=texts["place"],
        conditions=Conditions(
            Quantity(291.65, 0.5, "K"),
            Quantity(101320.0, 100.0, "Pa"),
            Quantity(0.52, 0.03),
            Quantity(1.4, 0.4, "m/s"),
            Quantity(math.radians(240), 0.1, "rad"),
            Quantity(0.002, 0.001),
            "asphalt, dry",
        ),
        setup=texts["setup"],
        changed=texts["changed"],
        notes=texts["notes"],
    )


def _launch(k: float, top: float, seconds: float) -> np.ndarray:
    t = np.arange(0.0, seconds, 1 / RATE)
    return top * np.tanh(k * t / top)


def _profile(launches: int, brakings: int, coasts: int) -> tuple[np.ndarray, list[tuple[str, int, int, str, bool]]]:
    """Return speed (n,) and (kind, first, last, direction, valid) of every run."""
    parts: list[np.ndarray] = [np.zeros(int(4 * RATE))]
    runs: list[tuple[str, int, int, str, bool]] = []

    def add(u: np.ndarray, kind: str = "", direction: str = "", valid: bool = True) -> None:
        at = sum(p.size for p in parts)
        parts.append(u)
        if kind:
            runs.append((kind, at - (int(0.6 * RATE) if kind == "launch" else 0), at + u.size, direction, valid))

    count = max(launches, brakings, coasts)
    for i in range(count):
        side = "AB"[i % 2]
        add(np.zeros(int(2 * RATE)))
        u = _launch(7.6 + 0.25 * math.sin(2.3 * i), 22.0, 4.2 - 0.9 * (i == 3))
        add(u, "launch" if i < launches else "", side, i != 3)
        last = float(u[-1])
        if i < coasts:
            t = np.arange(0.0, 7.0, 1 / RATE)
            u = last * (1 - 0.5 * (1 - np.exp(-t / 9.0)))
            add(u, "coast-down", side, i != 1)
            last = float(u[-1])
        a = 8.2 + 0.3 * math.cos(1.7 * i)
        u = np.maximum(last - a * np.arange(0.0, last / a + 0.1, 1 / RATE), 0.0)
        add(u, "braking" if i < brakings else "", side, i != 2)
    add(np.zeros(int(3 * RATE)))
    return np.concatenate(parts), runs


def _track(boot: int, u: np.ndarray, runs: Sequence[tuple[str, int, int, str, bool]]) -> Track:
    n = u.size
    rng = np.random.default_rng(5)
    t = np.arange(n) / RATE
    distance = np.concatenate([[0.0], np.cumsum((u[1:] + u[:-1]) / 2 / RATE)])
    ax = np.gradient(u, 1 / RATE) + rng.normal(0.0, 0.25, n)
    ay = 2.2 * np.sin(t / 2.1) * np.minimum(u / 6.0, 1.0) ** 2 + rng.normal(0.0, 0.2, n)
    slips = {w: rng.normal(0.0, 0.004, n) for w in ("fl", "fr")}
    for i, w in enumerate(("rl", "rr")):
        slips[w] = 0.24 * np.exp(-np.maximum(u - 2.0, 0) / 5.0) * (ax > 1.5) * (1 - 0.2 * i) + rng.normal(0.0, 0.006, n)
    braking = ax < -5.0
    slips["fl"] = np.where(braking & (u < 9.0), -0.93, np.where(braking, -0.07, slips["fl"]))
    slips["rr"] = np.where(braking, -0.05, slips["rr"])
    east = 60.0 - 60.0 * np.cos(distance / 60.0)
    mean = {
        "east": east,
        "north": 3.0 * np.sin(distance / 30.0),
        "distance": distance,
        "psi": np.zeros(n),
        "u": u,
        "v": np.zeros(n),
        "r": np.zeros(n),
        "ax": ax,
        "ay": ay,
        "theta": np.zeros(n),
        **{f"slip_{w}": np.where(u > 0.3, s, np.nan) for w, s in slips.items()},
    }
    sd = {"u": 0.012 + 0.004 * u / 10, "distance": np.full(n, 0.02), "ax": np.full(n, 0.1), "ay": np.full(n, 0.1)}
    usable = np.ones(n, dtype=bool)
    usable[: int(0.5 * RATE)] = False
    return Track(boot, 0, n, t, mean, sd, usable)


def _runs(track: Track, found: Sequence[tuple[str, int, int, str, bool]], numbers: dict[str, int]) -> list[Run]:
    made = []
    why = {
        "launch": "the throttle was lifted at 11.2 m/s, before the mark",
        "braking": "heading changed by 14 deg, more than 10 deg",
        "coast-down": "speed fell by 2.4 m/s, less than 3 m/s",
    }
    for kind, first, last, direction, valid in found:
        numbers[kind] = numbers.get(kind, 0) + 1
        marks = {"command": float(track.t[first])}
        if kind == "launch":
            marks = {"command": float(track.t[first]) + 0.58, "first_motion": float(track.t[first]) + 0.65}
        if kind == "braking":
            marks["rest"] = float(track.t[last - int(0.1 * RATE)])
        made.append(
            Run(
                f"{kind}-{numbers[kind]}",
                kind,
                track.boot,
                first,
                last,
                812.4 + float(track.t[first]),
                812.4 + float(track.t[last - 1]),
                0.1,
                direction,
                valid,
                () if valid else (why[kind],),
                marks,
            )
        )
    return made


def estimate(
    name: str,
    label: str,
    kind: str,
    value: float,
    u: float,
    unit: str,
    *,
    runs: Sequence[str] = (),
    scope: str = "mean",
    direction: str = "",
    spread: float = float("nan"),
    remark: str = "",
    standard: str = "common practice",
) -> Estimate:
    k = 2.13
    parts = {"wheel radius": 0.42, "spread of the runs": 0.31, "single runs": 0.2, "clock": 0.07}
    return Estimate(
        name,
        label,
        kind,
        scope,
        direction,
        tuple(runs),
        value,
        u,
        value - k * u,
        value + k * u,
        unit,
        14.2,
        len(runs) or 1,
        spread,
        standard,
        parts,
        remark,
    )


def _launch_figures(
    runs: Sequence[Run], track_u: dict[str, tuple[np.ndarray, np.ndarray]], system: System
) -> list[Estimate]:
    out: list[Estimate] = []
    ids = [r.id for r in runs if r.kind == "launch" and r.valid]
    if not ids:
        return out
    for plain, shown, factor, marks in MARKS[system]:
        for mark in marks:
            times = {}
            for name in ids:
                t, u = track_u[name]
                if u.max() > mark * factor:
                    times[name] = float(np.interp(mark * factor, u, t))
            if not times:
                continue
            for origin, word, less in (
                ("first_motion", "from first motion", 0.0),
                ("rollout", "first foot left out", 0.21),
            ):
                name, label = f"launch.time_to_{mark}_{plain}.{origin}", f"0–{mark} {shown}, {word}"
                for run, value in times.items():
                    out.append(estimate(name, label, "launch", value - less, 0.0062, "s", runs=[run], scope="run"))
                values = np.array(list(times.values())) - less
                spread = float(values.std(ddof=1)) if values.size > 1 else float("nan")
                out.append(
                    estimate(name, label, "launch", float(values.mean()), 0.014, "s", runs=list(times), spread=spread)
                )
    for name, label, value, u, unit in (
        ("launch.time_to_20_m.first_motion", "0–20 m, from first motion", 2.412, 0.011, "s"),
        ("launch.time_to_20_m.rollout", "0–20 m, first foot left out", 2.202, 0.011, "s"),
        ("launch.speed_at_20_m", "speed at 20 m", 14.83, 0.07, "m/s"),
        ("launch.time_to_60_ft.first_motion", "0–60 ft, from first motion", 2.291, 0.011, "s"),
        ("launch.peak_acceleration", "peak acceleration, 50 ms mean", 7.84, 0.11, "m/s2"),
        ("launch.peak_driven_slip", "peak slip of a driven wheel", 0.243, 0.012, "1"),
    ):
        out.append(estimate(name, label, "launch", value, u, unit, runs=ids, spread=2 * u))
    return out


def _other_figures(runs: Sequence[Run]) -> list[Estimate]:
    out = []
    brakings = [r.id for r in runs if r.kind == "braking" and r.valid]
    coasts = [r.id for r in runs if r.kind == "coast-down" and r.valid]
    if brakings:
        for name, label, value, u, unit, standard in (
            ("braking.distance_from_50_km_h", "distance from 50 km/h to rest", 11.62, 0.13, "m", "ISO 21994"),
            ("braking.distance_from_30_mph", "distance from 30 mph to rest", 10.84, 0.13, "m", "ISO 21994"),
            ("braking.mfdd", "mean fully developed deceleration", 8.31, 0.06, "m/s2", "UN R13-H"),
            ("braking.peak_deceleration", "peak deceleration, 50 ms mean", 9.02, 0.21, "m/s2", "common practice"),
            ("braking.locked_share_fl", "share of time front left locked", 0.31, 0.01, "1", "common practice"),
        ):
            out.append(
                estimate(name, label, "braking", value, u, unit, runs=brakings, spread=1.6 * u, standard=standard)
            )
    if coasts:
        for name, label, value, u, unit in (
            ("coast_down.cda", "drag area CdA", 0.0312, 0.0009, "m2"),
            ("coast_down.rolling_coefficient", "rolling coefficient", 0.0213, 0.0007, "1"),
            ("coast_down.f0", "F0", 0.861, 0.028, "N"),
            ("coast_down.f2", "F2", 0.0189, 0.0005, "N s2/m2"),
        ):
            out.append(
                estimate(
                    name,
                    label,
                    "coast-down",
                    value,
                    u,
                    unit,
                    runs=coasts,
                    standard="ISO 10521",
                    remark="F1 fixed at zero; motor drag included",
                )
            )
        out.append(
            estimate(
                "speed_pass.mean_speed",
                "speed over the best 30 m",
                "speed pass",
                20.94,
                0.09,
                "m/s",
                runs=["speed pass-1", "speed pass-2"],
                spread=0.12,
            )
        )
    return out


def finding(i: int, boots: int = 1) -> Finding:
    kinds = (
        (
            "stuck-channel",
            "fault",
            "wheel_speed_fl, boot 1, 824.80-827.50 s",
            "Wheel speed front left held 41.2 rad/s for 2.70 s while the other three moved.",
        ),
        ("gap", "warning", "log, boot 1, 852.5-853.0 s", "No row for 0.52 s (104 rows at 200 Hz)."),
        ("clock-rate", "note", "log, boot 1", "The logger's clock runs 34 ppm fast against GNSS time."),
        ("held-channel", "note", "gnss_speed, boot 1", "Updated 10.0 times a second in a log of 200 rows a second."),
        (
            "peak-not-believed",
            "warning",
            "accel_x, boot 1, 873.62 s",
            "Peak deceleration of 31 m/s² against a limit of 12.4 m/s² (µ = 1.0 ± 0.2).",
        ),
    )
    check, severity, place, what = kinds[i % len(kinds)]
    return Finding(
        check,
        severity,
        place.replace("boot 1", f"boot {1 + i % boots}"),
        what,
        "A loose encoder magnet or a lost bus frame.",
        "Left the rows out of the motion.",
        "Check the magnet's grub screw and the plug.",
        {"from [s]": 12.4, "to [s]": 15.1},
    )


def made_report(
    *,
    launches: int = 5,
    brakings: int = 4,
    coasts: int = 4,
    findings: int = 5,
    units: System = "metric",
    car: str = "Kestrel 8",
    session: Session | None = None,
    boots: int = 1,
) -> Report:
    """Return a whole report with so many runs of each kind (0 everywhere: a day of standing still)."""
    tracks, runs, numbers, curves_u = [], [], {}, {}
    for boot in range(1, boots + 1):
        u, found = _profile(*(math.ceil(n / boots) for n in (launches, brakings, coasts)))
        track = _track(boot, u, found)
        tracks.append(track)
        new = _runs(track, found, numbers)
        for run in new:
            curves_u[run.id] = (
                track.t[run.first : run.last] - run.marks.get("first_motion", track.t[run.first]),
                u[run.first : run.last],
            )
        runs += new
    figures = [*_launch_figures(runs, curves_u, units), *_other_figures(runs)]
    speed = np.linspace(5.0, 19.0, 60)
    force = 0.861 + 0.0189 * speed**2
    rng = np.random.default_rng(3)
    points = {r.id: (speed, force + rng.normal(0.0, 0.12, 60)) for r in runs if r.kind == "coast-down" and r.valid}
    curves = {
        "coast_down": {
            "speed": speed,
            "force": force,
            "low": force - 0.1 - 0.004 * speed,
            "high": force + 0.1 + 0.004 * speed,
            "runs": points,
        }
    }
    refusals = (
        Refusal(
            "steady_circle.understeer_gradient",
            "understeer gradient",
            "steady circle",
            "no steady circle of at least one turn was found",
        ),
        Refusal("launch.energy", "energy per launch", "launch", "the log has no pack voltage and current"),
    )
    motion = Motion(
        tuple(tracks),
        {"gnss_latency": Quantity(0.118, 0.006, "s"), "wheel_radius_rl": Quantity(0.04163, 0.00005, "m")},
        {"gnss": (1.04, 2310), "wheels": (0.97, 21800)},
        ("free wheels", "driven wheels", "inertial", "gnss"),
        (),
    )
    listed = tuple(
        sorted(
            (finding(i, boots) for i in range(findings)), key=lambda f: ("fault", "warning", "note").index(f.severity)
        )
    )
    measured = Measured(
        motion,
        tuple(runs),
        tuple(figures),
        refusals,
        listed,
        Quantity(1.2083, 0.0021, "kg/m3"),
        curves if points else {},
    )
    return Report(made_car(car, units), session or made_session(), _recording(tracks), measured, units)


def _recording(tracks: Sequence[Track]) -> Recording:
    t = np.concatenate([track.t for track in tracks])
    boot = np.concatenate([np.full(track.t.size, track.boot) for track in tracks])
    speed = Channel(
        "gnss_speed",
        "m/s",
        np.concatenate([track.mean["u"] for track in tracks]),
        None,
        10.0,
        "column 'GpsSpeed', km/h",
    )
    log = Table("log", boot, t, 812.4 + t, np.arange(2, t.size + 2), {"gnss_speed": speed})
    raw = RawFile("morning.csv", "4f" * 32, 48_210_332, t.size + 1, t.size, 1)
    return Recording(
        {"log": log},
        (raw,),
        (Alignment("gnss.ubx", "GNSS speed against wheel speed", 0.2, 0.004, 0.0, 1e-6),),
        (),
        (Step("read", {"mapping": "mapping.toml"}, "0.1.0"),),
    )


def with_texts(report: Report, text: str) -> Report:
    """Return the report with `text` in every place that a person writes."""
    session = replace(
        report.session,
        name=text,
        place=text,
        setup=text,
        changed=text,
        notes=text,
        conditions=replace(report.session.conditions, surface=text),
    )
    findings = tuple(replace(f, what=text, cause=text, place=text) for f in report.measured.findings)
    return replace(
        report,
        car=replace(report.car, name=text),
        session=session,
        measured=replace(report.measured, findings=findings),
    )
