"""What `plan --json` prints (docs/json.md): findings, and what they rest on, in SI."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from fifthwheel.plan.results import Plan
from fifthwheel.sheet.machine import finding_as_data, head


def plan_as_data(plan: Plan) -> dict[str, Any]:
    """Return a checked plan; every part as its type in `fifthwheel.plan.results` names it."""
    told = asdict(plan)
    return {**head("plan"), **told, "findings": [finding_as_data(finding) for finding in plan.findings]}
