"""The figures of DEVELOPERS.md that one machine can measure: first frame, processor and memory of a live watch.

``python -m pytest tests/test_docs_figures.py -s`` prints them. The aims are in the assertions' comments; the bounds
are loose where a shared CI machine is noisy.
"""

from __future__ import annotations

import math
import os
import select
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[1]
fcntl, pty, termios, tty = (pytest.importorskip(name) for name in ("fcntl", "pty", "termios", "tty"))
pytestmark = pytest.mark.skipif(
    not Path("/proc/self/stat").exists(), reason="needs /proc to read processor time and memory"
)

WARM_S, MEASURED_S = 4.0, 12.0
READY_MARK = b"finish"  # of the list of keys: the last line of a frame


def _environment(data: Path) -> dict[str, str]:
    paths = os.pathsep.join(str(ROOT / part) for part in (".", "drivers", "sim"))
    return os.environ | {"PYTHONPATH": paths, "RINSEWATCH_DATA": str(data), "TERM": "xterm"}


class Watched:
    """``rinsewatch watch`` on a terminal of 80x24, its meter another pty that sends one invented line a second."""

    def __init__(self, data: Path) -> None:
        self.meter, meter_end = pty.openpty()
        tty.setraw(meter_end)
        self.screen, screen_end = pty.openpty()
        fcntl.ioctl(screen_end, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        words = f"watch --port {os.ttyname(meter_end)} --meter plain-number --resin-ml 500 --flow-ml-min 100"
        rinse = ["--residue", "NaOH", "--endpoint", "6 uS/cm", "--rinse-water", "1 uS/cm"]
        self.ends = (meter_end, screen_end)
        self.begun_s = time.monotonic()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "rinsewatch", *words.split(), *rinse],
            stdin=screen_end, stdout=screen_end, stderr=screen_end, env=_environment(data),
        )  # fmt: skip
        self.drawn = b""
        self.sent = 0

    @property
    def age_s(self) -> float:
        """Seconds since the command was started."""
        return time.monotonic() - self.begun_s

    def live(self, until_s: float, mark: bytes | None = None) -> float:
        """Send lines and swallow frames until the age or the first ``mark``; the age then."""
        while self.age_s < until_s and (mark is None or mark not in self.drawn):
            if self.sent < self.age_s:
                self.sent += 1
                os.write(self.meter, f"{800 * math.exp(-self.sent / 60) + 4:.1f} uS/cm\r\n".encode())
            if select.select([self.screen], [], [], 0.05)[0]:
                self.drawn += os.read(self.screen, 65536)
        return self.age_s

    def processor_s(self) -> float:
        """User and system time so far (proc(5), fields 14 and 15)."""
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def peak_mb(self) -> float:
        """The largest resident memory so far (VmHWM)."""
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(status.partition("VmHWM:")[2].split()[0]) / 1024

    def close(self) -> None:
        """End it as a service manager would, and wait."""
        self.process.terminate()
        deadline_s = self.age_s + 10
        while self.process.poll() is None and self.age_s < deadline_s:
            self.live(self.age_s + 0.1)
        self.process.kill()
        self.process.wait(10)
        for descriptor in (self.meter, self.screen, *self.ends):
            os.close(descriptor)


@pytest.fixture
def watched(tmp_path: Path) -> Iterator[Any]:
    watch = Watched(tmp_path / "data")
    yield watch
    watch.close()


def test_a_live_watch_is_quick_to_begin_and_light(watched: Watched) -> None:
    first_frame_s = watched.live(20, READY_MARK)
    watched.live(first_frame_s + WARM_S)
    before_s, since_s = watched.processor_s(), watched.age_s
    watched.live(since_s + MEASURED_S)
    share = 100 * (watched.processor_s() - before_s) / (watched.age_s - since_s)
    peak_mb = watched.peak_mb()
    print(f"first frame {first_frame_s:.2f} s, {share:.1f} % of a core at 1 Hz, peak memory {peak_mb:.0f} MB")
    assert watched.process.poll() is None
    assert watched.sent > MEASURED_S
    assert first_frame_s < 4  # aim: 1 s
    assert share < 6  # aim: 3 %
    assert peak_mb < 150  # the aim itself
