"""The terminal side of a serial port: raw mode made sure of, and the settings found put back at the end.

On systems without termios every function here does nothing.
"""

from __future__ import annotations

import os
import sys
from typing import Any

from rinsewatch_drivers.errors import PortError

if sys.platform != "win32":
    import termios

    TTY_ERRORS: tuple[type[Exception], ...] = (OSError, termios.error)

    # every flag that would change, swallow or act on a byte
    _IFLAGS = (
        termios.BRKINT | termios.ICRNL | termios.INLCR | termios.IGNCR | termios.INPCK | termios.ISTRIP
        | termios.IXON | termios.IXOFF | termios.PARMRK
    )  # fmt: skip
    _LFLAGS = termios.ICANON | termios.ECHO | termios.ISIG | termios.IEXTEN

    def saved_settings(fd: int) -> list[Any] | None:
        """The settings of the terminal behind ``fd``; None if it is no terminal."""
        return termios.tcgetattr(fd) if os.isatty(fd) else None

    def _is_raw(fd: int) -> bool:
        iflag, oflag, _, lflag = termios.tcgetattr(fd)[:4]
        return not (iflag & _IFLAGS or oflag & termios.OPOST or lflag & _LFLAGS)

    def make_raw(fd: int) -> None:
        """Set the line raw and verify it; raises PortError if it will not be."""
        if not os.isatty(fd) or _is_raw(fd):
            return
        settings = termios.tcgetattr(fd)
        settings[0] &= ~_IFLAGS
        settings[1] &= ~termios.OPOST
        settings[3] &= ~_LFLAGS
        termios.tcsetattr(fd, termios.TCSANOW, settings)
        if not _is_raw(fd):
            raise PortError("the port cannot be set to raw mode; bytes would be changed on the way")

    def restore(fd: int, settings: list[Any] | None) -> None:
        """Put saved settings back; a port that is gone needs none."""
        if settings is None:
            return
        try:
            termios.tcsetattr(fd, termios.TCSANOW, settings)
        except TTY_ERRORS:
            return

else:
    TTY_ERRORS: tuple[type[Exception], ...] = (OSError,)

    def saved_settings(fd: int) -> list[Any] | None:
        """No terminal settings on this system."""
        return None

    def make_raw(fd: int) -> None:
        """Nothing to do on this system."""

    def restore(fd: int, settings: list[Any] | None) -> None:
        """Nothing to do on this system."""
