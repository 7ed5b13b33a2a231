"""Bytes on the wire, checked against the formats' own descriptions; a real pty at the end."""

from __future__ import annotations

import json
import os
import select
import struct
import time
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest

from rinsewatch_sim.faults import Fault
from rinsewatch_sim.modbus import crc, sealed
from rinsewatch_sim.port import MemoryPort
from rinsewatch_sim.wire import FORMATS, Mess, Sample, line_state, wire

_SAMPLE = Sample("412.3", "uS/cm", 24.8)
_OVER = Sample("over", "ppm")


@pytest.mark.parametrize(
    ("name", "line", "over"),
    [("plain-number", b"412.3 uS/cm 24.8 C\r\n", b"OL ppm\r\n"),
     ("key-value", b"EC=412.3 uS/cm T=24.8\r\n", b"TDS=OL ppm\r\n"),
     ("csv-columns", b"1,412.3,uS/cm,24.8\r\n", b"2,OL,ppm,\r\n")],
)  # fmt: skip
def test_lines(name: str, line: bytes, over: bytes) -> None:
    speaker = wire(name)
    assert speaker.push(_SAMPLE) == line
    assert speaker.push(_OVER) == over


def test_json_lines_are_json() -> None:
    speaker = wire("json-lines")
    assert json.loads(speaker.push(_SAMPLE)) == {"value": 412.3, "unit": "uS/cm", "temperature": 24.8}
    assert json.loads(speaker.push(_OVER)) == {"value": "OL", "unit": "ppm"}


def test_polled_meter_speaks_only_when_asked() -> None:
    speaker = wire("polled-ascii")
    assert speaker.push(_SAMPLE) == b""
    assert speaker.answer(b"R", _SAMPLE) == b""
    assert speaker.answer(b"\r", _SAMPLE) == b"412.3 uS/cm 24.8 C\r\n"
    assert speaker.answer(b"X\r", _SAMPLE) == b"?\r\n"


@pytest.mark.parametrize(
    ("body", "check"),
    [("010300 00000A", "C5CD"), ("0207", "4112"), ("11 03 006B 0003", "7687")],
)
def test_crc_examples(body: str, check: str) -> None:
    """Modbus over Serial Line V1.02, appendix B: 02 07 gives 41 12; the other two are teaching frames."""
    assert crc(bytes.fromhex(body)) == bytes.fromhex(check)


def _ask(name: str, function: int, start: int, count: int, sample: Sample = _SAMPLE) -> bytes:
    return wire(name).answer(sealed(struct.pack(">BBHH", 1, function, start, count)), sample)


def test_modbus_float_registers() -> None:
    reply = _ask("modbus-float", 3, 0, 4)
    assert reply[:3] == bytes([1, 3, 8]) and crc(reply[:-2]) == reply[-2:]
    assert struct.unpack(">ff", reply[3:-2]) == pytest.approx((412.3, 24.8))


def test_modbus_scaled_registers_and_over_range() -> None:
    assert struct.unpack(">IhH", _ask("modbus-scaled", 4, 0, 4)[3:-2]) == (41230, 248, 0)
    assert struct.unpack(">I", _ask("modbus-scaled", 4, 0, 2, _OVER)[3:-2]) == (0xFFFFFFFF,)


@pytest.mark.parametrize(("function", "start", "code"), [(6, 0, 1), (3, 90, 2)])
def test_modbus_exceptions(function: int, start: int, code: int) -> None:
    assert _ask("modbus-float", function, start, 2)[1:3] == bytes([function | 0x80, code])


def test_modbus_resynchronises_and_ignores_others() -> None:
    request = sealed(struct.pack(">BBHH", 1, 3, 0, 2))
    stranger = sealed(struct.pack(">BBHH", 9, 3, 0, 2))
    assert len(wire("modbus-float").answer(b"\xff\x00" + stranger + request, _SAMPLE)) == 9


def test_spoiled_lines_hold_no_good_number() -> None:
    rng = np.random.default_rng(4)
    line = b"412.3 uS/cm\r\n"
    for mess in (Mess(garbage=1.0), Mess(half=1.0), Mess(glued=1.0)):
        for _ in range(50):
            assert line not in mess.spoil(line, rng).split(b"\n")
    assert Mess().spoil(line, rng) == line


def test_share_of_garbage() -> None:
    rng = np.random.default_rng(5)
    spoiled = sum(Mess(garbage=0.15).spoil(b"1 ppm\r\n", rng) != b"1 ppm\r\n" for _ in range(2000))
    assert 240 <= spoiled <= 360


def test_memory_port_in_virtual_time() -> None:
    now = [0.0]
    port = MemoryPort(wire("plain-number"), lambda t: Sample(f"{t:.0f}", "ppm"), lambda: now[0], 1.0)
    assert port.read() == b""
    now[0] = 3.0
    assert port.read() == b"1 ppm\r\n2 ppm\r\n3 ppm\r\n"
    port.close()
    with pytest.raises(OSError, match="unplugged"):
        port.read()


def test_memory_port_answers_queries() -> None:
    port = MemoryPort(wire("polled-ascii"), lambda t: _SAMPLE, lambda: 0.0, 1.0)
    port.write(b"R\r")
    assert port.read() == b"412.3 uS/cm 24.8 C\r\n"


pty = import_module("rinsewatch_sim.pty") if os.name == "posix" else None
needs_pty = pytest.mark.skipif(pty is None, reason="this system has no pseudo-terminals")


def _read(fd: int, enough: int, wait_s: float = 60.0) -> bytes:
    out, until = b"", time.monotonic() + wait_s
    while len(out) < enough and time.monotonic() < until:
        if select.select([fd], [], [], 0.05)[0]:
            out += os.read(fd, 4096)
    return out


@needs_pty
@pytest.mark.parametrize("name", FORMATS)
def test_pty_speaks_every_format(name: str, tmp_path: Path) -> None:
    assert pty is not None
    link = tmp_path / "meter"
    with pty.PtyMeter(link, wire(name), lambda: _SAMPLE, 0.02):
        fd = os.open(link, os.O_RDWR | os.O_NOCTTY)
        if name.startswith("modbus"):
            os.write(fd, sealed(struct.pack(">BBHH", 1, 3 if "float" in name else 4, 0, 2)))
        elif name == "polled-ascii":
            os.write(fd, b"R\r")
        received = _read(fd, 9)
        os.close(fd)
    assert received[:2] == b"\x01\x03" or received[:2] == b"\x01\x04" or b"412.3" in received
    assert not os.path.lexists(link)


@needs_pty
def test_pty_unplug_and_replug_under_the_same_link(tmp_path: Path) -> None:
    assert pty is not None
    link = tmp_path / "meter"
    before = len(os.listdir("/proc/self/fd")) if Path("/proc/self/fd").exists() else None
    with pty.PtyMeter(link, wire("plain-number"), lambda: _SAMPLE, 0.02) as meter:
        fd = os.open(link, os.O_RDWR | os.O_NOCTTY)
        assert _read(fd, 10)
        meter.unplug(b"41")
        # The last bytes come in as many pieces as the kernel likes, then the end: an error or, now and then, no bytes.
        with pytest.raises((OSError, EOFError), match=r"Input/output|hung up"):
            for _ in range(100):
                if not os.read(fd, 4096):
                    raise EOFError("hung up")
        os.close(fd)
        assert not os.path.lexists(link)
        meter.replug()
        fd = os.open(link, os.O_RDWR | os.O_NOCTTY)
        assert b"412.3 uS/cm" in _read(fd, 30)
        os.close(fd)
    assert before is None or len(os.listdir("/proc/self/fd")) == before


@needs_pty
def test_pty_forgets_what_nobody_reads(tmp_path: Path) -> None:
    """A late reader gets recent lines, not minutes of old ones."""
    assert pty is not None
    count = iter(range(10**6))
    link = tmp_path / "meter"
    with pty.PtyMeter(link, wire("plain-number"), lambda: Sample(str(next(count)), "ppm"), 10.0) as meter:
        for number in range(2000):
            meter.send(wire("plain-number").push(Sample(str(next(count)), "ppm")))
            if number % 20 == 0:
                time.sleep(0.001)  # the kernel carries bytes over in its own time; a real meter is far slower
        fd = os.open(link, os.O_RDWR | os.O_NOCTTY)
        first = int(_read(fd, 1).split()[0])
        os.close(fd)
    assert first > 1500


@needs_pty
def test_pty_plays_its_schedule(tmp_path: Path) -> None:
    """Unplugged from 0.15 to 0.65 s, long enough to be seen on a busy machine, then every line is garbage."""
    assert pty is not None
    faults = (Fault(0.15, 0.5, "unplug"), Fault(0.65, 999.0, "garbage"))
    link = tmp_path / "meter"
    seen: list[bool] = []
    with pty.PtyMeter(link, wire("plain-number"), lambda: _SAMPLE, 0.02, faults=faults):
        until = time.monotonic() + 60.0
        while seen != [True, False, True] and time.monotonic() < until:
            here = os.path.lexists(link)
            seen += [here] if seen[-1:] != [here] else []
            time.sleep(0.005)
        fd = os.open(link, os.O_RDWR | os.O_NOCTTY)
        received = _read(fd, 40)
        os.close(fd)
    assert seen == [True, False, True]
    assert received and b"412.3 uS/cm 24.8 C" not in received


def test_scheduled_line_faults() -> None:
    faults = (Fault(1.0, 1.0, "unplug"), Fault(3.0, 1.0, "half"))
    states = [line_state(faults, t) for t in (0.5, 1.5, 3.5)]
    assert states == [(Mess(), True), (Mess(), False), (Mess(half=1.0), True)]


def test_a_silent_meter_sends_nothing() -> None:
    assert wire("plain-number").push(Sample("", "ppm")) == b""
