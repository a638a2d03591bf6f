"""An alignment is kept in the session for the very film it was made of."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from fifthwheel.data import Alignment
from fifthwheel.errors import SessionError
from fifthwheel.film.aligned import load_alignment, path_of, save_alignment

NAMES = ["clip.mp4", 'a "quoted" name.mov', "dreizehn ü\x7f.mkv"]


def made(name: str) -> Alignment:
    return Alignment(name, "sound", 12.345678901234567, 0.0012, -3.4e-5, 1.1e-5, 2)


@pytest.mark.parametrize("name", NAMES)
def test_what_is_saved_comes_back_whole(tmp_path: Path, name: str) -> None:
    film = tmp_path / name
    film.write_bytes(b"pictures")
    path = save_alignment(tmp_path, film, made(name))
    assert path == path_of(tmp_path, film) == tmp_path / "film" / f"{name}.toml"
    assert load_alignment(tmp_path, film) == made(name)
    assert [p.name for p in path.parent.iterdir()] == [path.name]
    assert tomllib.loads(path.read_text(encoding="utf-8"))["film"] == name


def test_another_film_of_the_same_name_is_not_taken_for_it(tmp_path: Path) -> None:
    film = tmp_path / "clip.mp4"
    film.write_bytes(b"pictures")
    assert load_alignment(tmp_path, film) is None
    save_alignment(tmp_path, film, made("clip.mp4"))
    film.write_bytes(b"Pictures")  # the same size
    assert load_alignment(tmp_path, film) is None
    film.unlink()
    assert load_alignment(tmp_path, film) is None


@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        ("offset = ", "offsett = ", "no 'offset'"),
        ("rate = -3.4e-05", "rate = nan", "not finite"),
        ('method = "sound"', 'method = "guess"', "method 'guess'"),
        ("boot = 2", 'boot = "two"', "two"),
        ("film = ", "film : ", "."),
    ],
)
def test_a_damaged_file_says_what_to_do(tmp_path: Path, old: str, new: str, found: str) -> None:
    film = tmp_path / "clip.mp4"
    film.write_bytes(b"pictures")
    path = save_alignment(tmp_path, film, made("clip.mp4"))
    text = path.read_text(encoding="utf-8")
    assert f"\n{old}" in text
    path.write_text(text.replace(f"\n{old}", f"\n{new}"), encoding="utf-8")
    with pytest.raises(SessionError, match="Delete the file") as caught:
        load_alignment(tmp_path, film)
    assert found in str(caught.value)


def test_nothing_is_written_where_it_cannot_be(tmp_path: Path) -> None:
    film = tmp_path / "clip.mp4"
    film.write_bytes(b"pictures")
    (tmp_path / "film").write_text("a file in the way")
    with pytest.raises(SessionError, match="cannot be written"):
        save_alignment(tmp_path, film, made("clip.mp4"))
    with pytest.raises(SessionError, match="not finite"):
        save_alignment(tmp_path, film, Alignment("clip.mp4", "sound", float("nan"), 0.0, 0.0, 0.0))
