"""Mutation bench: runs tests in a fork of itself for each request, so that heavy imports are paid once.

Run by its path within a copy of the tree. A request is a line of JSON, ``{"tests": [...], "limit_s": 20}``; so is the
answer, ``{"code": 1, "said": "..."}``: pytest's exit code, or -1 where the time was up. Tests that were quick the last
time they all passed come first.
"""

from __future__ import annotations

import importlib
import json
import os
import signal
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

# What the tests import from outside; never the packages under test, which must be imported anew in each fork.
_HEAVY = ("hypothesis", "msgspec", "numpy", "pytest", "scipy.special", "scipy.stats", "click.testing", "serial")
_OPTIONS = (
    "-x", "-q", "--no-header", "-p", "no:randomly", "-p", "no:cacheprovider", "--hypothesis-seed=0",
    "-W", "ignore:Module already imported:pytest.PytestAssertRewriteWarning",
)  # fmt: skip
_TIMES = Path("test-times.json")


class QuickFirst:
    """A pytest plugin: orders tests by the time each took before, and notes it anew when all have passed."""

    def __init__(self) -> None:
        self._known: dict[str, float] = json.loads(_TIMES.read_text()) if _TIMES.exists() else {}
        self._found: dict[str, float] = {}

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        """By pytest's own name for it."""
        items.sort(key=lambda item: self._known.get(item.nodeid, 0.0))

    def pytest_runtest_logreport(self, report: Any) -> None:
        """The same."""
        self._found[report.nodeid] = self._found.get(report.nodeid, 0.0) + report.duration

    def pytest_sessionfinish(self, exitstatus: int) -> None:
        """The same."""
        if exitstatus == 0:
            _TIMES.write_text(json.dumps(self._known | self._found))


def _child(tests: list[str], out: int) -> None:
    import pytest

    os.setsid()
    os.dup2(out, 1)
    os.dup2(out, 2)
    code = pytest.main([*_OPTIONS, *tests], plugins=[QuickFirst()])
    sys.stdout.flush()
    os._exit(int(code))


def _run(tests: list[str], limit_s: float) -> dict[str, object]:
    with tempfile.TemporaryFile() as out:
        child = os.fork()
        if child == 0:
            _child(tests, out.fileno())
        code = _wait(child, time.monotonic() + limit_s)
        out.seek(0)
        return {"code": code, "said": out.read().decode(errors="replace")[-2000:]}


def _wait(child: int, until_s: float) -> int:
    while time.monotonic() < until_s:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.01)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return -1


def main() -> None:
    """Answer requests until there are no more."""
    for name in _HEAVY:
        importlib.import_module(name)
    for line in sys.stdin:
        asked = json.loads(line)
        print(json.dumps(_run(asked["tests"], asked["limit_s"])), flush=True)


if __name__ == "__main__":
    main()
