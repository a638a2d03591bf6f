"""mapping.toml: what is written is read back equal, and every wrong key or value is told with its line."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fifthwheel.errors import FifthwheelError, ReadError
from fifthwheel.readers import ColumnMap, Mapping, SourceMap, TimeMap, load_mapping, save_mapping
from fifthwheel.readers.mapping_file import mapping_text
from fifthwheel.readers.transforms import linear

LOG = SourceMap(
    "log", "delimited", "*.csv", separator=";", decimal=",", header=2, units_row=3,
    time=TimeMap("counter", "t_us", "us", 32, confidence=0.97, reason='rises by 5000; "us" in the header'),
    columns=(
        ColumnMap("wFL", "wheel_speed_fl", "rpm", gear=3.5, pole_pairs=7.0, confidence=0.8, reason="header words"),
        ColumnMap("a\\x", "accel_x", "g", scale=-1.0, offset=0.01),
        ColumnMap("#3", "wheel_angle_rl", "1", pulses_per_turn=4096.0),
        ColumnMap("rim", "wheel_speed_rl", "km/h", radius=0.033),
        ColumnMap("spare µ", "", "1", confidence=0.2, reason="nothing fits"),
    ),
)  # fmt: skip
GNSS = SourceMap("gnss", "ubx", "*.ubx", align="gnss-time")
BOTH = Mapping(1, (LOG, GNSS))


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    path = tmp_path / "mapping.toml"
    save_mapping(BOTH, path)
    assert load_mapping(path) == BOTH
    assert [p.name for p in tmp_path.iterdir()] == ["mapping.toml"]
    text = path.read_text(encoding="utf-8")
    assert text.startswith("#")
    assert 'reason = "header words"' in text


texts = st.text(st.characters(blacklist_categories=["Cs"]), min_size=1, max_size=12)
numbers = st.floats(0.001, 1e6)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(texts, texts, numbers, numbers), max_size=4, unique_by=lambda item: item[0]))
def test_any_text_and_number_is_read_back(
    tmp_path_factory: pytest.TempPathFactory, items: list[tuple[str, str, float, float]]
) -> None:
    columns = tuple(ColumnMap(name, "", "1", scale=a, offset=-b, reason=why) for name, why, a, b in items)
    mapping = Mapping(1, (SourceMap("log", "delimited", "x", time=TimeMap("rate", rate=1.5), columns=columns),))
    path = tmp_path_factory.mktemp("mapping") / "mapping.toml"
    save_mapping(mapping, path)
    assert load_mapping(path) == mapping


def test_saving_where_nothing_can_be_written(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="cannot write the mapping"):
        save_mapping(BOTH, tmp_path / "no folder" / "mapping.toml")


WRONG = [
    ("version = 1", "version = 2", 5, "a mapping of another version; expected version = 1; found 2"),
    ("version = 1", "verison = 1", 5, "unknown key"),
    ("version = 1\n", "", 1, "a mapping of another version"),
    ('name = "log"', 'nam = "log"', 8, "found 'nam' (nearest: 'name')"),
    ('name = "gnss"', 'name = "log"', 28, "two sources of one name: found 'log', also on line 8"),
    ('kind = "delimited"', 'kind = "delimted"', 9, 'found "delimted" (nearest: \'delimited\')'),
    ('kind = "delimited"', "kind = 3", 9, "'kind' is not a text in quotes"),
    ('separator = ";"', 'separator = "_"', 11, "unknown value of 'separator'"),
    ('separator = ";"', 'separator = ","', 12, "decimal mark and separator are the same"),
    ("header = 2", "header = 2.5", 14, "'header' is not a whole number"),
    ("header = 2", "header = -2", 14, "'header' is negative"),
    ("header = 2", "header = true", 14, "'header' is not a whole number"),
    ('align = "gnss-time"', 'align = "gnss time"', 31, "(nearest: 'gnss-time')"),
    ('kind = "counter"', 'kind = "countr"', 18, "(nearest: 'counter')"),
    ('kind = "counter"', 'kind = "rate"', 18, "no rate is stated"),
    ('column = "t_us"', 'column = ""', 18, "a clock of kind 'counter' needs a column"),
    ('unit = "us"', 'unit = "kg"', 18, "expected a unit of [s]; found 'kg'"),
    ("bits = 32", "bits = 320", 18, "'bits' is out of range"),
    ('"wheel_speed_fl"', '"wheel_sped_fl"', 20, "found 'wheel_sped_fl' (nearest: 'wheel_speed_fl')"),
    ('"wheel_speed_rl"', '"wheel_speed_fl"', 23, "two columns claim one channel"),
    ('unit = "g"', 'unit = "rpm"', 21, "expected a unit of [m/s2]; found 'rpm'"),
    ('unit = "g"', 'unit = "gg"', 21, "a unit of [m/s2]"),
    ("scale = -1.0", "scale = 0", 21, "'scale' is 0"),
    ("scale = -1.0", 'scale = "-1"', 21, "'scale' is not a number"),
    ("scale = -1.0", "scale = nan", 21, "'scale' is not a finite number"),
    ("scale = -1.0", "scale = -1.0, radius = 0.03", 21, "'radius' does not apply to channel 'accel_x'"),
    ("scale = -1.0", "scale = -1.0, pulses_per_turn = 4", 21, "'pulses_per_turn' does not apply to channel 'accel_x'"),
    ("gear = 3.5", "gear = -3.5", 20, "'gear' is not positive"),
    ("gear = 3.5", "geer = 3.5", 20, "found 'geer' (nearest: 'gear')"),
    ('column = "#3"', 'column = "wFL"', 22, "a column is described twice: found 'wFL', also on line 20"),
    ('column = "#3", ', "", 22, "a column without 'column'"),
    ("time = { kind", "tim = { kind", 18, "unknown key"),
    ("[[source]]", "[[source]", 7, "not a TOML file"),
    ('match = "*.csv"', 'match = ""', 10, "a source that matches no file"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "line", "message"), WRONG, ids=[f"{w[1][:24]}-{w[2]}" for w in WRONG])
def test_a_wrong_mapping_is_told_with_its_line(tmp_path: Path, old: str, new: str, line: int, message: str) -> None:
    text = mapping_text(BOTH)
    assert old in text
    path = tmp_path / "mapping.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(ReadError) as caught:
        load_mapping(path)
    assert message in str(caught.value)
    assert f"mapping.toml:{line}:" in str(caught.value)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "a mapping of another version"),
        (b"version = 1\n", "no source is described"),
        (b"version = 1\nsource = 3\n", "no source is described"),
        (b"version = 1\n[[source]]\nname='l'\nkind='delimited'\nmatch='*'\n", "source 'l' has no clock"),
        (b"version = 1\n[[source]]\nname='l'\nkind='delimited'\nmatch='*'\ntime=3\n", "'time' is not a table"),
        (
            b"version = 1\n[[source]]\nname='l'\nkind='ubx'\nmatch='*'\ncolumns=[3]\n",
            "'columns' is not a list of tables",
        ),
        (b"\xff\xfe\x00", "not UTF-8"),
    ],
)
def test_other_wrong_files(tmp_path: Path, content: bytes, message: str) -> None:
    path = tmp_path / "mapping.toml"
    path.write_bytes(content)
    with pytest.raises(ReadError, match=message):
        load_mapping(path)


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="cannot read the mapping"):
        load_mapping(tmp_path / "mapping.toml")


def test_tables_written_out_are_read_too(tmp_path: Path) -> None:
    path = tmp_path / "mapping.toml"
    head = 'version = 1\n[[source]]\nname = "log"\nkind = "delimited"\nmatch = "*"\n'
    clock = '[source.time]\nkind = "rate"\nrate = 64\n'
    one = '[[source.columns]]\ncolumn = "a"\nchannel = "accel_x"\nunit = "g"\n'
    path.write_text(head + clock + one + one.replace('"a"', '"b"').replace("accel_x", "acc"), encoding="utf-8")
    with pytest.raises(ReadError, match=r"mapping\.toml:15: unknown channel"):
        load_mapping(path)


@settings(max_examples=150, deadline=None)
@given(st.integers(0, len(mapping_text(BOTH)) - 1), st.integers(0, 40), st.binary(max_size=6))
def test_a_damaged_mapping_is_an_error_or_a_mapping(
    tmp_path_factory: pytest.TempPathFactory, at: int, cut: int, put: bytes
) -> None:
    raw = mapping_text(BOTH).encode("utf-8")
    path = tmp_path_factory.mktemp("mapping") / "mapping.toml"
    path.write_bytes(raw[:at] + put + raw[at + cut :])
    try:
        outcome: object = load_mapping(path)
    except FifthwheelError as error:
        outcome = error
    assert isinstance(outcome, Mapping) or "mapping.toml" in str(outcome)


def test_linear_is_the_chain_of_its_parts() -> None:
    """Electrical rpm of a 7-pole-pair motor geared 3.5:1, by hand: 2 pi / 60 / 24.5 rad/s per rpm."""
    factor, shift = linear(LOG.columns[0])
    assert factor == pytest.approx(2.0 * math.pi / 60.0 / 24.5)
    assert shift == 0.0


def test_the_page_documents_every_key() -> None:
    page = (Path(__file__).parents[2] / "docs" / "mapping.md").read_text(encoding="utf-8")
    from dataclasses import fields

    for made in (SourceMap, TimeMap, ColumnMap):
        for entry in fields(made):
            assert f"`{entry.name}`" in page, f"{made.__name__}.{entry.name} is not documented"


def test_the_example_of_the_page_is_read(tmp_path: Path) -> None:
    page = (Path(__file__).parents[2] / "docs" / "mapping.md").read_text(encoding="utf-8")
    example = page.split("```toml\n", 1)[1].split("```", 1)[0]
    assert tomllib.loads(example)["version"] == 1
    path = tmp_path / "mapping.toml"
    path.write_text(example, encoding="utf-8")
    assert len(load_mapping(path).sources) == 2
