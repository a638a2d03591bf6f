"""Runs: the attempts at tests inside a session, one file per kind."""

from fifthwheel.runs.find import find_runs

__all__ = ["find_runs"]
