"""`make bench` runs every benchmark, or says why one runs apart."""

from __future__ import annotations

from tests.core.test_targets import ROOT, module_of

RUN = module_of(ROOT / "benchmarks" / "run.py")


def test_every_benchmark_is_run_or_stands_apart_with_a_reason() -> None:
    there = {path.name for path in (ROOT / "benchmarks").glob("*.py")} - {"run.py"}
    assert len(RUN.ORDER) == len(set(RUN.ORDER))
    assert set(RUN.ORDER).isdisjoint(RUN.APART)
    assert there <= set(RUN.ORDER) | set(RUN.APART)
    assert set(RUN.ORDER) <= there
    assert all(RUN.APART.values())
