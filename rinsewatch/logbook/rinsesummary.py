"""What a finished rinse came to, kept for the resin's life and for the next rinse's first guess.

Wanted by the session at the end of a rinse (``record_summary``) and at the beginning of the next (``earlier_rinses``).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from rinsewatch.errors import LogbookError, UsageError
from rinsewatch.logbook.belonging import Belonging, rinse_day
from rinsewatch.logbook.ledger import RECORDED, Draft, Item
from rinsewatch.logbook.records import Records
from rinsewatch.logbook.settings import Settings, setup_from_settings
from rinsewatch.logbook.store import Logbook, RinseInfo
from rinsewatch.logbook.struck import corrected
from rinsewatch.logbook.values import Value, day, us_cm
from rinsewatch.rinse.row import Row
from rinsewatch.rinse.stopmark import StopMark

if TYPE_CHECKING:  # the core takes a quarter of a second to import; most readers only want stored figures
    from rinsewatch.rinse.monitor import Rinse

_SAID = ("cycle", "next_step", "remark")  # a person's words in a summary: kept when it is given again
_DIGITS = 4  # figures that count; the estimates have fewer


@dataclass(frozen=True, slots=True, kw_only=True)
class RinseFigures:
    """Volumes mL, uS/cm on the meter's 25 C scale, shares per volume of resin; None: not known.

    ``endpoint_ml``: rinse water until the last stop that was not taken back; ``used_ml``: in all.
    """

    resin_ml: float
    residue: str
    endpoint: str
    used_ml: float
    endpoint_ml: float | None = None
    slow_share: float | None = None
    entrained_share: float | None = None
    floor_us_cm: float | None = None
    water_us_cm: float | None = None
    feed_us_cm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierRinse:
    """An earlier rinse of the same resin from the same residue. ``rinse``: its recording, None: noted by hand.

    ``is_flow``: continuous flow rather than portions; None: not known.
    """

    on: date
    rinse: int | None
    figures: RinseFigures
    is_flow: bool | None = None


def rinse_figures(rows: Iterable[Row], settings: Settings) -> RinseFigures:
    """A recorded rinse's figures, its rows as corrected run through the core again.

    Errors: SetupError, QuantityError.
    """
    from rinsewatch.rinse.monitor import Rinse

    core, mark = Rinse(setup_from_settings(settings)), StopMark()
    for row in corrected(list(rows)):
        mark.add(core.observe(row))
    return figures_of(core, mark.endpoint_ml)


def figures_of(core: Rinse, endpoint_ml: float | None) -> RinseFigures:
    """The figures of a rinse that the core has just watched; ``endpoint_ml`` as of StopMark."""
    state, setup = core.state, core.setup
    known = state.filtrate is not None
    entrained, slow = (core.bed_shares if known else None) or (None, None)
    return RinseFigures(
        resin_ml=setup.resin_ml,
        residue=setup.residue.value,
        endpoint=setup.endpoint.text or setup.endpoint.kind.value,
        used_ml=state.rinse_ml,
        endpoint_ml=endpoint_ml,
        slow_share=slow,
        entrained_share=entrained,
        floor_us_cm=state.floor_us_cm if known else None,
        water_us_cm=setup.rinse_water_us_cm,
        feed_us_cm=setup.feed_us_cm,
    )


def record_summary(logbook: Logbook, rinse_id: int, utc: str, figures: RinseFigures | None = None) -> RinseFigures:
    """Store what a rinse came to; ``figures`` None: its rows are run through the core again (some seconds).

    Given again, for a rinse that was continued, the newer one counts. Undo passes it over. Raises LogbookError.
    """
    logbook.ledger.forget()  # a watch may have begun long ago
    info = logbook.rinse(rinse_id)
    found = figures or rinse_figures(logbook.rows(rinse_id), info.settings)
    earlier = summary_of(logbook, rinse_id)
    said = {} if earlier is None else {name: earlier.fields[name] for name in _SAID if name in earlier.fields}
    resin = Belonging(logbook, Records(logbook, date.max)).resin_of(info)
    own: dict[str, Value] = {} if resin is None else {"resin": resin.number}
    fields = {**_fields(info, found), **own, **said}
    logbook.ledger.write([Draft("summary", fields, earlier.number if earlier else None)], RECORDED, utc)
    return found


def add_words(logbook: Logbook, rinse_id: int, utc: str, words: Mapping[str, str]) -> None:
    """Add to a stored summary what only the person knows: ``next_step``, ``remark``. Raises LogbookError."""
    earlier = summary_of(logbook, rinse_id)
    if earlier is None:
        raise LogbookError(f"{logbook.path}: rinse {rinse_id} has no summary to add words to")
    fields = {**earlier.fields, **words}
    logbook.ledger.write([Draft("summary", fields, earlier.number)], RECORDED, utc)


def summary_of(logbook: Logbook, rinse_id: int) -> Item | None:
    """The stored summary of a recorded rinse, None without one."""
    return next((item for item in logbook.ledger.items("summary") if item.fields.get("rinse") == rinse_id), None)


def _fields(info: RinseInfo, found: RinseFigures) -> dict[str, Value]:
    readings = {"floor": found.floor_us_cm, "water": found.water_us_cm, "feed": found.feed_us_cm}
    fields: dict[str, Value | None] = {
        "rinse": info.id, "date": rinse_day(info).isoformat(), "residue": found.residue, "resin_ml": found.resin_ml,
        "endpoint": found.endpoint, "endpoint_ml": found.endpoint_ml, "used_ml": found.used_ml or None,
        "slow_share": _rounded(found.slow_share), "entrained_share": _rounded(found.entrained_share),
        **{name: None if value is None else f"{_rounded(value)!r} uS/cm" for name, value in readings.items()},
    }  # fmt: skip
    return {name: value for name, value in fields.items() if value is not None}


def _rounded(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.{_DIGITS}g}")


def summary_figures(item: Item) -> RinseFigures:
    """The figures of a stored summary."""
    fields, factor = item.fields, item.fields.get("tds_factor")

    def number(name: str) -> float | None:
        return float(fields[name]) if name in fields else None

    endpoint_ml = number("endpoint_ml")
    return RinseFigures(
        resin_ml=float(fields["resin_ml"]),
        residue=str(fields["residue"]),
        endpoint=str(fields.get("endpoint", "feed")),
        used_ml=number("used_ml") or endpoint_ml or 0.0,
        endpoint_ml=endpoint_ml,
        slow_share=number("slow_share"),
        entrained_share=number("entrained_share"),
        floor_us_cm=us_cm(fields.get("floor"), factor),
        water_us_cm=us_cm(fields.get("water"), factor),
        feed_us_cm=us_cm(fields.get("feed"), factor),
    )


def summaries_of(
    logbook: Logbook, records: Records, resin: str, belonging: Belonging | None = None
) -> list[tuple[Item, RinseInfo | None]]:
    """The summaries of a resin's rinses with their recordings, by date. A name never noted counts as a batch's."""
    belonging = belonging or Belonging(logbook, records)
    try:
        number: int | None = records.find("resin", resin).number
        rinses = belonging.rinses_of(resin)
    except UsageError:
        number = None
        rinses = {info.id: info for info in logbook.rinses_of({resin.casefold()}, ())}
    found = []
    for item in records.items("summary"):
        info = rinses.get(int(item.fields.get("rinse", 0)))
        by_hand = "rinse" not in item.fields and number is not None and item.fields.get("resin") == number
        if info is not None or by_hand:
            found.append((item, info))
    return sorted(found, key=lambda pair: str(pair[0].fields["date"]))


def earlier_rinses(logbook: Logbook, resin_name: str, residue: str) -> list[EarlierRinse]:
    """The earlier rinses of this resin from this residue (NaOH, HCl, salt), oldest first; empty where there are none.

    For the next rinse's prior: slow and entrained shares, volumes, floors. Raises LogbookError.
    """
    pairs = summaries_of(logbook, Records(logbook, date.max), resin_name)
    return [
        EarlierRinse(
            on=day(item.fields["date"]) or date.min,
            rinse=info.id if info else None,
            figures=figures,
            is_flow=None if info is None else info.settings.get("flow_ml_min") is not None,
        )
        for item, info in pairs
        if (figures := summary_figures(item)).residue == residue
    ]
