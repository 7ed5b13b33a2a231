"""A resin's records as the input of its life: service runs, rinses and regenerations, each with its cycle."""

from __future__ import annotations

from dataclasses import dataclass

from rinsewatch.chemistry.resin import ResinKind
from rinsewatch.errors import UsageError
from rinsewatch.logbook.belonging import Belonging, Cycles, rinse_day
from rinsewatch.logbook.kinds import single_kind
from rinsewatch.logbook.ledger import Fields, Item
from rinsewatch.logbook.life.records import (
    DISCARD_SHARE,
    History,
    Indicator,
    Part,
    Regeneration,
    Resin,
    RinseSummary,
    ServiceRun,
)
from rinsewatch.logbook.records import Records
from rinsewatch.logbook.rinsesummary import RinseFigures, rinse_figures, summaries_of, summary_figures
from rinsewatch.logbook.rules import litres_of
from rinsewatch.logbook.store import Logbook, RinseInfo
from rinsewatch.logbook.values import amount_eq, day, us_cm

# Rinses without a stored summary are run through the core again, which takes seconds: the latest ones only.
MOST_REPLAYED = 4
_PARTS = {"NaOH": Part.ANION, "HCl": Part.CATION}


@dataclass(frozen=True, slots=True)
class LifeInput:
    """A resin's history, and in plain sentences what was left out of it."""

    history: History
    notes: tuple[str, ...]


def life_input(logbook: Logbook, records: Records, name: str, *, most_replayed: int = MOST_REPLAYED) -> LifeInput:
    """Gather one resin's life. Errors: UsageError where there is no such resin, LogbookError, QuantityError."""
    resin = records.find("resin", name)
    runs = [item for item in records.items("run") if item.fields["resin"] == resin.number]
    batches = [item for item in records.items("batch") if item.fields.get("resin") == resin.number]
    cycles, notes = Cycles(runs), []
    belonging = Belonging(logbook, records)
    rinses = _noted_rinses(logbook, records, belonging, resin, cycles)
    replayed, left_out = _replayed(logbook, records, belonging, resin, cycles, most_replayed)
    if left_out:
        who = "1 earlier rinse has" if left_out == 1 else f"{left_out} earlier rinses have"
        notes.append(f"{who} no stored summary; left out.")
    running = sum(litres_of(run.fields) is None for run in runs)
    if running:
        notes.append(f"{running} service run{'' if running == 1 else 's'} still going on: not counted yet.")
    history = History(
        resin=_resin(resin.fields),
        runs=tuple(_run(run.fields, cycles.of_run[run.number]) for run in runs if litres_of(run.fields) is not None),
        rinses=tuple(rinses + replayed),
        regenerations=tuple(_regeneration(batch.fields, cycles) for batch in batches),
    )
    return LifeInput(history, tuple(notes))


def _resin(fields: Fields) -> Resin:
    return Resin(
        name=str(fields["name"]),
        resin_ml=float(fields["volume_ml"]),
        new=day(fields.get("new")),
        discard_share=float(fields.get("discard_share", DISCARD_SHARE)),
        kind=single_kind(fields["kind"]),
    )


def _run(fields: Fields, cycle: int) -> ServiceRun:
    factor = fields.get("tds_factor")
    return ServiceRun(
        cycle=cycle,
        litres=litres_of(fields) or 0.0,
        installed=day(fields["installed"]),
        removed=day(fields.get("removed")),
        feed_us_cm=us_cm(fields.get("feed"), factor),
        change_us_cm=us_cm(fields.get("change"), factor),
        indicator=Indicator(str(fields.get("indicator", ""))),
    )


def _regeneration(fields: Fields, cycles: Cycles) -> Regeneration:
    caustic, acid = (str(fields[name]) if name in fields else None for name in ("caustic", "acid"))
    return Regeneration(
        cycle=cycles.of(fields),
        on=day(fields["date"]),
        caustic_eq=None if caustic is None else amount_eq(caustic),
        acid_eq=None if acid is None else amount_eq(acid),
    )


def _noted_rinses(
    logbook: Logbook, records: Records, belonging: Belonging, resin: Item, cycles: Cycles
) -> list[RinseSummary]:
    found = []
    for item, info in summaries_of(logbook, records, str(resin.fields["name"]), belonging):
        batch = belonging.batch_of(info) if info else None
        fields = {**item.fields, **({"cycle": cycles.of(batch.fields)} if batch else {})}
        part = _part(resin.fields, str(fields["residue"]))
        if part is not None:
            found.append(_summary(summary_figures(item), part, cycles.of(fields), fields))
    return found


def _part(resin: Fields, residue: str) -> Part | None:
    """Which of the two resins was rinsed: by its kind, in a mixed bed by what was rinsed out."""
    if resin["kind"] == ResinKind.STRONG_ACID:
        return Part.CATION
    if resin["kind"] in (ResinKind.STRONG_BASE_1, ResinKind.STRONG_BASE_2):
        return Part.ANION
    return _PARTS.get(residue)


def _summary(figures: RinseFigures, part: Part, cycle: int, fields: Fields) -> RinseSummary:
    when = day(fields["date"])
    assert when is not None
    return RinseSummary(
        cycle=cycle,
        part=part,
        on=when,
        resin_ml=figures.resin_ml,
        residue=figures.residue,
        endpoint=figures.endpoint,
        endpoint_ml=figures.endpoint_ml,
        slow_share=figures.slow_share,
        floor_us_cm=figures.floor_us_cm,
        water_us_cm=figures.water_us_cm,
        feed_us_cm=figures.feed_us_cm or None,
    )


def _replayed(
    logbook: Logbook, records: Records, belonging: Belonging, resin: Item, cycles: Cycles, most: int
) -> tuple[list[RinseSummary], int]:
    """Finished rinses that have no summary yet: the latest ones, and how many more there are."""
    have = {item.fields.get("rinse") for item in records.items("summary")}
    rinses = [
        info
        for info in belonging.rinses_of(str(resin.fields["name"])).values()
        if info.id not in have and not info.unfinished
    ]
    latest = rinses[-most:] if most else []
    found = [one for info in latest if (one := _replay(logbook, belonging, resin, cycles, info)) is not None]
    return found, len(rinses) - len(latest)


def _replay(
    logbook: Logbook, belonging: Belonging, resin: Item, cycles: Cycles, info: RinseInfo
) -> RinseSummary | None:
    try:
        figures = rinse_figures(logbook.rows(info.id), info.settings)
    except UsageError:
        return None  # its settings are not those of a rinse that can be run
    part, batch = _part(resin.fields, figures.residue), belonging.batch_of(info)
    when: Fields = {"date": rinse_day(info).isoformat()}
    return None if part is None else _summary(figures, part, cycles.of(batch.fields if batch else when), when)
