"""NMEA sentences and UBX frames made by the reference libraries (pynmeagps, pyubx2), not by the code under test."""

from __future__ import annotations

import io
from typing import Any

import pynmeagps
import pyubx2
from pynmeagps import NMEAMessage
from pyubx2 import UBXMessage

MEAN_ANGLES = (51.0123456, -1.5678901)


def sentence(kind: str, *cells: str, talker: str = "GP") -> bytes:
    """One sentence with its checksum, by pynmeagps."""
    body = f"{talker}{kind}," + ",".join(cells)
    return f"${body}*{pynmeagps.calc_checksum(body)}\r\n".encode("ascii")


def nmea_epoch(
    number: int, *, speed: float = 10.0, rate: float = 10.0, date: str = "130626", day: int = 43200
) -> bytes:
    """RMC, VTG, GGA, GSA of one epoch. speed in knots."""
    seconds = day + number / rate
    hour, minute = int(seconds // 3600) % 24, int(seconds // 60) % 60
    time = f"{hour:02d}{minute:02d}{seconds % 60.0:06.3f}"
    lat, lon = f"{5100.5 + 0.0001 * number:010.5f}", f"{134.25 + 0.0002 * number:011.5f}"
    course = f"{(45.0 + number) % 360.0:.2f}"
    used = [f"{i:02d}" for i in range(1, 13)]
    high = f"{85.5 + 0.1 * (number % 7):.1f}"
    return (
        sentence("RMC", time, "A", lat, "N", lon, "W", f"{speed:.3f}", course, date, "", "", "A")
        + sentence("VTG", course, "T", "", "M", f"{speed:.3f}", "N", f"{speed * 1.852:.3f}", "K", "A")
        + sentence("GGA", time, lat, "N", lon, "W", "4", "17", "0.61", high, "M", "47.0", "M", "", "")
        + sentence("GSA", "A", "3", *used, "1.20", "0.61", "1.03", talker="GN")
    )


def nmea_oracle(data: bytes) -> list[NMEAMessage]:
    """All sentences that pynmeagps accepts."""
    reader = pynmeagps.NMEAReader.parse
    messages = []
    for line in data.splitlines():
        if not line.startswith(b"$"):
            continue  # pynmeagps also takes a sentence that lost its first byte
        try:
            messages.append(reader(line))
        except Exception:
            continue
    return [m for m in messages if m is not None]


def pvt(number: int, *, rate: float = 10.0, tow: int = 216000000, **changes: Any) -> bytes:
    """NAV-PVT of 2026-06-13 12:00:00 UTC and on, by pyubx2; `changes` in the library's own names and units."""
    step = round(number * 1000.0 / rate)
    seconds, ms = divmod(step, 1000)
    cells: dict[str, Any] = {
        "iTOW": tow + step, "year": 2026, "month": 6, "day": 13, "hour": 12 + seconds // 3600,
        "min": seconds // 60 % 60, "second": seconds % 60, "validDate": 1, "validTime": 1, "fullyResolved": 1,
        "nano": ms * 1000000, "fixType": 3, "gnssFixOk": 1, "numSV": 14 + number % 3,
        "lat": MEAN_ANGLES[0] + 1e-6 * number, "lon": MEAN_ANGLES[1] - 1e-6 * number, "height": 132000,
        "hMSL": 85500 + number, "hAcc": 640, "vAcc": 910, "velN": 1000 + number, "velE": -500, "velD": 12,
        "gSpeed": 1118 + number, "headMot": 333.4, "sAcc": 75, "pDOP": 1.2,
    }  # fmt: skip
    cells.update(changes)
    return bytes(UBXMessage("NAV", "NAV-PVT", pyubx2.GET, **cells).serialize())


def ubx(name: str, **cells: Any) -> bytes:
    """Any UBX message by pyubx2."""
    return bytes(UBXMessage(name.split("-")[0], name, pyubx2.GET, **cells).serialize())


def ubx_oracle(data: bytes) -> list[UBXMessage]:
    """All UBX messages that pyubx2 accepts, up to the bytes that it cannot get over."""
    reader = pyubx2.UBXReader(io.BytesIO(data), protfilter=pyubx2.UBX_PROTOCOL, quitonerror=0)
    messages: list[UBXMessage] = []
    try:
        messages.extend(parsed for _, parsed in reader if parsed is not None)
    except Exception:
        return messages
    return messages
