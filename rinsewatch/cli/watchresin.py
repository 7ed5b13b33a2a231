"""Which resin of the logbook is rinsed, and what is known of it: its volume, its earlier rinses."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from rinsewatch.cli.asking import ask
from rinsewatch.errors import UsageError
from rinsewatch.logbook.earliershares import learned_from
from rinsewatch.logbook.kinds import MIXED
from rinsewatch.logbook.ledger import Item
from rinsewatch.logbook.records import Records
from rinsewatch.logbook.rinsesummary import earlier_rinses
from rinsewatch.logbook.store import Logbook
from rinsewatch.rinse.setup import Residue

NONE = "none"


def resin_named(logbook: Logbook, resin: str | None, batch: str) -> Item | None:
    """The resin that --resin names, or the one of --batch; None where neither names one. Error: UsageError."""
    records = Records(logbook, date.max)
    named = None if resin is None else _find(records, resin)
    of_batch = _of_batch(records, batch)
    if named is not None and of_batch is not None and named.number != of_batch.number:
        raise UsageError(
            f"--resin {name_of(named)}: the logbook has {batch!r} for resin {name_of(of_batch)}; leave one of them out"
        )
    return named or of_batch


def _find(records: Records, resin: str) -> Item:
    try:
        return records.find("resin", resin)
    except UsageError as error:
        raise UsageError(f"--resin: {error}; a new one: 'rinsewatch logbook add resin'") from error


def _of_batch(records: Records, batch: str) -> Item | None:
    """The resin of the batch of this name, or else the resin of this name."""
    wanted, resins = batch.strip().casefold(), records.items("resin")
    numbers = [item.fields["resin"] for item in records.items("batch") if _called(item, wanted)]
    found = [resin for resin in resins if resin.number in numbers] or [one for one in resins if _called(one, wanted)]
    return found[0] if found and wanted else None


def _called(item: Item, wanted: str) -> bool:
    return str(item.fields["name"]).casefold() == wanted


def name_of(resin: Item) -> str:
    """Its present name."""
    return str(resin.fields["name"])


def ask_resin(logbook: Logbook, last: Mapping[str, object]) -> Item | None:
    """Which of the logbook's resins is rinsed; not asked where it has none. Raises click.Abort."""
    records = Records(logbook, date.max)
    resins = records.items("resin")
    if not resins:
        return None
    names = [name_of(resin) for resin in resins]
    default = last.get("resin") if last.get("resin") in names else NONE
    shown = names if len(names) <= 8 else [*names[:8], "..."]

    def check(text: str) -> None:
        if text.casefold() != NONE:
            records.find("resin", text)

    answer = ask(f"Resin in the logbook ({', '.join(shown)}; {NONE})", default, check)
    return None if answer.casefold() == NONE else records.find("resin", answer)


def resin_volume_ml(logbook: Logbook, resin: Item, residue: object) -> float | None:
    """How much of it is usually rinsed, mL; None: not known, as of a mixed bed that was parted."""
    canonical = _residue(residue)
    if resin.fields["kind"] != MIXED or canonical == Residue.SALT:
        return float(resin.fields["volume_ml"])
    earlier = earlier_rinses(logbook, name_of(resin), canonical) if canonical else []
    return earlier[-1].figures.resin_ml if earlier else None


def _residue(text: object) -> str:
    return next((one.value for one in Residue if one.value.lower() == str(text or "").strip().lower()), "")


def learned_settings(logbook: Logbook, resin: Item, settings: Mapping[str, object]) -> dict[str, object]:
    """The resin's name, and what its earlier rinses tell, as settings of the next one."""
    rinses = earlier_rinses(logbook, name_of(resin), _residue(settings.get("residue")))
    learned = learned_from(rinses, is_flow=settings.get("flow_ml_min") is not None)
    return {"resin": name_of(resin), **({} if learned is None else learned.settings())}
