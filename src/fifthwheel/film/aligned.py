"""How a film lies on the log, kept in the session and used again for the same film.

One file per film, `film/NAME.toml` in the session's folder, with the film's SHA-256 and size: another film of the same
name does not take its place. A film of several files has the name of the first and how many follow, `NAME+2.toml`, and
one SHA-256 over the bytes of all of them, one after the other.
"""

from __future__ import annotations

import contextlib
import hashlib
import math
import tomllib
from collections.abc import Sequence
from pathlib import Path

from fifthwheel.data import Alignment
from fifthwheel.errors import SessionError
from fifthwheel.store.recording import hash_file

FOLDER = "film"

METHODS: tuple[str, ...] = ("sound", "picture", "marked moments", "given")

_HEAD = """\
# How this film lies on the log, written by `fifthwheel film`: log time = offset + (1 + rate) x film time, in seconds,
# both since their first row or picture. It holds for the film with this SHA-256, of several files over all their bytes
# in order. Delete the file to align anew.
"""

_NUMBERS = ("offset", "u_offset", "rate", "u_rate")


def name_of(films: Path | Sequence[Path]) -> str:
    """Return what a film of one file or of several in order is called: the first one's name, and how many follow."""
    files = _files(films)
    return files[0].name + (f"+{len(files) - 1}" if len(files) > 1 else "")


def stem_of(films: Path | Sequence[Path]) -> str:
    """Return how what is made of a film is named: as the first file without its ending, and how many follow."""
    files = _files(films)
    return files[0].stem + (f"+{len(files) - 1}" if len(files) > 1 else "")


def path_of(session: Path, films: Path | Sequence[Path]) -> Path:
    """Return where a session keeps the alignment of a film."""
    return session / FOLDER / f"{name_of(films)}.toml"


def save_alignment(session: Path, films: Path | Sequence[Path], alignment: Alignment) -> Path:
    """Write a film's alignment into the session, whole or not at all, and return the file's path. films: the file, or
    all of them in order.

    Raises SessionError when the film cannot be read or the disk refuses.
    """
    if not all(math.isfinite(getattr(alignment, name)) for name in _NUMBERS):
        raise SessionError("the alignment has numbers that are not finite", where=name_of(films), found=str(alignment))
    digest = _hash(films)
    path = path_of(session, films)
    lines = [
        _HEAD, f"film = {_text(name_of(films))}", f'sha256 = "{digest}"', f"size = {_size(films)}",
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


def load_alignment(session: Path, films: Path | Sequence[Path]) -> Alignment | None:
    """Return the alignment that the session keeps for a film; None when it keeps none, or one of another film.

    Raises SessionError when the file is damaged or the film cannot be read.
    """
    path = path_of(session, films)
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
    if not all(film.is_file() for film in _files(films)) or _size(films) != size or _hash(films) != digest:
        return None
    return Alignment(name_of(films), method, boot=boot, **numbers)


def _files(films: Path | Sequence[Path]) -> Sequence[Path]:
    return [films] if isinstance(films, Path) else films


def _size(films: Path | Sequence[Path]) -> int:
    return sum(film.stat().st_size for film in _files(films))


def _hash(films: Path | Sequence[Path]) -> str:
    """Return the SHA-256 of a film's bytes, of several files one after the other."""
    files = _files(films)
    if len(files) == 1:
        return hash_file(files[0])
    made = hashlib.sha256()
    for path in files:
        try:
            with path.open("rb") as file:
                while block := file.read(1 << 20):
                    made.update(block)
        except OSError as error:
            why = error.strerror or str(error)
            raise SessionError("the file cannot be read", where=str(path), found=why) from error
    return made.hexdigest()


def _text(value: str) -> str:
    """Return a TOML basic string (TOML 1.0, strings): JSON escapes are among its own."""
    import json

    return json.dumps(value).replace("\x7f", "\\u007F")
