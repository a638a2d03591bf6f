"""Decoding a one-hour card image against numpy and zlib over the same bytes, and against polars on the CSV of the data.

The image is 60 channels at 200 Hz (720,000 records of 245 bytes in blocks of 4,096, about 185 MB); it and the CSV are
made in a temporary folder and removed. Every check of every block is verified. Timed is the way from the file to
columns:

- `counts`: columns as they lie in the records (float32), which is what the plain way gives as well;
- `SI`: columns as the reader needs them: float64, offset + scale * count, no value as NaN, infinite as NaN. They are
  twice the bytes of the plain way's, and the numbers that polars gives for the CSV;
- `reader`: the reader itself (`readers.card.read`), which makes SI columns, the time, boots and losses;
- the plain way: numpy.frombuffer of the records, zlib.crc32 of all bytes, a copy of every field into its own column in
  blocks of 2,048 records that stay in the cache. It knows the layout, the blocks and that nothing is damaged: it is the
  same bytes without their headers, laid one behind the other. Its columns are an array each or one stretch of memory:
  the quicker one counts;
- polars.read_csv of the same numbers.

Everything is measured in turn, several times, in one process (polars in one of its own); each way runs twice in a row
and the second is noted, so that all find as much memory at hand as they need (what a virtual machine first fetches from
its host costs many times more). The best of each is taken. The ratio of processor times says the same of all threads
together, where other programs keep the machine busy: the plain way has one thread, the others have two or more.

Usage: python benchmarks/card.py [--rows 720000] [--repeat 5]
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np

CHANNELS = 60
BLOCK = 4096
PLAIN_ROWS = 2048


def make_files(folder: Path, rows: int) -> None:
    """Write the card image, the bare records and the CSV of the same numbers."""
    sys.path.insert(0, str(Path(__file__).parents[1]))
    from tests.readers.cards import pack_block, pack_text

    from fifthwheel.layout import TIME, Field, Layout, Record, layout_hash, layout_text

    record = Record(1, "main", 200.0, "logger", (TIME, *(Field(f"c{i}", "f32") for i in range(CHANNELS))))
    text = layout_text(Layout((record,)))
    rng = np.random.default_rng(5)
    table = np.zeros(rows, record_type())
    table["id"], table["time"] = 1, np.arange(rows, dtype=np.int64) * 5000 % 2**32
    for i in range(CHANNELS):
        table[f"c{i}"] = np.round(rng.normal(size=rows) * 3.0 + i, 6)
    (folder / "bare").write_bytes(table.tobytes())
    per_block = (BLOCK - 52) // table.itemsize
    with (folder / "card").open("wb") as file:
        blocks = pack_text(text, size=BLOCK)
        number = len(blocks)
        file.write(b"".join(blocks))
        for start in range(0, rows, per_block):
            part = table[start : start + per_block]
            file.write(
                pack_block(
                    number, part.tobytes(), size=BLOCK, time=5000 * start, count=len(part), hash=layout_hash(text)
                )
            )
            number += 1
    write_csv(folder / "csv", table)


def record_type() -> np.dtype[np.void]:
    """Return a record with its id as numpy sees it."""
    return np.dtype([("id", "u1"), ("time", "<u4"), *((f"c{i}", "<f4") for i in range(CHANNELS))])


def write_csv(path: Path, table: np.ndarray) -> None:
    """Write the numbers as a logger would, six decimals."""
    import polars as pl

    columns = {"t_us": table["time"].astype(np.int64)}
    columns |= {f"c{i}": np.round(table[f"c{i}"].astype(np.float64), 6) for i in range(CHANNELS)}
    pl.DataFrame(columns).write_csv(path)


Spent = tuple[float, float]
"""Seconds of the clock and of the processor."""


def ours(folder: Path, *, as_counts: bool) -> Spent:
    """Return the seconds from the image to columns, every check verified, layout from the file."""
    from fifthwheel.core import decode_blocks
    from fifthwheel.readers.card_blocks import RECORDS, choose_blocks, kinds_of, layouts_of

    start, before = time.perf_counter(), time.process_time()
    image = np.memmap(folder / "card", np.uint8, "r")
    chosen = choose_blocks(image)
    assert chosen is not None
    layouts, failed = layouts_of(image, chosen)
    assert not failed
    (layout,) = layouts.values()
    found = chosen.found[chosen.found["kind"] == RECORDS]
    counted = chosen.counts[found["place"]]
    (rows,), unread = decode_blocks(image, found["at"], kinds_of(layout), counted=counted, as_counts=as_counts)
    spent = time.perf_counter() - start, time.process_time() - before
    assert not unread.any()
    assert len(rows.columns) == CHANNELS
    return spent


def reader(folder: Path) -> Spent:
    """Return the seconds of the reader itself."""
    from fifthwheel.readers import SourceMap, card

    source = SourceMap("log", "card", "*")
    start, before = time.perf_counter(), time.process_time()
    made = card.read(folder / "card", source)
    spent = time.perf_counter() - start, time.process_time() - before
    assert len(made.channels) == CHANNELS
    return spent


def plain(folder: Path, *, one_stretch: bool) -> Spent:
    """Return the seconds of frombuffer, crc32 and a copy into columns over the same records, in one thread.

    one_stretch: the columns are rows of one array, which the system pages in more quickly, else an array each.
    """
    start, before = time.perf_counter(), time.process_time()
    data = np.memmap(folder / "bare", np.uint8, "r")
    zlib.crc32(data)
    table = np.frombuffer(data, record_type())
    names = [name for name in table.dtype.names or () if name != "id"]
    if one_stretch:
        area = np.empty((len(names), len(table)), np.uint32)
        columns = {name: row.view(table.dtype[name]) for name, row in zip(names, area, strict=True)}
    else:
        columns = {name: np.empty(len(table), table.dtype[name]) for name in names}
    for first in range(0, len(table), PLAIN_ROWS):
        part = table[first : first + PLAIN_ROWS]
        for name, column in columns.items():
            column[first : first + PLAIN_ROWS] = part[name]
    return time.perf_counter() - start, time.process_time() - before


POLARS = """
import sys, time, json, polars
start, before = time.perf_counter(), time.process_time()
frame = polars.read_csv(sys.argv[1])
spent = time.perf_counter() - start, time.process_time() - before
assert frame.width == 61
print(json.dumps(spent))
"""


def with_polars(folder: Path) -> Spent:
    """Return the seconds of polars.read_csv, its import left out."""
    done = subprocess.run(
        [sys.executable, "-c", POLARS, str(folder / "csv")], check=True, capture_output=True, text=True
    )
    clock, processor = json.loads(done.stdout)
    return float(clock), float(processor)


def check_same(folder: Path) -> None:
    """Raise when the two ways do not give the same numbers."""
    from fifthwheel.readers import SourceMap, card

    made = card.read(folder / "card", SourceMap("log", "card", "*"))
    table = np.fromfile(folder / "bare", record_type())
    for i in range(CHANNELS):
        assert np.array_equal(made.channels[f"c{i}"].values, table[f"c{i}"].astype(np.float64))
    assert made.rows_kept == len(table)
    assert not made.findings


def main() -> None:
    """Print the ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=720_000)
    parser.add_argument("--repeat", type=int, default=5)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make_files(folder, options.rows)
        check_same(folder)
        size, text = ((folder / f).stat().st_size / 1e6 for f in ("card", "csv"))
        print(f"image: {options.rows} rows, {CHANNELS} channels, {size:.0f} MB; as CSV {text:.0f} MB")
        ways: dict[str, Callable[[], Spent]] = {
            "plain, an array each": lambda: plain(folder, one_stretch=False),
            "plain, one stretch": lambda: plain(folder, one_stretch=True),
            "counts": lambda: ours(folder, as_counts=True),
            "SI": lambda: ours(folder, as_counts=False),
            "reader": lambda: reader(folder),
            "polars": lambda: with_polars(folder),
        }
        seen: dict[str, list[Spent]] = {what: [] for what in ways}
        for _ in range(options.repeat):
            for what, way in ways.items():
                way()
                seen[what].append(way())
        tell(seen)


def tell(seen: dict[str, list[Spent]]) -> None:
    """Print the best of each way and the ratios, to the quicker of the plain ways."""
    for kind, word in ((0, "time"), (1, "processor time")):
        best = {what: min(spent[kind] for spent in all_spent) for what, all_spent in seen.items()}
        print(f"{word}: " + "; ".join(f"{what} {seconds:.3f} s" for what, seconds in best.items()))
        base = min(seconds for what, seconds in best.items() if what.startswith("plain"))
        for what in ("counts", "SI", "reader"):
            print(f"{word}, {what}: {best[what] / base:.2f} of frombuffer + crc32 + copy (at most 1.5), "
                  f"{best['polars'] / best[what]:.1f} times as fast as polars on the CSV (at least 8)")  # fmt: skip


if __name__ == "__main__":
    main()
