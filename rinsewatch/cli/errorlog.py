"""Where the details of an internal error go."""

from __future__ import annotations

import tempfile
import traceback
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType

from rinsewatch import __version__
from rinsewatch.errors import LogbookError
from rinsewatch.logbook.location import logbook_path

FILE_NAME = "internal-errors.txt"


def write_error_log(
    kind: type[BaseException], error: BaseException, trace: TracebackType | None, environ: Mapping[str, str]
) -> Path | None:
    """Append the traceback to a file beside the logbook, else in the temporary folder; None: neither."""
    text = "".join(traceback.format_exception(kind, error, trace))
    entry = f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ} rinsewatch {__version__}\n{text}\n"
    for folder in _folders(environ):
        try:
            with (folder / FILE_NAME).open("a", encoding="utf-8", errors="replace") as log:
                log.write(entry)
        except OSError:
            continue
        return folder / FILE_NAME
    return None


def _folders(environ: Mapping[str, str]) -> list[Path]:
    fallback = Path(tempfile.gettempdir())
    try:
        return [logbook_path(None, environ).parent, fallback]
    except LogbookError:
        return [fallback]
