"""Recorded rinses in lines and as JSON objects."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rinsewatch.cli.logbookopen import records_of, say, say_json
from rinsewatch.cli.watchplanned import planned_line, planned_object
from rinsewatch.logbook.outline import counted, item_object, table
from rinsewatch.logbook.records import shown_texts
from rinsewatch.logbook.settings import EARLIER_NAMES, PLANNED_NAMES
from rinsewatch.logbook.struck import portion_change
from rinsewatch.logbook.values import local_minute

if TYPE_CHECKING:
    from rinsewatch.cli.replaysum import Tally
    from rinsewatch.logbook.ledger import Item
    from rinsewatch.logbook.store import Logbook, RinseInfo
    from rinsewatch.rinse.row import Row

_TOLD_BELOW = (*EARLIER_NAMES, *PLANNED_NAMES)


def rinse_table(rinses: Sequence[RinseInfo], path: Path) -> list[str]:
    """The list of rinses, times on this machine's clock to the minute."""
    head = ("no", "begun", "residue", "endpoint", "batch", "rows", "how it ended")
    return [
        f"{counted(len(rinses), 'rinse', 'rinses')} in {path}",
        *(table(head, map(_cells, rinses)) if rinses else []),
    ]


def _cells(info: RinseInfo) -> tuple[str, ...]:
    residue, endpoint = (str(info.settings.get(name, "")) for name in ("residue", "endpoint"))
    begun, rows = local_minute(info.started_utc), counted(info.rows, "row", "rows")
    return str(info.id), begun, residue, endpoint, info.batch, rows, ended_words(info)


def ended_words(info: RinseInfo) -> str:
    """How the rinse ended, in a few words."""
    return "unfinished" if info.unfinished else f"{info.end_reason}, verdict {info.verdict or 'none'}"


def rinse_object(info: RinseInfo) -> dict[str, object]:
    """A rinse as a JSON object; times UTC."""
    return {
        "record": "rinse", "number": info.id, "uuid": info.uuid, "batch": info.batch, "started_utc": info.started_utc,
        "ended_utc": info.ended_utc, "end_reason": info.end_reason, "verdict": info.verdict,
        "rows_stored": info.rows, "program_version": info.program_version, "settings": info.settings,
    }  # fmt: skip


def endpoint_objects(rinses: Sequence[RinseInfo], summaries: Sequence[Item]) -> list[dict[str, object]]:
    """Rinses with their endpoints: where they were to end, after how much water they did (null: not stored)."""
    stored = {item.fields.get("rinse"): item.fields for item in summaries}
    return [
        {
            "number": info.id,
            "started_utc": info.started_utc,
            "residue": info.settings.get("residue"),
            "endpoint": info.settings.get("endpoint"),
            "endpoint_ml": stored.get(info.id, {}).get("endpoint_ml"),
            "used_ml": stored.get(info.id, {}).get("used_ml"),
            "verdict": info.verdict,
        }
        for info in rinses
    ]


def endpoint_table(rinses: Sequence[RinseInfo], summaries: Sequence[Item]) -> list[str]:
    """The same in lines."""
    rows = []
    for info, one in zip(rinses, endpoint_objects(rinses, summaries), strict=True):
        texts = ["" if one[key] is None else str(one[key]) for key in ("residue", "endpoint", "endpoint_ml", "used_ml")]
        rows.append([f"  rinse {info.id}", local_minute(info.started_utc), *texts, ended_words(info)])
    return table(("  rinses", "begun", "residue", "endpoint", "reached mL", "used mL", "how it ended"), rows)


def show_rinse(logbook: Logbook, number: int, *, replay: bool, as_json: bool) -> None:
    """One rinse: settings, what it came to, events.

    What it came to is what was stored at its end; where nothing was, or with ``replay``, its rows run through the core.
    """
    from rinsewatch.logbook.rinsesummary import summary_of

    info, rows, stored = logbook.rinse(number), logbook.rows(number), summary_of(logbook, number)
    tally = _replayed(rows, info) if replay or stored is None else None
    if as_json:
        figures = _came_to(tally) if tally else {}
        events = [_event_object(row) for row in rows if row.event]
        summary = None if stored is None else item_object(stored, records_of(logbook).resin_names())
        counts = {"rows_observed": len(rows), "readings": sum(row.has_reading for row in rows)}
        own = {"portions": _portions(rows), "planned": planned_object(info.settings), "summary": summary}
        say_json([{**rinse_object(info), **counts, **own, **figures, "events": events}])
        return
    say([f"rinse {info.id}  {local_minute(info.started_utc)}  {info.batch}  {ended_words(info)}"])
    say(f"  {name} = {value}" for name, value in info.settings.items() if name not in _TOLD_BELOW)
    say(_stored_lines(info, len(rows)))
    say(_tally_lines(info, tally) if tally else _summary_lines(stored, rows))
    say(_known_lines(info, rows))
    say(f"  {row.time_s:9.1f} s {row.rinse_ml or 0:9.0f} mL  {row.event}" for row in rows if row.event)


def _replayed(rows: Sequence[Row], info: RinseInfo) -> Tally:
    from rinsewatch.cli.observing import observed
    from rinsewatch.cli.replaysum import Tally

    tally = Tally()
    for seen in observed(rows, info.settings):
        tally.add(seen.row, seen.state)
    return tally


def _tally_lines(info: RinseInfo, tally: Tally) -> list[str]:
    from rinsewatch.cli.replaysum import summary_lines

    return summary_lines(f"rinse {info.id}", tally)


def _summary_lines(stored: Item | None, rows: Sequence[Row]) -> list[str]:
    """What was stored at the end; --replay tells more."""
    shown = shown_texts(stored, {}) if stored else {}
    names = ("endpoint_ml", "used_ml", "slow_share", "entrained_share", "floor", "next_step", "remark")
    readings = counted(sum(row.has_reading for row in rows), "reading", "readings")
    return [f"  {readings}", *(f"  {name:15} {shown[name]}" for name in names if name in shown)]


def _known_lines(info: RinseInfo, rows: Sequence[Row]) -> list[str]:
    """What the forecast started from, and the plan's figures beside what was used."""
    from rinsewatch.logbook.earliershares import learned_in, learned_words

    learned = learned_in(info.settings)
    used_ml = next((row.rinse_ml for row in reversed(rows) if row.rinse_ml is not None), 0.0)
    planned = planned_line(info.settings, _portions(rows), used_ml)
    words = None if learned is None else learned_words(learned, str(info.settings.get("resin", "")))
    return [f"  {line}" for line in (words, planned) if line is not None]


def _portions(rows: Sequence[Row]) -> int:
    """Portions poured and not undone."""
    return sum(portion_change(row.event) for row in rows)


def _stored_lines(info: RinseInfo, observed: int) -> list[str]:
    raw = info.rows - observed
    others = f", of these {counted(raw, 'line', 'lines')} of the meter that were no reading" if raw else ""
    return [f"  {counted(info.rows, 'row', 'rows')} stored{others}"]


def _came_to(tally: Tally) -> dict[str, object]:
    last, stop = tally.last, tally.mark.stop
    return {
        "distrusted": tally.distrusted, "portions": tally.portions, "faults": tally.faults,
        "used_ml": last.rinse_ml if last else None,
        "last_verdict": last.verdict.value if last else None, "reason": last.reason if last else None,
        "floor_us_cm": last.floor_us_cm if last else None, "target_us_cm": last.target_us_cm if last else None,
        "endpoint_ml": stop.rinse_ml if stop else None, "endpoint_s": stop.time_s if stop else None,
    }  # fmt: skip


def _event_object(row: Row) -> dict[str, object]:
    return {"time_s": row.time_s, "rinse_ml": row.rinse_ml, "event": row.event}
