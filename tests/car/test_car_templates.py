"""New cars and sessions: what the templates say is true, and nothing is overwritten."""

from __future__ import annotations

import datetime
import re
from pathlib import Path

import pytest

from fifthwheel.car import load_car, load_session, write_new_car, write_new_session
from fifthwheel.car.document import FaultyFileError
from fifthwheel.errors import CarError, SessionError

COMPANIONS = """
[[controller]]
name = "rear"
profile = "dual-core-240"

[[shared]]
name = "pulse counter"
kind = "library"
""" + "".join(
    f'[[bus]]\nname = "{name}"\nkind = "uart"\nclock = "1 Mbit/s"\n' for name in ("link front", "link rear", "motors")
)
"""Other parts that the template's examples name: it shows one of each kind."""

NEEDED = {"car.mass", "car.wheelbase", "tyre.radius", "drive.driven"}


def filled(text: str) -> str:
    """Return a template with its needed keys filled with their own examples."""
    return re.sub(r'^(\w+ = )(?:""|\[\])  # such as (.*)$', r"\1\2", text, flags=re.M)


def all_keys(text: str) -> str:
    """Return a template with every key and table out of its comment."""
    return re.sub(r"^# (\[+[a-z.]+\]+|[a-z_]+ = .*)$", r"\1", filled(text), flags=re.M)


def test_a_new_car_asks_for_exactly_what_is_needed(tmp_path: Path) -> None:
    path = write_new_car(tmp_path / "a", 'Long "Tail" Ü')
    assert path == tmp_path / "a" / "car.toml"
    assert (tmp_path / "a" / "sessions").is_dir()
    with pytest.raises(FaultyFileError) as caught:
        load_car(path)
    assert {fault.key for fault in caught.value.faults} == NEEDED
    path.write_text(filled(path.read_text(encoding="utf-8")), encoding="utf-8")
    car = load_car(path)
    assert car.name == 'Long "Tail" Ü'
    assert "tyre.friction" in car.assumed


def test_a_template_says_what_is_taken(tmp_path: Path) -> None:
    """Uncommenting every default changes nothing but that it is then stated."""
    path = write_new_car(tmp_path, "a")
    plain = filled(path.read_text(encoding="utf-8"))
    path.write_text(plain, encoding="utf-8")
    before = load_car(path)
    keys = "growth|friction|top_speed|drag_area|lift_area|coefficient|latency|speed_noise"
    stated = re.sub(rf"^# ({keys}) = (.*)$", r"\1 = \2", plain, flags=re.M)
    assert stated.count("\n# ") == plain.count("\n# ") - 8
    path.write_text(stated, encoding="utf-8")
    after = load_car(path)
    for part in ("tyre_front", "top_speed", "drag_area", "lift_area", "rolling_resistance", "inertial", "gnss"):
        assert getattr(after, part) == getattr(before, part)
    assert "tyre.friction" not in after.assumed


def test_every_example_of_a_car_template_is_valid(tmp_path: Path) -> None:
    path = write_new_car(tmp_path, "a")
    path.write_text(all_keys(path.read_text(encoding="utf-8")) + COMPANIONS, encoding="utf-8")
    car = load_car(path)
    assert car.electronics is not None
    assert car.electronics.sensors[0].channels == ("wheel_angle_fl",)
    assert car.electronics.link is not None
    assert car.electronics.link.frames[0].target == "rear"
    assert car.assumed == ()
    assert car.motors[0].name == "rear"
    assert car.encoder is not None
    assert car.channels[0].name == "wheel_speed_fl"


def test_every_example_of_a_session_template_is_valid(tmp_path: Path) -> None:
    write_new_car(tmp_path, "a")
    path = write_new_session(tmp_path, "2026-05-17-new-tyres")
    assert path == tmp_path / "sessions" / "2026-05-17-new-tyres" / "session.toml"
    session = load_session(path.parent)
    assert (session.name, session.date) == ("2026-05-17-new-tyres", "2026-05-17")
    assert session.conditions.not_stated
    text = all_keys(path.read_text(encoding="utf-8"))
    assert 'distance = "20.00 m +- 0.02 m"\n' in text
    # `distance` and `turns` belong to calibration runs, and this example is a launch.
    lines = [line for line in text.splitlines() if not line.startswith(("distance =", "turns ="))]
    path.write_text("\n".join(lines), encoding="utf-8")
    session = load_session(path.parent)
    assert session.conditions.not_stated == ()
    assert session.runs[0].mark == "strike"


def test_templates_warn_and_defer_to_local_rules(tmp_path: Path) -> None:
    text = " ".join(write_new_car(tmp_path, "a").read_text(encoding="utf-8").replace("#", " ").split())
    assert "lithium packs burn" in text
    assert "wheels that can turn" in text
    assert "The rules of the place" in text


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    path = write_new_car(tmp_path, "a")
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(CarError, match="there is a car already; nothing was changed"):
        write_new_car(tmp_path, "b")
    assert path.read_text(encoding="utf-8") == "mine"
    session = write_new_session(tmp_path, "day")
    session.write_text("mine", encoding="utf-8")
    with pytest.raises(SessionError, match="there is a session of that name already"):
        write_new_session(tmp_path / "car.toml", "day")
    assert session.read_text(encoding="utf-8") == "mine"
    assert not list(tmp_path.rglob("*.partial"))


@pytest.mark.parametrize(
    "name", ["", " ", "a/b", "a\\b", "..", ".", ".a", "a.", "a\nb", "a:b", "con", "NUL.txt", "a ", "x" * 200]
)
def test_names_that_cannot_be_folders(tmp_path: Path, name: str) -> None:
    write_new_car(tmp_path, "a")
    with pytest.raises(SessionError, match="not a name for a session; expected a short name without"):
        write_new_session(tmp_path, name)
    assert list((tmp_path / "sessions").iterdir()) == []


@pytest.mark.parametrize("name", ["", "a\nb", "x" * 100])
def test_names_that_cannot_be_cars(tmp_path: Path, name: str) -> None:
    with pytest.raises(CarError, match="not a name for a car"):
        write_new_car(tmp_path / "a", name)
    assert not (tmp_path / "a").exists()


def test_a_date_that_is_none_dates_nothing(tmp_path: Path) -> None:
    write_new_car(tmp_path, "a")
    assert load_session(write_new_session(tmp_path, "2026-02-30").parent).date == ""
    assert datetime.date.fromisoformat(load_session(write_new_session(tmp_path, "2026-02-28 b").parent).date)


def test_a_session_needs_a_car(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match=r"no car.toml there.*found no such folder.*fifthwheel new car"):
        write_new_session(tmp_path / "a", "day")


def test_a_place_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("a file", encoding="utf-8")
    with pytest.raises(CarError, match="the folder cannot be written"):
        write_new_car(tmp_path / "a", "a")
