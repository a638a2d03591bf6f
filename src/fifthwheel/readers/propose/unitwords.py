"""Units as people write them in headers and units rows -> the one spelling that `fifthwheel.units` converts."""

from __future__ import annotations

import re
import unicodedata

UNITS: dict[str, tuple[str, ...]] = {
    "m/s2": ("m/s2", "m/s^2", "m/s²", "mps2", "mpss", "m/s/s", "m/sec2", "m/sec^2", "ms-2", "m*s-2", "meter/s2", "mss"),
    "g": ("g", "gs", "gn", "g-force", "gforce", "gees"),
    "mg": ("mg", "millig", "milli-g"),
    "cm/s2": ("cm/s2", "cm/s^2", "cm/s²"),
    "deg/s": ("deg/s", "°/s", "º/s", "dps", "deg/sec", "degs/s", "grad/s", "grados/s", "degree/s", "degrees/s", "degps",
              "°/sec", "gradi/s", "degres/s", "deg/second"),
    "mdeg/s": ("mdeg/s", "mdps", "m°/s"),
    "rad/s": ("rad/s", "rad/sec", "radps", "rads", "radians/s", "rad*s-1", "rad/second"),
    "mrad/s": ("mrad/s",),
    "rpm": ("rpm", "1/min", "min-1", "min^-1", "u/min", "upm", "tr/min", "trmin", "giri/min", "r/min", "rev/min",
    "g/min",
            "vueltas/min", "rpms", "umdr/min"),
    "turn/s": ("rps", "rev/s", "hz", "1/s", "u/s", "turns/s", "tr/s", "turn/s", "revs/s", "r/s", "giri/s"),
    "km/h": ("km/h", "kmh", "kph", "kmph", "km/hr", "kmh-1"),
    "mph": ("mph", "mi/h", "miles/h"),
    "kn": ("kn", "kt", "kts", "knots", "knot", "knoten", "noeuds", "nudos", "nodi"),
    "m/s": ("m/s", "mps", "m/sec", "ms-1", "m*s-1", "meter/s"),
    "mm/s": ("mm/s", "mmps", "mm/sec"), "cm/s": ("cm/s", "cmps", "cm/sec"), "ft/s": ("ft/s", "fps", "ft/sec"),
    "s": ("s", "sec", "secs", "seconds", "second", "sek", "seg", "sekunden", "secondes", "segundos", "secondi"),
    "ms": ("ms", "msec", "msecs", "millis", "milliseconds", "millisec"),
    "us": ("us", "µs", "μs", "usec", "usecs", "micros", "microseconds", "microsec"),
    "ns": ("ns", "nsec"),
    "min": ("min", "minutes"),
    "deg": ("deg", "°", "º", "degs", "degree", "degrees", "grad", "grados", "gradi", "degres"),
    "rad": ("rad", "radian", "radians"), "turn": ("turn", "turns", "rev", "revs", "umdr"),
    "%": ("%", "pct", "percent", "perc", "prozent", "pourcent", "porcentaje", "percento"),
    "V": ("v", "volt", "volts"), "mV": ("mv", "millivolt", "millivolts"),
    "A": ("a", "amp", "amps", "ampere", "amperes"), "mA": ("ma", "milliamp", "milliamps"),
    "mAh": ("mah",), "A h": ("ah",), "A s": ("as", "coulomb"),
    "degC": ("c", "°c", "ºc", "degc", "celsius", "deg c", "grad c", "gradc"),
    "degF": ("f", "°f", "ºf", "degf", "fahrenheit"), "K": ("k", "kelvin"),
    "Pa": ("pa", "pascal"), "hPa": ("hpa", "mbar", "mb", "millibar"), "kPa": ("kpa",), "bar": ("bar",),
    "uT": ("ut", "µt", "μt", "microtesla"), "mT": ("mt",), "gauss": ("gauss", "gs."),
    "m": ("m", "meter", "meters", "metre", "metres", "metros", "metri"), "mm": ("mm",), "cm": ("cm",), "km": ("km",),
    "ft": ("ft", "feet"), "in": ("inch", "inches"),
    "dB": ("db", "dbm"),
    "W": ("w", "watt", "watts"), "kW": ("kw",), "N": ("n", "newton"), "Nm": ("nm",),
    "counts": ("counts", "count", "cts", "ticks", "tick", "lsb", "lsbs", "raw", "pulses", "pulse", "steps", "digits",
               "impulse", "imp", "adc"),
    "1": ("-", "1", "--", "none", "bool", "flag", "0..1", "-1..1"),
}  # fmt: skip
"""Unit -> spellings, lower case, without blanks. "counts" stands for an unnamed device unit."""

_KNOWN = {spelling: unit for unit, spellings in UNITS.items() for spelling in spellings}

DIMENSIONS: dict[str, tuple[str, ...]] = {
    "m/s2": ("m/s2", "g", "mg", "cm/s2", "counts"),
    "rad/s": ("rad/s", "rpm", "turn/s", "deg/s", "mdeg/s", "mrad/s", "counts"),
    "m/s": ("m/s", "km/h", "mph", "kn", "mm/s", "cm/s", "ft/s"),
    "s": ("s", "ms", "us", "ns", "min"),
    "rad": ("rad", "deg", "turn", "counts"),
    "deg": ("deg",),
    "1": ("1", "%", "counts", "us", "dB"),
    "V": ("V", "mV"),
    "A": ("A", "mA"),
    "A s": ("A s", "mAh", "A h"),
    "K": ("degC", "degF", "K"),
    "Pa": ("Pa", "hPa", "kPa", "bar"),
    "m": ("m", "mm", "cm", "km", "ft"),
    "T": ("uT", "mT", "T"),
}
"""SI unit of the glossary -> units that a column of it may be in."""


def unit_of(text: str) -> str:
    """Return the unit that a text names, "" when it names none."""
    plain = unicodedata.normalize("NFC", text).strip().strip("[](){}<>").strip()
    if plain == "G":
        return "g"
    squeezed = re.sub(r"[\s·⋅_]", "", plain.lower()).replace("**", "^").replace("per", "/").replace("sec", "s")
    squeezed = squeezed.replace("⁻¹", "-1").replace("⁻²", "-2").replace("^2", "2").replace("second", "s")
    for form in (plain.lower(), squeezed):
        if form in _KNOWN:
            return _KNOWN[form]
    return ""
