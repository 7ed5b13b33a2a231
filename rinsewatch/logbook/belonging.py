"""Which rinse belongs to which resin, batch and cycle.

A rinse belongs to the batch that names its number, or else to the batch of which it bears the name. Its resin is that
of its batch, or else the one its summary names, the one it was begun for, or the one of which it bears the name.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from datetime import date, datetime

from rinsewatch.logbook.ledger import Fields, Item
from rinsewatch.logbook.records import Records
from rinsewatch.logbook.rules import rinse_numbers
from rinsewatch.logbook.store import Logbook, RinseInfo
from rinsewatch.logbook.values import day


class Belonging:
    """The links between recorded rinses and records, as they are now."""

    def __init__(self, logbook: Logbook, records: Records) -> None:
        self._logbook, self._records = logbook, records
        self._batches = records.items("batch")
        self._by_number = {n: batch for batch in self._batches for n in rinse_numbers(batch.fields)}
        self._by_name = {str(batch.fields["name"]).casefold(): batch for batch in self._batches}
        named = [item.fields for item in records.items("summary") if "resin" in item.fields and "rinse" in item.fields]
        self._rinses: dict[int, dict[int, RinseInfo]] = {}
        self._by_summary = {int(fields["rinse"]): int(fields["resin"]) for fields in named}

    def batch_of(self, rinse: RinseInfo) -> Item | None:
        """The batch a rinse belongs to, None if to none."""
        return self._by_number.get(rinse.id) or self._by_name.get(rinse.batch.casefold())

    def rinses_in(self, batch: Item) -> list[RinseInfo]:
        """The recorded rinses of a batch, oldest first."""
        name = str(batch.fields["name"]).casefold()
        found = self._logbook.rinses_of({name}, rinse_numbers(batch.fields))
        return [info for info in found if self.batch_of(info) == batch]

    def rinses_of(self, resin: str) -> dict[int, RinseInfo]:
        """The recorded rinses of a resin, by number. Error: UsageError where there is no such resin."""
        number = self._records.find("resin", resin).number
        if number not in self._rinses:
            self._rinses[number] = self._find_rinses(number)
        return self._rinses[number]

    def _find_rinses(self, number: int) -> dict[int, RinseInfo]:
        names = self.names_of(number)
        batches = [batch for batch in self._batches if batch.fields.get("resin") == number]
        names |= {str(batch.fields["name"]).casefold() for batch in batches}
        wanted = {n for batch in batches for n in rinse_numbers(batch.fields)}
        wanted |= {rinse for rinse, resin in self._by_summary.items() if resin == number}
        found = self._logbook.rinses_of(names, wanted)
        return {info.id: info for info in found if self._owner(info, number) == number}

    def resin_of(self, rinse: RinseInfo) -> Item | None:
        """The resin a rinse belongs to, None if to none."""
        number = self._said_of(rinse)
        return self._resin_called(rinse.batch) if number is None else self._logbook.ledger.item("resin", number)

    def _said_of(self, rinse: RinseInfo) -> int | None:
        """The number of its resin, as far as more than its name says so."""
        batch = self.batch_of(rinse)
        if batch is not None:
            return int(batch.fields["resin"])
        if rinse.id in self._by_summary:
            return self._by_summary[rinse.id]
        begun_for = self._resin_called(str(rinse.settings.get("resin", "")))
        return None if begun_for is None else begun_for.number

    def _resin_called(self, name: str) -> Item | None:
        """The resin with this name now, or else that once had it."""
        wanted, resins = name.casefold(), self._records.items("resin")
        now = [resin for resin in resins if str(resin.fields["name"]).casefold() == wanted]
        once = [resin for resin in resins if not now and wanted and wanted in self.names_of(resin.number)]
        return next(iter([*now, *once]), None)

    def names_of(self, resin: int) -> set[str]:
        """Every name the resin ever had: a renamed one keeps its earlier rinses."""
        changes = self._logbook.ledger.history("resin", resin)
        return {str(change.fields["name"]).casefold() for change in changes}

    def _owner(self, rinse: RinseInfo, otherwise: int) -> int:
        said = self._said_of(rinse)
        return otherwise if said is None else said


class Cycles:
    """Numbers the cycles of one resin from its service runs: as noted, or in the order of their dates."""

    def __init__(self, runs: Sequence[Item]) -> None:
        ordered = sorted(runs, key=lambda run: str(run.fields["installed"]))
        self.of_run: dict[int, int] = {}
        self._starts: list[date] = []
        last = 0
        for run in ordered:
            last = int(run.fields.get("cycle", last + 1))
            self.of_run[run.number] = last
            self._starts.append(day(run.fields["installed"]) or date.min)
        self._numbers = [self.of_run[run.number] for run in ordered]

    def at(self, when: date) -> int:
        """The cycle a rinse or regeneration of this day belongs to: that of the next run, or the one to come."""
        place = bisect_left(self._starts, when)
        if place < len(self._numbers):
            return self._numbers[place]
        return (self._numbers[-1] if self._numbers else 0) + 1

    def of(self, fields: Fields) -> int:
        """A batch's or summary's cycle: as noted, or by its date."""
        noted = fields.get("cycle")
        return int(noted) if noted is not None else self.at(day(fields["date"]) or date.min)


def rinse_day(info: RinseInfo) -> date:
    """The local day on which a rinse began; 1970-01-01 where its time cannot be read."""
    try:
        return datetime.fromisoformat(info.started_utc).astimezone().date()
    except ValueError:
        return date(1970, 1, 1)
