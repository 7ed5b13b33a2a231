"""A file that appears whole or not at all."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable
from pathlib import Path

from rinsewatch.errors import RecordingError


def write_whole(path: Path, parts: Iterable[bytes]) -> None:
    """Write parts beside ``path``, sync, rename; a pipe or device is written as it is. Error: RecordingError."""
    special = path.exists() and not path.is_file()
    beside = path if special else path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with beside.open("wb" if special else "xb") as stream:
            stream.writelines(parts)
            stream.flush()
            if not special:
                os.fsync(stream.fileno())
        if not special:
            beside.replace(path)
    except OSError as error:
        raise RecordingError(f"{path}: cannot be written: {error.strerror}") from error
    finally:
        if not special:
            with contextlib.suppress(OSError):  # a disk that takes nothing takes no tidying either
                beside.unlink(missing_ok=True)
