"""The demo's test day as a list of moves, and the driver who carries them out, never twice quite alike."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from fifthwheel.demo.vehicle import ROW, Command, Spec, State

Pedal = Literal["rest", "launch", "full", "hold", "coast", "brake"]
Wheel = Literal["line", "fixed", "turn"]


@dataclass(frozen=True)
class Phase:
    """One thing the driver does until something happens.

    pedal: what the throttle hand does. level: brake 0..1, speed to hold [m/s], or how much slip a launch aims for.
    wheel: "line" holds the line of the move, "fixed" steers by `steer` [rad], "turn" does so until the car points along
    `heading`. Ends at the first of: `time` [s] gone; speed above `above` or below `below` [m/s]; `metres` driven in it.
    """

    pedal: Pedal
    level: float = 0.0
    wheel: Wheel = "line"
    steer: float = 0.0
    time: float = 60.0
    above: float = math.inf
    below: float = -1.0
    metres: float = math.inf
    mark: str = ""


@dataclass(frozen=True)
class Move:
    """A named sequence of phases along `heading` [rad, from east, of the strip's direction A: 0, B: pi]."""

    kind: str
    heading: float
    phases: tuple[Phase, ...]


@dataclass(frozen=True)
class Reboot:
    """The logger is off for `time` [s]; a new boot begins after it."""

    time: float = 41.3


Plan = Sequence[Move | Reboot]


class Driver:
    """Turns phases into commands at 200 Hz: a throttle hand with lag, a steering hand with lag and tremble."""

    def __init__(self, rng: np.random.Generator, spec: Spec) -> None:
        self.spec = spec
        self.noise = iter(rng.standard_normal(400_000).tolist())
        self.tremble = 0.0
        self.squeeze = 0.0
        self.line = (0.0, 0.0, 0.0)
        self.command = Command()

    def begin(self, move: Move, s: State) -> None:
        """Take aim along the move's heading from where the car stands; whole turns driven before do not matter."""
        turns = round((s.psi - move.heading) / (2.0 * math.pi))
        self.line = (s.x, s.y, move.heading + 2.0 * math.pi * turns)

    def drive(self, phase: Phase, s: State, elapsed: float) -> Command:
        """Return the commands of this row."""
        self.tremble += (-self.tremble * 3.0 * ROW) + 0.0045 * math.sqrt(6.0 * ROW) * next(self.noise)
        self.squeeze += (-self.squeeze * 4.0 * ROW) + 0.05 * math.sqrt(8.0 * ROW) * next(self.noise)
        throttle, brake = self._pedals(phase, s)
        hand = ROW / 0.03
        c = self.command
        c.throttle += (throttle - c.throttle) * min(1.0, hand)
        c.brake += (brake - c.brake) * min(1.0, hand)
        if c.throttle < 0.004 and throttle == 0.0:
            c.throttle = 0.0
        if c.brake < 0.004 and brake == 0.0:
            c.brake = 0.0
        c.steer = self._steer(phase, s, elapsed)
        return c

    def _pedals(self, phase: Phase, s: State) -> tuple[float, float]:
        top = self.spec.pack_cells * 4.1 * self.spec.kv / self.spec.gear * self.spec.radius[2]
        if phase.pedal == "launch":
            return min(1.0, ((1.0 + phase.level * (1.0 + self.squeeze)) * s.u + 1.5) / top), 0.0
        if phase.pedal == "full":
            return min(1.0, self.command.throttle + 0.04), 0.0
        if phase.pedal == "hold":
            return min(1.0, max(0.0, (s.u + 2.0 * (phase.level - s.u)) / top + 0.022)), 0.0
        if phase.pedal == "brake":
            return 0.0, min(1.0, max(0.0, phase.level * (1.0 + self.squeeze)))
        return 0.0, 0.3 if phase.pedal == "rest" else 0.0

    def _steer(self, phase: Phase, s: State, elapsed: float) -> float:
        if phase.pedal == "rest":
            return 0.0
        if phase.wheel != "line":
            wanted = phase.steer * min(1.0, elapsed / 0.06) + 0.3 * self.tremble
            self.line = (s.x, s.y, self.line[2])
            return max(-self.spec.steer_lock, min(self.spec.steer_lock, wanted))
        x0, y0, psi0 = self.line
        aside = -(s.x - x0) * math.sin(psi0) + (s.y - y0) * math.cos(psi0)
        off = s.psi - psi0 + (math.atan2(s.v, s.u) if s.u > 1.0 else 0.0)
        ahead = 2.0 + 0.55 * max(s.u, 0.0)
        wanted = -2.0 * self.spec.wheelbase * (aside + ahead * off) / (ahead * ahead)
        wanted -= 0.09 * s.r * self.spec.wheelbase
        slide = -math.atan2(s.v, s.u) if s.u > 1.0 else 0.0
        wanted += 0.6 * -slide + self.tremble * (0.3 if s.u > 12.0 else 0.6)
        return max(-self.spec.steer_lock, min(self.spec.steer_lock, wanted))


def ended(phase: Phase, s: State, elapsed: float, driven: float) -> bool:
    """Return true when one of the phase's ends has come."""
    return elapsed >= phase.time or s.u > phase.above or s.u < phase.below or driven >= phase.metres


def _rest(low: float, high: float, rng: np.random.Generator) -> Phase:
    return Phase("rest", time=float(rng.uniform(low, high)))


def _stop(level: float) -> Phase:
    return Phase("brake", level, below=0.001, time=20.0, mark="braking")


def turn_round(rng: np.random.Generator, heading: float) -> Move:
    """A slow half turn on the strip that ends along `heading`, at rest."""
    left = 1.0 if rng.random() < 0.5 else -1.0
    return Move(
        "turn round",
        heading,
        (
            Phase("hold", 1.6, wheel="turn", steer=0.30 * left, time=9.0),
            Phase("hold", 1.6, time=1.2),
            Phase("brake", 0.25, below=0.001, time=5.0),
            _rest(2.2, 3.0, rng),
        ),
    )


def launch(rng: np.random.Generator, heading: float, slip: float, brake: float, top: float) -> Move:
    """A launch up to `top` [m/s] followed by a stop, each as hard as asked."""
    return Move(
        "launch",
        heading,
        (
            Phase("launch", slip, above=top, metres=140.0, mark="launch"),
            Phase("coast", time=0.08),
            _stop(brake),
            _rest(2.2, 3.4, rng),
        ),
    )


def coast(rng: np.random.Generator, heading: float, top: float) -> Move:
    """Up to speed, then free rolling down to 4 m/s."""
    return Move(
        "coast-down",
        heading,
        (
            Phase("launch", 0.06, above=top),
            Phase("coast", below=4.0, time=60.0, mark="coast-down"),
            Phase("brake", 0.3, below=0.001, time=8.0),
            _rest(2.2, 3.2, rng),
        ),
    )


def speed_pass(rng: np.random.Generator, heading: float) -> Move:
    """Up to the highest speed, held at full throttle, then an easy stop."""
    return Move(
        "speed pass",
        heading,
        (
            Phase("launch", 0.08, above=21.5),
            Phase("full", time=3.5),
            Phase("full", metres=55.0, mark="speed pass"),
            Phase("coast", time=0.5),
            _stop(0.55),
            _rest(2.2, 3.2, rng),
        ),
    )


def circle(rng: np.random.Generator, heading: float, speed: float, steer: float) -> Move:
    """Two and more turns on a circle at a held speed."""
    turn = 2.0 * math.pi * 0.352 / abs(math.tan(steer))
    return Move(
        "steady circle",
        heading,
        (
            Phase("launch", 0.05, above=speed),
            Phase("hold", speed, wheel="fixed", steer=steer, time=1.5),
            Phase("hold", speed, wheel="fixed", steer=steer, time=2.6 * turn / speed, mark="steady circle"),
            Phase("brake", 0.3, wheel="fixed", steer=0.0, below=0.001, time=8.0),
            _rest(2.2, 3.0, rng),
        ),
    )


def step(rng: np.random.Generator, heading: float, speed: float, steer: float) -> Move:
    """Straight at a held speed, then the steering wheel thrown to `steer` and kept there."""
    return Move(
        "step steer",
        heading,
        (
            Phase("launch", 0.05, above=speed),
            Phase("hold", speed, time=1.6),
            Phase("hold", speed, wheel="fixed", steer=steer, time=1.6, mark="step steer"),
            Phase("brake", 0.3, wheel="fixed", steer=0.0, below=0.001, time=8.0),
            _rest(2.2, 3.0, rng),
        ),
    )


def test_day(rng: np.random.Generator) -> tuple[Move | Reboot, ...]:
    """The whole day: launches and stops both ways, coast-downs, speed passes, a reboot, then more and the corners."""
    a, b = 0.0, math.pi
    slips = rng.permutation([0.10, 0.18, 0.26, 0.34, 0.42, 0.55, 0.70]).tolist()
    stops = rng.permutation([0.72, 0.80, 0.86, 0.92, 1.0, 1.0, 0.78]).tolist()
    tops = rng.uniform(19.5, 21.5, 7).tolist()
    tries = list(zip(slips, stops, tops, strict=True))
    first: list[Move | Reboot] = [Move("rest", a, (_rest(7.0, 8.0, rng),))]

    def there_and_back(out: list[Move | Reboot], going: Move, coming: Move) -> None:
        out.extend((going, turn_round(rng, coming.heading), coming, turn_round(rng, a)))

    there_and_back(first, launch(rng, a, *tries[0]), launch(rng, b, *tries[1]))
    there_and_back(first, launch(rng, a, *tries[2]), launch(rng, b, *tries[3]))
    there_and_back(first, coast(rng, a, 20.0), coast(rng, b, 20.0))
    there_and_back(first, speed_pass(rng, a), speed_pass(rng, b))
    second: list[Move | Reboot] = [Reboot(), Move("rest", a, (_rest(8.0, 9.0, rng),))]
    there_and_back(second, launch(rng, a, *tries[4]), launch(rng, b, *tries[5]))
    there_and_back(second, coast(rng, a, 19.0), coast(rng, b, 19.0))
    there_and_back(second, launch(rng, a, *tries[6]), speed_pass(rng, b))
    for speed, steer in ((6.5, 0.055), (6.5, -0.055)):
        second.append(circle(rng, a, speed, steer))
        second.append(turn_round(rng, a))
    for speed, steer in ((9.0, 0.022), (9.0, -0.022), (9.0, 0.022), (9.0, -0.022)):
        second.append(step(rng, a, speed, steer))
        second.append(turn_round(rng, a))
    return (*first, *second)
