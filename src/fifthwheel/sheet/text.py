"""A person's text made fit to print: no control characters, one line where one line is wanted."""

from __future__ import annotations

import re
import textwrap

from fifthwheel.units import NO_BREAK, THIN

_KEPT = {"\n", "\t", NO_BREAK, THIN, "\u2009", "\u200d"}
"""Not printable in the sense of Unicode, yet harmless: spaces, and the joiner that builds one sign from several."""


def clean(text: str) -> str:
    """Return the text with every control or invisible character shown as U+FFFD."""
    return "".join(c if c.isprintable() or c in _KEPT else "\ufffd" for c in text.replace("\r\n", "\n"))


def one_line_of(text: str) -> str:
    """Return the text on one line; no-break spaces stay, so that a number keeps its unit."""
    return re.sub(r"[ \t\n]+", " ", clean(text)).strip()


def wrapped(text: str, width: int, *, first: str = "", later: str = "") -> str:
    """Return the text in lines of at most `width` columns; `first` and `later` stand before the lines."""
    lines = textwrap.wrap(
        one_line_of(text), width, initial_indent=first, subsequent_indent=later, break_on_hyphens=False
    )
    return "\n".join(lines)


def cut(text: str, most: int) -> str:
    """Return the text on one line of at most `most` characters, cut at a word with an ellipsis."""
    line = one_line_of(text)
    if len(line) <= most:
        return line
    kept = line[: most - 2]
    space = kept.rfind(" ")
    return (kept[:space] if space > most // 2 else kept).rstrip(" ,;") + " …"
