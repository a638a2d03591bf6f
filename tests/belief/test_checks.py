"""Every belief check has a limit: just inside it is silent or believed, just outside it is told."""

from __future__ import annotations

import numpy as np
import pytest

from fifthwheel.belief import CHECKS, question
from fifthwheel.data import Finding
from tests.belief.made import drive, motion_of, spoil
from tests.belief.pairs import LOUD, TOLD, Session, lock, peak, spin
from tests.health.made import make


def findings(session: Session) -> list[Finding]:
    world, recording, motion = session
    return list(question(recording, motion, (), world.car))


def test_every_check_has_a_pair() -> None:
    assert set(LOUD) | set(TOLD) == set(CHECKS)
    assert not set(LOUD) & set(TOLD)


@pytest.mark.parametrize("check", sorted(LOUD))
def test_inside_is_believed(check: str) -> None:
    assert [f for f in findings(LOUD[check][0]()) if f.check == check and f.severity != "note"] == []


@pytest.mark.parametrize("check", sorted(LOUD))
def test_outside_is_doubted(check: str) -> None:
    found = [f for f in findings(LOUD[check][1]()) if f.check == check]
    assert [f.severity for f in found] == ["warning"]
    whole(found)


@pytest.mark.parametrize("check", sorted(TOLD))
def test_inside_is_silent(check: str) -> None:
    assert [f for f in findings(TOLD[check][0]()) if f.check == check] == []


@pytest.mark.parametrize("check", sorted(TOLD))
def test_outside_is_told(check: str) -> None:
    found = [f for f in findings(TOLD[check][1]()) if f.check == check]
    assert [f.severity for f in found] == ["note"]
    whole(found)


def whole(found: list[Finding]) -> None:
    for f in found:
        assert all((f.place, f.what, f.cause, f.done, f.remedy, f.numbers))
        assert "nan" not in f.what
        assert all(isinstance(x, str) or np.isfinite(x) for x in f.numbers.values())


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("how", [{}, {"spin": 0.4}, {"turn": 1.5}, {"gnss": False}])
def test_an_honest_session_gives_no_warning(seed: int, how: dict[str, float]) -> None:
    found = findings(drive(seed=seed, **how))
    assert [(f.check, f.what) for f in found if f.severity != "note"] == []
    assert {"peak-acceleration", "peak-deceleration", "peak-speed"} <= {f.check for f in found}


def of(session: Session, check: str) -> Finding:
    (found,) = [f for f in findings(session) if f.check == check]
    return found


def test_a_locked_wheel_is_named() -> None:
    found = of(lock(0.1), "wheel-deceleration")
    assert found.numbers["verdict"] == "wheel locked"
    assert found.numbers["wheel"] == "fl"


def test_wheelspin_is_named() -> None:
    assert of(spin(0.6), "wheel-acceleration").numbers["verdict"] == "wheelspin"


def test_a_wrong_radius_is_not_called_wheelspin() -> None:
    """A rim that leads the ground by 90 % all along is a radius (nearly a diameter) stated wrong."""
    world, _, motion = drive()
    for name in ("fl", "fr", "rl", "rr"):
        world.ch[f"wheel_speed_{name}"] *= 1.9
    found = {f.check: f for f in findings((world, world.recording(), motion))}
    assert found["peak-wheel-speed"].numbers["verdict"] == "wrong radius"
    assert found["peak-wheel-speed"].severity == "warning"
    assert not {"peak-slip", "wheel-deceleration", "wheel-acceleration"} & set(found)


def test_wheelspin_does_not_explain_a_lateral_peak() -> None:
    world, _, motion = peak("ay", 14.0, "launch")
    assert "spins" not in of((world, world.recording(), motion), "peak-lateral").cause


def test_a_flat_top_is_clipping_without_a_stated_range() -> None:
    """Sensors have full scales of 2, 4, 8, 16 g (data sheets); a flat top at 2 g is one of them."""
    from dataclasses import replace

    world, _, motion = peak("ax", -14.0, "brake")
    assert world.car.inertial is not None
    world.car = replace(world.car, inertial=replace(world.car.inertial, accel_range=None))
    i = world.at("brake", 0.5)
    world.ch["accel_x"] = np.clip(world.ch["accel_x"], -2.0 * 9.80665, 2.0 * 9.80665)
    world.ch["accel_x"][i : i + 40] = -2.0 * 9.80665
    assert "clipping" in of((world, world.recording(), motion), "peak-deceleration").cause


def test_a_held_value_that_catches_up_is_an_encoder_fault() -> None:
    world = make()
    i = world.at("brake", 0.1)
    world.ch["wheel_speed_fl"][i : i + 100] = world.ch["wheel_speed_fl"][i]
    found = of((world, world.recording(), motion_of(world)), "wheel-deceleration")
    assert found.severity == "warning"
    assert found.numbers["verdict"] == "false"


def test_clipping_explains_an_impossible_peak() -> None:
    world, _, motion = peak("ax", -14.0, "brake")
    i = world.at("brake", 0.5)
    world.ch["accel_x"][i : i + 40] = -156.9
    assert "clipping" in of((world, world.recording(), motion), "peak-deceleration").cause


def test_an_impact_is_not_a_deceleration() -> None:
    """A knock on all axes inside the limit of physics would be believed; it is told apart."""
    world, _, motion = drive()
    i = world.at("brake", 0.5)
    for axis, size in (("x", -90.0), ("y", 60.0), ("z", 120.0)):
        world.ch[f"accel_{axis}"][i] += size
    motion.tracks[0].mean["ax"][i - 5 : i + 6] = -10.5
    found = of((world, world.recording(), motion), "peak-deceleration")
    assert "impact" in found.cause
    assert found.numbers["value_m_s2"] == pytest.approx(7.0, abs=0.1)


def test_a_gnss_jump_explains_an_impossible_speed() -> None:
    world, _, motion = peak("u", 31.0, "straight")
    i = world.at("straight", 0.5)
    world.ch["gnss_speed"][i : i + 60] = 36.0
    assert of((world, world.recording(), motion), "peak-speed").cause == "GNSS jump"


def test_what_the_motion_said_is_not_said_again() -> None:
    world, recording, motion = drive()
    note = Finding("over-sure-filter", "warning", "gnss", "already said", "", "", "")
    motion = spoil(motion, nis={"gnss velocity": (3.0, 900)}, notes=(note,))
    assert "over-sure-filter" not in {f.check for f in findings((world, recording, motion))}


def test_a_session_without_motion_or_inertial_sensor() -> None:
    world, _, motion = drive()
    assert question(world.recording(), spoil(motion, tracks=()), (), world.car) == ()
    for name in [n for n in world.ch if n.startswith(("accel", "gyro", "gnss", "wheel"))]:
        del world.ch[name]
        world.fresh.pop(name, None)
    question(world.recording(), motion, (), world.car)
