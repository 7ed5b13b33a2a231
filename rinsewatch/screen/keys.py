"""Single keys from the terminal, for wet hands: one key, one action; nothing that was pasted ever acts.

``with open_keys() as keys: for key in keys.read(0.2): ...`` A key is one printable character, or ENTER,
BACKSPACE, ESCAPE or PASTED. The terminal is restored on every way out of the ``with``.
"""

from __future__ import annotations

import codecs
import os
import re
import sys
import time
from enum import StrEnum
from types import TracebackType
from typing import Protocol, Self

ENTER, BACKSPACE, ESCAPE, PASTED = "enter", "backspace", "escape", "pasted"
PASTE_MESSAGE = "Pasted text ignored; press single keys."
BURST_BYTES = 8  # more than this at once comes from no hand
_SEQUENCE_WAIT_S = 0.05  # the rest of an escape sequence follows at once, even over a slow link
_FLOOD_READS = 256  # of 4096 bytes: a megabyte of paste is swallowed in one go, then we look up again


class KeyAction(StrEnum):
    """What a key does while no question is open."""

    PORTION = "portion poured"
    UNDO = "undo the last portion or typing"
    VOLUME = "change the portion volume"
    FEED = "take this reading as feed water"
    WATER = "take this reading as rinse water"
    TYPE_READING = "type a reading"
    KNOWN = "check the meter in a known water"
    NOTE = "write a note"
    PAUSE = "pause or resume"
    CONFIRM = "probe is in the filtrate"
    FINISH = "finish the rinse"
    HELP = "help"


KEYMAP = {
    "p": KeyAction.PORTION, "u": KeyAction.UNDO, "v": KeyAction.VOLUME, "f": KeyAction.FEED,
    "w": KeyAction.WATER, "=": KeyAction.TYPE_READING, "k": KeyAction.KNOWN, "n": KeyAction.NOTE, " ": KeyAction.PAUSE,
    "c": KeyAction.CONFIRM, "q": KeyAction.FINISH, "?": KeyAction.HELP,
}  # fmt: skip


# Key and short name for the list on the screen; the first three mean nothing while water runs continuously.
KEY_LIST = (
    ("p", "portion"), ("u", "undo"), ("v", "volume"), ("=", "type in"), ("f", "is feed"), ("w", "is water"),
    ("k", "known"), ("n", "note"), ("space", "pause"), ("c", "probe ok"), ("q", "finish"), ("?", "help"),
)  # fmt: skip
PORTION_KEYS = ("p", "u", "v")


def action_for(key: str) -> KeyAction | None:
    """The action of a key, None for all others. Capitals do the same (caps lock happens)."""
    return KEYMAP.get(key.lower())


# CSI with parameters (mouse reports and function keys too), the old mouse report with its three bytes of
# position, SS3, and Alt with a key: ECMA-48 5.4 and the xterm control sequences.
_SEQUENCE = re.compile(rb"\x1b\[M[\x00-\xff]{3}|\x1b\[[0-?]*[ -/]*[@-~]|\x1bO[ -~]|\x1b[ -NP-Z\\-~]")
_UNFINISHED = re.compile(rb"\x1b(\[M[\x00-\xff]{0,2}|\[[0-?]*[ -/]*|O)?\Z")


class KeyDecoder:
    """Bytes to keys, pure but for a UTF-8 character whose second half may come later."""

    def __init__(self) -> None:
        self._utf8 = codecs.getincrementaldecoder("utf-8")(errors="ignore")

    def keys(self, data: bytes) -> tuple[str, ...]:
        """Keys in what arrived at once. A burst of more than BURST_BYTES is one PASTED, or nothing when
        it holds escape sequences only (a mouse, a held arrow key)."""
        plain = _SEQUENCE.sub(b"", data)
        if len(data) > BURST_BYTES:
            self._utf8.reset()
            return (PASTED,) if plain else ()
        if plain == b"\x1b":
            return (ESCAPE,)
        return tuple(key for char in self._utf8.decode(_UNFINISHED.sub(b"", plain)) if (key := _named(char)))


def _named(char: str) -> str:
    if char in "\r\n":
        return ENTER
    if char in "\x7f\x08":
        return BACKSPACE
    return char if char.isprintable() else ""


class KeyReader(Protocol):
    """What ``open_keys`` gives on every platform."""

    closed: bool

    def __enter__(self) -> Self: ...
    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...
    def read(self, timeout_s: float) -> tuple[str, ...]: ...
    def suspend(self) -> None: ...
    def resume(self) -> None: ...


def open_keys(descriptor: int = 0) -> KeyReader:
    """The reader for this platform; ``descriptor`` is the terminal's (POSIX only)."""
    if sys.platform == "win32":
        import msvcrt

        return ConsoleKeys(msvcrt)
    return TerminalKeys(descriptor)


class _Console(Protocol):
    def kbhit(self) -> bool: ...
    def getwch(self) -> str: ...


class ConsoleKeys:
    """Windows: the console hands over characters one by one; special keys come as two."""

    def __init__(self, console: _Console) -> None:
        self._console, self.closed = console, False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.suspend()

    def suspend(self) -> None:
        """Nothing to restore: the console's mode is never changed."""

    def resume(self) -> None:
        """Nothing to set again."""

    def read(self, timeout_s: float) -> tuple[str, ...]:
        """Keys within ``timeout_s`` seconds, () when there were none. Ctrl-C raises KeyboardInterrupt."""
        waited_s = 0.0
        while not self._console.kbhit() and waited_s < timeout_s:
            time.sleep(0.02)
            waited_s += 0.02
        chars: list[str] = []
        while self._console.kbhit():
            chars.append(self._console.getwch())
        return _console_keys("".join(chars))


def _console_keys(text: str) -> tuple[str, ...]:
    if "\x03" in text:
        raise KeyboardInterrupt
    # Function and arrow keys come as a prefix and a code.
    plain = re.sub("[\x00\xe0].", "", text, flags=re.DOTALL)
    if len(text) > BURST_BYTES:
        return (PASTED,) if plain else ()
    return tuple(key for char in plain if (key := ESCAPE if char == "\x1b" else _named(char)))


if sys.platform != "win32":
    import select
    import termios
    import tty

    class TerminalKeys:
        """POSIX: the terminal in cbreak mode (Ctrl-C and Ctrl-Z keep their meaning), no echo."""

        def __init__(self, descriptor: int = 0) -> None:
            self._descriptor, self.closed = descriptor, False
            self._saved: list[int | list[bytes | int]] | None = None
            self._decoder = KeyDecoder()

        def __enter__(self) -> Self:
            if os.isatty(self._descriptor):
                self._saved = termios.tcgetattr(self._descriptor)
                self.resume()
            return self

        def __exit__(
            self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
        ) -> None:
            self.suspend()
            self._saved = None

        def suspend(self) -> None:
            """Give the terminal back as it was: at the end, and before Ctrl-Z stops the process."""
            if self._saved is not None:
                try:
                    termios.tcflush(self._descriptor, termios.TCIFLUSH)
                    termios.tcsetattr(self._descriptor, termios.TCSANOW, self._saved)
                except (termios.error, OSError):
                    self.closed = True  # the terminal itself is gone: nothing left to restore

        def resume(self) -> None:
            """Take single keys (again): at the start, and after ``fg``."""
            if self._saved is not None:
                try:
                    tty.setcbreak(self._descriptor, termios.TCSANOW)
                except (termios.error, OSError):
                    self.closed = True

        def read(self, timeout_s: float) -> tuple[str, ...]:
            """Keys within ``timeout_s`` seconds, () when there were none or the terminal is closed."""
            if self.closed:
                time.sleep(max(0.0, timeout_s))
                return ()
            data = self._bytes(timeout_s)
            if _UNFINISHED.search(data):
                data += self._bytes(_SEQUENCE_WAIT_S)
            if len(data) > BURST_BYTES:
                data += self._rest_of_flood()
            return self._decoder.keys(data)

        def _rest_of_flood(self) -> bytes:
            rest = b""
            for _ in range(_FLOOD_READS):
                more = self._bytes(_SEQUENCE_WAIT_S)
                if not more:
                    break
                rest += more
            return rest

        def _bytes(self, timeout_s: float) -> bytes:
            try:
                if not select.select([self._descriptor], [], [], max(0.0, timeout_s))[0]:
                    return b""
                data = os.read(self._descriptor, 4096)
            except (OSError, ValueError):  # hung up, or closed under us
                data = b""
            self.closed = self.closed or not data
            return data
