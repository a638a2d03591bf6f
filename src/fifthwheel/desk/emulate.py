"""Run the boards of a car through a simulated day and get the card that they wrote."""

from __future__ import annotations

import json
import subprocess
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fifthwheel.car.identifiers import identifier
from fifthwheel.car.layout_of import layout_of
from fifthwheel.car.model import Car
from fifthwheel.data import Floats
from fifthwheel.demo.simulate import Simulated, simulate
from fifthwheel.demo.write import with_faults
from fifthwheel.desk.build import build, build_folder
from fifthwheel.desk.feed import write_feed
from fifthwheel.desk.script import Change, Script, Trouble, day_script
from fifthwheel.errors import FifthwheelError
from fifthwheel.layout import Layout, Setting

CARD, CAPTURE, REPORT = "card.img", "link.bin", "emulated.json"
"""What is written: the card's file, all bytes that came over the link to the board with the card, and how it went."""

JITTER = 200e-6
"""How much later than it came a receiver may look at a byte [s]: an interrupt that waits (common practice)."""

FRONT_RATE = -14e-6
"""What the clock of the board without the card is off by [1]."""

ANSWERS = {0: "done", 9: "refused, outside its limits"}
"""What a status of status.hpp says of a change."""

Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Emulated:
    """card, capture: files. report: what `emulated.json` holds (docs/desk.md). day: what was simulated, with what the
    sensors saw (`channels`), `script` what happened meanwhile, and `layout` the car's."""

    card: Path
    capture: Path
    report: Mapping[str, Any]
    day: Simulated
    script: Script
    layout: Layout


def emulate(
    car: Car,
    folder: Path,
    *,
    seed: int = 7,
    day: Simulated | None = None,
    faulty: bool = True,
    script: Script | None = None,
    error_rate: float | None = None,
    jitter: float = JITTER,
    seconds: float | None = None,
    pace: float = 0.0,
    phone: int | None = None,
    told: Callable[[str], None] | None = None,
    progress: Progress | None = None,
) -> Emulated:
    """Emulate a car's boards on a simulated day; write card.img, link.bin and emulated.json into a folder.

    day: the demo's test day of `seed` when None. faulty: with the faults of the demo's sensors. script: what goes
    wrong, that of the demo's day when None. error_rate: of one bit on the link, that of car.toml when None. seconds:
    of the day, all of it when None. pace: so many times as fast as time goes, 0 as fast as can be. phone: TCP port of
    this computer that carries the phone's frames (0: any free one, `told` hears which). The same arguments give the
    same bytes, but for a phone. Raises FifthwheelError.
    """
    layout = layout_of(car)
    known = {setting.name: setting for setting in layout.settings}
    changes = [_change(change, known) for change in sorted(script.changes if script else (), key=lambda c: c.at)]
    _check_boards(car, script)
    _make(folder)
    program = build(car, build_folder(car))
    day = simulate(seed=seed, progress=progress) if day is None else day
    channels: Mapping[str, Floats] = with_faults(day)[0] if faulty else day.channels
    script = day_script(day) if script is None else script
    until = float(day.t[-1]) if seconds is None else min(seconds, float(day.t[-1]))
    try:
        with tempfile.TemporaryDirectory(prefix=".emulate.", dir=folder) as name:
            work = Path(name)
            write_feed(work / "feed", day, channels, seed)
            orders = [*_orders(car, layout, script, until, work, seed, jitter, pace), *changes]
            link = car.electronics.link if car.electronics is not None else None
            rate = error_rate if error_rate is not None else link.error_rate if link is not None else 0.0
            orders += [f"error_rate {rate!r}", *([] if phone is None else [f"phone {phone}"])]
            orders.append(f"rates {_rates(car, day)}")
            (work / "orders").write_text("\n".join(orders) + "\n", encoding="ascii")
            _run(program, work / "orders", told, progress)
            for made in (CARD, CAPTURE, REPORT):
                (work / made).replace(folder / made)
    except OSError as error:
        raise _unwritten(folder, error) from error
    report = json.loads((folder / REPORT).read_text(encoding="utf-8"))
    return Emulated(folder / CARD, folder / CAPTURE, report, day, script, layout)


def _unwritten(folder: Path, error: OSError) -> FifthwheelError:
    return FifthwheelError(
        "the emulation cannot write its files", where=str(error.filename or folder),
        found=error.strerror or str(error), do="Check that the folder may be written to and that the disk has room",
    )  # fmt: skip


def _make(folder: Path) -> None:
    """Make the folder before the day is simulated. Raises FifthwheelError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _unwritten(folder, error) from error


def _check_boards(car: Car, script: Script | None) -> None:
    """Raise FifthwheelError where a script switches off a board that the car does not have."""
    controllers = car.electronics.controllers if car.electronics is not None else ()
    known = ("all", *(identifier(controller.name) for controller in controllers))
    for trouble in script.troubles if script is not None else ():
        if trouble.kind == "power off" and identifier(trouble.subject) not in known:
            raise FifthwheelError(
                "there is no such board", where=f"power off at {trouble.start:g} s", found=f"'{trouble.subject}'",
                expected=f"one of {', '.join(known)}",
            )  # fmt: skip


def emulated_text(made: Emulated) -> str:
    """Return how an emulation went, for a person."""
    report, lines = made.report, []
    for board in report["boards"]:
        heard = (
            f"; heard {board['received']} frames of the other board since its last start, {board['lost']} lost, "
            f"{board['bad']} damaged"
        )
        lines.append(f"{board['name']}: starts {board['starts']}" + (heard if len(report["boards"]) > 1 else ""))
        moved = board["commands"] + board["safe_commands"]
        if moved:
            lines.append(
                f"{board['name']}: of {moved} commands to actuators {board['safe_commands']} were the safe state's; "
                f"{board['stale_drives']} drove on stale data"
            )
    clock = report["clock"]
    if clock["looks"]:
        lines.append(
            f"the other clock was known to {clock['worst_error_us']:.0f} us, said to be within "
            f"{clock['worst_bound_us']:.0f} us"
        )
    names = {setting.id: setting.name for setting in made.layout.settings}
    lines += (
        f"setting {names.get(answer['setting'], answer['setting'])}: "
        f"{ANSWERS.get(answer['status'], 'refused')}, it is {answer['value']:g}"
        for answer in report["answers"]
    )
    told = {trouble.kind for trouble in made.script.troubles if trouble.start < report["seconds"]}
    lines.append(f"emulated {report['seconds']:.1f} s" + (f" with {', '.join(sorted(told))}" if told else ""))
    lines += [f"wrote {made.card}", f"wrote {made.capture}", f"wrote {made.card.parent / REPORT}"]
    return "\n".join(lines)


def _rates(car: Car, day: Simulated) -> str:
    """Return the errors of the boards' clocks: that of the day's logger for the board with the card."""
    electronics = car.electronics
    names = electronics.link.between if electronics is not None and electronics.link is not None else ("", "")
    card = electronics.card.controller if electronics is not None and electronics.card is not None else None
    return " ".join(repr(day.errors.clock_rate if name == card else FRONT_RATE) for name in names)


def _orders(
    car: Car, layout: Layout, script: Script, until: float, work: Path, seed: int, jitter: float, pace: float
) -> list[str]:  # fmt: skip
    """Return the lines that cpp/desk/emulate.cpp reads, and allocate the card's file: as large as is surely needed."""
    card = car.electronics.card if car.electronics is not None else None
    block = card.block if card is not None else 512
    stream = sum((record.size + 1) * (record.rate or 2.0) for record in layout.records)
    boots = 2 + sum(trouble.kind == "power off" for trouble in script.troubles)
    blocks = int(1.25 * stream * until / (block - 60)) + int(until) + 64 * boots
    with (work / CARD).open("wb") as file:
        file.truncate(blocks * block)
    lines = [
        f"feed {work / 'feed'}", f"card {work / CARD}", f"report {work / REPORT}", f"capture {work / CAPTURE}",
        f"blocks {blocks}", f"seed {seed}", f"until {until!r}", f"jitter {jitter!r}", f"pace {pace!r}",
    ]  # fmt: skip
    for trouble in script.troubles:
        word = "dark" if trouble.kind == "power off" else "trouble"
        lines.append(f"{word} {trouble.start!r} {trouble.end!r} {trouble.kind};{_subject(trouble)}")
    return lines


def _subject(trouble: Trouble) -> str:
    """Return whom a trouble concerns, a board by its word."""
    return identifier(trouble.subject) if trouble.kind == "power off" else trouble.subject


def _change(change: Change, known: Mapping[str, Setting]) -> str:
    setting = known.get(change.setting)
    if setting is None:
        raise FifthwheelError(
            "there is no such setting", where=f"change at {change.at:g} s", found=change.setting,
            expected="one of " + (", ".join(known) or "none: car.toml has no [[setting]]"),
        )  # fmt: skip
    return f"set {change.at!r} {setting.id} {change.value!r}"


def _run(program: Path, orders: Path, told: Callable[[str], None] | None, progress: Progress | None) -> None:
    """Run the program, passing on how far it is. Raises FifthwheelError when it fails."""
    with subprocess.Popen(
        [str(program), str(orders)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as running:
        try:
            assert running.stdout is not None
            assert running.stderr is not None
            for line in running.stdout:
                word, _, value = line.strip().partition(" ")
                if word == "progress" and progress is not None:
                    progress("emulating the boards", float(value))
                elif word == "phone" and told is not None:
                    told(f"the phone's port is {value}")
            found = running.stderr.read().strip()
        except BaseException:
            running.kill()
            raise
    if running.returncode != 0:
        taken = "port is taken" in found
        raise FifthwheelError(
            "the boards' program ended early",
            where=str(program),
            found=found or f"status {running.returncode}",
            do="Give --phone another port, or 0 for any free one" if taken else "Run it again; tell us if it stays so",
        )
