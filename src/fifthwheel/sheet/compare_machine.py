"""A comparison for programs: what `compare --json` prints (docs/json.md)."""

from __future__ import annotations

from typing import Any

from fifthwheel import __version__
from fifthwheel.sheet.compare_report import Comparison, percent
from fifthwheel.sheet.machine import SCHEMA, SCHEMA_VERSION
from fifthwheel.sheet.report import Report
from fifthwheel.uncertainty.compare import Difference


def comparison_as_data(comparison: Comparison) -> dict[str, Any]:
    """Return the document of `compare --json`."""
    return {
        "schema": SCHEMA,
        "schema_version": SCHEMA_VERSION,
        "command": "compare",
        "fifthwheel": __version__,
        "a": _side(comparison.a),
        "b": _side(comparison.b),
        "same_car": comparison.same_car,
        "assumption": comparison.assumption,
        "differences": [difference_as_data(d) for d in comparison.differences],
        "conditions": [vars(caution) for caution in comparison.cautions],
        "only_a": list(comparison.only_a),
        "only_b": list(comparison.only_b),
    }


def difference_as_data(d: Difference) -> dict[str, Any]:
    """Return one difference B - A, SI."""
    size = percent(d)
    return {
        "id": d.a.name,
        "label": d.a.label,
        "kind": d.a.kind,
        "unit": d.a.unit,
        "a": d.a.value,
        "b": d.b.value,
        "n_a": d.a.n,
        "n_b": d.b.n,
        "difference": d.welch.value,
        "standard_uncertainty": d.welch.u,
        "interval_95": [d.welch.low, d.welch.high],
        "percent": None if size is None else list(size),
        "degrees_of_freedom": d.welch.dof,
        "t": d.welch.t,
        "p": d.welch.p,
        "beyond_spread": d.beyond,
        "budget": dict(d.parts),
        "cancelled": list(d.cancelled),
    }


def _side(report: Report) -> dict[str, str]:
    return {"car": report.car.name, "session": report.session.name, "date": report.session.date}
