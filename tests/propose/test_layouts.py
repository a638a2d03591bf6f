"""The proposal on thirty (and ten later) layouts with known truth, and on layouts put together at random.

The share asked for (95 % of columns right, none wrong above 0.9 confidence) is the product's own promise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from fifthwheel.readers import load_mapping, propose_mapping, save_mapping
from fifthwheel.readers.transforms import linear

from .drive import car_of
from .grading import Grade, grade, propose, table
from .layouts import ALL, HELD, Col, Layout, clock, write
from .layouts_late import LATE
from .shuffled import shuffled


def graded(layouts: Sequence[Layout], folder: Path) -> list[Grade]:
    grades: list[Grade] = []
    for layout in layouts:
        grades += grade(layout, propose(layout, folder))
    return grades


def share(grades: Sequence[Grade]) -> float:
    return sum(g.right for g in grades) / len(grades)


def wrong_and_sure(grades: Sequence[Grade]) -> list[Grade]:
    return [g for g in grades if g.given and not g.right and g.confidence > 0.9]


@pytest.fixture(scope="module")
def thirty(tmp_path_factory: pytest.TempPathFactory) -> list[Grade]:
    grades = graded(ALL, tmp_path_factory.mktemp("layouts"))
    print("\n" + table(grades))
    return grades


def test_there_are_thirty_layouts_and_ten_were_held_back() -> None:
    assert len(ALL) == 30
    assert len(HELD) == 10
    assert len({layout.name for layout in ALL}) == 30


def test_thirty_layouts_are_mapped_right(thirty: list[Grade]) -> None:
    assert share(thirty) >= 0.95, table(thirty)
    assert wrong_and_sure(thirty) == []


def test_layouts_held_back_are_mapped_right(thirty: list[Grade]) -> None:
    held = [g for g in thirty if g.layout in HELD]
    assert share(held) >= 0.95, table(held)


def test_no_layout_falls_apart(thirty: list[Grade]) -> None:
    for layout in ALL:
        mine = [g for g in thirty if g.layout == layout.name]
        assert share(mine) >= 0.8, table(mine)


def test_later_layouts_are_mapped_right(tmp_path: Path) -> None:
    grades = graded(LATE, tmp_path)
    assert share(grades) >= 0.95, table(grades)
    assert wrong_and_sure(grades) == []


@pytest.mark.parametrize("first", [500, 506, 512])
def test_columns_in_any_order_under_any_name(first: int, tmp_path: Path) -> None:
    grades = graded([shuffled(seed) for seed in range(first, first + 6)], tmp_path)
    assert share(grades) >= 0.95, table(grades)
    assert wrong_and_sure(grades) == []


def test_without_any_header_words_little_is_claimed_and_nothing_wrong_surely(tmp_path: Path) -> None:
    """Names stripped off (c0, c1, ...): what numbers alone give is mostly right, never sure and wrong."""
    grades: list[Grade] = []
    for layout in ALL[:9]:
        columns = tuple(
            c if c.truth == "clock" else replace(c, header=f"c{k}", unit="") for k, c in enumerate(layout.columns)
        )
        bare = replace(layout, columns=columns, units_row=False, header=True)
        grades += grade(bare, propose(bare, tmp_path))
    given = [g for g in grades if g.given]
    assert share(given) >= 0.9, table(given)
    assert wrong_and_sure(grades) == []
    assert len(given) >= 0.4 * len(grades)


def test_confidence_means_what_it_says(thirty: list[Grade]) -> None:
    """Among columns above 0.9 at least 98 % are right; right columns are not all called sure or all unsure."""
    sure = [g for g in thirty if g.given and g.confidence > 0.9]
    assert share(sure) >= 0.98
    assert 0.4 < len(sure) / len(thirty) < 0.95


@pytest.mark.parametrize("rows", [3, 40, 300])
def test_short_logs_are_mapped_without_a_claim_to_be_sure(rows: int, tmp_path: Path) -> None:
    """The first rows only, the car at rest: what little can be told is told, and nothing wrong is called sure."""
    grades: list[Grade] = []
    for layout in (ALL[1], ALL[4], ALL[11], ALL[17], ALL[21], ALL[27], LATE[5]):
        path = write(layout, tmp_path)
        lines = path.read_bytes().split(b"\n")
        path.write_bytes(b"\n".join(lines[: rows + 2 + len(layout.preamble)]) + b"\n")
        car = car_of(layout.kit) if layout.car else None
        grades += grade(layout, propose_mapping([path], car, rate=layout.stated_rate))
    assert wrong_and_sure(grades) == []
    assert share(grades) > 0.5, table(grades)
    assert share([g for g in grades if g.given and g.confidence > 0.8]) > 0.85, table(grades)


def test_logs_of_one_layout_become_one_source_and_others_their_own(tmp_path: Path) -> None:
    first = write(ALL[0], tmp_path).rename(tmp_path / "run-1.csv")
    second = write(ALL[0], tmp_path).rename(tmp_path / "run-2.csv")
    receiver = Layout(
        "receiver",
        (clock("ms", 1000), Col("lat", "gnss_latitude", places=7), Col("lon", "gnss_longitude", places=7),
         Col("speed_kmh", "gnss_speed", 3.6, places=2)),
        rate=10,
    )  # fmt: skip
    other = write(receiver, tmp_path)
    mapping = propose_mapping([first, other, second], None)
    assert [(s.name, s.match, s.align) for s in mapping.sources] == [
        ("log", "run-*.csv", ""),
        ("gnss", other.name, "speed"),
    ]


def test_the_proposal_survives_being_written_and_read(tmp_path: Path) -> None:
    for layout in (ALL[2], ALL[9], ALL[12], ALL[18]):
        car = car_of(layout.kit) if layout.car else None
        mapping = propose_mapping([write(layout, tmp_path)], car)
        save_mapping(mapping, tmp_path / "mapping.toml")
        back = load_mapping(tmp_path / "mapping.toml")
        assert [c.column for c in back.sources[0].columns] == [c.column for c in mapping.sources[0].columns]
        for before, after in zip(mapping.sources[0].columns, back.sources[0].columns, strict=True):
            assert (after.channel, after.reason) == (before.channel, before.reason)
            if before.channel:
                assert linear(after) == pytest.approx(linear(before))
        assert back.sources[0].time == mapping.sources[0].time
