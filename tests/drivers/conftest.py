"""A cable that takes no real time; and a pty, both the fault bench's."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from rinsewatch.cli.bench_fault_rig import Cable, Pty, VirtualClock, plugged


@pytest.fixture
def clock() -> VirtualClock:
    return VirtualClock()


@pytest.fixture
def cable(clock: VirtualClock) -> Callable[..., Cable]:
    return lambda script=(): Cable(clock, list(script))


@pytest.fixture
def pty(tmp_path: Path) -> Iterator[Pty]:
    with plugged(tmp_path) as meter:
        yield meter
