"""Figures by definition from the truth, and which runs there were, in code of its own."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from fifthwheel.data import WHEELS, Floats
from tests.referee.draw import GRAVITY, Drawn
from tests.referee.machine import RATE
from tests.referee.senses import STRIDE, driven_wheels

DISTANCES = {
    "60_ft": 18.288,
    "20_m": 20.0,
    "50_m": 50.0,
    "100_m": 100.0,
    "1_8_mile": 201.168,
    "1_4_mile": 402.336,
}
SPEEDS = {"km_h": 1.0 / 3.6, "mph": 0.44704, "m_s": 1.0}


@dataclass(frozen=True)
class TrueRun:
    """A run that was driven: rows [first, last) of the truth, start and end [s] on the logger's clock, valid or not."""

    kind: str
    first: int
    last: int
    start: float
    end: float
    direction: str
    valid: bool


class Judge:
    """Truth of one session: `runs`, and `figure(name, run)` for single runs, `constant(name)` for the car's own."""

    def __init__(self, drawn: Drawn, truth: dict[str, Floats]) -> None:
        self.drawn, self.truth = drawn, truth
        self.t, self.u, self.s = truth["t"], truth["u"], truth["distance"]
        self.zero = float(truth["t"][STRIDE])
        self.pace = 1.0 + drawn.senses["clock"]
        self.runs = tuple(self._runs())

    def clock(self, row: int) -> float:
        """Return the logger's clock [s] at a row of the truth."""
        return float((self.t[min(row, len(self.t) - 1)] - self.zero) * self.pace)

    def row_at(self, clock: float) -> int:
        """Return the row of the truth at an instant of the logger's clock."""
        return int(np.clip(round((clock / self.pace + self.zero - self.t[0]) * RATE), 0, len(self.t) - 1))

    def _runs(self) -> list[TrueRun]:
        runs = []
        phases, number = self.drawn.phases, self.truth["phase"]
        first = np.searchsorted(number, np.arange(len(phases)))
        last = np.searchsorted(number, np.arange(len(phases)), side="right")
        for k, phase in enumerate(phases):
            if not phase.mark or last[k] - first[k] < 50:
                continue
            end = k
            if phase.mark == "launch":
                while (
                    end + 1 < len(phases)
                    and phases[end + 1].pedal in ("full", "hold")
                    and phases[end + 1].wheel == "line"
                ):
                    end += 1
            runs.append(self._run(phase.mark, int(first[k]), int(last[end]), phase.steer))
        return runs

    def _run(self, kind: str, first: int, last: int, steer: float) -> TrueRun:
        psi, u, s = self.truth["psi"][first:last], self.u[first:last], self.s[first:last]
        straight = bool(np.max(np.abs(psi - psi[0])) < math.radians(10.0))
        valid = {
            "launch": straight and float(u.max()) > 10.0 / 3.6,
            "braking": straight and u[0] >= 5.0 and u[-1] < 0.05,
            "coast-down": straight and u[0] - u[-1] >= 3.0,
            "speed pass": straight and s[-1] - s[0] >= 30.0 and float(np.ptp(u)) <= 0.02 * float(u.mean()),
            "steady circle": abs(psi[-1] - psi[0]) >= 2.0 * math.pi,
            "step steer": True,
        }[kind]
        away = "A" if math.cos(psi[0]) > 0.0 else "B"
        if kind in ("steady circle", "step steer"):
            away = "left" if steer > 0.0 else "right"
        return TrueRun(kind, first, last, self.clock(first), self.clock(last), away, bool(valid))

    def match(self, kind: str, start: float, end: float) -> TrueRun | None:
        """Return the true run of a kind that shares most time with [start, end] on the logger's clock."""
        shares = [(min(end, run.end) - max(start, run.start), run) for run in self.runs if run.kind == kind]
        best = max(shares, key=lambda pair: pair[0], default=(0.0, None))
        return best[1] if best[0] > 0.0 else None

    def excused(self, kind: str, start: float, end: float) -> bool:
        """Return true for a run that the plan did not aim at, yet is one by rule: steer thrown into a circle, a
        straight stop under the brake from 5 m/s and more on the way to what comes next."""
        rows = slice(self.row_at(start), self.row_at(end) + 1)
        phases = [self.drawn.phases[int(number)] for number in np.unique(self.truth["phase"][rows])]
        if kind == "braking":
            psi = self.truth["psi"][rows]
            straight = bool(np.max(np.abs(psi - psi[0])) < math.radians(10.0))
            u = self.u[rows]
            return straight and all(phase.pedal == "brake" for phase in phases) and u[0] >= 5.0 and bool(u[-1] < 0.1)
        return kind == "step steer" and any(phase.wheel == "fixed" for phase in phases)

    def figure(self, name: str, run: TrueRun, start: float, end: float) -> float:
        """Return the truth of a single run's figure (NaN when it has none); start, end: the measured run's window."""
        kind, _, rest = name.partition(".")
        rows = slice(self.row_at(start), self.row_at(end) + 1)
        if kind == "launch":
            return self._launch(rest, run)
        if kind == "braking":
            return self._braking(rest, run)
        if kind == "coast_down":
            return self._coasting(rest, rows)
        if name == "speed_pass.mean_speed":
            return self._best_30_m(rows)
        if kind == "steady_circle":
            return self._circle(rest, rows)
        if kind == "step_steer":
            return self._step(rest, run, rows)
        return math.nan

    def _first(self, mask: np.ndarray, y: Floats, value: float, first: int) -> float:
        """Return the instant, interpolated, at which y reaches value on the first row of the mask from `first` on."""
        hits = np.flatnonzero(mask)
        if not hits.size:
            return math.nan
        k = first + int(hits[0])
        if k == first:
            return float(self.t[k])
        below, above = y[k - 1], y[k]
        return float(self.t[k - 1] + (value - below) / (above - below) * (self.t[k] - self.t[k - 1]))

    def _reach(self, y: Floats, value: float, first: int, last: int) -> float:
        return self._first(y[first:last] >= value, y, value, first)

    def _fall(self, y: Floats, value: float, first: int, last: int) -> float:
        return self._first(y[first:last] <= value, y, value, first)

    def _peak(self, y: Floats, first: int, last: int, width: float = 0.05) -> float:
        if last - first < 60:
            return math.nan
        total = np.concatenate([[0.0], np.cumsum(y[first:last])])
        k = round(width * RATE)
        return float(np.max(total[k:] - total[:-k]) / k)

    def _launch(self, rest: str, run: TrueRun) -> float:
        first, last = run.first, run.last
        origin_row = float(self.s[first])
        if found := re.fullmatch(r"time_to_(\w+)\.(first_motion|rollout)", rest):
            mark = found[1]
            begin = self._reach(self.s, origin_row + (0.01 if found[2] == "first_motion" else 0.3048), first, last)
            if mark in DISTANCES:
                return self._reach(self.s, origin_row + DISTANCES[mark], first, last) - begin
            number, _, unit = mark.partition("_")
            return self._reach(self.u, float(number) * SPEEDS[unit], first, last) - begin
        if found := re.fullmatch(r"speed_at_(\w+)", rest):
            at = self._reach(self.s, origin_row + DISTANCES[found[1]], first, last)
            return float(np.interp(at, self.t, self.u)) if math.isfinite(at) else math.nan
        if rest == "peak_acceleration":
            return self._peak(self.truth["mean_ax"], first, last)
        if rest in ("peak_driven_slip", "peak_slip_speed"):
            fast = np.where(self.u[first:last] >= 2.0, 1.0, 0.0)
            scale = self.u[first:last] if rest == "peak_slip_speed" else 1.0
            peaks = [
                self._peak(fast * scale * self.truth[f"slip_{w}"][first:last], 0, last - first)
                for w in driven_wheels(self.drawn)
            ]
            return max(peaks)
        return math.nan

    def _braking(self, rest: str, run: TrueRun) -> float:
        first, last = run.first, min(run.last + 200, len(self.t))
        v0 = float(self.u[first])
        stop = self._fall(self.u, 0.05, first, last)
        way = float(np.interp(stop, self.t, self.s)) if math.isfinite(stop) else math.nan
        if rest == "speed_at_command":
            return v0
        if rest == "mfdd":
            marks = [self._fall(self.u, share * v0, first, last) for share in (0.8, 0.1)]
            (sb, se) = (float(np.interp(mark, self.t, self.s)) for mark in marks)
            return (0.64 - 0.01) * v0 * v0 / (2.0 * (se - sb))
        if rest == "peak_deceleration":
            return self._peak(-self.truth["mean_ax"], first, last)
        if found := re.fullmatch(r"(distance_from|time_from|distance_corrected)_(\d+)_(\w+)", rest):
            speed = float(found[2]) * SPEEDS[found[3]]
            if found[1] == "distance_corrected":
                return (way - float(self.s[first])) * (speed / v0) ** 2
            crossed = self._fall(self.u, speed, first, last)
            if found[1] == "time_from":
                return stop - crossed
            return way - float(np.interp(crossed, self.t, self.s))
        if found := re.fullmatch(r"locked_share_(\w\w)", rest):
            if found[1] not in WHEELS:
                return math.nan
            moving = self.u[first:last] > 1.0
            locked = self.truth[f"slip_{found[1]}"][first:last] < -0.8
            return float(np.count_nonzero(locked & moving)) / max(1, int(np.count_nonzero(moving)))
        return math.nan

    def _coasting(self, rest: str, rows: slice) -> float:
        """Return what a run's deceleration was: from 5 km/h above to 5 km/h below (ISO 10521-1)."""
        found = re.fullmatch(r"deceleration_at_(\d+)_m_s", rest)
        if found is None:
            return math.nan
        v, band = float(found[1]), 5.0 / 3.6
        above, below = (self._fall(self.u, v + d, rows.start, rows.stop) for d in (band, -band))
        return 2.0 * band / (below - above)

    def _best_30_m(self, rows: slice) -> float:
        t, s = self.t[rows], self.s[rows]
        begin = s[s <= s[-1] - 30.0] if len(s) and s[-1] - s[0] >= 30.0 else s[:0]
        if not begin.size:
            return math.nan
        taken = np.interp(begin + 30.0, s, t) - t[: begin.size]
        return 30.0 / float(taken.min())

    def _circle(self, rest: str, rows: slice) -> float:
        psi, t = self.truth["psi"][rows], self.t[rows]
        turns = math.floor(abs(psi[-1] - psi[0]) / (2.0 * math.pi))
        if turns < 1:
            return math.nan
        sign = math.copysign(1.0, psi[-1] - psi[0])
        end = int(np.argmax(sign * (psi - psi[0]) >= turns * 2.0 * math.pi))
        u, r = self.u[rows][: end + 1], self.truth["r"][rows][: end + 1]
        speed = float((self.s[rows][end] - self.s[rows][0]) / (t[end] - t[0]))
        rate = float(turns * 2.0 * math.pi / (t[end] - t[0]))
        return {"speed": speed, "radius": speed / rate, "lateral_acceleration": abs(float(np.mean(u * r)))}.get(
            rest, math.nan
        )

    def _step(self, rest: str, run: TrueRun, rows: slice) -> float:
        first, last, t = run.first, rows.stop, self.t
        steer, width = self.truth["command"], round(0.030 * RATE)
        r = np.convolve(self.truth["r"], np.full(width, 1.0 / width), mode="same")
        # steer and yaw rate over the same stretches: the hand trembles, and the car follows it
        quiet, settled = slice(rows.start - 500, rows.start), slice(int(rows.start + 0.6 * (last - rows.start)), last)
        before, after = float(np.mean(steer[quiet])), float(np.mean(steer[settled]))
        sign = math.copysign(1.0, after - before)
        steady = float(np.mean(r[settled]))
        if rest == "yaw_rate":
            return abs(steady)
        if rest == "yaw_rate_gain":
            return (steady - float(np.mean(self.truth["r"][quiet]))) / (after - before)
        reference = self._reach(sign * steer, sign * 0.5 * (before + after), first - 5, last)
        response = self._reach(sign * r, 0.9 * abs(steady), first, last) - reference
        if rest == "response_time":
            return response
        if not math.isfinite(response):
            return math.nan
        early = min(last, first + round(max(0.5, 4.0 * response) * RATE))
        top = first + int(np.argmax(sign * r[first:early]))
        if rest == "peak_time":
            return float(t[top]) - reference
        return sign * float(r[top]) / abs(steady) - 1.0 if rest == "overshoot" else math.nan

    def _at_speed(self, v: float) -> tuple[float, float]:
        """Return the effective mass [kg] and the force of the idle torque [N] at v [m/s], where tyres have grown.

        A wheel that turns by w drives the ground at w R(w): I dw/dt / R = (I / R) (dw/dv) dv/dt.
        """
        p, driven = self.drawn.parameters, driven_wheels(self.drawn)
        mass, idle = p["mass"], 0.0
        for wheel in WHEELS:
            resting, growth = p[f"radius_{wheel}"], p["growth_front" if wheel.startswith("f") else "growth_rear"]
            rim = np.linspace(0.0, v, 20001)
            q = (rim / p["growth_at"]) ** 2
            ground = rim * (1.0 + growth * 1.03 * q / (1.0 + 0.03 * q))
            k = int(np.argmin(np.abs(ground - v)))
            radius = resting * ground[k] / rim[k]
            slope = (rim[k] - rim[k - 20]) / (ground[k] - ground[k - 20]) / resting
            inertia = p["wheel_inertia"] + (p["rotor_on_wheel"] if wheel in driven else 0.0)
            mass += inertia / radius * slope
            idle += p["idle_torque"] / len(driven) / radius if wheel in driven else 0.0
        return mass, idle

    def constant(self, name: str) -> float:
        """Return the truth of a figure of the car itself, NaN when it is none."""
        p = self.drawn.parameters
        radius = 0.25 * sum(p[f"radius_{wheel}"] for wheel in WHEELS)
        turning = sum(p["wheel_inertia"] / p[f"radius_{wheel}"] ** 2 for wheel in WHEELS)
        turning += sum(p["rotor_on_wheel"] / p[f"radius_{wheel}"] ** 2 for wheel in driven_wheels(self.drawn))
        effective, weight = p["mass"] + turning, p["mass"] * GRAVITY
        f0 = p["rolling"] * weight + p["idle_torque"] / radius
        f2 = 0.5 * p["air_density"] * p["drag_area"]
        # lift presses the tyres (or lifts them), so a little of what grows with the square of speed is rolling
        rolled = 0.5 * p["air_density"] * p["lift_area"] * p["rolling"]
        if found := re.fullmatch(r"coast_down\.deceleration_at_(\d+)_(\w+)", name):
            v = float(found[1]) * SPEEDS[found[2]]
            grip = (
                p["rolling"]
                * (1.0 + p["rolling_speed"] * v)
                * (weight + 0.5 * p["air_density"] * p["lift_area"] * v * v)
            )
            mass, idle = self._at_speed(v)
            return (grip + idle + f2 * v * v) / mass
        known = {
            "coast_down.cda": 2.0 * (f2 + rolled) / p["air_density"], "coast_down.f0": f0, "coast_down.f2": f2 + rolled,
            "coast_down.rolling_coefficient": f0 / weight, "coast_down.effective_mass": effective,
        }  # fmt: skip
        return known.get(name, math.nan)
