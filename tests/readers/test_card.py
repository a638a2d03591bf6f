"""The card reader and the writer on the car: what was taken is read back, whatever the card and the supply did."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from fifthwheel.data import Recording, Table
from fifthwheel.errors import ReadError
from fifthwheel.layout import TIME, Field, Layout, Record, layout_text
from fifthwheel.readers import ColumnMap, Mapping, SourceMap, propose_mapping, read_files
from tests.readers.cards import LAYOUT, TEXT, Written, blocks_of, build_writer, pack_block, pack_text, write_image

CARD = SourceMap("log", "card", "*", header=0)


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_writer(tmp_path_factory.mktemp("writer"))


def read_image(folder: Path, image: bytes, source: SourceMap = CARD) -> Recording:
    path = folder / "read.img"
    path.write_bytes(image)
    return read_files([path], Mapping(1, (source,)), None)


def checks(recording: Recording) -> dict[str, int]:
    out: dict[str, int] = {}
    for finding in recording.findings:
        out[finding.check] = out.get(finding.check, 0) + 1
    return out


def numbers_of(recording: Recording, check: str) -> dict[str, float]:
    (found,) = [f for f in recording.findings if f.check == check]
    return {key: float(value) for key, value in found.numbers.items()}


def keys_of(table: Table, record: str) -> list[tuple[str, int, int, int]]:
    """(record, boot, time [us], n) of every row, as the host program tells what it took."""
    us = np.round(table.clock * 1e6).astype(np.int64)
    n = table.channels["n"].values.astype(np.int64)
    return [(record, int(b), int(t), int(k)) for b, t, k in zip(table.boot, us, n, strict=True)]


def all_keys(recording: Recording) -> list[tuple[str, int, int, int]]:
    return sorted(keys_of(recording.tables["log"], "fast") + keys_of(recording.tables["slow"], "slow"))


def check_values(recording: Recording) -> None:
    """Every value is what the host program makes of n (cpp/tests/write_card.cpp), in SI by the layout."""
    log, slow = recording.tables["log"], recording.tables["slow"]
    n = log.channels["n"].values.astype(np.int64)
    a = np.where(n % 997 == 0, np.nan, (n * 7 % 60000 - 30000) * 0.01)
    b = np.where(n % 499 == 0, 65535, n * 11 % 65536)
    np.testing.assert_allclose(log.channels["accel_x"].values, a, rtol=1e-12)
    np.testing.assert_allclose(log.channels["battery_voltage"].values, np.where(b == 65535, np.nan, 1 + b * 0.001))
    np.testing.assert_array_equal(log.channels["c"].values, n * 0.25)
    n = slow.channels["n"].values.astype(np.int64)
    np.testing.assert_allclose(slow.channels["x"].values, n * 1e-3, rtol=1e-15)
    np.testing.assert_array_equal(slow.channels["y"].values, np.where(n % 256 == 255, np.nan, 3.0 + 0.5 * (n % 256)))
    np.testing.assert_array_equal(slow.channels["z"].values, n * -1000003.0)
    w = (n + 128) % 256 - 128
    np.testing.assert_array_equal(slow.channels["w"].values, np.where(w == -128, np.nan, w))


@pytest.mark.parametrize("block", [512, 1024, 4096])
def test_what_was_taken_is_read_back(tmp_path: Path, program: Path, block: int) -> None:
    made = write_image(program, tmp_path, ["begin 77 3", "run 3000 100"], block=block)
    recording = read_image(tmp_path, made.image)
    assert made.lost() == {1: 0}
    assert len(made.taken) == 3300
    assert all_keys(recording) == sorted(made.taken)
    check_values(recording)
    log = recording.tables["log"]
    assert (log.t[0], log.t[-1]) == pytest.approx((0.0, 2999 * 0.005), abs=1e-9)
    assert log.channels["c"].rate == pytest.approx(200.0, rel=1e-6)
    assert recording.tables["slow"].channels["x"].rate == pytest.approx(20.0, rel=1e-6)
    assert recording.findings == ()
    assert (recording.files[0].rows_kept, recording.files[0].rows_reported) == (3300, 0)


def test_names_of_the_glossary_are_channels_and_others_keep_theirs(tmp_path: Path, program: Path) -> None:
    made = write_image(program, tmp_path, ["begin 77 3", "run 300 100"])
    log = read_image(tmp_path, made.image).tables["log"]
    assert {name: channel.unit for name, channel in log.channels.items()} == {
        "accel_x": "m/s2", "battery_voltage": "V", "c": "1", "n": "1",
    }  # fmt: skip


def test_a_block_is_what_its_text_says(tmp_path: Path, program: Path) -> None:
    """The writer's blocks against struct, zlib and the format's text: numbers, kinds, times, texts repeated."""
    made = write_image(program, tmp_path, ["begin 77 3", "run 3000 100"])
    blocks = blocks_of(made.image, 1024)
    assert [b.number for b in blocks] == list(range(len(blocks)))
    assert {b.recording for b in blocks} == {77}
    texts = [b.number for b in blocks if b.kind == 1]
    per_text = -(-len(TEXT) // (1024 - 48 - 4 - 8))
    assert texts[:per_text] == list(range(per_text))
    assert texts[per_text] <= per_text + 32, "the layout is not repeated"
    part = b"".join(b.payload[8:] for b in blocks[:per_text])
    assert part.decode() == TEXT
    rows = [row for b in blocks for row in b.rows]
    assert sorted((r[0], r[2], r[3][-1]) for r in rows) == sorted(
        (1 if kind == "fast" else 2, time, n) for kind, _, time, n in made.taken
    )


def test_a_new_boot_goes_on_in_the_same_recording(tmp_path: Path, program: Path) -> None:
    script = ["resume 5 1", "run 700 100", "resume 6 2", "run 900 50", "resume 7 9", "run 300 100"]
    made = write_image(program, tmp_path, script)
    assert made.status("resume") == [0, 0, 0]
    blocks = blocks_of(made.image, 1024)
    assert {b.recording for b in blocks} == {5}
    assert [b.number for b in blocks] == list(range(len(blocks)))
    recording = read_image(tmp_path, made.image)
    assert all_keys(recording) == sorted(made.taken)
    assert {key[1] for key in all_keys(recording)} == {1, 2, 3}
    assert checks(recording) == {"reboot": 1}
    assert "boot 2: 2, boot 3: 9" in recording.findings[0].what


def test_an_old_recording_in_the_sectors_is_told_apart(tmp_path: Path, program: Path) -> None:
    old = write_image(program, tmp_path, ["begin 11 1", "run 3000 100"])
    made = write_image(program, tmp_path, ["begin 12 1", "run 900 100"], before=old.image)
    recording = read_image(tmp_path, made.image)
    assert all_keys(recording) == sorted(made.taken)
    assert checks(recording) == {"card-other-recording": 1}
    left = [b for b in blocks_of(made.image, 1024) if b.recording == 11]
    assert numbers_of(recording, "card-other-recording")["blocks"] == len(left)


@pytest.mark.parametrize("stall", [250_000, 500_000])
def test_a_stall_costs_what_the_counter_says(tmp_path: Path, program: Path, stall: int) -> None:
    """A ring of 4,096 bytes lasts 4,096 / (19 + 29 / 10) / 200 Hz = 0.94 s; one of 2,048 bytes half of that."""
    script = ["begin 8 1", "run 1000 50", f"stall {stall}", "run 1000 50", f"stall {stall}", "run 1000 50", "note"]
    for block, fits in ((1024, True), (512, stall < 400_000)):
        made = write_image(program, tmp_path, script, block=block)
        lost = made.lost()[1]
        assert (lost == 0) == fits
        assert len(made.taken) + lost == 3300
        recording = read_image(tmp_path, made.image)
        assert all_keys(recording) == sorted(made.taken)
        check_values(recording)
        (state,) = [line for line in made.said if line[0] == "state"]
        assert int(state[2]) == 2
        assert stall <= int(state[3]) <= stall + 1000
        told = recording.tables["card_state"].channels
        assert [int(told[name].values[0]) for name in ("stalls", "worst_stall_us", "lost_records", "buffer_peak")] == [
            int(word) for word in state[2:]
        ]
        assert checks(recording).get("card-records-dropped", 0) == (0 if fits else 1)
        if not fits:
            assert numbers_of(recording, "card-records-dropped")["records"] == lost


def test_writes_that_fail_cost_no_row(tmp_path: Path, program: Path) -> None:
    script = ["begin 8 1", "run 500 50", "fail 2", "run 300 50", "fail 7", "run 500 50", "reject 3", "run 500 50"]
    made = write_image(program, tmp_path, script)
    recording = read_image(tmp_path, made.image)
    assert made.lost() == {1: 0}
    assert all_keys(recording) == sorted(made.taken)
    assert set(checks(recording)) == {"card-blocks-lost", "card-blocks-twice"}
    assert numbers_of(recording, "card-blocks-lost")["rows"] == 0.0


def test_a_power_cut_at_any_byte_costs_only_what_was_not_written(tmp_path: Path, program: Path) -> None:
    """Rows of every block that was written whole are read, without an end being noted anywhere; then the next boot
    goes on behind them."""
    rng = np.random.default_rng(4)
    whole = write_image(program, tmp_path, ["begin 9 1", "run 400 40"], blocks=200)
    size = len(blocks_of(whole.image, 1024)) * 1024
    for cut in sorted({*rng.integers(1, size, 40).tolist(), 1, 1023, 1024, 1025, 5 * 1024, size - 1}):
        before = write_image(program, tmp_path, [f"cut {cut}", "begin 9 1", "run 400 40"], blocks=200)
        assert before.image[:cut] == whole.image[:cut]
        assert before.image[cut:] == b"\xff" * (len(before.image) - cut)
        rows = [row for b in blocks_of(before.image, 1024) for row in b.rows]
        if rows:
            recording = read_image(tmp_path, before.image)
            assert [k[3] for k in all_keys(recording) if k[0] == "fast"] == [r[3][-1] for r in rows if r[0] == 1]
            assert len(rows) >= (cut // 1024 - 4) * 17, "whole blocks before the cut were not read"
        after = write_image(
            program, tmp_path, [f"cut {cut}", "begin 9 1", "run 400 40", "resume 10 2", "run 100 40"], blocks=200
        )
        assert after.image[: cut // 1024 * 1024] == before.image[: cut // 1024 * 1024]
        recording = read_image(tmp_path, after.image)
        again = [key for key in after.taken if key[1] == 2] if cut >= 1024 else after.taken
        if cut < 1024:  # not even the first block was whole: a new recording begins
            assert blocks_of(after.image, 1024)[0].recording == 10
            continue
        read = all_keys(recording)
        if rows:
            assert read == sorted([*all_keys(read_image(tmp_path, before.image)), *again])


def test_resume_passes_damaged_blocks_at_the_end_it_looks_for(tmp_path: Path, program: Path) -> None:
    made = write_image(program, tmp_path, ["begin 9 1", "run 2000 40"], blocks=4096)
    count = len(blocks_of(made.image, 1024))
    rng = np.random.default_rng(7)
    for _ in range(40):
        image = bytearray(made.image)
        start = int(rng.integers(1, count - 12))
        for number in range(start, start + int(rng.integers(1, 8))):
            image[number * 1024 + 100] ^= 0xFF
        again = write_image(program, tmp_path, ["resume 10 2", "run 50 40"], blocks=4096, before=bytes(image))
        assert again.status("resume") == [0]
        assert again.image[: count * 1024] == bytes(image[: count * 1024]), "an old block was written over"
        assert {b.recording for b in blocks_of(again.image, 1024)} == {9}


def test_a_full_file_and_another_block_size_are_refused(tmp_path: Path, program: Path) -> None:
    """Status full is 8, other_layout 6 (status.hpp)."""
    made = write_image(program, tmp_path, ["begin 9 1", "run 2000 40"], blocks=20)
    assert made.status("run")[:1] == [8]
    assert write_image(program, tmp_path, ["resume 1 1"], blocks=20, before=made.image).status("resume") == [8]
    other = write_image(program, tmp_path, ["resume 1 1"], block=512, blocks=40, before=made.image)
    assert other.status("resume") == [6]
    assert other.image == made.image


def test_records_beyond_a_wrap_of_the_clock(tmp_path: Path, program: Path) -> None:
    """32-bit microseconds wrap every 4294.967296 s; the header's 64 bits tell how often."""
    start = 3 * 2**32 - 2_000_000
    made = write_image(program, tmp_path, ["begin 9 1", f"time {start}", "run 900 40"])
    recording = read_image(tmp_path, made.image)
    assert all_keys(recording) == sorted(made.taken)
    assert recording.tables["log"].clock[-1] == pytest.approx((start + 899 * 5000) * 1e-6, abs=1e-9)


def test_what_was_lost_is_told_per_boot(tmp_path: Path, program: Path) -> None:
    made = write_image(program, tmp_path, ["begin 5 1", "run 1000 1000000", "resume 6 2", "run 1000 1000000"])
    blocks = blocks_of(made.image, 1024)
    image = bytearray(made.image)
    gone = {1: [], 2: []}
    for block in blocks:
        if block.kind == 0 and block.number % 9 == 4 and len(gone[block.boot]) < 2 + block.boot:
            gone[block.boot].append(sum(row[0] == 1 for row in block.rows))
            image[block.at + 200 : block.at + 700] = bytes(500)
    recording = read_image(tmp_path, bytes(image))
    told = {int(f.numbers["boot"]): f for f in recording.findings if f.check == "card-blocks-lost"}
    for boot, rows in gone.items():
        assert told[boot].numbers["blocks"] == len(rows)
        assert told[boot].numbers["rows"] == sum(rows)
        assert told[boot].numbers["lost_s"] == pytest.approx(0.005 * sum(rows), abs=1e-6)
        assert f"{len(rows)} blocks of boot {boot}" in told[boot].what
        assert f"{5 * sum(rows)} ms" in told[boot].what
    assert recording.files[0].rows_reported == sum(map(sum, gone.values()))


def test_old_layouts_stay_readable_beside_new_ones(tmp_path: Path) -> None:
    """Two builds of the car in one recording: each block is read by the text that the file holds for it."""
    first = Layout((Record(1, "main", 100.0, "logger", (TIME, Field("accel_x", "i16", 0.01, 0.0, "m/s2"))),))
    second = Layout(
        (Record(7, "main", 100.0, "logger", (TIME, Field("gyro_z", "f32", 1.0, 0.0, "rad/s"),
                                             Field("accel_x", "f32", 1.0, 0.0, "m/s2"))),)
    )  # fmt: skip
    blocks = pack_text(layout_text(first))
    from fifthwheel.layout import layout_hash

    one = b"".join(b"\x01" + struct.pack("<Ih", 10_000 * i, 100 * i) for i in range(20))
    blocks.append(pack_block(len(blocks), one, count=20, hash=layout_hash(layout_text(first))))
    blocks += pack_text(layout_text(second), first=len(blocks), boot=2)
    two = b"".join(b"\x07" + struct.pack("<Iff", 10_000 * i, 0.5, float(i)) for i in range(20))
    blocks.append(pack_block(len(blocks), two, count=20, boot=2, hash=layout_hash(layout_text(second))))
    log = read_image(tmp_path, b"".join(blocks)).tables["log"]
    assert log.boot.tolist() == [1] * 20 + [2] * 20
    np.testing.assert_allclose(log.channels["accel_x"].values, [*np.arange(20.0), *np.arange(20.0)])
    assert np.isnan(log.channels["gyro_z"].values[:20]).all()
    np.testing.assert_array_equal(log.channels["gyro_z"].values[20:], 0.5)


def test_the_layout_is_found_in_any_whole_copy(tmp_path: Path, program: Path) -> None:
    made = write_image(program, tmp_path, ["begin 77 3", "run 3000 100"])
    texts = [b for b in blocks_of(made.image, 1024) if b.kind == 1]
    per_text = -(-len(TEXT) // (1024 - 48 - 4 - 8))
    image = bytearray(made.image)
    for block in texts[:-per_text]:
        image[block.at + 60] ^= 1
    assert all_keys(read_image(tmp_path, bytes(image))) == sorted(made.taken)
    for block in texts[-per_text:]:
        image[block.at + 60] ^= 1
    with pytest.raises(ReadError, match="no text of the layout is whole"):
        read_image(tmp_path, bytes(image))


def test_a_mapping_renames_and_leaves_out(tmp_path: Path, program: Path) -> None:
    made = write_image(program, tmp_path, ["begin 77 3", "run 300 100"])
    columns = (ColumnMap("fast.c", "throttle"), ColumnMap("accel_x", ""))
    log = read_image(tmp_path, made.image, SourceMap("log", "card", "*", header=0, columns=columns)).tables["log"]
    assert set(log.channels) == {"throttle", "battery_voltage", "n"}
    assert log.channels["throttle"].unit == "1"
    with pytest.raises(ReadError, match="no field 'axel_x' \\(nearest: 'accel_x'\\)"):
        read_image(tmp_path, made.image, SourceMap("log", "card", "*", columns=(ColumnMap("axel_x", "accel_x"),)))
    with pytest.raises(ReadError, match="cannot be channel"):
        read_image(tmp_path, made.image, SourceMap("log", "card", "*", columns=(ColumnMap("accel_x", "gyro_z"),)))


def test_no_mapping_is_needed(tmp_path: Path, program: Path) -> None:
    made = write_image(program, tmp_path, ["begin 77 3", "run 300 100"])
    path = tmp_path / "LOG1.FWC"
    path.write_bytes(made.image)
    mapping = propose_mapping([path], None)
    assert [(s.name, s.kind, s.match) for s in mapping.sources] == [("log", "card", "LOG1.FWC")]
    assert set(read_files([path], mapping, None).tables) == {"log", "slow"}


def test_two_images_are_boots_one_after_the_other(tmp_path: Path, program: Path) -> None:
    paths = []
    for number, rows in ((1, 300), (2, 500)):
        made = write_image(program, tmp_path, [f"begin {number} 1", f"run {rows} 100"])
        paths.append(tmp_path / f"LOG{number}.FWC")
        paths[-1].write_bytes(made.image)
    recording = read_files(paths, propose_mapping(paths, None), None)
    log = recording.tables["log"]
    assert np.bincount(log.boot).tolist() == [0, 300, 500]
    assert log.t[300] == 0.0
    assert recording.tables["slow"].boot.max() == 2


def test_the_layout_of_the_tests_is_the_program_s() -> None:
    assert [record.size for record in LAYOUT.records] == [16, 26, 20]


def test_written_knows_what_was_lost() -> None:
    assert Written(b"", [], [["lost", "2", "7"]]).lost() == {2: 7}
