"""What a program reads: the `--json` output of the commands, schema documented in docs/json.md.

Every document names its schema and version. Numbers are SI with the unit beside them; what is not a number is null.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from fifthwheel import __version__

if TYPE_CHECKING:
    from fifthwheel.data import Channel, Estimate, Finding, Motion, Recording, Refusal, Run, Table, Track
    from fifthwheel.readers.mapping import Mapping as ColumnMapping
    from fifthwheel.sheet.report import Report

SCHEMA = "fifthwheel"
SCHEMA_VERSION = 1


def dump(document: Mapping[str, Any]) -> str:
    """Return the document as JSON text in a stable order, without NaN or infinity."""
    return json.dumps(_finite(document), indent=2, ensure_ascii=False, allow_nan=False)


def read_as_data(recording: Recording, mapping: ColumnMapping, proposed: bool) -> dict[str, Any]:
    """Return what `read --json` prints."""
    return {
        **head("read"),
        "files": [vars(file) for file in recording.files],
        "mapping": {"proposed": proposed, "sources": [_source_as_data(source) for source in mapping.sources]},
        "tables": [table_as_data(table) for table in recording.tables.values()],
        "alignments": [vars(alignment) for alignment in recording.alignments],
        "findings": [finding_as_data(finding) for finding in recording.findings],
    }


def health_as_data(findings: Sequence[Finding]) -> dict[str, Any]:
    """Return what `health --json` prints."""
    return {**head("health"), "findings": [finding_as_data(finding) for finding in findings]}


def measured_as_data(report: Report) -> dict[str, Any]:
    """Return what `measure --json` prints."""
    measured = report.measured
    log = report.recording.tables["log"]
    tracks = {track.boot: track for track in measured.motion.tracks}
    return {
        **head("measure"),
        "car": report.car.name,
        "session": report.session.name,
        "runs": [run_as_data(run, tracks[run.boot], log) for run in measured.runs],
        "figures": [figure_as_data(figure) for figure in measured.figures],
        "refused": [refusal_as_data(refusal) for refusal in measured.refusals],
        "findings": [finding_as_data(finding) for finding in measured.findings],
        "motion": motion_as_data(measured.motion),
        "air_density": {
            "value": measured.air_density.value,
            "standard_uncertainty": measured.air_density.u,
            "unit": "kg/m3",
        },
        "coast_down": coast_down_as_data(measured.curves.get("coast_down", {})),
    }


def many_as_data(documents: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Return what `measure --json` prints for several sessions: their documents in order, errors in their places."""
    return {**head("measure"), "sessions": list(documents)}


def run_as_data(run: Run, track: Track, log: Table) -> dict[str, Any]:
    """Return one run; start and end are on the logger's own clock [s], wraps undone."""
    clock = log.clock[track.first : track.last]
    since_boot = clock[0] - track.t[0] if len(clock) else 0.0
    return {
        "id": run.id,
        "kind": run.kind,
        "boot": run.boot,
        "start": float(clock[run.first]),
        "end": float(clock[max(run.last - 1, run.first)]),
        "direction": run.direction,
        "valid": run.valid,
        "reasons": list(run.reasons),
        "heading": run.heading,
        "marks": {name: float(instant + since_boot) for name, instant in run.marks.items()},
    }


def figure_as_data(figure: Estimate) -> dict[str, Any]:
    """Return one figure."""
    return {
        "id": figure.name,
        "label": figure.label,
        "kind": figure.kind,
        "scope": figure.scope,
        "direction": figure.direction,
        "run_ids": list(figure.run_ids),
        "value": figure.value,
        "unit": figure.unit,
        "standard_uncertainty": figure.u,
        "interval_95": [figure.low, figure.high],
        "degrees_of_freedom": figure.dof,
        "n": figure.n,
        "repeatability": figure.spread,
        "trend": figure.trend,
        "trend_p": figure.trend_p,
        "repeatability_about_trend": figure.steady_spread,
        "standard": figure.standard,
        "budget": dict(figure.parts),
        "remark": figure.remark,
    }


def coast_down_as_data(curve: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the fit of the coast-downs tells beside its figures; empty without coast-downs."""
    if "correlation" not in curve:
        return {}
    return {
        "correlation": {"order": ["f0", "f1", "f2"], "matrix": [list(row) for row in curve["correlation"]]},
        **{
            name: {"value": curve[name].value, "standard_uncertainty": curve[name].u, "unit": curve[name].unit}
            for name in ("wind", "slope")
        },
        "gustiness": curve["gustiness"],
        "what_it_takes": dict(curve.get("what_it_takes", {})),
    }


def refusal_as_data(refusal: Refusal) -> dict[str, Any]:
    """Return one refused figure."""
    return {"id": refusal.name, "label": refusal.label, "kind": refusal.kind, "reason": refusal.reason}


def finding_as_data(finding: Finding) -> dict[str, Any]:
    """Return one finding."""
    return {
        "check": finding.check,
        "severity": finding.severity,
        "place": finding.place,
        "what": finding.what,
        "numbers": dict(finding.numbers),
        "cause": finding.cause,
        "done": finding.done,
        "remedy": finding.remedy,
    }


def motion_as_data(motion: Motion) -> dict[str, Any]:
    """Return what the estimation of motion rests on: sensors, constants, consistency."""
    return {
        "sensors": list(motion.sensors),
        "parameters": {
            name: {"value": quantity.value, "standard_uncertainty": quantity.u, "unit": quantity.unit}
            for name, quantity in motion.parameters.items()
        },
        "normalised_innovation_squared": {
            sensor: {"mean": mean, "n": count} for sensor, (mean, count) in motion.nis.items()
        },
    }


def table_as_data(table: Table) -> dict[str, Any]:
    """Return the description of one table of a recording; the numbers themselves are in its Parquet file."""
    boots = sorted(set(table.boot.tolist()))
    return {
        "name": table.name,
        "rows": len(table.t),
        "boots": len(boots),
        "channels": [_channel_as_data(channel) for channel in table.channels.values()],
    }


def _channel_as_data(channel: Channel) -> dict[str, Any]:
    return {
        "name": channel.name,
        "unit": channel.unit,
        "rate": channel.rate,
        "held": channel.fresh is not None,
        "origin": channel.origin,
    }


def _source_as_data(source: Any) -> dict[str, Any]:
    return {
        "name": source.name,
        "kind": source.kind,
        "match": source.match,
        "time": None if source.time is None else vars(source.time),
        "columns": [vars(column) for column in source.columns],
    }


def head(command: str) -> dict[str, Any]:
    """Return what every document begins with."""
    return {"schema": SCHEMA, "schema_version": SCHEMA_VERSION, "command": command, "fifthwheel": __version__}


def _finite(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    if isinstance(value, bool | int | str) or value is None:
        return value
    number = float(value)
    return number if math.isfinite(number) else None
