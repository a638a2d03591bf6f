"""values.hpp and boards.hpp: the latest of every channel in SI, and what each board reads, sends, records and moves."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from fifthwheel.car.electronics import Actuator, Electronics, Sensor, Task
from fifthwheel.car.identifiers import identifier
from fifthwheel.generate.cpp_channels import RECORDS_OF_ALL, Members, board_words, channel_words, struct_name
from fifthwheel.generate.cpp_text import TAIL, head, real, rows, value_type
from fifthwheel.layout import TIME, Layout, LinkFrame, Record

VALUES_HPP, BOARDS_HPP = "values.hpp", "boards.hpp"

_VALUES = (
    "The latest of every channel on one board, in SI, with the time at which it was made. `fill` packs a record or a "
    'frame from it, where what is too old becomes "no value"; `take` puts a frame\'s channels into it.'
)
_BOARDS = (
    "What each board does, for a program that serves any car: encoders it reads, channels its other sensors give, what "
    "releases its frames and records, and its actuators with their safe states."
)

ASKED = {"motor": "throttle", "servo": "steer_command", "brake": "brake"}
"""Kind of an actuator -> the channel that asks it to move."""

SAFE = ("radio loss", "link loss", "stale data", "reboot", "brown-out")
"""Troubles in the order of failsafe.hpp."""

RADIO_STALE, LINK_STALE, GOOD_FOR = 0.2, 0.05, 0.5
"""Age [s] at which a command or a frame is stale, and how long all must be good again (common practice, no source)."""

PERIODS_MISSED = 2.5
"""Periods of the other board's fastest frame after which its silence is a lost link, two frames in a row (common
practice, no source)."""

ZERO = 0.05
"""Share of its travel within which a motor's command is at zero before it may move again (common practice)."""

PERIODS = {"sample": 1e-3, "link": 2e-3, "record": 1e-3, "drive": 2e-3, "card": 20e-3}
"""Periods [s] of what a board does, where no task of car.toml does it."""


def values_header(car: str, electronics: Electronics, layout: Layout, hash_value: int) -> str:
    """Return the text of values.hpp."""
    words = channel_words(electronics, layout)
    parts = [head(car, _VALUES, ("stddef.h", "stdint.h"), hash_value)]
    names = [word for _, word in words.values()]
    lines = [f"inline constexpr size_t {word} = {number};" for number, word in enumerate(names)]
    parts.append("// The number of each channel.\nnamespace value {\n" + "\n".join(lines) + "\n}  // namespace value\n")
    parts += (f"{line}\n" for line in rows("value", "const char*", (f'"{name}"' for name in words)))
    parts.append("inline constexpr size_t no_value = SIZE_MAX;\n\n")
    kinds = [value_type(field) for field, _ in words.values()]
    missing = [f'{"__builtin_nanf" if kind == "float" else "__builtin_nan"}("")' for kind in kinds]
    parts.append("struct Values {\n    uint64_t made[value_count > 0 ? value_count : 1] = {};  // [us], 0: never\n")
    parts += (f"    {kind} {name} = {nan};\n" for kind, name, nan in zip(kinds, names, missing, strict=True))
    parts.append("};\n\n")
    parts.append(_by_number(names, kinds))
    packed: tuple[Record | LinkFrame, ...] = (*(r for r in layout.records if r.id < RECORDS_OF_ALL), *layout.frames)
    parts += (_fill(row, words) for row in packed)
    parts += (_take(frame, words) for frame in layout.frames)
    parts += (_newest(frame, words) for frame in layout.frames)
    parts.append(_each("frame", layout.frames))
    parts.append(_each("record", packed[: len(packed) - len(layout.frames)]))
    return "".join(parts) + TAIL


def _by_number(names: Sequence[str], kinds: Sequence[str]) -> str:
    puts = "".join(
        f"        case value::{name}:\n            v.{name} = {kind}(x);\n            break;\n"
        for name, kind in zip(names, kinds, strict=True)
    )
    gets = "".join(f"        case value::{name}:\n            return double(v.{name});\n" for name in names)
    copies = "".join(
        f"    if (from.made[value::{name}] > to.made[value::{name}]) {{\n"
        f"        to.{name} = from.{name};\n        to.made[value::{name}] = from.made[value::{name}];\n    }}\n"
        for name in names
    )
    return (
        "// Put the value of channel number `which`, made at `made` [us].\n"
        "inline void put_value(Values& v, size_t which, double x, uint64_t made) {\n    switch (which) {\n"
        f"{puts}        default:\n            return;\n    }}\n    v.made[which] = made;\n}}\n\n"
        "// The value of channel number `which`, not-a-number when there is none.\n"
        "inline double get_value(const Values& v, size_t which) {\n    switch (which) {\n"
        f"{gets}        default:\n            return __builtin_nan(\"\");\n    }}\n}}\n\n"
        "// Take over what is newer.\n"
        f"inline void merge(Values& to, const Values& from) {{\n{copies}}}\n\n"
        "// Whether channel number `which` was made at `oldest` [us] or later.\n"
        "inline bool known(const Values& v, size_t which, uint64_t oldest) {\n"
        "    return v.made[which] != 0 && v.made[which] >= oldest;\n}\n\n"
    )  # fmt: skip


def _fill(row: Record | LinkFrame, words: Members) -> str:
    lines = []
    for field in row.fields:
        if field == TIME:
            continue
        word = words[field.name][1]
        nan = f'__builtin_nan{"f" if value_type(field) == "float" else ""}("")'
        lines.append(f"    row.{word} = encode<channel::{word}>(known(v, value::{word}, oldest) ? v.{word} : {nan});\n")
    return f"inline void fill({struct_name(row)}& row, const Values& v, uint64_t oldest) {{\n{''.join(lines)}}}\n\n"


def _take(frame: LinkFrame, words: Members) -> str:
    lines = []
    for field in frame.fields:
        word = words[field.name][1]
        lines.append(f"    const auto {word} = decode<channel::{word}>(row.{word});\n")
        lines.append(f"    if ({word} == {word}) put_value(v, value::{word}, double({word}), made);\n")
    return f"inline void take(const {struct_name(frame)}& row, Values& v, uint64_t made) {{\n{''.join(lines)}}}\n\n"


def _newest(frame: LinkFrame, words: Members) -> str:
    lines = [
        f"    if (v.made[value::{words[field.name][1]}] > made) made = v.made[value::{words[field.name][1]}];\n"
        for field in frame.fields
    ]
    return (
        f"// When the newest of its channels was made [us], 0 when none was.\n"
        f"inline uint64_t newest(const {struct_name(frame)}&, const Values& v) {{\n"
        f"    uint64_t made = 0;\n{''.join(lines)}    (void)v;\n    return made;\n}}\n\n"
    )


def _each(kind: str, packed: Iterable[Record | LinkFrame]) -> str:
    calls = "".join(f"    go({struct_name(row)}{{}});\n" for row in packed)
    return (
        f"// Call `go` with an empty {kind} of each kind.\n"
        f"template <typename Go>\nvoid each_{kind}(Go&& go) {{\n{calls}    (void)go;\n}}\n\n"
    )


# -------------------------------------------------------------------------------------------------- boards.hpp

_KINDS = """\
// An encoder and the channels that come of it, no_value where none is asked for.
struct EncoderKind {
    const char* name;
    uint8_t bits;
    size_t angle;
    size_t speed;
    size_t turned;
};

// An actuator, the channel that asks it to move, and its safe states. link_us: silence of the other board after
// which the link is lost, where the channel comes from there; 0 where it does not.
struct ActuatorKind {
    const char* name;
    size_t asked;
    uint32_t link_us;
    FailsafeActuator failsafe;
};

// What releases a frame or record: a channel that has come anew, or its own period (no_value).
struct Release {
    uint8_t id;
    size_t channel;
};

constexpr size_t release_of(const Release* table, size_t count, uint8_t id) {
    for (size_t k = 0; k < count; ++k) {
        if (table[k].id == id) return table[k].channel;
    }
    return no_value;
}

// What the boards have in common: ages [us] after which a command of the radio and a frame are stale.
inline constexpr uint32_t radio_stale_us = {radio};
inline constexpr uint32_t link_stale_us = {link};
"""


def boards_header(car: str, electronics: Electronics, layout: Layout, hash_value: int) -> str:
    """Return the text of boards.hpp."""
    words = channel_words(electronics, layout)
    includes = ("stddef.h", "stdint.h", "fifthwheel/failsafe.hpp")
    kinds = _KINDS.replace("{radio}", str(round(1e6 * RADIO_STALE))).replace("{link}", str(round(1e6 * LINK_STALE)))
    text = head(car, _BOARDS, includes, hash_value).replace('"channels.hpp"', '"channels.hpp"\n#include "values.hpp"')
    parts = [text, kinds, "\n"]
    parts += rows_of("frame_release", "Release", _frame_releases(electronics, layout, words))
    parts += rows_of("record_release", "Release", _record_releases(electronics, layout, words))
    parts.append("\n")
    parts += (_board(electronics, layout, words, name, word) for name, word in board_words(electronics).items())
    return "".join(parts) + TAIL


def rows_of(name: str, kind: str, entries: Iterable[str]) -> Iterator[str]:
    """Yield a table with its count as lines; an empty one holds one entry that is never looked at."""
    made = list(entries)
    body = "".join(f"    {entry},\n" for entry in made or ["{}"])
    yield f"inline constexpr {kind} {name}_table[] = {{\n{body}}};\n"
    yield f"inline constexpr size_t {name}_count = {len(made)};\n"


def _frame_releases(electronics: Electronics, layout: Layout, words: Members) -> Iterator[str]:
    fixes = _fix_channels(electronics)
    for frame in layout.frames:
        first = next((field.name for field in frame.fields if field.name in fixes), None)
        if first is not None:
            yield f"{{{frame.id}, value::{words[first][1]}}}"


def _record_releases(electronics: Electronics, layout: Layout, words: Members) -> Iterator[str]:
    """Yield for each record what releases it: a fix, or the frame of its own rate that brings most of its channels."""
    fixes = _fix_channels(electronics)
    for record in (r for r in layout.records if r.id < RECORDS_OF_ALL):
        names = [field.name for field in record.fields if field != TIME]
        brings = {
            frame.id: [field.name for field in frame.fields if field.name in names]
            for frame in layout.frames
            if frame.target == record.board and frame.rate == record.rate
        }
        best = max(brings.values(), key=len, default=[])
        first = next((name for name in names if name in fixes), best[0] if best else None)
        if first is not None:
            yield f"{{{record.id}, value::{words[first][1]}}}"


def _fix_channels(electronics: Electronics) -> set[str]:
    return {channel for sensor in electronics.sensors if sensor.kind == "gnss" for channel in sensor.channels}


def _board(electronics: Electronics, layout: Layout, words: Members, name: str, word: str) -> str:
    here = [sensor for sensor in electronics.sensors if sensor.controller in (name, None)]
    encoders = [sensor for sensor in here if sensor.kind == "encoder"]
    read = {channel for sensor in encoders for channel in sensor.channels}
    sampled = [c for sensor in here if sensor.kind != "encoder" for c in sensor.channels]
    sampled += _own(electronics, layout, name)
    numbers = [f"value::{words[c][1]}" for c in dict.fromkeys(sampled) if c in words and c not in read]
    moved = [actuator for actuator in electronics.actuators if actuator.controller in (name, None)]
    card = electronics.card
    lines = [
        f"namespace {word} {{\n",
        *rows_of("encoder", "EncoderKind", (_encoder(sensor, words) for sensor in encoders)),
        *rows_of("sampled", "size_t", numbers or []),
        *rows_of(
            "actuator",
            "ActuatorKind",
            (_actuator(actuator, words, _silence(layout, word, actuator)) for actuator in moved),
        ),
        *(f"inline constexpr uint32_t {what}_us = {us};\n" for what, us in _periods(electronics, name)),
        f"inline constexpr uint32_t sync_us = {round(1e6 * card.sync) if card else 0};\n",
        f"inline constexpr bool has_card = {'true' if card and card.controller == name else 'false'};\n\n",
        "struct Map {\n",
        f"    static constexpr Board board = Board::{word};\n",
        *(
            f"    static constexpr const auto& {table} = {word}::{table}_table;\n"
            f"    static constexpr size_t {table}_count = {word}::{table}_count;\n"
            for table in ("encoder", "sampled", "actuator")
        ),
        *(
            f"    static constexpr {kind} {what} = {word}::{what};\n"
            for what, kind in (
                *((f"{p}_us", "uint32_t") for p in PERIODS),
                ("sync_us", "uint32_t"),
                ("has_card", "bool"),
            )
        ),
        "};\n",
        f"}}  // namespace {word}\n\n",
    ]
    return "".join(lines)


def _own(electronics: Electronics, layout: Layout, name: str) -> list[str]:
    """Return channels that a board sends or records and no sensor gives: it makes them itself."""
    given = {channel for sensor in electronics.sensors for channel in sensor.channels}
    board = identifier(name)
    sent = [field.name for frame in layout.frames if frame.source == board for field in frame.fields]
    heard = {field.name for frame in layout.frames if frame.target == board for field in frame.fields}
    kept = [f.name for r in layout.records if r.board == board and r.id < RECORDS_OF_ALL for f in r.fields if f != TIME]
    return [channel for channel in (*sent, *kept) if channel not in given and channel not in heard]


def _number(words: Members, channel: str | None) -> str:
    return f"value::{words[channel][1]}" if channel is not None and channel in words else "no_value"


def _encoder(sensor: Sensor, words: Members) -> str:
    found = {kind: next((c for c in sensor.channels if c.startswith(f"wheel_{kind}_")), None) for kind in _ENCODED}
    numbers = ", ".join(_number(words, channel) for channel in found.values())
    return f'{{"{identifier(sensor.name)}", {sensor.bits or 14}, {numbers}}}'


_ENCODED = ("angle", "speed", "turned")


def _silence(layout: Layout, board: str, actuator: Actuator) -> float:
    """Return the silence of the other board [s] that is a lost link for what it asks of an actuator, 0 for nothing."""
    frames = [frame for frame in layout.frames if frame.target == board]
    asked = ASKED.get(actuator.kind)
    if not any(field.name == asked for frame in frames for field in frame.fields):
        return 0.0
    return max(LINK_STALE, PERIODS_MISSED / max(frame.rate for frame in frames))


def _actuator(actuator: Actuator, words: Members, silence: float) -> str:
    motor = actuator.kind == "motor"
    usual = "off" if motor else "neutral"
    states = ", ".join(f"SafeState::{actuator.safe.get(trouble, usual)}" for trouble in SAFE)
    numbers = ", ".join(map(real, (-1.0, 1.0, 0.0, -1.0 if motor else 0.0, 0.0)))
    flags = f"{'true' if motor else 'false'}, {real(ZERO)}, {'true' if motor else 'false'}"
    rest = f"{numbers}, {round(1e6 * max(GOOD_FOR, 2.0 * silence))}, {flags}"
    asked = f"{_number(words, ASKED.get(actuator.kind))}, {round(1e6 * silence)}"
    return f'{{"{identifier(actuator.name)}", {asked}, {{{{{states}}}, {rest}}}}}'


def _periods(electronics: Electronics, name: str) -> Iterator[tuple[str, int]]:
    """Yield the periods [us] of what a board does: of the tasks that do it where car.toml says which."""
    here = {task.name: task for task in electronics.tasks if task.controller in (name, None) and not task.interrupt}
    readers = [t.period for t in here.values() if any(s.kind == "encoder" and s.name in t.reads
                                                      for s in electronics.sensors)]  # fmt: skip
    named = {
        "sample": min(readers, default=None),
        "link": _period(here, electronics.link.tasks.get(name) if electronics.link else None),
        "card": _period(here, electronics.card.task if electronics.card else None),
    }
    for what, usual in PERIODS.items():
        yield what, max(1, round(1e6 * (named.get(what) or usual)))


def _period(tasks: Mapping[str, Task], name: str | None) -> float | None:
    task = tasks.get(name or "")
    return None if task is None else task.period
