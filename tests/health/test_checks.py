"""Every check has a limit: a made drive just inside it is silent, one just outside it is told."""

from __future__ import annotations

import numpy as np
import pytest

from fifthwheel.data import Finding
from fifthwheel.health import CHECKS, examine
from fifthwheel.health.scene import look
from tests.health.made import World, make
from tests.health.pairs import PAIRS


def told(world: World, check: str) -> list[Finding]:
    """Findings of one check that were not there before the world was spoiled."""
    before = {f.place for f in examine(make().recording(), make().car) if f.check == check}
    return [f for f in examine(world.recording(), world.car) if f.check == check and f.place not in before]


def test_every_check_has_a_pair() -> None:
    assert set(PAIRS) == set(CHECKS)


@pytest.mark.parametrize("check", sorted(PAIRS))
def test_inside_is_silent(check: str) -> None:
    assert told(PAIRS[check][0](), check) == []


@pytest.mark.parametrize("check", sorted(PAIRS))
def test_outside_is_told(check: str) -> None:
    found = told(PAIRS[check][1](), check)
    assert found
    for f in found:
        assert all((f.place, f.what, f.cause, f.done, f.remedy, f.numbers))
        assert "nan" not in f.what
        assert all(isinstance(x, str) or np.isfinite(x) for x in f.numbers.values())


@pytest.mark.parametrize("spoiled", sorted(PAIRS))
def test_a_check_tells_only_of_itself(spoiled: str) -> None:
    world = PAIRS[spoiled][1]()
    scene = look(world.recording(), world.car)
    assert scene is not None
    for name, check in CHECKS.items():
        assert {f.check for f in check(scene)} <= {name}


KINDS = {
    "plain": {},
    "no GNSS": {"gnss": False},
    "straight": {"turn": 0.0},
    "wheelspin": {"spin": 0.4},
    "tight": {"turn": 2.0},
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", range(12))
def test_a_clean_drive_gives_no_warning(kind: str, seed: int) -> None:
    world = make(seed, **KINDS[kind])  # type: ignore[arg-type]
    loud = [(f.check, f.what) for f in examine(world.recording(), world.car) if f.severity != "note"]
    assert loud == []


def test_without_a_car_only_the_recording_is_judged() -> None:
    world = make()
    assert [f for f in examine(world.recording(), None) if f.severity != "note"] == []


def test_what_the_readers_said_is_not_said_again() -> None:
    world = PAIRS["gap"][1]()
    said = Finding("gap", "warning", "log", "2 rows are missing", "", "", "")
    assert "gap" in {f.check for f in examine(world.recording(), world.car)}
    assert "gap" not in {f.check for f in examine(world.recording((said,)), world.car)}


def test_a_gap_says_what_it_costs() -> None:
    """60 rows at 200 Hz and 12 m/s: 0.3 s between the rows kept (61 intervals), 3.66 m."""
    world = make()
    first = world.at("straight", 2.0)
    mask = np.ones(world.t.size, dtype=bool)
    mask[first : first + 60] = False
    world.keep(mask)
    (found,) = told(world, "gap")
    assert found.severity == "warning"
    assert found.numbers["rows_lost"] == 60
    assert found.numbers["longest_s"] == pytest.approx(0.305, abs=1e-6)
    assert found.numbers["blind_m"] == pytest.approx(3.66, abs=0.1)


def test_lost_records_of_a_short_stall_are_told_too() -> None:
    world = make()
    world.told["card_state"] = {"worst_stall_us": np.array([1e5, 2e5]), "lost_records": np.array([0.0, 7.0])}
    (found,) = told(world, "card-stall")
    assert found.severity == "warning"
    assert found.numbers["records_lost"] == 7
    assert found.numbers["worst_stall_s"] == pytest.approx(0.2)


def test_a_caught_up_pause_is_no_gap_and_loses_nothing() -> None:
    world = PAIRS["burst"][1]()
    assert told(world, "gap") == []


def test_damaged_channels_do_not_stop_the_checks() -> None:
    """NaN everywhere, one value everywhere, two rows: findings or none, never an exception."""
    for value in (np.nan, 0.0, 1e9):
        world = make()
        for name in world.ch:
            world.ch[name] = np.full(world.t.size, value)
        examine(world.recording(), world.car)
    for rows in (2, 3, 9, 40):
        world = make()
        world.keep(np.arange(world.t.size) < rows)
        examine(world.recording(), world.car)
