"""What is made from the checked plan of a car: documents for the workbench, and what came back from it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fifthwheel.car.model import Car
from fifthwheel.errors import CarError
from fifthwheel.plan.check import check_plan, worst_first
from fifthwheel.records import replace

if TYPE_CHECKING:
    from fifthwheel.data import Finding
    from fifthwheel.generate.files import Written, out_of_date, write_files
    from fifthwheel.generate.lists import list_files, typed_lists
    from fifthwheel.generate.outcomes import Result, Results, check_results, read_results
    from fifthwheel.generate.workbench import Workbench, WorkbenchTest
    from fifthwheel.plan.results import Plan

__all__ = [
    "Result",
    "Results",
    "Workbench",
    "WorkbenchTest",
    "Written",
    "build_folder",
    "check_results",
    "list_files",
    "out_of_date",
    "plan_with_results",
    "read_results",
    "typed_lists",
    "workbench_findings",
    "workbench_of",
    "write_files",
    "write_workbench",
]

_MODULES = {
    "files": ("Written", "out_of_date", "write_files"), "lists": ("list_files", "typed_lists"),
    "outcomes": ("Result", "Results", "check_results", "read_results"), "workbench": ("Workbench", "WorkbenchTest"),
}  # fmt: skip


def __getattr__(name: str) -> Any:
    """Return what writes or reads the lists, imported when it is first asked for: most plans have no results yet."""
    from importlib import import_module

    for module, names in _MODULES.items():
        if name in names:
            return getattr(import_module(f"fifthwheel.generate.{module}"), name)
    raise AttributeError(f"module 'fifthwheel.generate' has no attribute '{name}'")


def workbench_of(car: Car, plan: Plan) -> Workbench:
    """Return the harness and the lists of tests of a car. Raises CarError when car.toml states no electronics."""
    from fifthwheel.generate.bring_up import bring_up_list
    from fifthwheel.generate.continuity import continuity_list
    from fifthwheel.generate.power import first_power_list
    from fifthwheel.generate.workbench import Workbench

    electronics = car.electronics
    if electronics is None:
        raise CarError(
            "there are no electronics to make documents of", where=str(car.path),
            expected="at least one [[controller]]", do="State controllers, sensors, rails and cables (docs/plan.md)",
        )  # fmt: skip
    return Workbench(
        car.name, car.units, plan.conductors, continuity_list(electronics), first_power_list(electronics, car),
        bring_up_list(electronics, car),
    )  # fmt: skip


def build_folder(car: Car) -> Path:
    """Return the folder beside car.toml that everything generated goes to."""
    return car.path.parent / "build"


def workbench_findings(car: Car, plan: Plan) -> tuple[Finding, ...]:
    """Return what the results that were typed into the lists in the car's build/ say; () while there are no lists.

    Raises FifthwheelError with file and line on a damaged list.
    """
    folder = build_folder(car)
    if car.electronics is None or not folder.is_dir():
        return ()
    from fifthwheel.generate.outcomes import check_results, read_results

    results = read_results(folder)
    return check_results(workbench_of(car, plan), results) if results.rows else ()


def plan_with_results(car: Car, *, measured: Mapping[str, float] | None = None, timelines: bool = True) -> Plan:
    """Return the checked plan of a car; among its findings are what the results from the workbench say and what stands
    in the way of its C++.

    measured, timelines: as in check_plan.
    """
    from fifthwheel.generate.cpp import code_findings

    plan = check_plan(car, measured=measured, timelines=timelines)
    return replace(plan, findings=worst_first((*plan.findings, *code_findings(car), *workbench_findings(car, plan))))


def write_workbench(car: Car, plan: Plan, folder: Path) -> list[Path]:
    """Write harness table and lists as CSV into a folder; return their paths.

    Results typed into earlier lists are carried over; a file that a person has changed otherwise is kept under another
    name. The printable PDF of the same is `sheet.workbench`. Raises FifthwheelError.
    """
    from fifthwheel.generate.files import write_files
    from fifthwheel.generate.lists import list_files, typed_lists

    files = list_files(workbench_of(car, plan), folder)
    return list(write_files(folder, files, precious=typed_lists(files)).paths)
