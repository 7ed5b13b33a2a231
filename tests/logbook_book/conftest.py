"""Makes this folder's helpers importable; a folder in memory where there is one."""

import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture
def folder() -> Iterator[Path]:
    """In memory where possible: commits on a busy disk are slow, and nothing here is about power cuts."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else None) as name:
        yield Path(name)


@pytest.fixture
def path(folder: Path) -> Path:
    """Where the test's logbook is to be."""
    return folder / "logbook.sqlite"
