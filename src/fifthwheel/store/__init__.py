"""Recordings on disk: Parquet in the session, data frames, and exports for a spreadsheet."""

from __future__ import annotations

from fifthwheel.store.frames import to_frame
from fifthwheel.store.recording import check_raw_files, hash_file, load_recording, save_recording
from fifthwheel.store.spreadsheet import export

__all__ = ["check_raw_files", "export", "hash_file", "load_recording", "save_recording", "to_frame"]
