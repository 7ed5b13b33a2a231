"""Another program on the same port: it steals bytes, so nothing counts while it is there."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest

from rinsewatch_drivers.clock import SystemClock
from rinsewatch_drivers.holder import other_opener
from rinsewatch_drivers.link import MeterLink
from rinsewatch_drivers.profile import builtin_profiles
from rinsewatch_drivers.reading import LinkEvent, Quality, Reading

pytestmark = pytest.mark.skipif(not os.path.isdir("/proc/self/fd"), reason="who has a port open is read from /proc")
PLAIN = builtin_profiles()["plain-number"]
OTHER = "import os, sys; fd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY); print(1, flush=True); sys.stdin.read()"
FAR_END = (
    "import os, sys; master, far = os.openpty(); print(os.ttyname(far), flush=True)\n"
    "while sys.stdin.readline(): os.write(master, b'7.0 uS/cm\\n')"
)


def _started(code: str, *words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", code, *words], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )


def _heard(link: MeterLink, pty: Any, lines: int) -> list[Reading | LinkEvent]:
    happened: list[Reading | LinkEvent] = []
    for _ in range(lines):
        pty.send(b"900.0 uS/cm\r\n")
        happened += link.poll(0.05)
    return happened


def test_while_another_program_has_the_port_open_no_reading_counts(pty: Any) -> None:
    with _started(OTHER, os.path.realpath(pty.link)) as other:
        assert other.stdout is not None
        other.stdout.readline()
        link = MeterLink(str(pty.link), PLAIN, clock=SystemClock())
        happened = _heard(link, pty, 10)
        link.close()
        other.communicate("")
    told = [item.detail for item in happened if isinstance(item, LinkEvent) and f"(pid {other.pid})" in item.detail]
    readings = [item for item in happened if isinstance(item, Reading)][2:]
    assert len(told) == 1
    assert readings and all((r.quality, r.cause, r.raw) == (Quality.BAD, "shared", b"900.0 uS/cm") for r in readings)
    assert other_opener(str(pty.link)) == ""


def test_the_simulated_meters_own_end_is_no_thief() -> None:
    with _started(FAR_END) as meter:
        assert meter.stdout is not None and meter.stdin is not None
        path = meter.stdout.readline().strip()
        assert other_opener(path) == "", "it holds both ends, like a bench meter"
        meter.communicate("")


def test_only_devices_are_looked_for(tmp_path: Path) -> None:
    held = (tmp_path / "file").open("w")
    assert other_opener(str(tmp_path / "file")) == other_opener("socket://10.0.0.5:4001") == ""
    held.close()


def test_this_program_itself_is_no_other(pty: Any) -> None:
    descriptor = os.open(os.path.realpath(pty.link), os.O_RDWR | os.O_NOCTTY)
    found: list[str] = []
    thread = threading.Thread(target=lambda: found.append(other_opener(str(pty.link))))
    thread.start()
    thread.join()
    os.close(descriptor)
    assert found == [""]
