"""How the generated C++ is written: the head of a file, comments, numbers, tables."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from fifthwheel.layout import SIZES, Field

WIDTH = 110

C_TYPES = {name: f"{'u' if name[0] == 'u' else ''}int{name[1:]}_t" for name in SIZES if name[0] != "f"} | {
    "f32": "float", "f64": "double",
}  # fmt: skip
"""Type of the layout -> type of C++."""

FLOAT_STEPS = 2.0**22
"""Steps that a 32-bit floating number tells apart with room for rounding; beyond it a value is a double."""


def head(car: str, what: str, includes: Iterable[str], hash_value: int | None = None) -> str:
    """Return how a file begins. hash_value: of the layout that the file belongs to, held against channels.hpp."""
    system = sorted(name for name in includes if not name.startswith("fifthwheel/") and name != "channels.hpp")
    own = sorted(name for name in includes if name.startswith("fifthwheel/"))
    lines = [
        comment(what), "//", comment(f"Made from the car.toml of {car} by `fifthwheel generate`; do not edit."),
        "#pragma once", "", *(f"#include <{name}>" for name in system),
    ]  # fmt: skip
    if own:
        lines += ["", *(f"#include <{name}>" for name in own)]
    if hash_value is not None:
        lines += ["", '#include "channels.hpp"']
    lines += ["", "namespace fifthwheel::car {", ""]
    if hash_value is not None:
        told = "channels.hpp is of another car.toml: generate again and copy all files"
        lines += [f"static_assert(layout_hash == {hexadecimal(hash_value)},", f'              "{told}");', ""]
    return "\n".join(lines) + "\n"


TAIL = "}  // namespace fifthwheel::car\n"


def comment(text: str, indent: str = "") -> str:
    """Return words as comment lines, in ASCII."""
    words, width = plain(text).rstrip(), WIDTH - 3 - len(indent)
    lines = [words] if words else []
    if len(words) > width:
        import textwrap

        lines = textwrap.wrap(words, width, break_on_hyphens=False)
    return "\n".join(f"{indent}// {line}" for line in lines)


def plain(text: str) -> str:
    """Return words with printable ASCII signs only and without a backslash, which would join lines of C++."""
    if text.isascii() and text.isprintable() and "\\" not in text:
        return text
    return "".join(sign if " " <= sign <= "~" and sign != "\\" else "?" for sign in text)


def hexadecimal(number: int) -> str:
    """Return a 64-bit number as a literal."""
    return f"0x{number:016X}ULL"


def real(number: float, kind: str = "float") -> str:
    """Return a floating literal that reads back as the same number of its kind."""
    text = repr(float(number))
    return f"{text}F" if kind == "float" else text


def value_type(field: Field) -> str:
    """Return the type that a program computes with: float, or double where that would lose counts."""
    if field.type == "f32" and field.scale == 1.0 and field.offset == 0.0:
        return "float"
    narrow = field.type in ("u8", "i8", "u16", "i16")
    return "float" if narrow and abs(field.offset) <= FLOAT_STEPS * abs(field.scale) else "double"


def rows(name: str, kind: str, entries: Iterable[str]) -> Iterator[str]:
    """Yield a constant table with its count; only the count where it is empty, for C++ has no empty array."""
    made = list(entries)
    if made:
        yield f"inline constexpr {kind} {name}_table[] = {{"
        yield from (f"    {entry}," for entry in made)
        yield "};"
    yield f"inline constexpr size_t {name}_count = {len(made)};"
