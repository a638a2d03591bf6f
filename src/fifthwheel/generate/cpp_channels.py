"""channels.hpp: the packed structs of a car's records and frames, and how each channel lies in them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from fifthwheel.car.electronics import Electronics
from fifthwheel.car.identifiers import Words, type_word
from fifthwheel.car.layout_of import place
from fifthwheel.generate.cpp_text import C_TYPES, TAIL, comment, head, hexadecimal, real, value_type
from fifthwheel.glossary import CHANNELS
from fifthwheel.layout import SIZES, TIME, Field, Layout, LinkFrame, Record

CHANNELS_HPP = "channels.hpp"

WHAT = (
    "How the channels of the car are packed: structs of card records and link frames as they lie in memory, on the "
    "card and on the link (little-endian, no gaps), and a struct for each channel that says what a count is. "
    "`row.accel_x = encode<channel::accel_x>(ax)` packs a value, `decode<channel::accel_x>(row.accel_x)` gives it back."
)

TAKEN = (
    "board", "source", "target", "frame_type", "record_id", "rate_hz", "channel", "layout_hash", "layout_text",
    "layout_bytes", "layout_low", "frame", "record", "setting", "task", "pin", "card", "link", "boards", "fifthwheel",
    "car", "send_frame", "take_frame", "log_record", "link_baud", "largest_payload", "frame_room", "any_core", "std",
    "frame_table", "frame_count", "record_table", "record_count", "setting_table", "setting_count",
    "card_block_bytes", "card_buffer_bytes", "card_ring_bytes", "encode", "decode",
)  # fmt: skip
"""Words of the generated headers that no board and no member may have."""

RECORDS_OF_ALL = 248
"""Records from this id on are those of every car."""


def channels_header(car: str, electronics: Electronics, layout: Layout, hash_value: int) -> str:
    """Return the text of channels.hpp. Raises CarError where two names become one word."""
    words = channel_words(electronics, layout)
    parts = [head(car, WHAT, ("stddef.h", "stdint.h", "fifthwheel/packed.hpp"))]
    parts.append("static_assert(__BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__,\n")
    parts.append('              "records and frames are packed structs of a little-endian target");\n\n')
    parts.append(f"{comment('The first eight bytes of SHA-256 of the layout text (log_map.hpp).')}\n")
    parts.append(f"inline constexpr uint64_t layout_hash = {hexadecimal(hash_value)};\n\n")
    names = ", ".join(board_words(electronics).values())
    parts.append(f"enum class Board : uint8_t {{ {names} }};\n\n")
    notes = {entry.name: entry.note for entry in electronics.carried}
    channels = [_channel(field, word, notes.get(field.name, "")) for field, word in words.values()]
    parts.append("namespace channel {\n\n" + "\n".join(channels) + "\n}  // namespace channel\n\n" if channels else "")
    packed: tuple[Record | LinkFrame, ...] = (*layout.records, *layout.frames)
    structs = [_record(record, words) for record in layout.records]
    structs += [_frame(frame, words) for frame in layout.frames]
    if any(row.fields for row in packed):
        parts.append("#pragma pack(push, 1)\n\n" + "\n".join(structs) + "\n#pragma pack(pop)\n\n")
    parts.append("\n".join(line for row in packed for line in _asserts(row, words)))
    return "".join(parts).rstrip("\n") + "\n\n" + TAIL


def board_words(electronics: Electronics) -> Mapping[str, str]:
    """Return controller -> its word. Raises CarError where two become one, or a word of the headers."""
    words = Words("controllers", TAKEN)
    return {
        board.name: words.add(board.name, place(electronics, board, f"controller {board.name}"))
        for board in electronics.controllers
    }


def struct_name(row: Record | LinkFrame) -> str:
    """Return the name of a row's struct: MainRecord, DriverFrame."""
    return type_word(row.name) + ("Record" if isinstance(row, Record) else "Frame")


Members = Mapping[str, tuple[Field, str]]


def channel_words(electronics: Electronics, layout: Layout) -> Members:
    """Return channel -> its field and its word, in the order in which they come."""
    words, made = Words("channels", (*TAKEN, TIME.name)), dict[str, tuple[Field, str]]()
    known = {entry.name: entry for entry in electronics.carried}
    own = [record for record in layout.records if record.id < RECORDS_OF_ALL]
    packed: tuple[Record | LinkFrame, ...] = (*own, *layout.frames)
    for row in packed:
        for field in row.fields:
            if field != TIME and field.name not in made:
                where = place(electronics, known.get(field.name), f"channel {field.name}")
                made[field.name] = field, words.add(field.name, where)
    return made


def _channel(field: Field, word: str, note: str) -> str:
    entry, kind = CHANNELS.get(field.name), value_type(field)
    label = entry.label if entry is not None else field.name.replace("_", " ")
    said = f"{label} [{field.unit}]{_span(field)}" + (f"; {note}" if note else "")
    return (
        f"{comment(said[:1].upper() + said[1:])}\n"
        f"struct {word} {{\n"
        f"    using Count = {C_TYPES[field.type]};\n"
        f"    using Value = {kind};\n"
        f"    static constexpr Value scale = {real(field.scale, kind)};\n"
        f"    static constexpr Value offset = {real(field.offset, kind)};\n"
        f'    static constexpr const char* unit = "{field.unit}";\n'
        "};\n"
    )


def _span(field: Field) -> str:
    """Return what a count is and how far counts reach: ", 0.05 a count, -1638.35 to 1638.35"."""
    missing = field.missing
    if missing is None:
        plain = field.scale == 1.0 and field.offset == 0.0
        return "" if plain else f", {field.offset:g} + {field.scale:g} x"
    low, high = (0, missing - 1) if missing > 0 else (missing + 1, -missing - 1)
    ends = sorted(field.offset + field.scale * count for count in (low, high))
    return f", {field.scale:g} a count, {ends[0]:.7g} to {ends[1]:.7g}"


def _members(fields: tuple[Field, ...], words: Members) -> Iterator[str]:
    for field in fields:
        known = words.get(field.name)
        if field == TIME:
            yield f"    uint32_t {TIME.name};  // us since the start of the board, the low 32 bits"
        elif known is None or known[0] != field:
            yield f"    {C_TYPES[field.type]} {field.name};  // {field.unit}"
        else:
            step = "" if field.type in ("f32", "f64") and field.scale == 1.0 else f", {field.scale:g} a count"
            yield f"    {C_TYPES[field.type]} {known[1]};  // {field.unit}{step}"


def _record(record: Record, words: Members) -> str:
    how = f"at {record.rate:g} Hz" if record.rate else "as things happen"
    lines = [
        comment(f"Card record {record.name}, {how}, filled by {record.board}."),
        f"struct {struct_name(record)} {{",
        f"    static constexpr uint8_t record_id = {record.id};",
        f"    static constexpr Board board = Board::{record.board};",
        f"    static constexpr float rate_hz = {real(record.rate)};",
        *_members(record.fields, words),
        "};",
    ]
    return "\n".join(lines) + "\n"


def _frame(frame: LinkFrame, words: Members) -> str:
    what = comment(f"Link frame {frame.name} at {frame.rate:g} Hz, from {frame.source} to {frame.target}.")
    if not frame.fields:
        return f"{what}\n// It carries no channel, so that there is no struct.\n"
    lines = [
        what,
        f"struct {struct_name(frame)} {{",
        f"    static constexpr uint8_t frame_type = {frame.id};",
        f"    static constexpr Board source = Board::{frame.source};",
        f"    static constexpr Board target = Board::{frame.target};",
        f"    static constexpr float rate_hz = {real(frame.rate)};",
        *_members(frame.fields, words),
        "};",
    ]
    return "\n".join(lines) + "\n"


def _asserts(row: Record | LinkFrame, words: Members) -> Iterator[str]:
    if not row.fields:
        return
    name, at = struct_name(row), 0
    told = '"not packed as the layout says"'
    yield f"static_assert(sizeof({name}) == {row.size} && alignof({name}) == 1, {told});"
    for field in row.fields:
        known = words.get(field.name)
        member = known[1] if known is not None and known[0] == field else field.name
        yield f"static_assert(offsetof({name}, {member}) == {at}, {told});"
        at += SIZES[field.type]
