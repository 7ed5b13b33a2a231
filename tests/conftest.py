"""For all tests: on a CI machine the property tests draw the same examples each time; a folder in memory.

A new counterexample should turn up at someone's desk, not in a run that judges an unrelated change.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder in memory where there is one: kill -9 needs no disk, and a busy disk makes commits slow."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else None) as name:
        yield Path(name)
