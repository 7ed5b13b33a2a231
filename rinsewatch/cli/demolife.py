"""``rinsewatch logbook demo-data``: an invented logbook of two resins, to see what the logbook can tell."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rinsewatch.cli.logbookopen import json_option, now_utc, say, say_json, today
from rinsewatch.cli.options import logbook_option

if TYPE_CHECKING:
    from rinsewatch.logbook.records import New
    from rinsewatch.logbook.store import Logbook
    from rinsewatch_sim.lives import Cycle, Life
    from rinsewatch_sim.lives_rinse import Rinsed

FILE_NAME = "demo-life.sqlite"
INVENTED = "invented: made by 'rinsewatch logbook demo-data', no real resin"


@click.command("demo-data")
@json_option
@logbook_option
def demo_data(as_json: bool, logbook_file: str | None) -> int:
    """Make an invented logbook: two resins over a dozen cycles, one of which goes bad. All its data are invented.

    It is a file of its own (demo-life.sqlite in the data folder, or --logbook FILE); your own logbook is left alone.
    """
    from rinsewatch.logbook.location import logbook_path

    path = logbook_path(logbook_file, os.environ, FILE_NAME)
    made = not _is_there(path)
    records = _make(path) if made else 0
    if as_json:
        say_json([{"logbook": str(path), "made": made, "records": records, "invented": True}])
        return 0
    say([f"{records} invented records written to {path}" if made else f"the invented logbook is there already: {path}"])
    say(["look at it:", *(f"  rinsewatch logbook {what} --logbook {path}" for what in ("life", "list runs"))])
    return 0


def _is_there(path: Path) -> bool:
    """Whether this very demonstration was written there before. Raises LogbookError for what is no logbook."""
    from rinsewatch.logbook.store import Logbook

    if not path.exists():
        return False
    with Logbook.open(path, create=False) as logbook:
        resins = logbook.ledger.items("resin")
        return bool(resins) and all(item.fields.get("remark") == INVENTED for item in resins)


def _make(path: Path) -> int:
    from rinsewatch.logbook.dump import Whole, restore
    from rinsewatch.logbook.records import Records
    from rinsewatch_sim.lives_draw import demo_lives

    written = 0

    def add(logbook: Logbook) -> None:
        nonlocal written
        for life in demo_lives():
            records = Records(logbook, today())
            for part in ([_resin(life)], list(_life(life))):
                written += len(records.add(part, now_utc()))

    restore(path, Whole([], [], {}), add)
    return written


def _resin(life: Life) -> New:
    from rinsewatch.logbook.records import New

    new = life.cycles[0].regenerated
    texts = {"name": life.name, "volume_ml": f"{life.habits.resin_ml:g}", "kind": "mixed bed", "new": str(new)}
    return New("resin", {**texts, "remark": INVENTED})


def _life(life: Life) -> Iterator[New]:
    from rinsewatch.logbook.records import New

    for cycle in life.cycles:
        yield New("batch", _batch(life, cycle))
        for rinsed in (cycle.anion, cycle.cation):
            yield New("summary", _summary(life, cycle.regenerated, rinsed))
        yield New("run", _run(life, cycle))


def _batch(life: Life, cycle: Cycle) -> dict[str, str]:
    return {
        "name": f"{life.name}, regeneration {cycle.number}", "resin": life.name, "date": str(cycle.regenerated),
        "caustic": f"{cycle.caustic_eq} eq", "acid": f"{cycle.acid_eq} eq",
    }  # fmt: skip


def _run(life: Life, cycle: Cycle) -> dict[str, str]:
    return {
        "resin": life.name, "installed": str(cycle.installed), "removed": str(cycle.removed),
        "litres": str(cycle.litres), "feed": "unknown" if cycle.feed_us_cm is None else f"{cycle.feed_us_cm} uS/cm",
        "change": f"{cycle.change_us_cm} uS/cm", "indicator": cycle.indicator,
    }  # fmt: skip


def _summary(life: Life, on: date, rinsed: Rinsed) -> dict[str, str]:
    texts = {
        "resin": life.name, "date": str(on), "residue": rinsed.residue, "resin_ml": str(rinsed.resin_ml),
        "endpoint": "feed", "slow_share": str(rinsed.slow_share), "floor": f"{rinsed.floor_us_cm} uS/cm",
        "water": f"{rinsed.water_us_cm} uS/cm", "feed": f"{rinsed.feed_us_cm} uS/cm",
    }  # fmt: skip
    reached = {} if rinsed.endpoint_ml is None else {"endpoint_ml": str(rinsed.endpoint_ml)}
    return {**texts, **reached, **({"used_ml": reached["endpoint_ml"]} if reached else {})}
