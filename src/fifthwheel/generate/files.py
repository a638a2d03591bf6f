"""What is generated as files: written in one step each, a file that a person has changed kept under another name.

`generated.json` beside the files holds the SHA-256 of each as it was written, so that a changed one is known.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

from fifthwheel.errors import FifthwheelError

RECORD = "generated.json"


@dataclass(frozen=True)
class Written:
    """paths: the files, in order. kept: (new name, old name) of files that a person had changed."""

    paths: tuple[Path, ...]
    kept: tuple[tuple[Path, Path], ...]


def write_files(folder: Path, files: Mapping[str, bytes], *, precious: Collection[str] = ()) -> Written:
    """Write name -> content into a folder, which is made. Raises FifthwheelError when that cannot be done.

    precious: files that hold a person's work already, so that they too are kept when they must change again.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        record = _record(folder)
        kept = []
        for name, content in files.items():
            path = folder / name
            old = path.read_bytes() if path.exists() else None
            if old != content:
                if old is not None and record.get(name) != _hash(old):
                    kept.append((_keep(path), path))
                _write(path, content)
                record[name] = "" if name in precious else _hash(content)
        told = (json.dumps(dict(sorted(record.items())), indent=1) + "\n").encode()
        if not (folder / RECORD).exists() or (folder / RECORD).read_bytes() != told:
            _write(folder / RECORD, told)
    except OSError as error:
        raise FifthwheelError(
            "the files could not be written", where=str(error.filename or folder), found=error.strerror or str(error),
            do="Check that the folder may be written to and that the disk has room",
        ) from error  # fmt: skip
    return Written(tuple(folder / name for name in files), tuple(kept))


def out_of_date(folder: Path, files: Mapping[str, bytes]) -> tuple[str, ...]:
    """Return "name: why" of every file that is missing or not as it would be written now."""
    told = []
    for name, content in files.items():
        try:
            same = (folder / name).read_bytes() == content
        except FileNotFoundError:
            told.append(f"{name}: missing")
            continue
        except OSError as error:
            told.append(f"{name}: {error.strerror or error}")
            continue
        if not same:
            told.append(f"{name}: not as car.toml now makes it")
    return tuple(told)


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _record(folder: Path) -> dict[str, str]:
    """Return name -> hash as written; without a readable record every file counts as changed by a person."""
    try:
        found = json.loads((folder / RECORD).read_text(encoding="utf-8"))
    except (FileNotFoundError, ValueError):
        return {}
    return {str(name): str(value) for name, value in found.items()} if isinstance(found, dict) else {}


def _keep(path: Path) -> Path:
    """Rename a file to the first free "name-kept-1.ext" and return that name."""
    number = 1
    while (free := path.with_name(f"{path.stem}-kept-{number}{path.suffix}")).exists():
        number += 1
    path.rename(free)
    return free


def _write(path: Path, content: bytes) -> None:
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    partial = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        partial.chmod(0o644)
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)
