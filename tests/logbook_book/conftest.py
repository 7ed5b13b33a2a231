"""Makes this folder's helpers importable."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture
def path(folder: Path) -> Path:
    """Where the test's logbook is to be."""
    return folder / "logbook.sqlite"
