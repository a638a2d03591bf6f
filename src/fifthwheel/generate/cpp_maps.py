"""link_map.hpp, log_map.hpp and settings_map.hpp: what goes over the link, onto the card, and can be set."""

from __future__ import annotations

from collections.abc import Iterator

from fifthwheel.car.electronics import Card, Electronics
from fifthwheel.car.layout_of import MOST_BLOCK, SECTOR, place
from fifthwheel.errors import CarError
from fifthwheel.generate.cpp_channels import struct_name
from fifthwheel.generate.cpp_text import TAIL, comment, head, plain, real, rows
from fifthwheel.layout import Layout, LinkFrame, Record

LINK_HPP, LOG_HPP, SETTINGS_HPP = "link_map.hpp", "log_map.hpp", "settings_map.hpp"

USUAL_BAUD = 1_000_000
"""Bit rate for what must have one where there is no link [bit/s]."""

_LINK = (
    "Which frames go over the link. `send_frame<Board::front>(link.sender(), frame, now, out, &written)` makes one, "
    "`take_frame<Board::rear>(received, &frame)` gives one back; a frame that is not of that board does not compile. "
    "Frames of a board with another layout_hash are refused and counted by the link."
)
_SEND = """\
// Make a frame of this board for its port.
template <Board self, typename Frame, size_t room>
Status send_frame(LinkSender& sender, const Frame& frame, uint64_t now, uint8_t (&out)[room], size_t* written) {
    static_assert(Frame::source == self, "another board sends this frame");
    return sender.send(frame, now, out, written);
}

// Copy a received frame into its struct; other_layout where it is of another kind or size.
template <Board self, typename Frame>
Status take_frame(const LinkFrame& from, Frame* to) {
    static_assert(Frame::target == self, "this frame goes to another board");
    return read_frame(from, to);
}

"""
_LOG = (
    "What the card gets. `log_record<Board::rear>(writer, row)` hands a record to the block writer; a record that this "
    "board does not fill does not compile. The writer repeats layout_text through the file, so that it can be read "
    "without anything else."
)
_WRITE = """\
// Hand a record to the writer of the card; false where it was dropped (and counted).
template <Board self, typename Writer, typename Record>
bool log_record(Writer& writer, const Record& record) {
    static_assert(Record::board == self, "another board fills this record");
    return writer.log(Record::record_id, record);
}

"""
_SETTINGS = (
    "What can be set in the field: the table for `fifthwheel::Settings<setting_table>`, and the id of each, so that "
    "`settings.get<setting::slip_target>()` is checked by the compiler."
)


def link_header(car: str, electronics: Electronics, layout: Layout, hash_value: int) -> str:
    """Return the text of link_map.hpp."""
    link = electronics.link
    parts = [
        head(car, _LINK, ("stddef.h", "stdint.h", "fifthwheel/frame.hpp", "fifthwheel/status.hpp"), hash_value),
        "struct FrameKind {\n    const char* name;\n    float rate_hz;\n    uint16_t bytes;  // of the payload\n"
        "    uint8_t type;\n    Board source;\n    Board target;\n};\n\n",
        "\n".join(rows("frame", "FrameKind", map(_frame_row, layout.frames))),
        "\n\n",
    ]  # fmt: skip
    if link is None:
        parts.append("// car.toml has no [link]: nobody is there to talk to, whatever the rate.\n")
    parts.append(f"inline constexpr uint32_t link_baud = {USUAL_BAUD if link is None else round(link.baud)};\n")
    largest = max((frame.size for frame in layout.frames), default=0)
    parts.append(f"{comment('Bytes of the largest payload, with those of the core: for Link and LinkReceiver.')}\n")
    parts.append(f"inline constexpr size_t largest_payload = {largest} > largest_core_payload ? {largest} ")
    parts.append(": largest_core_payload;\n")
    parts.append(f"{comment('Bytes of the longest frame on the wire: for buffers that a frame is made in.')}\n")
    parts.append("inline constexpr size_t frame_room = link_bound(largest_payload);\n\n")
    for frame in layout.frames:
        if frame.fields:
            parts.append(
                f'static_assert({struct_name(frame)}::frame_type >= first_type_of_layout, "the core\'s own");\n'
            )
    parts.append("\n" if any(frame.fields for frame in layout.frames) else "")
    return "".join(parts) + _SEND + TAIL


def log_header(car: str, electronics: Electronics, layout: Layout, text: str, hash_value: int) -> str:
    """Return the text of log_map.hpp. text: of the layout, with its hash."""
    parts = [
        head(car, _LOG, ("stddef.h", "stdint.h"), hash_value),
        f"{comment('The layout of all records, frames and settings as text (docs/generate.md).')}\n",
        "inline constexpr char layout_text[] =\n" + "\n".join(_quoted(text)) + ";\n",
        "inline constexpr size_t layout_bytes = sizeof(layout_text) - 1;\n",
        f'static_assert(layout_bytes == {len(text)}, "cut off");\n\n',
        "struct RecordKind {\n    const char* name;\n    float rate_hz;  // 0 for those written as things happen\n"
        "    uint16_t bytes;\n    uint8_t id;\n    Board board;\n};\n\n",
        "\n".join(rows("record", "RecordKind", map(_record_row, layout.records))),
        "\n\n",
    ]  # fmt: skip
    card = electronics.card
    if card is not None:
        parts.append(f"inline constexpr size_t card_block_bytes = {block_bytes(electronics, card)};\n")
        parts.append(f"inline constexpr size_t card_buffer_bytes = {card.buffer};\n")
        parts.append(f"{comment('Room of the ring between the control loop and the card: a power of two.')}\n")
        parts.append(f"inline constexpr size_t card_ring_bytes = {ring_bytes(card)};\n\n")
    return "".join(parts) + _WRITE + TAIL


def block_bytes(electronics: Electronics, card: Card) -> int:
    """Return the bytes of a block of the card file. Raises CarError where a block cannot be of the stated size."""
    if card.block % SECTOR or not SECTOR <= card.block <= MOST_BLOCK:
        raise CarError(
            "a block of the card's file cannot be of this size", where=place(electronics, card, "block of the card"),
            expected=f"a multiple of {SECTOR} B up to {MOST_BLOCK} B", found=f"{card.block} B",
            do="Set block of [card] to 4096 B, or leave it out",
        )  # fmt: skip
    return card.block


def ring_bytes(card: Card) -> int:
    """Return the largest power of two within the card's buffer, 64 at least."""
    return int(max(64, 1 << max(card.buffer, 1).bit_length() - 1))


def settings_header(car: str, electronics: Electronics, layout: Layout, hash_value: int) -> str:
    """Return the text of settings_map.hpp."""
    notes = [kind.note for kind in electronics.settings]
    parts = [head(car, _SETTINGS, ("stddef.h", "stdint.h", "fifthwheel/settings.hpp"), hash_value)]
    if not layout.settings:
        parts.append("// car.toml has no [[setting]].\ninline constexpr size_t setting_count = 0;\n\n")
        parts.append("using BoardSettings = NoSettings;\n\n")
        return "".join(parts) + TAIL
    parts.append("namespace setting {\n")
    for setting, note in zip(layout.settings, notes, strict=True):
        of = f"of {setting.board}, [{setting.unit}], {setting.low:g} to {setting.high:g}"
        parts.append(
            f"inline constexpr uint16_t {setting.name} = {setting.id};  // {of}{'; ' if note else ''}{plain(note)}\n"
        )
    parts.append("}  // namespace setting\n\n// id, name, unit, low, high, initial\n")
    entries = (
        f'{{{s.id}, "{s.name}", "{s.unit}", {real(s.low)}, {real(s.high)}, {real(s.default)}}}' for s in layout.settings
    )
    parts.append("\n".join(rows("setting", "Setting", entries)))
    parts.append('\n\nstatic_assert(settings_sound(setting_table), "ids, limits or defaults are wrong");\n\n')
    parts.append("using BoardSettings = Settings<setting_table>;\n\n")
    return "".join(parts) + TAIL


def _frame_row(frame: LinkFrame) -> str:
    ends = f"Board::{frame.source}, Board::{frame.target}"
    return f'{{"{frame.name}", {real(frame.rate)}, {frame.size}, {frame.id}, {ends}}}'


def _record_row(record: Record) -> str:
    return f'{{"{record.name}", {real(record.rate)}, {record.size}, {record.id}, Board::{record.board}}}'


def _quoted(text: str) -> Iterator[str]:
    for line in text.splitlines():
        yield '    "' + line.replace("\\", "\\\\").replace('"', '\\"').replace("\t", "\\t") + '\\n"'
