"""Checks of what the boards recorded of themselves: how card, link and clocks did (docs/generate.md, records of every
car). A recording without these tables is silent here."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from fifthwheel.data import Finding
from fifthwheel.health.scene import Scene, finding, place_of, plural

STALL = 0.5
"""A write that keeps the card busy for longer [s] is not as the card's own standard allows: 250 ms, 500 ms for the
largest (SD Physical Layer Specification, busy time of a write, from memory)."""

LOST = 0.01
"""Share of lost frames that is told [1]: a wire of half a metre loses none (common practice, no source)."""

CLOCK = 1e-3
"""Standard uncertainty of the other board's clock that is told [s]: a fifth of a row at 200 Hz."""

SETTLED = 5.0
"""The boards' first seconds [s], in which they do not know each other's clocks well yet."""


def _last(scene: Scene, table: str) -> Iterator[tuple[int, Mapping[str, float]]]:
    """Yield for each boot the largest value of each count: counts only grow. NaN where there is none."""
    found = scene.recording.tables.get(table)
    for boot in np.unique(found.boot).tolist() if found is not None else ():
        assert found is not None
        mine = found.boot == boot
        values = {name: channel.values[mine] for name, channel in found.channels.items()}
        yield boot, {name: float(np.nanmax(v)) if np.isfinite(v).any() else float("nan") for name, v in values.items()}


def card_stall(scene: Scene) -> Iterator[Finding]:
    """The card kept the board waiting for longer than a card may, or records were lost by it."""
    for boot, state in _last(scene, "card_state"):
        worst, lost = state.get("worst_stall_us", 0.0) * 1e-6, state.get("lost_records", 0.0)
        if not (worst > STALL or lost > 0.0):
            continue
        cost = f"{plural(int(lost), 'record')} found no room in the buffer and are lost" if lost > 0.0 else "none lost"
        yield finding(
            "card-stall", "warning" if lost > 0.0 else "note", place_of("card_state", boot),
            f"the card stalled for up to {worst:.2f} s in boot {boot} "
            f"({plural(int(state.get('stalls', 0.0)), 'stall')}): {cost}; the buffer held up to "
            f"{state.get('buffer_peak', 0.0) / 1000.0:.1f} kB",
            cause="the card moved data of its own, or it is worn or slow",
            done="read what is there; rows that are missing are told as gaps",
            remedy=f"try another card; or give [card] a buffer that lasts {worst:.2f} s or more (fifthwheel plan)"
            if lost > 0.0 else "none is needed while the buffer lasts; try another card when stalls grow",
            boot=boot, worst_stall_s=worst, records_lost=lost,
        )  # fmt: skip


def boards_differ(scene: Scene) -> Iterator[Finding]:
    """The board with the card refused frames of the other: they were built from different lists of channels."""
    for boot, state in _last(scene, "link_state"):
        refused = state.get("other_layout", 0.0)
        if not refused > 0.0:
            continue
        yield finding(
            "boards-differ", "fault", place_of("link_state", boot),
            f"{plural(int(refused), 'frame')} of the other board refused in boot {boot}: it was built from other "
            f"channels",
            cause="car.toml was changed and only one of the boards got the new program",
            done="its channels are empty in the log",
            remedy="fifthwheel generate --check, then build and load the programs of both boards",
            boot=boot, frames_refused=refused,
        )  # fmt: skip


def frames_lost(scene: Scene) -> Iterator[Finding]:
    """More frames of the other board were lost than a sound wire loses."""
    for boot, state in _last(scene, "link_state"):
        lost, received = state.get("lost", 0.0), state.get("received", 0.0)
        if not lost > LOST * (lost + received):
            continue
        yield finding(
            "frames-lost", "warning", place_of("link_state", boot),
            f"{int(lost)} of {int(lost + received)} frames of the other board were lost in boot {boot} "
            f"({100.0 * lost / (lost + received):.1f} %), with {int(state.get('bad', 0.0))} stretches of damaged bytes",
            cause="a loose or long wire, noise of motor and servos, no common ground, or the other board was off",
            done="its channels are empty where it was not heard",
            remedy="twist the pair with its ground, keep it away from the phase wires, look at the plugs",
            boot=boot, frames_lost=lost, frames_received=received,
        )  # fmt: skip


def boards_clock(scene: Scene) -> Iterator[Finding]:
    """The other board's clock is not known well enough to say when its rows were made."""
    clocks = scene.recording.tables.get("clock_state")
    found = clocks.channels.get("uncertainty_us") if clocks is not None else None
    for boot in np.unique(clocks.boot).tolist() if clocks is not None and found is not None else ():
        assert clocks is not None
        assert found is not None
        mine = (clocks.boot == boot) & (clocks.clock > SETTLED) & np.isfinite(found.values)
        worst = 1e-6 * float(found.values[mine].max()) if mine.any() else 0.0
        if worst <= CLOCK:
            continue
        yield finding(
            "boards-clock", "warning", place_of("clock_state", boot),
            f"the other board's clock was known to {1e3 * worst:.1f} ms at worst in boot {boot} (standard uncertainty)",
            cause="the boards ask each other too seldom, or their answers wait in a busy task",
            done="used the stamps as they are", remedy="serve the link more often; ask for the clock once a second",
            boot=boot, uncertainty_s=worst,
        )  # fmt: skip
