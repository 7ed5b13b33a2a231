"""``--capture FILE``: raw bytes on the side; a full disk there must not cost a reading."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Self

from rinsewatch.errors import UsageError
from rinsewatch_drivers.capture import CaptureWriter


class Capture:
    """The tap of ``--capture``; without a file it takes nothing down."""

    def __init__(self, file: str | None) -> None:
        """Begin the file; raises UsageError if it exists or cannot be made."""
        self._writer: CaptureWriter | None = None
        if file is None:
            return
        try:
            self._writer = CaptureWriter(Path(file))
        except FileExistsError as error:
            raise UsageError(f"--capture: {file} exists already; choose another name") from error
        except OSError as error:
            raise UsageError(f"--capture: {file} cannot be written: {error.strerror}") from error

    def tap(self, monotonic_s: float, data: bytes) -> None:
        """Write bytes down; the first failure ends the capture with a word on stderr."""
        if self._writer is None:
            return
        try:
            self._writer.tap(monotonic_s, data)
        except OSError as error:
            print(f"rinsewatch: --capture ends here: {error.strerror}", file=sys.stderr)
            self.close()

    def close(self) -> None:
        """Finish the file."""
        writer, self._writer = self._writer, None
        if writer is not None:
            writer.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
