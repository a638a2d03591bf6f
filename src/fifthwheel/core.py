"""Thin array face of the C++ core; the only importer of fifthwheel._core."""

from __future__ import annotations

from fifthwheel import _core

CORE_VERSION: int = _core.core_version
