"""Memory about its limits, 90 % and all of it, and stacks about theirs (common practice, no source)."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fifthwheel.plan.memory import check_memory
from tests.plan.build import card, controller, electronics, profile, task
from tests.plan.remedies import amount


@given(st.integers(1, 3), st.integers(8_000, 600_000), st.integers(-3, 3), st.sampled_from([9, 10]), st.booleans())
def test_memory_about_nine_tenths_and_all_of_it(n: int, ram: int, step: int, tenths: int, recording: bool) -> None:
    stacks, buffer = 1024 * n, 2000 if recording else 0
    edge = tenths * ram // 10
    used = edge + step
    board = controller(ram_used=used - stacks - buffer, profile=profile(ram=ram))
    tasks = tuple(task(f"t{i}", stack=1024) for i in range(n))
    plan = electronics(
        controllers=(board,), tasks=(*tasks, task("handler", interrupt=True, stack=10**6)),
        card=card(controller="front", buffer=2000) if recording else None,
    )  # fmt: skip
    told = check_memory(plan)
    expected = [] if 10 * used <= 9 * ram else ["fault"] if used > ram else ["warning"]
    assert [one.severity for one in told] == expected
    for finding in told:
        off = amount(finding.remedy, "take")
        assert off is not None
        less = replace(board, ram_used=board.ram_used - int(off))
        assert not check_memory(replace(plan, controllers=(less,)))
        assert check_memory(replace(plan, controllers=(replace(less, ram_used=less.ram_used + 1),)))


@pytest.mark.parametrize(("calls", "floor"), [((), 1024), (("gnss",), 1024), (("print",), 3072), (("card",), 3072)])
def test_stacks_about_their_floor(calls: tuple[str, ...], floor: int) -> None:
    assert not check_memory(electronics(tasks=(task(stack=floor, blocks_on=calls),)))
    (small,) = check_memory(electronics(tasks=(task(stack=floor - 1, blocks_on=calls),)))
    assert small.check == "small-stack"
    assert amount(small.remedy, "set stack to") == floor
