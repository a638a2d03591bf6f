"""Errors a person can act on: what went wrong, where, what was expected, what was found, what to do."""

from __future__ import annotations

from collections.abc import Iterable


class FifthwheelError(Exception):
    """A refusal with its reason in one paragraph.

    Parameters: what (sentence without full stop), where (file, line, key or column), expected, found, do.
    The command line prints `str(error)` and ends with exit status 2; no traceback.
    """

    def __init__(self, what: str, *, where: str = "", expected: str = "", found: str = "", do: str = "") -> None:
        self.what = what
        self.where = where
        self.expected = expected
        self.found = found
        self.do = do
        super().__init__(self._paragraph())

    def _paragraph(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        if self.expected:
            text += f"; expected {self.expected}"
        if self.found:
            text += f"; found {self.found}" if self.expected else f": found {self.found}"
        text = text.rstrip(".") + "."
        if self.do:
            text += " " + self.do.rstrip(".") + "."
        return text


class UnitError(FifthwheelError):
    """A quantity that cannot be read, or that is in a unit of another dimension."""


class CarError(FifthwheelError):
    """A `car.toml` or `session.toml` that cannot be used."""


class ReadError(FifthwheelError):
    """A raw file that cannot be read, or a mapping that does not fit it."""


class SessionError(FifthwheelError):
    """A session folder that is missing, incomplete or changed under our feet."""


class FigureError(FifthwheelError):
    """A figure asked for outside its definition."""


def nearest(word: str, known: Iterable[str]) -> str:
    """Return ` (nearest: 'x')` when a known name is close to `word`, else an empty string."""
    from difflib import get_close_matches

    names = list(known)
    lowered = {name.lower(): name for name in names}
    close = get_close_matches(word.lower(), list(lowered), n=1, cutoff=0.6)
    return f" (nearest: '{lowered[close[0]]}')" if close else ""
