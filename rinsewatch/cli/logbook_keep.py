"""``rinsewatch logbook verify`` and ``backup``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rinsewatch.cli.logbookopen import json_option, opened, say, say_json
from rinsewatch.cli.options import logbook_option

if TYPE_CHECKING:
    from rinsewatch.logbook.verify import Verification


@click.command()
@click.argument("rinse_id", metavar="[NUMBER]", type=click.IntRange(1, 10**15), required=False)
@json_option
@logbook_option
def verify(rinse_id: int | None, as_json: bool, logbook_file: str | None) -> int:
    """Check that everything is as it was stored; exit 4 if something is not."""
    from rinsewatch.errors import LogbookError

    with opened(logbook_file) as logbook:
        found = logbook.verify_all() if rinse_id is None else [logbook.verify(rinse_id)]
        path = logbook.path
    if as_json:
        say_json(_object(result) for result in found)
    else:
        say(_verdict(result) for result in found)
    bad = [result for result in found if not result.ok]
    if bad:
        raise LogbookError(f"{path}: {len(bad)} of {len(found)} checks failed; export --good-only saves the good rows")
    return 0


@click.command()
@click.argument("target", metavar="FILE")
@json_option
@logbook_option
def backup(target: str, as_json: bool, logbook_file: str | None) -> int:
    """Copy the whole logbook to a new FILE, also while a rinse is being recorded."""
    with opened(logbook_file) as logbook:
        logbook.backup(target)
        path = logbook.path
    if as_json:
        say_json([{"logbook": str(path), "backup": target}])
    else:
        say([f"{path} copied to {target}"])
    return 0


def _verdict(result: Verification) -> str:
    from rinsewatch.logbook.outline import counted

    name = "the file" if result.rinse_id is None else f"rinse {result.rinse_id}"
    rows = counted(result.good_rows, "row", "rows")
    if result.ok:
        return f"{name}: in order" + ("" if result.rinse_id is None else f", {rows}")
    where = "" if result.first_bad is None else f"row {result.first_bad} "
    return f"{name}: {where}{result.reason}; {rows} before are good"


def _object(result: Verification) -> dict[str, object]:
    return {
        "rinse": result.rinse_id, "ok": result.ok, "good_rows": result.good_rows, "first_bad": result.first_bad,
        "reason": result.reason,
    }  # fmt: skip
