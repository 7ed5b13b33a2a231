"""Where the logbook lives."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from rinsewatch.errors import LogbookError

FILE_NAME = "logbook.sqlite"
VARIABLE = "RINSEWATCH_DATA"


def logbook_path(option: Path | str | None, environ: Mapping[str, str], file_name: str = FILE_NAME) -> Path:
    """The logbook's path: ``--logbook FILE``, else RINSEWATCH_DATA, else the platform's data folder.

    RINSEWATCH_DATA is a folder, or the file itself if it ends in ``.sqlite``. ``file_name`` is the
    file inside the folder. Nothing is created. Raises LogbookError where no home folder is known.
    """
    if option is not None:
        return Path(option)
    named = environ.get(VARIABLE, "")
    if named.endswith(".sqlite"):
        return Path(named)
    return (Path(named) if named else _user_folder()) / file_name


def _user_folder() -> Path:
    from platformdirs import user_data_path

    unknown = "no home folder is known; name the logbook with --logbook FILE"
    try:
        folder = user_data_path("rinsewatch", appauthor=False)
    except RuntimeError as error:
        raise LogbookError(unknown) from error
    if not folder.is_absolute():  # older platformdirs leave "~" as it is
        raise LogbookError(unknown)
    return folder
