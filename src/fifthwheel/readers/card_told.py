"""What a card image lost, per boot: blocks, rows, milliseconds; and the other things a person should know of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fifthwheel.data import Finding, Ints
from fifthwheel.readers.card_blocks import RECORDS, CardBlocks, Missing
from fifthwheel.readers.parsed import SHOWN, listed, plural, tell


@dataclass(frozen=True)
class BootLoss:
    """boot: the logger's number. blocks: numbers of missing blocks, as texts. count: of them. rows, seconds: of the
    log that they held, by the time that is missing. dropped: records that the car could not hand to the card."""

    boot: int
    blocks: tuple[str, ...]
    count: int
    rows: int
    seconds: float
    dropped: int


@dataclass(frozen=True)
class Loss:
    """All of it. unreadable: blocks whose layout is unknown, and why; unread: blocks with bytes no layout explains."""

    place: str
    chosen: CardBlocks
    boots: tuple[BootLoss, ...]
    torn_rows: int
    unreadable: Mapping[str, int]
    unread: int

    @property
    def rows(self) -> int:
        """Return the rows that are told as lost."""
        return sum(boot.rows for boot in self.boots) + self.torn_rows + sum(self.unreadable.values())

    @staticmethod
    def of(
        place: str, chosen: CardBlocks, failed: Mapping[int, str], unread: int, log: tuple[Ints, Ints] | None
    ) -> Loss:
        """Return what was lost. failed: layout hash -> why it is unknown; log: (block, time [us]) of the log's rows."""
        found = chosen.found
        layouts = found["layout"][found["kind"] == RECORDS]
        readable = np.count_nonzero(~np.isin(layouts, np.array(list(failed), dtype=np.uint64)))
        block, time = log if log is not None else (np.empty(0, np.int64), np.empty(0, np.int64))
        share = len(time) / readable if readable else 0.0
        boots = []
        for boot in np.unique(found["boot"]).tolist():
            runs = [run for run in chosen.missing if run.boot == boot]
            lost = [_of_run(run, found["boot"], block, time, share) for run in runs]
            boots.append(
                BootLoss(
                    boot, tuple(_numbers(run) for run in runs), sum(run.count for run in runs),
                    sum(rows for rows, _ in lost), sum(seconds for _, seconds in lost),
                    int(found["lost"][found["boot"] == boot].max()),
                )
            )  # fmt: skip
        unreadable = {
            f"layout {wanted:016x}: {why}": int(np.count_nonzero(layouts == np.uint64(wanted)))
            for wanted, why in failed.items()
        }
        return Loss(
            place, chosen, tuple(boots), max(chosen.torn, round(share * chosen.torn)),
            {why: count for why, count in unreadable.items() if count}, unread,
        )  # fmt: skip


def _of_run(run: Missing, boots: Ints, block: Ints, time: Ints, share: float) -> tuple[int, float]:
    """Return (rows, seconds) of the log that a run of missing blocks held."""
    step = float(np.median(np.diff(time))) / 1e6 if len(time) > 1 else 0.0
    at = int(np.searchsorted(block, run.after))
    inside = 0 < at < len(time) and boots[block[at - 1]] == boots[block[at]] == run.boot
    if not inside or step <= 0.0:
        rows = round(share * run.count)
        return rows, rows * max(step, 0.0)
    seconds = max(0.0, float(time[at] - time[at - 1]) / 1e6 - step)
    rows = round(seconds / step)
    return rows, rows * step


def _numbers(run: Missing) -> str:
    return str(run.first) if run.count == 1 else f"{run.first}-{run.first + run.count - 1}"


def loss_findings(loss: Loss) -> list[Finding]:
    """Return one finding per boot and kind of loss, and one for each other thing; none for a clean image."""
    out = [finding for boot in loss.boots for finding in _of_boot(loss.place, boot)]
    chosen, place = loss.chosen, loss.place
    if chosen.torn:
        out.append(
            tell(
                "card-torn-end", "warning", place,
                f"Behind the last whole block {plural(chosen.torn, 'block')} {'was' if chosen.torn == 1 else 'were'} "
                f"begun: at most about {plural(loss.torn_rows, 'row')}.",
                cause="power was lost while the card wrote, or the image is cut off",
                done="read everything before", remedy="none is needed; sync more often to lose less",
                numbers={"blocks": float(chosen.torn), "rows": float(loss.torn_rows)},
            )
        )  # fmt: skip
    for why, count in loss.unreadable.items():
        out.append(
            tell(
                "card-layout-missing", "fault", place, f"{plural(count, 'block')} cannot be read: {why}.",
                cause="the blocks with the layout text are damaged", done="left these blocks out",
                remedy="keep the image: a copy of the layout text of that build makes them readable",
                numbers={"blocks": float(count)},
            )
        )  # fmt: skip
    if loss.unread:
        out.append(
            tell(
                "card-unknown-record", "fault", place,
                f"{plural(loss.unread, 'block')} hold records that their layout does not have.",
                cause="the car was built with another layout text than its records",
                done="read their records up to the first unknown one", remedy="generate and build the car's code again",
                numbers={"blocks": float(loss.unread)},
            )
        )  # fmt: skip
    return [*out, *_other_findings(place, chosen), *_reboot(place, chosen)]


def _of_boot(place: str, boot: BootLoss) -> list[Finding]:
    out = []
    if boot.count:
        out.append(
            tell(
                "card-blocks-lost", "warning" if boot.rows else "note", f"{place}, boot {boot.boot}",
                f"{plural(boot.count, 'block')} of boot {boot.boot} {'is' if boot.count == 1 else 'are'} damaged or "
                f"missing (number {listed(boot.blocks, SHOWN)}): {plural(boot.rows, 'row')} of the log, "
                f"{1e3 * boot.seconds:.0f} ms.",
                cause="sectors of the card that were not written or read back, or a write that failed on the car",
                done="left them out; every row of the other blocks is read",
                remedy="copy the image again; check the card when the same blocks are missing",
                numbers={"blocks": float(boot.count), "rows": float(boot.rows), "lost_s": boot.seconds,
                         "boot": float(boot.boot)},
            )
        )  # fmt: skip
    if boot.dropped:
        out.append(
            tell(
                "card-records-dropped", "warning", f"{place}, boot {boot.boot}",
                f"The car dropped {plural(boot.dropped, 'record')} in boot {boot.boot} before they came on the card.",
                cause="the card stalled for longer than the buffer lasts", done="kept the rows on their own stamps",
                remedy="give the writer a larger buffer, or take a card with shorter worst writes",
                numbers={"records": float(boot.dropped), "boot": float(boot.boot)},
            )
        )  # fmt: skip
    return out


def _other_findings(place: str, chosen: CardBlocks) -> list[Finding]:
    out = []
    if chosen.others:
        blocks = sum(chosen.others.values())
        out.append(
            tell(
                "card-other-recording", "note", place,
                f"{plural(blocks, 'block')} of {plural(len(chosen.others), 'other recording')} lie in the file too: "
                f"{listed([f'{id:016x} ({count})' for id, count in chosen.others.items()], 3)}.",
                cause="the file was used before", done=f"read recording {chosen.id:016x}", remedy="none is needed",
                numbers={"blocks": float(blocks), "recordings": float(len(chosen.others))},
            )
        )  # fmt: skip
    if chosen.moved:
        out.append(
            tell(
                "card-blocks-moved", "note", place,
                f"{plural(chosen.moved, 'block')} {'lies' if chosen.moved == 1 else 'lie'} away from where "
                f"{'it was' if chosen.moved == 1 else 'they were'} written.",
                cause="bytes are missing in front of them, or the image was put together from pieces",
                done="read them by their number", remedy="copy the image again",
                numbers={"blocks": float(chosen.moved)},
            )
        )  # fmt: skip
    if chosen.twice:
        out.append(
            tell(
                "card-blocks-twice", "note", place,
                f"{plural(chosen.twice, 'block')} {'is' if chosen.twice == 1 else 'are'} there twice.",
                cause="a write was repeated on the car, or the image was put together from pieces",
                done="read each once", remedy="none is needed", numbers={"blocks": float(chosen.twice)},
            )
        )  # fmt: skip
    return out


def _reboot(place: str, chosen: CardBlocks) -> list[Finding]:
    boots, first = np.unique(chosen.found["boot"], return_index=True)
    if len(boots) < 2:
        return []
    causes = ", ".join(f"boot {b}: {chosen.found['reset_cause'][i]}" for b, i in zip(boots[1:], first[1:], strict=True))
    return [
        tell(
            "reboot", "warning", place,
            f"The logger started again {plural(len(boots) - 1, 'time')}; causes of reset by the board: {causes}.",
            cause="the supply dipped, a watchdog fired, or the logger was switched off and on",
            done="each boot has its own time base; no run is sought across a boot",
            remedy="measure the supply under load when the restart was not meant",
            numbers={"boots": float(len(boots)), "restarts": float(len(boots) - 1)},
        )
    ]  # fmt: skip
