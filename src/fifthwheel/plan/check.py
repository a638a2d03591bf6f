"""All checks of a plan, in the order in which one rests on another."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from fifthwheel.car.electronics import Electronics
from fifthwheel.car.model import Car
from fifthwheel.data import Finding
from fifthwheel.errors import CarError
from fifthwheel.plan.buses import check_buses
from fifthwheel.plan.card import check_card
from fifthwheel.plan.carried import check_carried
from fifthwheel.plan.chains import check_chains
from fifthwheel.plan.encoders import check_encoders
from fifthwheel.plan.failsafe import check_failsafe
from fifthwheel.plan.harness import check_harness
from fifthwheel.plan.link import check_link
from fifthwheel.plan.memory import check_memory
from fifthwheel.plan.needs import check_needs
from fifthwheel.plan.pins import check_pins
from fifthwheel.plan.placed import placed
from fifthwheel.plan.results import Plan
from fifthwheel.plan.sharing import check_sharing
from fifthwheel.plan.supply import check_supply
from fifthwheel.plan.tasks import check_tasks

ORDER = {"fault": 0, "warning": 1, "note": 2}


def electronics_of(car: Car) -> Electronics:
    """Return a car's electronics; raise CarError when car.toml describes none."""
    if car.electronics is None:
        raise CarError(
            "no electronics is described", where=str(car.path), expected="[[controller]], [[task]] and what they need",
            do="Add them to car.toml; `fifthwheel new car` writes a template with every table explained",
        )  # fmt: skip
    return car.electronics


def check_plan(car: Car, *, measured: Mapping[str, float] | None = None, timelines: bool = True) -> Plan:
    """Return the checked plan of a car's electronics: findings, worst first, and the numbers that they rest on.

    measured: task -> worst-case execution time [s] from a recording (execution.measured_times). timelines: whether
    those of the cores are wanted. Raises CarError when car.toml describes no electronics.
    """
    electronics = electronics_of(car)
    late, (responses, lines) = check_tasks(electronics, car, measured, timelines=timelines)
    crowded, buses = check_buses(electronics, car, responses)
    taken, pins = check_pins(electronics, car)
    carried, links = check_link(electronics, car)
    written, card = check_card(electronics, car)
    old, chains = check_chains(electronics, car, responses)
    lacking, needs = check_needs(electronics, car, responses)
    fed, rails = check_supply(electronics, car)
    wired, conductors = check_harness(electronics, car)
    findings = worst_first((
        *placed(electronics), *lacking, *check_encoders(electronics, car), *crowded, *taken, *late,
        *check_sharing(electronics, car), *check_memory(electronics, car), *carried, *written,
        *check_carried(electronics, car), *old,
        *check_failsafe(electronics, car), *fed, *wired,
    ))  # fmt: skip
    return Plan(car.name, findings, buses, pins, responses, lines, links, card, chains, rails, conductors, needs)


def worst_first(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Return findings with faults first, then warnings, then notes, each in the order they came."""
    return tuple(sorted(findings, key=lambda finding: ORDER[finding.severity]))
