"""Findings about tasks: random sets just inside and just outside each limit, and remedies that pass when applied."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from fifthwheel.car.electronics import Electronics, Use
from fifthwheel.data import Finding
from fifthwheel.glossary import CHANNELS
from fifthwheel.plan.results import Response
from fifthwheel.plan.sharing import check_sharing
from fifthwheel.plan.tasks import check_tasks
from tests.plan.build import controller, electronics, profile, shared, task
from tests.plan.remedies import amount, changed
from tests.plan.test_sharing_limits import PAIRS
from tests.plan.test_task_limits import TASKS

HERE = Path(__file__).parents[1]
MS = 1e-3
US = 1e-6


def found(plan: Electronics, check: str, name: str = "") -> list[Finding]:
    return [one for one in check_tasks(plan)[0] if one.check == check and (not name or one.place.endswith(name))]


def response(plan: Electronics, name: str) -> float:
    return next(row.response for row in check_tasks(plan)[1][0] if row.task == name)


@st.composite
def one_core(draw: st.DrawFn, most: float = 0.85) -> Electronics:
    """Two to four tasks of a core with switches, a tick, jitter and a mutex; the last is the one to look at."""
    n = draw(st.integers(2, 4))
    tasks = []
    for number in range(n):
        period = draw(st.integers(2, 40)) * MS
        share = draw(st.floats(0.02, most)) / n
        uses = (Use("state", 5 * US),) if draw(st.booleans()) else ()
        tasks.append(
            task(
                f"t{number}", period, max(round(share * period, 6), 10 * US), priority=20 - number, uses=uses,
                jitter=draw(st.sampled_from([0.0, 30 * US])), trigger=draw(st.sampled_from(["timer", "tick"])),
                control=draw(st.booleans()),
            )
        )  # fmt: skip
    board = controller(profile=profile(switch=draw(st.sampled_from([0.0, 4 * US])), interrupt=1 * US))
    return electronics(tasks=tuple(tasks), controllers=(board,), shared=(shared(guard="mutex"),))


@settings(max_examples=60, deadline=None)
@given(one_core())
def test_a_deadline_at_the_response_is_met_and_a_microsecond_less_is_not(plan: Electronics) -> None:
    name = plan.tasks[-1].name
    worst = response(plan, name)
    assume(math.isfinite(worst))
    cases = (
        (worst, False, True), (worst - 1 * US, True, False), (worst / 0.8, False, False),
        (worst / 0.8 - 2 * US, False, True),
    )  # fmt: skip
    for deadline, late, scarce in cases:
        tried = changed(plan, name, lambda one, deadline=deadline: replace(one, deadline=deadline))  # type: ignore[misc]
        assert bool(found(tried, "late-task", name)) == late
        assert bool(found(tried, "no-margin", name)) == scarce


def scarcely_above() -> Electronics:
    """A job above that takes less by itself (78 us) than must go (80 us), but more with its two switches (86 us)."""
    tasks = (task("t0", 2 * MS, 78 * US, priority=20), task("t1", 2 * MS, 625 * US, priority=19))
    board = controller(profile=profile(switch=4 * US, interrupt=1 * US))
    return electronics(tasks=tasks, controllers=(board,), shared=(shared(guard="mutex"),))


@settings(max_examples=60, deadline=None)
@given(one_core(), st.floats(0.35, 0.99), st.sampled_from(["late-task", "no-margin"]))
@example(scarcely_above(), 0.5, "no-margin")
def test_what_the_cure_names_passes(plan: Electronics, share: float, check: str) -> None:
    name = plan.tasks[-1].name
    worst = response(plan, name)
    assume(math.isfinite(worst))
    short = worst * share if check == "late-task" else worst / (0.81 + 0.18 * share)
    plan = changed(plan, name, lambda one: replace(one, deadline=short))
    (finding,) = found(plan, check, name)
    tries = list(cures(plan, name, finding.remedy))
    assert tries
    for tried in tries:
        assert not found(tried, check, name), finding.remedy


def cures(plan: Electronics, name: str, remedy: str) -> Iterator[Electronics]:
    """Each change that a cure of a late task names, made."""
    execution = amount(remedy, "set execution to")
    assert (execution is not None) == ("set execution to" in remedy), remedy
    deadline, both = amount(remedy, "set deadline to"), amount(remedy, "set deadline and period to")
    if execution is not None:
        yield changed(plan, name, lambda one: replace(one, execution=execution))
    if deadline is not None:
        yield changed(plan, name, lambda one: replace(one, deadline=deadline))
    if both is not None:
        yield changed(plan, name, lambda one: replace(one, deadline=both, period=both))
    off = amount(remedy, "take")
    if off is not None:
        (above,) = re.findall(r"such as one of (\S+?),", remedy)
        yield changed(plan, above, lambda one: replace(one, execution=(one.execution or 0.0) - off))


@settings(max_examples=40, deadline=None)
@given(st.floats(0.55, 0.95), st.floats(0.46, 0.95), st.sampled_from(["timer", "tick"]))
@example(0.55, 0.46, "tick")
def test_work_without_end_is_told_with_its_share_and_a_period_that_ends_it(a: float, b: float, trigger: str) -> None:
    """Two tasks of one core; a + b above 1 of it have no bound (necessary condition of Liu & Layland 1973)."""
    tasks = (
        task("high", 4 * MS, a * 4 * MS, priority=9, trigger=trigger),
        task("low", 10 * MS, b * 10 * MS, priority=1, trigger=trigger),
    )
    plan = electronics(tasks=tasks)
    (finding,) = found(plan, "late-task", "low")
    assert finding.numbers["utilisation_1"] == pytest.approx(a + b, rel=1e-6)
    assert f"{a + b:.1%}"[:-1] in finding.what
    (overload,) = found(plan, "overload")
    for one in (finding, overload):
        heavy = re.search(r"set period of (\S+) to", one.remedy)
        if heavy is None:
            continue
        period = amount(one.remedy, f"set period of {heavy[1]} to")
        assert period is not None
        tried = changed(plan, heavy[1], lambda each, period=period: replace(each, period=period, deadline=period))  # type: ignore[misc]
        assert not found(tried, "overload")
        if one is finding:
            assert math.isfinite(response(tried, "low"))


def test_unpinned_work_beyond_all_cores_is_told_with_a_period_that_fits() -> None:
    """RT: more than m of m cores cannot be served; 0.9 + 0.9 + 0.3 of two is 210 %."""
    loose = [
        task(f"t{i}", 10 * MS, share * 10 * MS, core=-1, priority=9 - i) for i, share in enumerate((0.9, 0.9, 0.3))
    ]
    plan = electronics(tasks=tuple(loose))
    (over,) = found(plan, "overload")
    assert over.numbers["utilisation_1"] == pytest.approx(2.1)
    period = amount(over.remedy, "set period of t0 to")
    assert period == pytest.approx(10 * MS * 0.9 / 0.8, rel=0.01)
    assert not found(changed(plan, "t0", lambda one: replace(one, period=period or 0.0)), "overload")
    assert not found(electronics(tasks=tuple(replace(one, execution=0.66 * 10 * MS) for one in loose)), "overload")


def test_an_unpinned_task_without_a_bound_is_told_a_core_with_room() -> None:
    tasks = (
        task("a", 10 * MS, 6 * MS, core=0, priority=9), task("b", 10 * MS, 3 * MS, core=1, priority=8),
        task("c", 10 * MS, 4 * MS, core=-1, priority=7), task("d", 10 * MS, 4 * MS, core=-1, priority=1),
    )  # fmt: skip
    plan = electronics(tasks=tasks)
    (finding,) = found(plan, "late-task", "d")
    core = amount(finding.remedy, "set core to")
    assert core is not None
    pinned = changed(plan, "d", lambda one: replace(one, core=int(core)))
    alone = replace(pinned, tasks=tuple(one for one in pinned.tasks if one.name != "c"))
    assert not found(alone, "late-task", "d")


def test_a_wait_without_end_names_the_thing() -> None:
    """Two cores; the holder of a semaphore on core 1 is kept off by work that fills its core."""
    tasks = (
        task("law", 10 * MS, 1 * MS, core=0, priority=9, uses=(Use("state", 10 * US),), control=True),
        task("hog", 10 * MS, 10 * MS, core=1, priority=8),
        task("low", 10 * MS, 1 * MS, core=1, priority=1, uses=(Use("state", 10 * US),)),
    )
    plan = electronics(tasks=tasks, shared=(shared(guard="semaphore"),))
    (finding,) = found(plan, "late-task", "law")
    assert finding.severity == "fault"
    assert "state" in finding.remedy
    freed = replace(plan, shared=(shared(guard="latest value"),))
    assert not found(freed, "late-task", "law")


@settings(max_examples=150, deadline=None)
@given(st.sampled_from([100, 250, 300, 1000]), st.integers(1, 400))
@example(300, 65)
def test_periods_by_tick_delay(tick: int, tenths: int) -> None:
    """A delay is a whole number of ticks, in exact fractions; what is named then passes."""
    ticks = Fraction(tenths, 10_000) * tick
    board = controller(tick=float(tick), profile=profile(tick_high=1000.0))
    plan = electronics(tasks=(task("loop", tenths * 1e-4, 1 * US, trigger="tick"),), controllers=(board,))
    impossible, uneven = found(plan, "tick-impossible"), found(plan, "tick-period")
    assert bool(impossible) == (ticks < 1)
    assert bool(uneven) == (ticks > 1 and ticks.denominator > 1)
    timed = changed(plan, "loop", lambda one: replace(one, trigger="timer"))
    assert not found(timed, "tick-impossible") + found(timed, "tick-period")
    for finding in (*impossible, *uneven):
        faster = amount(finding.remedy, "tick of front to")
        period = amount(finding.remedy, "set period to")
        assert (faster is not None) == (tenths >= 10) or uneven
        if faster is not None:
            tried = replace(plan, controllers=(replace(board, tick=faster),))
            assert not found(tried, "tick-impossible") + found(tried, "tick-outside")
            if finding in uneven:
                assert not found(tried, "tick-period")
        if period is not None:
            tried = changed(plan, "loop", lambda one, period=period: replace(one, period=period))  # type: ignore[misc]
            assert not found(tried, "tick-impossible") + found(tried, "tick-period")


@given(st.lists(st.tuples(st.integers(0, 5), st.integers(1, 6)), min_size=2, max_size=6))
def test_inversions_against_every_pair(drawn: list[tuple[int, int]]) -> None:
    """Deadline-monotonic order (Leung & Whitehead 1982): told is who stands below any longer deadline."""
    plan = electronics(tasks=tuple(task(f"t{i}", d * MS, 1 * US, priority=p) for i, (p, d) in enumerate(drawn)))
    expected = {f"t{i}" for i, (p, d) in enumerate(drawn) if any(q > p and e > d for q, e in drawn)}
    told = found(plan, "rate-inversion")
    assert {one.place.rsplit(" ", 1)[1] for one in told} == expected
    for finding in told:
        name = finding.place.rsplit(" ", 1)[1]
        raised = amount(finding.remedy, "set priority to")
        assert raised is not None
        tried = changed(plan, name, lambda one, raised=raised: replace(one, priority=int(raised)))  # type: ignore[misc]
        assert not found(tried, "rate-inversion", f" {name}")


def test_an_inversion_under_the_highest_priority_lowers_the_other() -> None:
    plan = electronics(tasks=(task("long", 9 * MS, priority=24), task("short", 1 * MS, priority=3)))
    (finding,) = found(plan, "rate-inversion")
    assert "priority of long below 3" in finding.remedy
    assert not found(changed(plan, "long", lambda one: replace(one, priority=2)), "rate-inversion")


@pytest.mark.parametrize(("cores", "levels"), [(1, 5), (2, 25), (2, 32)])
def test_limits_of_the_profile_and_what_they_name(cores: int, levels: int) -> None:
    board = controller(profile=profile(cores=cores, priorities=levels))

    def of(**given: Any) -> Electronics:
        return electronics(controllers=(board,), tasks=(task("a", **given),))

    assert not found(of(core=cores - 1, priority=levels - 1), "no-core")
    assert not found(of(core=cores - 1, priority=levels - 1), "priority-outside")
    (gone,) = found(of(core=cores), "no-core")
    assert amount(gone.remedy, "set core to") == cores - 1
    (outside,) = found(of(core=0, priority=levels), "priority-outside")
    assert amount(outside.remedy, "set priority to") == levels - 1


@pytest.mark.parametrize("tick", [0.5, 1001.0, 5000.0])
def test_the_tick_named_is_within_the_profile(tick: float) -> None:
    (outside,) = found(electronics(controllers=(controller(tick=tick),)), "tick-outside")
    named = amount(outside.remedy, "for example to")
    assert named is not None
    assert not found(electronics(controllers=(controller(tick=named),)), "tick-outside")


def test_the_channel_named_for_a_time_that_is_not_known_can_be_logged() -> None:
    for name in ("wheels", "Wheel speeds (fast)", "räder", "123"):
        (unknown,) = found(electronics(tasks=(task(name, execution=None),)), "execution-unknown")
        channel = unknown.remedy.split('"')[1]
        assert channel in CHANNELS


def test_the_time_named_ends_the_excess_over_what_is_stated() -> None:
    plan = electronics(tasks=(task("a", 10 * MS, 1 * MS, measured="task_time_a"),))
    for seen, told in ((1 * MS, False), (1.001 * MS, True)):
        exceeded = [one for one in check_tasks(plan, None, {"a": seen})[0] if one.check == "execution-exceeded"]
        assert bool(exceeded) == told
        for one in exceeded:
            named = amount(one.remedy, "set execution to")
            again = changed(plan, "a", lambda each, named=named: replace(each, execution=named))  # type: ignore[misc]
            assert "execution-exceeded" not in {f.check for f in check_tasks(again, None, {"a": seen})[0]}


def test_core_load_is_told_where_something_runs() -> None:
    assert not found(electronics(), "core-load")
    (load,) = found(electronics(tasks=(task("a", 10 * MS, 4 * MS),)), "core-load")
    assert load.numbers == {"utilisation_1": pytest.approx(0.4), "liu_layland_1": pytest.approx(1.0)}


def test_parts_of_a_response_add_up() -> None:
    rows: tuple[Response, ...] = check_tasks(electronics(tasks=(task("a"), task("b", 5 * MS, 1 * MS, priority=3))))[1][
        0
    ]
    for row in rows:
        assert sum(time for _, time in row.parts) == pytest.approx(row.response, abs=1e-12)


def test_findings_of_the_published_rows() -> None:
    """RT-10 and RT-11 of tests/published/response_times.csv (common practice, no source)."""
    with (HERE / "published" / "response_times.csv").open(encoding="utf-8", newline="") as file:
        rows = {row["id"]: row["expected"] for row in csv.DictReader(file) if row["quantity"] == "finding"}
    by_tick = task("loop", 5 * MS, trigger="tick")
    (impossible,) = found(electronics(controllers=(controller(tick=100.0),), tasks=(by_tick,)), rows["RT-10"])
    assert impossible.severity == "fault"
    users = [
        task("low", priority=1, uses=(Use("state", 1 * US),)),
        task("top", priority=9, uses=(Use("state", 1 * US),)),
    ]
    guarded = check_sharing(electronics(tasks=tuple(users), shared=(shared(guard="semaphore"),)))
    assert [one.severity for one in guarded if one.check == rows["RT-11"]] == ["warning"]
    handler = (users[0], replace(users[1], interrupt=True))
    waits = check_sharing(electronics(tasks=handler, shared=(shared(guard="mutex"),)))
    assert [one.severity for one in waits if one.check == rows["RT-11 handler"]] == ["fault"]


def test_every_finding_on_the_page_has_a_pair() -> None:
    page = (HERE.parent / "docs" / "plan.md").read_text(encoding="utf-8")
    sections = page.split("\n## Tasks\n")[1].split("\n## Latency")[0]
    rows = [line.split("|")[1] for line in sections.splitlines() if line.startswith("| `")]
    named = {name for row in rows for name in re.findall(r"`([a-z-]+)`", row)}
    paired = {row[0] for row in (*PAIRS, *TASKS)} | {"core-load", "execution-exceeded"}
    assert named == paired
