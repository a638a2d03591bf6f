"""What `plan --json` prints (docs/json.md): findings and what they rest on, proposed places, what breaks where; SI."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from fifthwheel.sheet.machine import finding_as_data, head

if TYPE_CHECKING:
    from fifthwheel.plan.assign import Proposal
    from fifthwheel.plan.results import Plan
    from fifthwheel.plan.vary import Variation


def plan_as_data(plan: Plan) -> dict[str, Any]:
    """Return a checked plan; every part as its type in `fifthwheel.plan.results` names it."""
    told = asdict(plan)
    return {**head("plan"), **told, "findings": [finding_as_data(finding) for finding in plan.findings]}


def proposal_as_data(proposal: Proposal) -> dict[str, Any]:
    """Return what `plan --assign --json` prints."""
    conflict = proposal.conflict
    return {
        **head("plan"),
        "complete": proposal.complete,
        "changes": [asdict(change) for change in proposal.changes],
        "left": [{"part": part, "why": why} for part, why in proposal.left],
        "clash": None if conflict is None else asdict(conflict),
        "slack": [asdict(slack) for slack in proposal.slack],
        "findings": [finding_as_data(finding) for finding in proposal.findings],
        "how_far": proposal.how_far,
        "notes": list(proposal.notes),
    }


def variation_as_data(variation: Variation) -> dict[str, Any]:
    """Return what `plan --vary ... --json` prints."""
    return {
        **head("plan"),
        "axes": [{"key": axis.text, "unit": axis.unit, "values": list(axis.values)} for axis in variation.axes],
        "points": [
            {
                "values": list(point.values),
                "findings": [
                    {"check": check, "place": place, "severity": severity}
                    for (check, place), severity in point.checks.items()
                ],
                "tightest": {"task": point.tightest[1], "response_over_deadline": point.tightest[0]},
                "fullest_bus": {"bus": point.bus[1], "share": point.bus[0]},
                "link_share": point.link,
            }
            for point in variation.points
        ],
        "breaks": [asdict(found) for found in variation.breaks],
    }
