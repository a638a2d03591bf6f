"""What the driver says of runs: struck, kept despite a rule, or a stretch marked as a run of a kind.

Said in `session.toml` ([[run]], times on the logger's own clock) or with the `marker` channel: while it is -1, or at
most LATE after a run, the run is struck; a whole number from 1 to 6 that comes from 0 and goes back to 0 marks its
stretch as a run, in the order of RUN_KINDS. A mark cannot make motion known where it is not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fifthwheel.car.model import Session
from fifthwheel.data import Recording, Track
from fifthwheel.glossary import RUN_KINDS
from fifthwheel.runs.candidate import Candidate, gap_reasons, mean_heading
from fifthwheel.runs.signals import Signals, channel_on, first_true, stretches

LATE = 10.0
"""A marker of -1 set at most this long [s] after a run strikes it; later it strikes nothing."""

SAME_RUN = 0.5
"""A mark means a run that it shares at least this part of the shorter of the two with."""

FIRST_MOTION = 0.010
"""Displacement [m] from rest that is first motion."""


@dataclass(frozen=True)
class Mark:
    """What is said of rows [first, last) of a boot. kind: of run, "" for any. who: "you", "the marker channel"."""

    kind: str
    boot: int
    first: int
    last: int
    strike: bool
    who: str
    note: str = ""

    @property
    def said(self) -> str:
        """Whose word it is, with the note."""
        return f"by {self.who}: {self.note}" if self.note else f"by {self.who}"


def marks_of(
    recording: Recording, boots: Sequence[tuple[Track, Signals]], session: Session | None
) -> tuple[list[Mark], list[Mark]]:
    """Return the marks of session.toml (calibration runs left out) and those of the marker channel, in order."""
    written = []
    for run in session.runs if session is not None else ():
        track = next((track for track, _ in boots if track.boot == run.boot), None)
        if track is None or run.kind not in RUN_KINDS:
            continue
        clock = recording.tables["log"].clock[track.first : track.last]
        first, last = (int(np.searchsorted(clock, v)) for v in (run.start - 1e-6, run.end + 1e-6))
        if last > first:
            written.append(Mark(run.kind, run.boot, first, last, run.mark == "strike", "you", run.note))
    pressed = [mark for track, signals in boots for mark in _pressed(recording, track, signals)]
    return written, pressed


def _pressed(recording: Recording, track: Track, signals: Signals) -> list[Mark]:
    marker = channel_on(recording, track, "marker")
    if marker is None:
        return []
    out = []
    for first, last in stretches(marker != 0.0):
        values = np.unique(marker[first:last])
        if first == 0 or last == signals.n or values.size != 1:
            continue
        code = float(values[0])
        if code == -1.0:
            out.append(Mark("", track.boot, first, last, True, "the marker channel"))
        elif code in range(1, len(RUN_KINDS) + 1):
            out.append(Mark(RUN_KINDS[int(code) - 1], track.boot, first, last, False, "the marker channel"))
    return out


def apply_marks(
    found: Sequence[Candidate], written: Sequence[Mark], pressed: Sequence[Mark], boots: Sequence[Signals]
) -> list[Candidate]:
    """Return the candidates as they stand after all marks; session.toml has the last word over the marker channel."""
    out = list(found)
    clocks = {signals.boot: signals for signals in boots}
    for mark in (*pressed, *written):
        meant = _meant(out, mark, clocks[mark.boot])
        if not meant and mark.kind:
            out.append(_said(_made(mark, clocks[mark.boot]), mark))
        for index in meant:
            out[index] = _said(out[index], mark)
    return out


def _meant(found: Sequence[Candidate], mark: Mark, signals: Signals) -> list[int]:
    """Return the indices of the runs that a mark means."""
    mine = [i for i, c in enumerate(found) if c.boot == mark.boot and mark.kind in ("", c.kind)]
    if mark.kind:
        return [i for i in mine if _shared(found[i], mark) >= SAME_RUN]
    during = [i for i in mine if found[i].first < mark.last and mark.first < found[i].last]
    if during:
        return during
    ended = [i for i in mine if found[i].last <= mark.first and _since(found[i], mark, signals) <= LATE]
    return [max(ended, key=lambda i: found[i].last)] if ended else []


def _since(candidate: Candidate, mark: Mark, signals: Signals) -> float:
    return float(signals.t[mark.first] - signals.t[candidate.last - 1])


def _shared(candidate: Candidate, mark: Mark) -> float:
    both = min(candidate.last, mark.last) - max(candidate.first, mark.first)
    return both / max(1, min(candidate.last - candidate.first, mark.last - mark.first))


def _said(candidate: Candidate, mark: Mark) -> Candidate:
    """Return a candidate with a mark laid on it. What it would have failed stays in sight; a gap stays a gap."""
    if mark.strike:
        reasons = (f"struck {mark.said}", *(r for r in candidate.reasons if not r.startswith(("kept ", "struck "))))
        return replace(candidate, reasons=reasons, kept="", note=mark.note)
    blind = tuple(reason for reason in candidate.reasons if reason.startswith(("the motion is not known", "no rest")))
    failed = [reason for reason in candidate.reasons if reason not in blind and not reason.startswith("struck ")]
    kept = f"kept {mark.said}" + (f"; it fails a rule: {'; '.join(failed)}" if failed else "")
    return replace(candidate, reasons=blind, kept=kept, note=mark.note)


def _made(mark: Mark, signals: Signals) -> Candidate:
    """Return a stretch as a run of its kind, with the marks that its figures need."""
    first, last = mark.first, mark.last
    reasons = gap_reasons(signals, first, last)
    marks = {"begin": float(signals.t[first]), "end": float(signals.t[last - 1])}
    if mark.kind == "launch":
        marks, missing = _launch_marks(signals, first, last)
        reasons += missing
    elif mark.kind == "braking":
        marks = {"command": float(signals.t[first])}
        rest = first_true(signals.u < 0.05, first, last)
        if rest < last:
            marks["rest"] = float(signals.t[rest])
    side = ""
    if mark.kind in ("steady circle", "step steer"):
        side = "left" if signals.psi[last - 1] >= signals.psi[first] else "right"
    heading = mean_heading(signals, first, last)
    return Candidate(mark.kind, mark.boot, first, last, heading, marks, tuple(reasons), side=side)


def _launch_marks(signals: Signals, first: int, last: int) -> tuple[dict[str, float], list[str]]:
    """Return the instants of a marked launch, and a reason when the stretch and the second before it hold no rest."""
    reach = first_true(signals.t >= signals.t[first] - 1.0, 0, first)
    fast = first_true(signals.u >= 1.0, first, last)
    rests = list(stretches(signals.standing[reach:fast]))
    begin, end = float(signals.t[first]), float(signals.t[last - 1])
    if not rests or fast >= last:
        known = {"rest": begin, "command": begin, "first_motion": begin, "end": end}
        return known, ["no rest followed by motion in the marked stretch or the second before it"]
    rest, leaves = reach + rests[-1][0], reach + rests[-1][1]
    while rest > 0 and signals.standing[rest - 1]:
        rest -= 1
    moved = signals.s - float(np.median(signals.s[rest:leaves][-50:]))
    motion = first_true(moved >= FIRST_MOTION, max(rest, leaves - 50), last)
    instants = {"rest": rest, "command": min(max(first, rest), motion), "first_motion": motion}
    return {name: float(signals.t[row]) for name, row in instants.items()} | {"end": end}, []
