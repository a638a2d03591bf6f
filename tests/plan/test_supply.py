"""The supply: each limit from just inside and just outside, and the remedy that it names."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from fifthwheel import load_car
from fifthwheel.car.electronics import Electronics
from fifthwheel.car.model import Car
from fifthwheel.data import Finding, Quantity
from fifthwheel.demo.described import CAR_TOML
from fifthwheel.plan import supply
from fifthwheel.plan.supply import check_supply, rail_loads
from tests.plan.build import actuator, cable, controller, electronics, profile, rail, safety, sensor

PUBLISHED = Path(__file__).parents[1] / "published" / "power.csv"


@pytest.fixture(scope="module")
def demo_car(tmp_path_factory: pytest.TempPathFactory) -> Car:
    folder = tmp_path_factory.mktemp("car")
    (folder / "car.toml").write_text(CAR_TOML, encoding="utf-8")
    return load_car(folder)


def with_pack(car: Car, cells: int = 3, resistance: float = 0.010, current: float = 60.0) -> Car:
    assert car.pack is not None
    motor = replace(car.motors[0], max_current=Quantity(current, 0.0, "A"))
    pack = replace(car.pack, cells=cells, resistance=Quantity(resistance, 0.0, "ohm"))
    return replace(car, pack=pack, motors=(motor,))


def told(found: Electronics, car: Car | None = None) -> dict[str, Finding]:
    return {finding.check: finding for finding in check_supply(found, car)[0]}


def with_rail(current: float, **given: Any) -> Electronics:
    load = sensor(rail="logic", current=current)
    return electronics(controllers=(), sensors=(load,), rails=(rail(**given),))


def test_cell_voltages_are_those_of_the_data_sheets() -> None:
    with PUBLISHED.open(encoding="utf-8", newline="") as file:
        (row,) = (row for row in csv.DictReader(file) if row["id"] == "PWR-06")
    values = iter(float(part) for part in row["expected"].split(";"))
    for cells in (int(part) for part in row["inputs"].split(";")):
        for volt in (supply.CELL_FULL, supply.CELL_NOMINAL, supply.CELL_NEVER):
            assert cells * volt == pytest.approx(next(values), rel=1e-12)


def test_tree_of_currents_by_hand(demo_car: Car) -> None:
    # 3.3 V by a linear regulator from 5 V, 5 V by a switching one of 90 % from the pack of 3 cells, which at 60 A and
    # 10 mohm sags to 11.1 - 0.6 = 10.5 V; its low-voltage limit of 9.9 V is lower still.
    found = electronics(
        controllers=(controller(rail="logic", radio=True), controller("rear", rail="logic")),
        sensors=(sensor(rail="logic", current=0.02),),
        actuators=(actuator(kind="servo", name="steer", rail="five", current=1.5),),
        rails=(rail(source="five", linear=True, efficiency=1.0), rail("five", voltage=5.0, efficiency=0.9, limit=3.0)),
        safety=safety(low_voltage=9.9, fuse=60.0),
    )
    pack, five, logic = rail_loads(found, with_pack(demo_car))
    assert logic.current == pytest.approx(0.05 + 0.24 + 0.05 + 0.02)
    assert logic.taken == pytest.approx(logic.current)
    assert five.current == pytest.approx(1.5 + 0.36)
    assert five.taken == pytest.approx(1.86 * 5.0 / (0.9 * 9.9))
    assert pack.current == pytest.approx(60.0 + five.taken)
    assert [load.rail for load in (pack, five, logic)] == ["pack", "five", "logic"]


@pytest.mark.parametrize(("current", "severity"), [(0.79, None), (0.81, "warning"), (0.99, "warning"), (1.01, "fault")])
def test_limit_of_a_regulator(current: float, severity: str | None) -> None:
    finding = told(with_rail(current)).get("rail-overloaded")
    assert (finding and finding.severity) == severity
    if finding is not None:
        limit = float(finding.remedy.split("limit = ")[1].split(" A")[0])
        assert "rail-overloaded" not in told(with_rail(current, limit=limit))


@pytest.mark.parametrize(("dropout", "severity"), [(3.0, None), (4.6, None), (4.7, "warning"), (5.0, "fault")])
def test_dropout_against_the_sagged_pack(demo_car: Car, dropout: float, severity: str | None) -> None:
    # Lowest input 9.9 V: 5 V and 4.65 V of dropout leave exactly 5 %.
    found = electronics(
        rails=(rail("five", voltage=5.0, dropout=dropout),), safety=safety(low_voltage=9.9),
        sensors=(sensor(rail="five"),),
    )  # fmt: skip
    finding = told(found, with_pack(demo_car)).get("rail-dropout")
    assert (finding and finding.severity) == severity


def test_dropout_follows_the_motor_current_and_resistance(demo_car: Car) -> None:
    found = electronics(rails=(rail("nine", voltage=9.0, dropout=0.3),), safety=safety(low_voltage=9.9),
                        sensors=(sensor(rail="nine"),))  # fmt: skip
    # Needs 9 * 1.05 + 0.3 = 9.75 V; 11.1 V - I * 20 mohm reaches that at 67.5 A.
    assert "rail-dropout" not in told(found, with_pack(demo_car, resistance=0.020, current=67.0))
    assert told(found, with_pack(demo_car, resistance=0.020, current=68.0))["rail-dropout"].severity == "warning"
    assert told(found, with_pack(demo_car, resistance=0.020, current=95.0))["rail-dropout"].severity == "fault"


def test_a_linear_regulator_cannot_raise_a_voltage() -> None:
    rails = (rail("three", voltage=3.3), rail("five", voltage=5.0, source="three", linear=True))
    found = electronics(rails=rails, sensors=(sensor(rail="five"),))
    assert told(found)["rail-above-source"].severity == "fault"
    lifted = electronics(rails=(rails[0], replace(rails[1], linear=False)), sensors=(sensor(rail="five"),))
    assert "rail-above-source" not in told(lifted)


@pytest.mark.parametrize(
    ("current", "severity"), [(0.086, None), (0.088, "warning"), (0.20, "warning"), (0.22, "fault")]
)
def test_heat_of_a_linear_regulator(demo_car: Car, current: float, severity: str | None) -> None:
    # From 12.6 V of three full cells down to 3.3 V are 9.3 V: 0.8 W at 86.0 mA, 2 W at 215 mA.
    found = with_rail(current, linear=True, efficiency=1.0)
    finding = told(found, with_pack(demo_car)).get("regulator-heat")
    assert (finding and finding.severity) == severity
    if finding is not None:
        assert finding.numbers["heat [W]"] == pytest.approx(9.3 * current)


@pytest.mark.parametrize(("resistance", "severity"), [(0.0199, None), (0.0201, "warning"), (0.0351, "fault")])
def test_sag_of_the_pack(demo_car: Car, resistance: float, severity: str | None) -> None:
    # Three cells at 60 A: 0.4 V a cell is lost at 20 mohm, 0.7 V a cell at 35 mohm.
    finding = told(electronics(), with_pack(demo_car, resistance=resistance)).get("pack-sag")
    assert (finding and finding.severity) == severity


@pytest.mark.parametrize(
    ("volts", "severity"),
    [(11.2, "warning"), (11.0, None), (9.9, None), (9.8, "warning"), (9.0, "warning"), (8.9, "fault")],
)
def test_low_voltage_limit_of_the_cells(demo_car: Car, volts: float, severity: str | None) -> None:
    found = electronics(safety=safety(low_voltage=volts))
    finding = told(found, with_pack(demo_car)).get("cell-limit")
    assert (finding and finding.severity) == severity


@pytest.mark.parametrize(("logic_volts", "severity"), [(3.0, None), (2.9, "warning"), (2.75, "fault")])
def test_brown_out_of_a_controller_on_its_logic_rail(demo_car: Car, logic_volts: float, severity: str | None) -> None:
    # 0.85 of 3.3 V is 2.805 V; 5 % of margin end at 2.97 V. A direct rail with 9.9 V less its dropout.
    given = rail(voltage=3.3, dropout=9.9 - logic_volts, linear=True, efficiency=1.0)
    found = electronics(controllers=(controller(rail="logic"),), rails=(given,), safety=safety(low_voltage=9.9))
    finding = told(found, with_pack(demo_car)).get("brown-out")
    assert (finding and finding.severity) == severity


def test_the_wire_to_a_controller_counts_for_brown_out(demo_car: Car) -> None:
    part = profile(current=2.0)
    base = {
        "controllers": (controller(rail="logic", profile=part),),
        "rails": (rail(voltage=3.3, limit=5.0),),
        "safety": safety(low_voltage=9.9),
    }
    near = electronics(**base, cables=(cable(ends=("logic", "front"), length=0.1, gauge=24),))
    # 2 m of AWG 28 (0.2129 ohm/m, NBS Handbook 100) out and back: 0.85 V at 2 A.
    far = electronics(**base, cables=(cable(ends=("logic", "front"), length=1.0, gauge=28),))
    assert "brown-out" not in told(near, with_pack(demo_car))
    finding = told(far, with_pack(demo_car))["brown-out"]
    assert finding.severity == "fault"
    assert finding.numbers["voltage [V]"] == pytest.approx(3.3 - 2.0 * 2.0 * 0.2129 * 1.035, rel=1e-3)


@pytest.mark.parametrize(("fuse", "severity"), [(0.70, None), (0.66, "warning"), (0.46, "warning"), (0.44, "fault")])
def test_a_fuse_that_opens_in_use(fuse: float, severity: str | None) -> None:
    # 0.5 A on a direct rail: 75 % of 0.667 A, 110 % of 0.4545 A (ISO 8820-3, from memory).
    found = with_rail(0.5, linear=True, efficiency=1.0, fuse=fuse)
    finding = told(found).get("fuse-opens")
    assert (finding and finding.severity) == severity
    if finding is not None:
        better = float(finding.remedy.split("fuse = ")[1].split(" A")[0])
        assert "fuse-opens" not in told(with_rail(0.5, linear=True, efficiency=1.0, fuse=better))


@pytest.mark.parametrize(("fuse", "severity"), [(55.0, None), (54.0, "warning"), (45.0, "warning"), (44.0, "fault")])
def test_the_pack_fuse_bears_bursts(demo_car: Car, fuse: float, severity: str | None) -> None:
    found = electronics(safety=safety(fuse=fuse))  # 60 A of the motors: 110 % of 54.5 A, 135 % of 44.4 A
    finding = told(found, with_pack(demo_car)).get("fuse-opens")
    assert (finding and finding.severity) == severity


@pytest.mark.parametrize(("fuse", "severity"), [(8.4, None), (8.7, "warning"), (16.9, "warning"), (17.5, "fault")])
def test_a_fuse_protects_the_wire(fuse: float, severity: str | None) -> None:
    # AWG 24 bears 9.37 A at 105 degC in air of 27 degC by this formula; in air of 40 degC less, the ratio 8.4 / 9.37
    # is near sqrt(65/78). A fuse holds 110 %.
    rails = (rail(source="five", limit=1.0, fuse=fuse), rail("five", voltage=5.0, limit=100.0))
    found = electronics(rails=rails, cables=(cable(ends=("five", "logic"), gauge=24),), sensors=(sensor(rail="logic"),))
    bears = supply.ampacity(24, supply.HOOK_UP)
    finding = told(found).get("fuse-above-wire")
    expected = None if 1.1 * fuse <= bears else "warning" if 1.1 * fuse <= 2.0 * bears else "fault"
    assert bears == pytest.approx(8.5, rel=0.1)
    assert (finding and finding.severity) == expected


def test_the_remedies_of_a_melting_wire_pass() -> None:
    def lead(fuse: float, gauge: int) -> Electronics:
        return electronics(
            rails=(), cables=(cable(ends=("pack", "motor"), gauge=gauge),), actuators=(actuator(rail="pack"),),
            safety=safety(fuse=fuse),
        )  # fmt: skip

    finding = told(lead(80.0, 16))["fuse-above-wire"]
    gauge = int(finding.remedy.split("gauge = ")[1])
    fuse = float(finding.remedy.split("fuse of ")[1].split(" A")[0])
    assert "fuse-above-wire" not in told(lead(80.0, gauge))
    assert "fuse-above-wire" not in told(lead(math.floor(fuse), 16))
    assert "fuse-above-wire" in told(lead(80.0, gauge + 2))


def test_a_ring_of_rails_is_told_and_ends() -> None:
    rails = (rail("a", source="b"), rail("b", source="c"), rail("c", source="a"), rail("d"))
    finding = told(electronics(rails=rails))["rail-cycle"]
    assert finding.severity == "fault"
    assert all(f"'{name}'" in finding.what for name in "abc")
    assert "'d'" not in finding.what
    assert check_supply(electronics(rails=rails), None)[1] == ()


def test_rails_without_users_and_parts_without_rail() -> None:
    found = electronics(rails=(rail(), rail("spare")), sensors=(sensor(rail="logic"), sensor("b")))
    findings = [f for f in check_supply(found, None)[0] if f.check in ("rail-unused", "no-rail")]
    assert [f.severity for f in findings] == ["note", "note"]
    assert "front, b" in findings[0].what
    silent = electronics(controllers=(), rails=(rail(),), sensors=(sensor(rail="logic"), sensor("b", current=0.0)))
    assert "no-rail" not in told(silent)
    assert "spare" in findings[1].what


def test_what_is_not_stated_is_told_once(demo_car: Car) -> None:
    found = electronics(rails=(rail(),), sensors=(sensor(rail="logic"),))
    assert "supply-not-checked" in told(found)
    car = with_pack(demo_car)
    assert car.pack is not None
    bare = replace(car, pack=replace(car.pack, resistance=None), motors=(replace(car.motors[0], max_current=None),))
    what = told(found, bare)["usual-supply"].what
    assert "9 mohm" in what
    assert "9.9 V" in what
    assert "max_current" in what
    assert "usual-supply" not in told(replace(found, safety=safety(low_voltage=9.9)), car)
