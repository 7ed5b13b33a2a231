"""One writer at a time: an advisory lock on a file beside the logbook.

The system drops the lock when the holder dies, kill -9 included, so none is ever stale; the file
stays (removing it would let two holders in). Its text only tells who holds it.
"""

from __future__ import annotations

import contextlib
import os
import sys
from pathlib import Path
from typing import Self

from rinsewatch.errors import LogbookError
from rinsewatch.logbook.trouble import explain

if sys.platform == "win32":
    import msvcrt

    def _try_lock(descriptor: int) -> None:
        os.lseek(descriptor, 4096, os.SEEK_SET)  # beyond the text: such locks also forbid reading
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
else:
    import fcntl

    def _try_lock(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


class WriterLock:
    """Held from ``acquire`` to ``release``; also a context manager."""

    def __init__(self, logbook: Path) -> None:
        self._logbook = logbook
        self._path = logbook.with_name(logbook.name + ".lock")
        self._descriptor: int | None = None

    @property
    def held(self) -> bool:
        """True between acquire and release."""
        return self._descriptor is not None

    def acquire(self) -> None:
        """Take the lock at once or raise LogbookError naming the process that holds it."""
        if self.held:
            return
        try:
            descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as error:
            raise explain(self._logbook, error) from error
        try:
            _try_lock(descriptor)
        except OSError as error:
            holder = _holder(descriptor)
            os.close(descriptor)
            raise LogbookError(
                f"{self._logbook}: is being written by {holder}; finish that first, or use --logbook FILE"
            ) from error
        _sign(descriptor)
        self._descriptor = descriptor

    def release(self) -> None:
        """Let the next writer in; harmless when not held."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None

    def __enter__(self) -> Self:
        self.acquire()
        return self

    def __exit__(self, *_: object) -> None:
        self.release()


def _sign(descriptor: int) -> None:
    name = Path(sys.argv[0] or "rinsewatch").name
    with contextlib.suppress(OSError):  # a full disk must not turn a courtesy into a failure
        os.ftruncate(descriptor, 0)
        os.write(descriptor, f"process {os.getpid()} ({name})".encode(errors="replace"))


def _holder(descriptor: int) -> str:
    os.lseek(descriptor, 0, os.SEEK_SET)
    return os.read(descriptor, 200).decode(errors="replace").strip() or "another program"
