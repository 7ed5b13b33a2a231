"""The cable: any pyserial URL (device path, socket://, rfc2217://, loop://, hwgrep://), opened, read, lost.

pyserial reports an unplugged port in three ways (SerialException, OSError, and termios.error, which is
neither); here all of them are PortLost.
"""

from __future__ import annotations

import errno
import io
import os
import select
import threading
import time
from typing import Protocol, runtime_checkable
from urllib.parse import urlsplit

import serial

from rinsewatch_drivers import ttyraw
from rinsewatch_drivers.errors import PortBusy, PortDenied, PortError, PortLost, PortMissing
from rinsewatch_drivers.holder import describe_holder
from rinsewatch_drivers.profile import SerialSettings

_CHUNK = 4096
# ports without a file descriptor (loop://, rfc2217://, other systems) are looked at this often
_LOOK_EVERY_S = 0.02
_WRITE_TIMEOUT_S = 1.0
_LOSSES: tuple[type[Exception], ...] = (serial.SerialException, *ttyraw.TTY_ERRORS)
_RAW_ERRORS: tuple[type[Exception], ...] = (PortError, *ttyraw.TTY_ERRORS)
_MISSING = frozenset((errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ENOTDIR))
_NO_PORT = "{} is there, but it is no serial port; 'rinsewatch meters' lists ports"
_BUSY = frozenset((errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK))


class Transport(Protocol):
    """What the drivers need of a cable. Every method but ``close`` raises PortLost when it is gone."""

    def read(self, timeout_s: float) -> bytes:
        """What has come (some kB at most), waiting up to ``timeout_s`` for the first byte."""
        ...

    def write(self, data: bytes) -> None:
        """Send all of it."""
        ...

    def flush_input(self) -> None:
        """Throw away what has come and was not read."""
        ...

    def close(self) -> None:
        """Close; harmless if it is closed or gone."""
        ...


@runtime_checkable
class Tunable(Protocol):
    """A cable whose speed can be changed while it is open."""

    def set_speed(self, baud: int) -> bool:
        """Listen at this speed from now on; False where there is none to set. Raises PortLost."""
        ...


def set_speed(transport: Transport, baud: int) -> bool:
    """Listen at this speed from now on; False where the cable has none to set. Raises PortLost."""
    return isinstance(transport, Tunable) and transport.set_speed(baud)


class SerialTransport:
    """A port opened through pyserial: raw, locked, and its own settings put back at the end."""

    def __init__(self, url: str, port: serial.Serial, found_settings: list[object] | None) -> None:
        self.url = url
        self._port = port
        self._found = found_settings
        self._fd = _descriptor(port)
        self._pause = threading.Event()

    def read(self, timeout_s: float) -> bytes:
        """What has come, waiting up to ``timeout_s`` for the first byte."""
        try:
            if not self._wait(timeout_s):
                return b""
            return bytes(self._port.read(_CHUNK))
        except _LOSSES as error:
            raise self._lost(error) from error

    def write(self, data: bytes) -> None:
        """Send all of it, within a second."""
        try:
            self._port.write(data)
        except _LOSSES as error:
            raise self._lost(error) from error

    def flush_input(self) -> None:
        """Throw away what has come and was not read."""
        try:
            self._port.reset_input_buffer()
        except _LOSSES as error:
            raise self._lost(error) from error

    def set_speed(self, baud: int) -> bool:
        """Listen at this speed from now on; what was heard at the old one is thrown away. False for a network."""
        if self._fd is None or "://" in self.url:
            return False
        try:
            self._port.baudrate = baud
            ttyraw.make_raw(self._fd)  # pyserial sets the line anew
            self._port.reset_input_buffer()
        except (*_RAW_ERRORS, *_LOSSES) as error:
            raise self._lost(error) from error
        return True

    def close(self) -> None:
        """Close, the terminal settings found at opening put back."""
        if self._fd is not None and self._port.is_open:
            ttyraw.restore(self._fd, self._found)
        try:
            self._port.close()
        except _LOSSES:
            return

    def _wait(self, timeout_s: float) -> bool:
        if self._fd is not None:
            return bool(select.select([self._fd], [], [], max(0.0, timeout_s))[0])
        deadline = time.monotonic() + timeout_s
        while not self._port.in_waiting:
            left = deadline - time.monotonic()
            if left <= 0:
                return False
            self._pause.wait(min(left, _LOOK_EVERY_S))
        return True

    def _lost(self, error: Exception) -> PortLost:
        return PortLost(f"{self.url} went away ({_plain(error)})")


def open_transport(url: str, settings: SerialSettings) -> SerialTransport:
    """Open the port a user named; links like those under by-id are followed anew at each opening.

    Raises PortMissing, PortDenied, PortBusy or PortError, each with one line for the user.
    """
    held = _hold(url) if _is_path(url) else None
    try:
        found = None if held is None else ttyraw.saved_settings(held)
        port = _open(url, settings)
    finally:
        if held is not None:
            os.close(held)
    return _raw(SerialTransport(url, port, found), port)


def _raw(transport: SerialTransport, port: serial.Serial) -> SerialTransport:
    fd = _descriptor(port)
    try:
        if fd is not None:
            ttyraw.make_raw(fd)
    except _RAW_ERRORS as error:
        transport.close()
        raise PortError(f"{transport.url}: {_plain(error)}") from error
    return transport


def _is_path(url: str) -> bool:
    return os.name == "posix" and "://" not in url


def _hold(path: str) -> int:
    # Opened once by hand first: exact errors, the settings to put back, and the line is not dropped in
    # between.
    try:
        held = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    except OSError as error:
        raise _open_error(path, error) from error
    if os.isatty(held):
        return held
    os.close(held)
    raise PortError(_NO_PORT.format(path))


def _open(url: str, settings: SerialSettings) -> serial.Serial:
    _check_socket_address(url)
    try:
        # URL handlers return classes of their own with the same methods as Serial
        port = serial.serial_for_url(url, do_not_open=True, exclusive=True)
        port.baudrate, port.bytesize = settings.baud, settings.bytesize
        port.parity, port.stopbits = settings.parity, settings.stopbits
        port.timeout, port.write_timeout = 0, _WRITE_TIMEOUT_S
        port.open()
    except ValueError as error:
        raise PortError(f"cannot use the port {url}: {_plain(error)}") from error
    except _LOSSES as error:
        raise _open_error(url, error) from error
    return port


def _check_socket_address(url: str) -> None:
    """pyserial's own words for a bad address are about its insides."""
    if not url.lower().startswith("socket://"):
        return
    try:
        port = urlsplit(url).port
    except ValueError:
        port = None
    if not port:
        raise PortError(f"{url} lacks a port number from 1 to 65535; write it like socket://192.0.2.7:4001")


def _open_error(url: str, error: Exception) -> PortError:
    code = getattr(error, "errno", None)
    if code in (errno.EACCES, errno.EPERM):
        return PortDenied(
            f"no permission for {url}: add yourself to its group (mostly dialout: "
            "sudo usermod -a -G dialout $USER), then log in again"
        )
    if code in _BUSY:
        return PortBusy(f"{url} is in use by {describe_holder(url)}; close that first")
    if code in _MISSING:
        return PortMissing(f"there is no port {url}; is the meter plugged in? 'rinsewatch meters' lists ports")
    if code == errno.EISDIR:
        return PortError(_NO_PORT.format(url))
    if "://" in url:
        return PortMissing(f"cannot open {url}: {_plain(error)}")
    return PortError(f"cannot use {url} as a port: {_plain(error)}")


def _plain(error: Exception) -> str:
    return " ".join((str(error) or type(error).__name__).split())


def _descriptor(port: serial.Serial) -> int | None:
    if os.name != "posix":
        return None
    try:
        return port.fileno()
    except (io.UnsupportedOperation, AttributeError):
        return None
