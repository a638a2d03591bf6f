"""How a film lies on the log, kept in the session and used again for the same film.

One file per film, `film/NAME.toml` in the session's folder, with the film's SHA-256 and size: another film of the same
name does not take its place.
"""

from __future__ import annotations

import contextlib
import math
import tomllib
from pathlib import Path

from fifthwheel.data import Alignment
from fifthwheel.errors import SessionError
from fifthwheel.store.recording import hash_file

FOLDER = "film"

METHODS: tuple[str, ...] = ("sound", "picture", "marked moments", "given")

_HEAD = """\
# How this film lies on the log, written by `fifthwheel film`: log time = offset + (1 + rate) x film time, in seconds,
# both since their first row or picture. It holds for the film with this SHA-256. Delete the file to align anew.
"""

_NUMBERS = ("offset", "u_offset", "rate", "u_rate")


def path_of(session: Path, film: Path) -> Path:
    """Return where a session keeps the alignment of a film."""
    return session / FOLDER / f"{film.name}.toml"


def save_alignment(session: Path, film: Path, alignment: Alignment) -> Path:
    """Write a film's alignment into the session, whole or not at all, and return the file's path.

    Raises SessionError when the film cannot be read or the disk refuses.
    """
    if not all(math.isfinite(getattr(alignment, name)) for name in _NUMBERS):
        raise SessionError("the alignment has numbers that are not finite", where=film.name, found=str(alignment))
    digest = hash_file(film)
    path = path_of(session, film)
    lines = [
        _HEAD, f"film = {_text(film.name)}", f'sha256 = "{digest}"', f"size = {film.stat().st_size}",
        f"method = {_text(alignment.method)}", f"boot = {alignment.boot}",
        *(f"{name} = {float(getattr(alignment, name))!r}" for name in _NUMBERS),
    ]  # fmt: skip
    stage = path.with_name(f".{path.name}.partial")
    try:
        path.parent.mkdir(exist_ok=True)
        stage.write_text("\n".join(lines) + "\n", encoding="utf-8")
        stage.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            stage.unlink(missing_ok=True)
        raise SessionError(
            "the alignment cannot be written", where=str(path), found=error.strerror or str(error)
        ) from error
    return path


def load_alignment(session: Path, film: Path) -> Alignment | None:
    """Return the alignment that the session keeps for a film; None when it keeps none, or one of another film.

    Raises SessionError when the file is damaged or the film cannot be read.
    """
    path = path_of(session, film)
    if not path.is_file():
        return None
    try:
        told = tomllib.loads(path.read_text(encoding="utf-8"))
        numbers = {name: float(told[name]) for name in _NUMBERS}
        boot, size, digest, method = int(told["boot"]), int(told["size"]), str(told["sha256"]), str(told["method"])
        if method not in METHODS:
            raise ValueError(f"method '{method}'")
        if (
            not all(math.isfinite(value) for value in numbers.values())
            or min(numbers["u_offset"], numbers["u_rate"]) < 0
        ):
            raise ValueError("a number that is not finite, or an uncertainty below 0")
    except (OSError, ValueError, KeyError, TypeError, tomllib.TOMLDecodeError) as error:
        raise SessionError(
            "the alignment of a film is damaged",
            where=str(path),
            expected=", ".join(("film", "sha256", "size", "method", "boot", *_NUMBERS)),
            found=f"no {error}" if isinstance(error, KeyError) else str(error),
            do="Delete the file; the film is then aligned anew",
        ) from error
    if not film.is_file() or film.stat().st_size != size or hash_file(film) != digest:
        return None
    return Alignment(film.name, method, boot=boot, **numbers)


def _text(value: str) -> str:
    """Return a TOML basic string (TOML 1.0, strings): JSON escapes are among its own."""
    import json

    return json.dumps(value).replace("\x7f", "\\u007F")
