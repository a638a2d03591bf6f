"""The array face of the core: its stub, its refusals."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

from fifthwheel import _core, core
from fifthwheel.errors import FifthwheelError

STUB = Path(core.__file__).with_name("_core.pyi")


def test_the_committed_stub_names_what_the_module_has() -> None:
    tree = ast.parse(STUB.read_text(encoding="utf-8"))
    functions = {node.name: node for node in tree.body if isinstance(node, ast.FunctionDef)}
    values = {
        node.target.id for node in tree.body if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name)
    }
    public = {name for name in dir(_core) if not name.startswith("_")}
    assert public == set(functions) | values
    for name, node in functions.items():
        signature = getattr(_core, name).__nb_signature__[0][0]
        assert signature.count("arg") == len(node.args.posonlyargs), name


def test_a_reading_that_is_not_finite_is_refused_with_a_reason() -> None:
    n = 10
    rows = {k: np.zeros(n, dtype=np.float32) for k in ("ax", "ay", "gz")}
    rows |= {k: np.full(n, 1e-3, dtype=np.float32) for k in ("noise_x", "noise_y")}
    rows["t"] = np.arange(n) * 0.01
    rows["ax"][4] = np.nan
    from fifthwheel.motion.levels import Noise, settings
    from fifthwheel.motion.prepare import WheelColumns
    from tests.motion.drive import small_car

    four = (False, False, False, False)
    wheels = WheelColumns(np.zeros((n, 4), dtype=np.float32), four, four, four, "")
    fixed = settings(
        small_car(), np.full(4, 0.05), wheels, Noise(0.05, 0.003, (0.02,) * 4), 0.01, None, 0.0, gnss=False
    )
    restarts = {
        "row": np.zeros(0, dtype=np.int64),
        "mean": np.zeros((0, core.WANDERING)),
        "sd": np.zeros((0, core.WANDERING)),
    }
    with pytest.raises(FifthwheelError, match="not finite"):
        core.filter_motion(core.MotionProblem(fixed, rows, {}, restarts))


def test_shapes_that_do_not_fit_are_refused() -> None:
    with pytest.raises(FifthwheelError):
        core.smooth_linear(np.eye(2), np.eye(3), np.ones(2), 1.0, np.ones(4), np.zeros(2), np.eye(2))
