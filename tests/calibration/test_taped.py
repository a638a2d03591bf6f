"""Taped distances against plane geometry and known wheels."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fifthwheel.calibration import find_calibrations
from fifthwheel.calibration.taped import way_over_chord, wheel_radius
from fifthwheel.car.model import MarkedRun
from fifthwheel.data import Quantity

from .made import Sensors, car_in, recording_of, rolling, session_of


def test_way_over_chord_of_an_arc() -> None:
    """An arc of angle a is a/2 / sin(a/2) times as long as its chord: plane geometry."""
    for angle in (0.05, 0.5, 2.0):
        heading = np.linspace(0.0, angle, 4001)
        assert way_over_chord(heading, np.ones(4001)) == pytest.approx(angle / 2 / math.sin(angle / 2), rel=1e-3)
    assert way_over_chord(np.full(10, 1.2), np.ones(10)) == pytest.approx(1.0)


def test_the_inner_wheel_has_the_shorter_way() -> None:
    """A quarter circle to the left of radius 10 m: left wheels run on 9.875 m, right ones on 10.125 m."""
    quarter = math.pi / 2
    for side, radius in ((0.125, 9.875), (-0.125, 10.125)):
        turned = quarter * radius / 0.031
        assert wheel_radius(quarter * 10.0, quarter, side, turned) == pytest.approx(0.031)
        assert wheel_radius(quarter * 10.0, quarter, side, -turned) == pytest.approx(0.031)


def test_radii_come_back(tmp_path: Path) -> None:
    exact = rolling(
        np.random.default_rng(1), Sensors(), u_tape=0.0, u_mark=0.0, eccentric=0.0, creep=0.0, wobble=0.06, swing=0.1
    )
    found = find_calibrations(exact.recording, car_in(tmp_path), session_of(*exact.marks))
    radius = {one.quantity: one.value for one in found.results}
    for i, wheel in enumerate(("fl", "fr")):
        assert radius[f"wheel_radius_{wheel}"] == pytest.approx(exact.radii[i], rel=5e-5)
    assert radius["tyre.front.radius"] == pytest.approx(exact.radii[0], rel=5e-5)
    assert [one.quantity for one in found.results if one.written] == ["tyre.front.radius", "tyre.rear.radius"]


@pytest.mark.parametrize("kind", ["turned", "step", "speed"])
def test_every_kind_of_wheel_channel_serves(tmp_path: Path, kind: str) -> None:
    made = rolling(np.random.default_rng(2), Sensors(), u_tape=0.0, u_mark=0.0, eccentric=0.0, creep=0.0)
    log = made.recording.tables["log"]
    channels = {}
    for name, channel in log.channels.items():
        if not name.startswith("wheel_angle"):
            channels[name] = channel.values
            continue
        turned = np.unwrap(channel.values)
        values = {"turned": turned, "step": np.diff(turned, prepend=turned[0]), "speed": np.gradient(turned, log.t)}
        channels[name.replace("angle", kind)] = values[kind]
    found = find_calibrations(recording_of(log.t, channels), car_in(tmp_path), session_of(*made.marks))
    front = next(one for one in found.results if one.quantity == "tyre.front.radius")
    assert front.value == pytest.approx(made.radii[0], rel=3e-4)
    assert front.count == 2


def test_the_budget_is_the_sum_of_what_was_stated(tmp_path: Path) -> None:
    """One run of 20 m: tape 10 mm, two marks of 1.5 mm each, relative to 20 m (JCGM 100, 5.1.2)."""
    made = rolling(np.random.default_rng(3), Sensors(), runs=1, wobble=0.0, swing=0.0)
    found = find_calibrations(made.recording, car_in(tmp_path), session_of(*made.marks))
    front = next(one for one in found.results if one.quantity == "tyre.front.radius")
    tape = front.value * 0.010 / 20.0
    assert math.sqrt(front.parts["tape"]) * front.u == pytest.approx(tape, rel=1e-6)
    marks = front.value * math.sqrt(2.0) * 1.5e-3 / 20.0
    assert math.sqrt(front.parts["start and stop marks, path"]) * front.u == pytest.approx(marks, rel=0.15)
    assert sum(front.parts.values()) == pytest.approx(1.0)


def test_more_runs_narrow_all_but_the_tape(tmp_path: Path) -> None:
    car = car_in(tmp_path)
    one, four = (rolling(np.random.default_rng(4), Sensors(), runs=n, u_tape=0.01) for n in (1, 4))
    u = []
    for made in (one, four):
        found = find_calibrations(made.recording, car, session_of(*made.marks))
        rear = next(r for r in found.results if r.quantity == "tyre.rear.radius")
        u.append((rear.u * math.sqrt(rear.parts["tape"]), rear.u * math.sqrt(1.0 - rear.parts["tape"])))
    assert u[1][0] == pytest.approx(u[0][0], rel=0.01)
    assert u[1][1] < 0.8 * u[0][1]


def change(run: MarkedRun, **keys: object) -> MarkedRun:
    return replace(run, **keys)  # type: ignore[arg-type]


def test_marks_that_cannot_be_used_say_why(tmp_path: Path) -> None:
    made = rolling(np.random.default_rng(5), Sensors(), runs=1)
    (mark,) = made.marks
    car = car_in(tmp_path)
    cases = {
        "does not stand": change(mark, start=mark.start + 9.0, end=mark.start + 11.0),
        "not 30.00 m": change(mark, distance=Quantity(30.0, 0.01, "m")),
        "no wheel turned": change(mark, start=0.1, end=1.0),
        "stand": change(mark, boot=7),
    }
    for reason, wrong in cases.items():
        found = find_calibrations(made.recording, car, session_of(wrong))
        assert found.results == ()
        (finding,) = found.findings
        assert finding.check == "calibration-run-not-usable"
        assert reason in finding.what
    assert find_calibrations(made.recording, car, session_of(change(mark, mark="strike"))).findings == ()


def test_a_curve_is_not_a_taped_distance(tmp_path: Path) -> None:
    made = rolling(np.random.default_rng(6), Sensors(), runs=1, swing=0.6)
    (finding,) = find_calibrations(made.recording, car_in(tmp_path), session_of(*made.marks)).findings
    assert "not straight" in finding.what


def test_a_mark_set_too_tight_is_widened_to_the_rests(tmp_path: Path) -> None:
    made = rolling(np.random.default_rng(7), Sensors(), runs=1)
    (mark,) = made.marks
    car = car_in(tmp_path)
    tight = change(mark, start=mark.start + 2.0, end=mark.end - 2.0)
    a, b = (find_calibrations(made.recording, car, session_of(m)).results[0].value for m in (mark, tight))
    assert b == pytest.approx(a, rel=1e-4)


def test_what_car_toml_states_is_held_against_it(tmp_path: Path) -> None:
    made = rolling(np.random.default_rng(8), Sensors())
    text = tmp_path / "car.toml"
    car_in(tmp_path)
    wrong = car_in(tmp_path, text.read_text().replace("31 mm +- 0.6 mm", "34 mm +- 0.3 mm"))
    found = find_calibrations(made.recording, wrong, session_of(*made.marks))
    contradicted = [finding for finding in found.findings if finding.check == "stated-value-contradicted"]
    assert {finding.place for finding in contradicted} == {"car.toml, tyre.front.radius", "car.toml, tyre.rear.radius"}
    right = car_in(tmp_path, text.read_text().replace("34 mm +- 0.3 mm", "31 mm +- 1.5 mm"))
    assert find_calibrations(made.recording, right, session_of(*made.marks)).findings == ()
