"""What a session's folder holds of its plan: the page, and the spreads of the earlier session that it was made with."""

from __future__ import annotations

import json
import math
import os
import tempfile
from collections.abc import Mapping
from itertools import count
from pathlib import Path

from fifthwheel.errors import SessionError
from fifthwheel.procedure.plan import Known, TestPlan
from fifthwheel.procedure.written import is_untouched, plan_text

SPREADS_FILE = "plan-spreads.json"


def write_page(path: Path, plan: TestPlan) -> Path | None:
    """Write `plan.md`, whole or not at all; return where an older page went when a person had changed it, else None."""
    kept = None
    if path.exists() and not is_untouched(path.read_text(encoding="utf-8", errors="replace")):
        names = (path.with_name(f"plan-kept-{number}.md") for number in count(1))
        kept = next(name for name in names if not name.exists())
        path.replace(kept)
    _write_whole(path, plan_text(plan))
    return kept


def save_spreads(folder: Path, known: Mapping[str, Known], earlier: str) -> Path:
    """Write the spreads of an earlier session beside the plan; return the path."""
    rows = {name: [k.value, k.spread, k.dof] for name, k in known.items()}
    path = folder / SPREADS_FILE
    _write_whole(path, json.dumps({"earlier": earlier, "figures": rows}, indent=1, ensure_ascii=False) + "\n")
    return path


def load_spreads(folder: Path) -> tuple[dict[str, Known], str]:
    """Return (figure -> Known, name of the earlier session), empty when there are none; raise SessionError."""
    path = folder / SPREADS_FILE
    if not path.exists():
        return {}, ""
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        known = {str(name): Known(*(float(x) for x in row)) for name, row in document["figures"].items()}
        earlier = str(document["earlier"])
        if not all(math.isfinite(x) for k in known.values() for x in (k.value, k.spread, k.dof)):
            raise ValueError("a number that is not finite")
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise SessionError(
            "the spreads of an earlier session cannot be read", where=str(path), found=str(error),
            do="Delete this file, or make the plan again: fifthwheel new plan SESSION --after EARLIER",
        ) from error  # fmt: skip
    return known, earlier


def _write_whole(path: Path, text: str) -> None:
    """Write a file under a temporary name beside `path`, then rename it to `path`."""
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    partial = Path(name)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
        partial.chmod(0o644)
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)
