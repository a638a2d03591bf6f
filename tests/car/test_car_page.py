"""The page docs/car.md says what the code does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from fifthwheel.car import load_car
from fifthwheel.car.document import FaultyFileError
from fifthwheel.car.profile_schema import ProfileFile
from fifthwheel.car.reference import reference_tables
from fifthwheel.car.schema import CarFile
from fifthwheel.car.session_schema import SessionFile
from fifthwheel.data import Quantity
from fifthwheel.units import parse_quantity

PAGE = (Path(__file__).parents[2] / "docs" / "car.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("model", [CarFile, SessionFile, ProfileFile])
def test_the_reference_is_the_rules(model: type) -> None:
    for part in reference_tables(model):
        assert part.strip() in PAGE


def test_the_smallest_car_of_the_page_is_one(tmp_path: Path) -> None:
    (text,) = re.findall(r"```toml\n(.*?)```", PAGE, re.S)
    (tmp_path / "car.toml").write_text(text, encoding="utf-8")
    car = load_car(tmp_path)
    assert (car.name, car.driven) == ("Long Tail", ("rl", "rr"))


def test_the_faults_of_the_page_are_what_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (text,) = re.findall(r"```toml\n(.*?)```", PAGE, re.S)
    text = text.replace('"4.12 kg +- 0.02 kg"', "4.1").replace('"rl", "rr"', '"rl", "RR"') + "\n[senors]\n"
    (tmp_path / "my-car").mkdir()
    (tmp_path / "my-car" / "car.toml").write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    with pytest.raises(FaultyFileError) as caught:
        load_car(Path("my-car"))
    assert f"```\n{caught.value!s}\n```" in PAGE


@pytest.mark.parametrize(
    ("text", "si_unit", "low", "high"),
    [
        ("41.5 mm +- 0.4 mm", "m", 0.0411, 0.0419),
        ("41.5 +- 0.4 mm", "m", 0.0411, 0.0419),
        ("41.5 mm +- 0.4", "m", 0.0411, 0.0419),
        ("41.5 mm +- 1 %", "m", 0.041085, 0.041915),
        ("41.5 mm +- 0 mm", "m", 0.0415, 0.0415),
        ("55 % +- 10 %", "1", 0.45, 0.65),
        ("21 degC +- 2 degC", "K", 292.15, 296.15),
    ],
)
def test_the_table_of_quantities(text: str, si_unit: str, low: float, high: float) -> None:
    assert f'"{text}"' in PAGE
    quantity: Quantity = parse_quantity(text, si_unit)
    assert quantity.value - 2 * quantity.u == pytest.approx(low)
    assert quantity.value + 2 * quantity.u == pytest.approx(high)


@pytest.mark.parametrize(
    ("si_unit", "names"),
    [
        ("m", "mm cm m in ft"),
        ("kg", "kg g lb"),
        ("m/s", "km/h mph m/s"),
        ("m/s2", "m/s2 g"),
        ("rad", "deg rad"),
        ("rad/s", "deg/s rpm"),
        ("K", "degC degF K"),
        ("Pa", "hPa mbar inHg"),
        ("1", "%"),
        ("s", "ms"),
    ],
)
def test_the_units_of_the_page_are_known(si_unit: str, names: str) -> None:
    for name in names.split():
        assert f"`{name}`" in PAGE
        assert parse_quantity(f"1 {name}", si_unit)
