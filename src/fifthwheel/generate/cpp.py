"""The C++ of a car: headers for both boards and manifest.json, from its description."""

from __future__ import annotations

from fifthwheel import __version__
from fifthwheel.car.electronics import Electronics
from fifthwheel.car.layout_of import layout_of
from fifthwheel.car.model import Car
from fifthwheel.data import Finding
from fifthwheel.errors import CarError
from fifthwheel.generate.cpp_boards import PINS_HPP, TASKS_HPP, pin_spaces, pins_header, task_spaces, tasks_header
from fifthwheel.generate.cpp_channels import CHANNELS_HPP, channel_words, channels_header
from fifthwheel.generate.cpp_maps import (
    LINK_HPP,
    LOG_HPP,
    SETTINGS_HPP,
    block_bytes,
    link_header,
    log_header,
    settings_header,
)
from fifthwheel.generate.cpp_values import BOARDS_HPP, VALUES_HPP, boards_header, values_header
from fifthwheel.layout import VERSION, Layout, layout_hash, layout_text
from fifthwheel.plan.told import place_of, tell

MANIFEST = "manifest.json"

CHECK = 32
"""Bits of the check of every frame (cpp/include/fifthwheel/frame.hpp)."""


def code_files(car: Car) -> dict[str, bytes]:
    """Return file name -> content of the headers of a car and of manifest.json; the same car.toml makes the same bytes.

    Raises CarError without electronics, where two names become one word, and where a part has no controller that needs
    one.
    """
    import hashlib
    import json

    layout = layout_of(car)
    text = layout_text(layout)
    value = layout_hash(text)
    files = {name: content.encode("ascii") for name, content in _headers(car, layout, text, value).items()}
    manifest = {
        "car": car.name,
        "fifthwheel": __version__,
        "layout": {"version": VERSION, "hash": f"{value:016x}", "text": text},
        "files": {name: hashlib.sha256(content).hexdigest() for name, content in files.items()},
    }
    return {**files, MANIFEST: (json.dumps(manifest, indent=1, ensure_ascii=False) + "\n").encode()}


def _headers(car: Car, layout: Layout, text: str, value: int) -> dict[str, str]:
    """Return file name -> text of the headers of a car. text, value: the layout as text and the hash of that."""
    electronics = car.electronics
    if electronics is None:
        raise CarError("no electronics is described", where=str(car.path))
    return {
        CHANNELS_HPP: channels_header(car.name, electronics, layout, value),
        LINK_HPP: link_header(car.name, electronics, layout, value),
        LOG_HPP: log_header(car.name, electronics, layout, text, value),
        SETTINGS_HPP: settings_header(car.name, electronics, layout, value),
        TASKS_HPP: tasks_header(car.name, electronics),
        PINS_HPP: pins_header(car.name, electronics),
        VALUES_HPP: values_header(car.name, electronics, layout, value),
        BOARDS_HPP: boards_header(car.name, electronics, layout, value),
    }


def _check(car: Car, electronics: Electronics) -> None:
    """Raise CarError for all that the headers would, without writing the long ones of them."""
    channel_words(electronics, layout_of(car))
    task_spaces(electronics)
    pin_spaces(electronics)
    if electronics.card is not None:
        block_bytes(electronics, electronics.card)


def code_findings(car: Car) -> tuple[Finding, ...]:
    """Return what stands in the way of a car's C++, and where it is not as car.toml says; () without electronics."""
    electronics = car.electronics
    if electronics is None:
        return ()
    found = []
    try:
        _check(car, electronics)
    except CarError as error:
        open_place = "has no controller" in error.what
        found.append(
            tell(
                "code-not-made", "note" if open_place else "warning", error.where or str(car.path),
                f"The C++ of the boards cannot be made: {error.what}.",
                cause=f"Expected {error.expected}" + (f", found {error.found}" if error.found else ""),
                change=error.do or "change it in car.toml",
            )
        )  # fmt: skip
    link = electronics.link
    if link is not None and link.check != CHECK:
        found.append(
            tell(
                "code-check", "note", place_of(electronics, link.lines, "check", "link"),
                f"Frames of the generated C++ have a check of {CHECK} bits; car.toml says {link.check}.",
                cause="The frames of the core have one form",
                change=f"Set check of the link to {CHECK}, or leave it out",
                numbers={"check [bit]": link.check, "core [bit]": CHECK},
            )
        )  # fmt: skip
    return tuple(found)
