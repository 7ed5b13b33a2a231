"""What cannot be: checks of one record against the others. One clear line each, raised as UsageError."""

from __future__ import annotations

from bisect import bisect_right, insort
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from datetime import date

from rinsewatch.errors import UsageError
from rinsewatch.logbook.kinds import single_kind
from rinsewatch.logbook.ledger import Fields, Item
from rinsewatch.logbook.life.limit import limit_eq_l
from rinsewatch.logbook.values import UNKNOWN, Value, day, us_cm

# A pen may be a tenth off (common practice, no source): only what even that cannot explain is impossible.
METER_ROOM = 1.1


@dataclass(frozen=True, slots=True)
class Place:
    """A run among the others of its resin: its dates and counts, and what to call it in a message."""

    name: str
    fields: Fields
    installed: date
    removed: date

    @classmethod
    def of(cls, name: str, fields: Fields) -> Place:
        """A run that is still in service has no end."""
        return cls(name, fields, day(fields["installed"]) or date.min, day(fields.get("removed")) or date.max)


@dataclass(slots=True)
class Line:
    """The runs of one resin by the day they began; none overlap, so only neighbours need be looked at."""

    places: list[Place] = field(default_factory=list)
    cycles: dict[Value, str] = field(default_factory=dict)

    def add(self, place: Place) -> None:
        """One more run."""
        insort(self.places, place, key=_began)
        if "cycle" in place.fields:
            self.cycles[place.fields["cycle"]] = place.name

    def check(self, mine: Place) -> None:
        """Refuse a run that does not fit between the others. Error: UsageError."""
        at = bisect_right(self.places, mine.installed, key=_began)
        for other in self.places[max(at - 1, 0) : at + 1]:
            _check_pair(mine, other)
        cycle = mine.fields.get("cycle")
        if cycle in self.cycles:
            raise UsageError(f"cycle: {self.cycles[cycle]} of this resin is cycle {cycle} already")
        earlier = next((place for place in reversed(self.places[:at]) if "counter_to" in place.fields), None)
        later = next((place for place in self.places[at:] if "counter_from" in place.fields), None)
        if earlier is not None:
            _check_counters(earlier, mine)
        if later is not None:
            _check_counters(mine, later)


def _began(place: Place) -> date:
    return place.installed


@dataclass(slots=True)
class Scene:
    """The records a new one must agree with; one under correction is not among them.

    ``runs``: by resin; ``rinses``: numbers of the recorded ones; ``today``: nothing lies after it.
    """

    today: date
    items: Mapping[str, list[Item]]
    rinses: Collection[int] = ()
    runs: dict[Value, Line] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for run in self.items["run"]:
            self.add_run(f"service run {run.number}", run.fields)

    def add_run(self, name: str, fields: Fields) -> None:
        """One more run that later ones must agree with."""
        self.runs.setdefault(fields["resin"], Line()).add(Place.of(name, fields))

    def resin(self, fields: Fields) -> Fields | None:
        """The resin a record refers to."""
        found = (item.fields for item in self.items["resin"] if item.number == fields.get("resin"))
        return next(found, None)


def check(kind: str, fields: Fields, scene: Scene, number: int | None = None) -> None:
    """Refuse a record that cannot be; ``number``: the item's own, where it is there already. Error: UsageError."""
    for name in ("new", "installed", "removed", "date"):
        when = day(fields.get(name))
        if when is not None and when > scene.today:
            raise UsageError(f"{name}: {when} lies in the future (today is {scene.today}); correct the date")
    _CHECKS[kind](fields, scene, number)


def litres_of(fields: Fields) -> float | None:
    """Litres treated in a run, from the litres or the two counts; None while it is in service."""
    if "litres" in fields:
        return float(fields["litres"])
    if "counter_to" not in fields:
        return None
    return float(fields["counter_to"]) - float(fields["counter_from"])


def _check_resin(fields: Fields, scene: Scene, number: int | None) -> None:
    _free_name("resin", fields, scene.items["resin"])
    for place in scene.runs.get(number or 0, Line()).places:
        try:
            _check_run_in_resin(place.fields, fields)
        except UsageError as error:
            raise UsageError(f"{place.name} would not fit this resin any more: {error}") from error


def _free_name(kind: str, fields: Fields, others: list[Item]) -> None:
    taken = {str(item.fields["name"]).casefold() for item in others}
    if str(fields["name"]).casefold() in taken:
        raise UsageError(f"name: there is a {kind} {fields['name']!r} already; choose another name or correct that one")


def _check_batch(fields: Fields, scene: Scene, _: int | None) -> None:
    _free_name("batch", fields, scene.items["batch"])
    _not_before_new("date", fields, scene.resin(fields))
    linked = {n: item.fields["name"] for item in scene.items["batch"] for n in rinse_numbers(item.fields)}
    for rinse in rinse_numbers(fields):
        if rinse not in scene.rinses:
            raise UsageError(f"rinses: there is no recorded rinse {rinse}; see 'rinsewatch logbook list'")
        if rinse in linked:
            raise UsageError(f"rinses: rinse {rinse} belongs to batch {linked[rinse]} already")


def rinse_numbers(fields: Fields) -> list[int]:
    """Numbers of the recorded rinses a batch names."""
    return [int(word) for word in str(fields.get("rinses", "")).replace(",", " ").split()]


def _check_run(fields: Fields, scene: Scene, _: int | None) -> None:
    installed, removed = day(fields["installed"]), day(fields.get("removed"))
    if installed and removed and removed < installed:
        raise UsageError(f"removed: {removed} is before it was installed, {installed}; correct one of them")
    _check_litres(fields)
    resin = scene.resin(fields)
    if resin is not None:
        _check_run_in_resin(fields, resin)
    scene.runs.get(fields["resin"], Line()).check(Place.of("this run", fields))


def _check_litres(fields: Fields) -> None:
    counted = [name for name in ("counter_from", "counter_to") if name in fields]
    if counted and "litres" in fields:
        raise UsageError("litres: give the litres or the water meter's counts, not both")
    if counted == ["counter_to"]:
        raise UsageError("counter_from: missing; give the water meter's count at the start too, or the litres")
    if "removed" in fields and litres_of(fields) is None:
        raise UsageError("litres: missing; give the litres treated, or counter_from and counter_to")
    litres = litres_of(fields)
    if litres is not None and litres <= 0.0:
        raise UsageError(
            f"counter_to: {fields['counter_to']} L is not above counter_from, {fields['counter_from']} L: "
            "litres do not run backwards"
        )


def _check_run_in_resin(fields: Fields, resin: Fields) -> None:
    _not_before_new("installed", fields, resin)
    feed = us_cm(fields.get("feed"), fields.get("tds_factor"))
    if fields.get("feed") != UNKNOWN and feed == 0.0:
        raise UsageError(
            "feed: a reading of 0 means that there was nothing to remove; write 'unknown' if it was not read"
        )
    litres = litres_of(fields)
    if feed is None or litres is None:
        return
    from rinsewatch.chemistry.load import feed_load_eq_l  # brings numpy, which a list need not wait for

    capacity_eq_l = litres * feed_load_eq_l(feed).low / (float(resin["volume_ml"]) / 1000.0)
    most_eq_l = limit_eq_l(single_kind(resin["kind"]))
    if capacity_eq_l > METER_ROOM * most_eq_l:
        raise UsageError(
            f"litres: {litres:g} L of this feed water would be {capacity_eq_l:.2g} eq per L of resin, and such resin "
            f"holds {most_eq_l:.2g} at most; check the litres, the feed reading and the resin's volume"
        )


def _not_before_new(name: str, fields: Fields, resin: Fields | None) -> None:
    new, when = day(resin.get("new")) if resin else None, day(fields.get(name))
    if resin and new and when and when < new:
        raise UsageError(f"{name}: {when} is before resin {resin['name']} was new, {new}; correct one of them")


def _check_pair(mine: Place, other: Place) -> None:
    if mine.installed == other.installed:
        raise UsageError(f"installed: {other.name} of this resin began on {mine.installed} too; it is noted already")
    if mine.installed < other.removed and other.installed < mine.removed:
        until = "is not taken out yet" if other.removed == date.max else f"to {other.removed}"
        raise UsageError(
            f"installed: overlaps with {other.name} of this resin ({other.installed} {until}); one bed does not "
            "run twice at a time: correct the dates"
        )


def _check_counters(earlier: Place, later: Place) -> None:
    ended, began = earlier.fields.get("counter_to"), later.fields.get("counter_from")
    if ended is not None and began is not None and float(began) < float(ended):
        raise UsageError(
            f"counter_from: {began} L on {later.installed} is below {ended} L at an earlier change: the water meter "
            "does not run backwards; if it was changed, give the litres instead"
        )


def _check_note(fields: Fields, scene: Scene, number: int | None) -> None:
    """Any words will do."""


def _check_summary(fields: Fields, scene: Scene, _: int | None) -> None:
    reached, used = fields.get("endpoint_ml"), fields.get("used_ml")
    if reached is not None and used is not None and float(reached) > float(used):
        raise UsageError(f"endpoint_ml: {reached} mL is more than the {used} mL used in all; correct one of them")
    if any(item.fields.get("rinse") == fields.get("rinse", -1) for item in scene.items["summary"]):
        raise UsageError(f"rinse: rinse {fields['rinse']} has its summary already")
    if "rinse" in fields and fields["rinse"] not in scene.rinses:
        raise UsageError(f"rinse: there is no recorded rinse {fields['rinse']}; see 'rinsewatch logbook list'")
    _not_before_new("date", fields, scene.resin(fields))


_CHECKS: dict[str, Callable[[Fields, Scene, int | None], None]] = {
    "resin": _check_resin, "batch": _check_batch, "run": _check_run, "note": _check_note, "summary": _check_summary,
}  # fmt: skip
