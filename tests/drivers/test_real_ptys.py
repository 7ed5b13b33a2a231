"""The real thing: pseudo terminals opened, unplugged, plugged in again, forbidden, taken, left in a mess."""

from __future__ import annotations

import os
import subprocess
import sys
import termios
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from rinsewatch_drivers.clock import SystemClock
from rinsewatch_drivers.errors import PortBusy, PortDenied, PortError, PortLost, PortMissing
from rinsewatch_drivers.link import MeterLink
from rinsewatch_drivers.profile import SerialSettings, builtin_profiles
from rinsewatch_drivers.reading import LinkEvent, LinkState, Reading
from rinsewatch_drivers.transport import SerialTransport, open_transport

PLAIN = builtin_profiles()["plain-number"]
SETTINGS = SerialSettings()


POLL_S = 0.05
PATIENCE_S = 60.0  # what is waited for comes in far less


def _until(
    link: MeterLink, done: Callable[[list[Any]], bool], within_s: float = PATIENCE_S
) -> list[Reading | LinkEvent]:
    """What happened; ``within_s`` counts the waiting of the polls only, not what a busy machine makes of it."""
    happened: list[Reading | LinkEvent] = []
    for _ in range(round(within_s / POLL_S)):
        if done(happened):
            break
        happened += link.poll(POLL_S)
    return happened


def _values(happened: list[Any]) -> list[float]:
    return [item.value for item in happened if isinstance(item, Reading) and item.value is not None]


def _has(state: LinkState) -> Callable[[list[Any]], bool]:
    return lambda happened: any(isinstance(item, LinkEvent) and item.state is state for item in happened)


def _open_descriptors() -> int:
    return len(os.listdir("/proc/self/fd")) if os.path.isdir("/proc/self/fd") else 0


def test_unplug_and_replug_under_the_same_link(pty: Any) -> None:
    link = MeterLink(str(pty.link), PLAIN, clock=SystemClock())
    pty.send(b"\r\n412.0 uS/cm\r\n12")
    assert _values(_until(link, lambda h: bool(_values(h)))) == [412.0]
    descriptors = _open_descriptors()
    for number in range(5):
        pty.unplug()
        lost = _until(link, _has(LinkState.LOST), within_s=1.0)
        assert _has(LinkState.LOST)(lost)
        assert _values(lost) == []
        pty.plug()
        happened = _until(link, lambda _: link.connected, within_s=1.5)
        pty.send(b"\r\n%d.5 uS/cm\r\n" % number)
        happened += _until(link, lambda h: bool(_values(h)), within_s=0.5)
        assert _values(happened) == [number + 0.5]
    assert _open_descriptors() == descriptors
    link.close()


def test_a_lost_cable_costs_no_processor_time(pty: Any) -> None:
    link = MeterLink(str(pty.link), PLAIN, clock=SystemClock())
    pty.unplug()
    _until(link, _has(LinkState.LOST))
    began_s, polls = time.process_time(), 0
    end_s = time.monotonic() + 0.6
    while time.monotonic() < end_s:
        link.poll(0.1)
        polls += 1
    assert polls <= 12
    assert time.process_time() - began_s < 0.1
    link.close()


def test_every_byte_passes_on_a_line_others_left_cooked(pty: Any) -> None:
    path = os.path.realpath(pty.link)
    other = os.open(path, os.O_RDWR | os.O_NOCTTY)
    settings = termios.tcgetattr(other)
    settings[0] |= termios.ICRNL | termios.IXON | termios.ISTRIP | termios.BRKINT
    settings[1] |= termios.OPOST
    settings[3] |= termios.ICANON | termios.ECHO | termios.ISIG
    termios.tcsetattr(other, termios.TCSANOW, settings)
    cooked = termios.tcgetattr(other)
    transport = open_transport(str(pty.link), SETTINGS)
    sent = bytes(range(256)) * 40
    heard = bytearray()
    writer = threading.Thread(target=_send_all, args=(pty.master, sent))
    writer.start()
    end_s = time.monotonic() + PATIENCE_S
    while len(heard) < len(sent) and time.monotonic() < end_s:
        heard += transport.read(0.1)
    writer.join()
    assert bytes(heard) == sent
    raw = termios.tcgetattr(other)
    # a break must not become a signal either, which pyserial leaves as it finds it
    assert not raw[0] & (termios.BRKINT | termios.IXON | termios.ICRNL)
    assert not raw[3] & (termios.ECHO | termios.ICANON | termios.ISIG)
    transport.close()
    assert termios.tcgetattr(other)[:4] == cooked[:4]  # as it was found
    os.close(other)


def _send_all(fd: int, data: bytes) -> None:
    while data:
        data = data[os.write(fd, data[:512]) :]


def test_reading_a_port_that_went_away_is_lost_whatever_is_asked(pty: Any) -> None:
    transport = open_transport(str(pty.link), SETTINGS)
    pty.unplug()
    for act in (lambda: transport.read(0.1), lambda: transport.write(b"R\r"), transport.flush_input):
        with pytest.raises(PortLost, match="went away"):
            act()
    transport.close()
    transport.close()


def test_no_such_port(tmp_path: Path) -> None:
    with pytest.raises(PortMissing, match="there is no port"):
        open_transport(str(tmp_path / "none"), SETTINGS)


@pytest.mark.parametrize("url", ["socket://nohost", "socket://127.0.0.1:99999", "socket://127.0.0.1:a", "socket://h:0"])
def test_a_network_address_without_a_port_number_is_told_so(url: str) -> None:
    with pytest.raises(PortError, match="lacks a port number") as caught:
        open_transport(url, SETTINGS)
    assert not isinstance(caught.value, PortMissing)  # waiting for it would not help


@pytest.mark.parametrize("url", ["nonsense://x", "/dev/null", "/", "socket://127.0.0.1:1"])
def test_what_is_no_port_is_told_in_one_line(url: str) -> None:
    with pytest.raises(PortError) as caught:
        open_transport(url, SETTINGS)
    assert "\n" not in str(caught.value)
    assert url in str(caught.value)


def test_a_file_or_folder_is_no_serial_port(tmp_path: Path) -> None:
    """Not in the words of the system's own calls."""
    (tmp_path / "val").write_text("x")
    for path in (tmp_path / "val", tmp_path, Path(os.devnull)):
        with pytest.raises(PortError) as caught:
            open_transport(str(path), SETTINGS)
        assert str(caught.value) == f"{path} is there, but it is no serial port; 'rinsewatch meters' lists ports"


def test_no_permission_names_the_group(pty: Any) -> None:
    path = os.path.realpath(pty.link)
    os.chmod(path, 0)
    if os.geteuid() == 0:  # to root nothing is forbidden: ask as nobody
        message = _denied_as_nobody(path)
    else:
        with pytest.raises(PortDenied) as caught:
            open_transport(path, SETTINGS)
        message = str(caught.value)
    assert "no permission" in message
    assert "dialout" in message


def _denied_as_nobody(path: str) -> str:
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.setgroups([])
        os.setgid(65534)
        os.setuid(65534)
        try:
            open_transport(path, SETTINGS)
        except PortDenied as denied:
            os.write(writer, str(denied).encode("utf-8"))
        os._exit(0)
    os.close(writer)
    os.waitpid(child, 0)
    with os.fdopen(reader, encoding="utf-8") as pipe:
        return pipe.read()


HOLDER = (
    "import fcntl, os, sys\n"
    "fd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)\n"
    "fcntl.flock(fd, fcntl.LOCK_EX)\n"
    "print('held', flush=True)\n"
    "sys.stdin.read()\n"
)


@pytest.mark.skipif(not os.path.isdir("/proc/self/fd"), reason="who holds a port is read from /proc, Linux only")
def test_a_port_in_use_names_its_holder(pty: Any) -> None:
    path = os.path.realpath(pty.link)
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(PortBusy, match=rf"in use by .*\(pid {holder.pid}\)"):
            open_transport(str(pty.link), SETTINGS)
        holder.communicate("")
    open_transport(str(pty.link), SETTINGS).close()


def test_two_links_of_this_program_do_not_share_a_port(pty: Any) -> None:
    transport = open_transport(str(pty.link), SETTINGS)
    with pytest.raises(PortBusy, match="this program itself"):
        open_transport(str(pty.link), SETTINGS)
    transport.close()


def test_a_thousand_lines_a_second_none_lost(pty: Any) -> None:
    link = MeterLink(str(pty.link), PLAIN, clock=SystemClock())
    lines = b"".join(b"%d.0 uS/cm\r\n" % i for i in range(2000))
    writer = threading.Thread(target=_send_all, args=(pty.master, b"\r\n" + lines))
    writer.start()
    happened = _until(link, lambda h: len(_values(h)) >= 2000)
    writer.join()
    assert _values(happened) == [float(i) for i in range(2000)]
    link.close()


def test_loop_url_and_write() -> None:
    transport: SerialTransport = open_transport("loop://", SETTINGS)
    transport.write(b"12 ppm\r\n")
    assert transport.read(0.5) == b"12 ppm\r\n"
    assert transport.read(0.05) == b""
    transport.write(b"x")
    transport.flush_input()
    assert transport.read(0.05) == b""
    transport.close()


def test_hand_over_of_a_pty_set_raw_by_others(pty: Any) -> None:
    other = os.open(os.path.realpath(pty.link), os.O_RDWR | os.O_NOCTTY)
    tty.setraw(other)
    transport = open_transport(str(pty.link), SETTINGS)
    pty.send(b"\x03\x04\x11\x13\x1a")
    assert transport.read(1.0) == b"\x03\x04\x11\x13\x1a"
    transport.close()
    os.close(other)
