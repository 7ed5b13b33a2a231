"""The right speed is named when garbage comes from a meter at another one; noise that passes costs seconds."""

from __future__ import annotations

import os
import termios
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from rinsewatch_drivers.link import MeterLink
from rinsewatch_drivers.profile import SerialSettings, builtin_profiles
from rinsewatch_drivers.reading import LinkEvent, LinkState, Quality, Reading
from rinsewatch_drivers.speeds import SPEEDS, looks_like_text
from rinsewatch_drivers.transport import open_transport, set_speed

PLAIN = builtin_profiles()["plain-number"]
NOISE = b"\x80\xfe\x00\xff\xa1\r\n"


class Tuned:
    """One line a second: noise unless the speed is right, and (``over_s``) no noise any more from then on."""

    def __init__(self, cable: Any, right_baud: int, over_s: float = float("inf")) -> None:
        self._cable, self._right, self._over_s = cable, right_baud, over_s
        self.baud, self.speeds = 9600, list[int]()

    def read(self, timeout_s: float) -> bytes:
        data: bytes = self._cable.read(timeout_s)
        passed_s = self._cable.clock.now_s - self._cable.began_s
        fits = self.baud == self._right or (passed_s >= self._over_s and self.baud == 9600)
        return data if fits or not data else NOISE

    def set_speed(self, baud: int) -> bool:
        self.baud = baud
        self.speeds.append(baud)
        return True

    def flush_input(self) -> None: ...
    def close(self) -> None: ...


def _heard(wire: Tuned, clock: Any, seconds: float, **more: Any) -> tuple[list[Reading], list[LinkEvent]]:
    link = MeterLink("port", PLAIN, clock=clock, opener=lambda url, settings: wire, **more)
    happened: list[Reading | LinkEvent] = []
    ends_s = clock.now_s + seconds
    while clock.now_s < ends_s:
        happened += link.poll(0.2)
    readings = [item for item in happened if isinstance(item, Reading)]
    return readings, [item for item in happened if isinstance(item, LinkEvent)]


def _lines(seconds: int) -> list[tuple[float, bytes]]:
    return [(float(n), b"%d.0 uS/cm\r\n" % (2000 - n)) for n in range(seconds)]


@pytest.mark.parametrize("tapped", [False, True])
@pytest.mark.parametrize("right_baud", [19200, 1200])
def test_the_right_speed_is_named_once_and_none_of_its_lines_is_a_reading(
    cable: Callable[..., Any], clock: Any, right_baud: int, *, tapped: bool
) -> None:
    wire = Tuned(cable(_lines(180)), right_baud)
    tap = (lambda at_s, data: None) if tapped else None
    readings, events = _heard(wire, clock, 180.0, tap=tap)
    named = [event for event in events if f"--baud {right_baud}" in event.detail]
    assert len(named) == 1 and [event.state for event in events] == [LinkState.OPEN, *[LinkState.GARBAGE] * 2]
    assert all(reading.quality in (Quality.BAD, Quality.MISSING) for reading in readings)
    assert wire.baud == 9600 and wire.speeds.index(right_baud) == len(wire.speeds) - 2
    heard_elsewhere = [reading.raw for reading in readings if reading.cause == "other-speed"]
    assert any(raw.endswith(b"uS/cm") for raw in heard_elsewhere), "what was heard is kept"


def test_noise_that_passes_ends_the_search_and_readings_are_back_within_seconds(
    cable: Callable[..., Any], clock: Any
) -> None:
    wire = Tuned(cable(_lines(60)), right_baud=0, over_s=16.0)
    began_s = clock.now_s
    readings, events = _heard(wire, clock, 60.0)
    good = [reading.monotonic_s - began_s for reading in readings if reading.quality is Quality.GOOD]
    assert 16.0 <= good[0] <= 23.0 and len(good) > 35
    assert [event.state for event in events] == [LinkState.OPEN, LinkState.GARBAGE, LinkState.BACK]
    assert wire.baud == 9600 and len(wire.speeds) <= 4


def test_text_that_does_not_fit_is_another_profile_and_no_other_speed(cable: Callable[..., Any], clock: Any) -> None:
    wire = Tuned(cable([(float(n), b"K1: 3.0; ID: 7 !\r\n") for n in range(60)]), right_baud=9600)
    _, events = _heard(wire, clock, 60.0)
    assert [event.state for event in events] == [LinkState.OPEN, LinkState.GARBAGE] and not wire.speeds
    assert looks_like_text([b"K1: 3.0"]) and not looks_like_text([NOISE]) and not looks_like_text([])


def test_after_every_speed_was_tried_in_vain_it_stays_with_its_own(cable: Callable[..., Any], clock: Any) -> None:
    wire = Tuned(cable(_lines(400)), right_baud=0)
    _, events = _heard(wire, clock, 400.0)
    assert sorted({*wire.speeds}) == sorted(SPEEDS) and wire.baud == 9600
    assert len(wire.speeds) == 2 * (len(SPEEDS) - 1) and len(events) == 2


@pytest.mark.skipif("sys.platform == 'win32'", reason="pseudo-terminals")
def test_a_real_line_takes_another_speed_and_stays_raw(pty: Any) -> None:
    transport = open_transport(str(pty.link), SerialSettings())
    try:
        assert set_speed(transport, 19200)
        far = os.open(pty.link, os.O_RDWR | os.O_NOCTTY)
        found = termios.tcgetattr(far)
        os.close(far)
        assert found[4] == found[5] == termios.B19200
        assert not found[3] & (termios.ICANON | termios.ECHO) and not found[0] & termios.ICRNL
        pty.send(b"\x03\r\x1a\n")
        assert transport.read(1.0) == b"\x03\r\x1a\n"
    finally:
        transport.close()


def test_a_network_has_no_speed(tmp_path: Path, cable: Callable[..., Any]) -> None:
    assert not set_speed(cable(), 19200)
