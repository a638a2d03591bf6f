"""The test procedure: what the builder wants to know -> the plan of the day, and what of it has been covered."""

from __future__ import annotations

from fifthwheel.procedure.covered import covered
from fifthwheel.procedure.make import known_from, make_plan, usual_wants
from fifthwheel.procedure.plan import Aim, Block, Covered, Known, Limit, Room, Step, TestPlan
from fifthwheel.procedure.written import is_untouched, plan_text

__all__ = [
    "Aim",
    "Block",
    "Covered",
    "Known",
    "Limit",
    "Room",
    "Step",
    "TestPlan",
    "covered",
    "is_untouched",
    "known_from",
    "make_plan",
    "plan_text",
    "usual_wants",
]
