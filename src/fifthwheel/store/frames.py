"""A table of a recording as a data frame of polars or pandas."""

from __future__ import annotations

from typing import Any, Literal

from fifthwheel.data import Recording
from fifthwheel.errors import FifthwheelError, nearest
from fifthwheel.store.recording import frame_of


def to_frame(
    recording: Recording, table: str = "log", library: Literal["polars", "pandas"] = "polars", *, fresh: bool = False
) -> Any:
    """Return a table as a polars or pandas frame: boot, t [s], clock [s], row, then every channel in SI.

    fresh: add a boolean column NAME.fresh beside each held channel, true where it was updated. A pandas frame carries
    its units in `frame.attrs["units"]`. Raises FifthwheelError on an unknown table or a library that is not installed.
    """
    if table not in recording.tables:
        listed = ", ".join(f"'{name}'" for name in recording.tables)
        found = f"'{table}'{nearest(table, recording.tables)}"
        raise FifthwheelError("no such table in the recording", expected=f"one of {listed}", found=found)
    if library not in ("polars", "pandas"):
        raise FifthwheelError("an unknown library of frames", expected="'polars' or 'pandas'", found=f"'{library}'")
    frame = frame_of(recording.tables[table], fresh=fresh)
    if library == "polars":
        return frame
    try:
        import pandas as pd
    except ImportError as error:
        raise FifthwheelError(
            "pandas is not installed; it is needed to open a recording as a pandas frame",
            do="Install it with: pip install 'fifthwheel[frames]'",
        ) from error
    made = pd.DataFrame({name: frame[name].to_numpy() for name in frame.columns}, copy=False)
    made.attrs["units"] = {name: channel.unit for name, channel in recording.tables[table].channels.items()}
    return made
