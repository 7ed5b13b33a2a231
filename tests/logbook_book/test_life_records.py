"""Records as the input of a resin's life; a rinse's summary; what the next rinse can learn from earlier ones."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from book import LATER, RUN, SETTINGS, UTC, add, records, rinsed, with_resin

from rinsewatch.errors import UsageError
from rinsewatch.logbook.belonging import Belonging, Cycles
from rinsewatch.logbook.ledger import Item
from rinsewatch.logbook.life.life import resin_life
from rinsewatch.logbook.life.records import Indicator, Part
from rinsewatch.logbook.lifebook import life_input
from rinsewatch.logbook.rinsesummary import RinseFigures, earlier_rinses, record_summary, rinse_figures
from rinsewatch.logbook.store import Logbook

FIGURES = RinseFigures(
    resin_ml=600, residue="NaOH", endpoint="feed", used_ml=5000, endpoint_ml=4500, slow_share=0.081234,
    entrained_share=0.45, floor_us_cm=1.23456, water_us_cm=1.0, feed_us_cm=18.0,
)  # fmt: skip


def test_the_figures_of_a_recorded_rinse(path: Path) -> None:
    """The README's recording: the endpoint is reached in the last portions, the shares are those of a bed."""
    with with_resin(path) as book:
        number = rinsed(book)
        found = rinse_figures(book.rows(number), book.rinse(number).settings)
        assert (found.resin_ml, found.residue, found.endpoint, found.used_ml) == (500, "NaOH", "feed", 5000)
        assert found.endpoint_ml in (4500, 5000)
        assert found.entrained_share is not None and 0.1 < found.entrained_share < 1.5
        assert found.slow_share is not None and 0.0 < found.slow_share < found.entrained_share
        assert found.feed_us_cm == 18.0 and found.water_us_cm == 0.0
        assert record_summary(book, number, UTC) == found
        stored = earlier_rinses(book, "blue", "NaOH")
        assert [one.rinse for one in stored] == [number]
        assert stored[0].figures.slow_share == pytest.approx(found.slow_share, rel=1e-3)
        assert replace(stored[0].figures, slow_share=0, entrained_share=0, floor_us_cm=0) == replace(
            found, slow_share=0, entrained_share=0, floor_us_cm=0
        )


def test_a_rinse_without_a_reading_in_range_has_no_shares() -> None:
    found = rinse_figures([], SETTINGS)
    assert (found.slow_share, found.entrained_share, found.floor_us_cm, found.endpoint_ml) == (None, None, None, None)


def test_earlier_rinses_are_those_of_the_resin_and_the_residue(path: Path) -> None:
    with with_resin(path) as book:
        add(book, "resin", name="red", volume_ml="500", kind="anion")
        own, of_batch, other, acid = rinsed(book), rinsed(book, "b1"), rinsed(book, "red"), rinsed(book)
        by_number = rinsed(book, "scribble")
        add(book, "batch", name="b1", resin="blue", date="2026-02-01")
        add(book, "batch", name="b2", resin="blue", date="2026-02-01", rinses=str(by_number))
        for number in (own, of_batch, other, by_number):
            record_summary(book, number, UTC, FIGURES)
        record_summary(book, acid, UTC, replace(FIGURES, residue="HCl"))
        add(book, "summary", resin="blue", date="2026-01-20", residue="NaOH", resin_ml="600", endpoint_ml="4 L")
        found = earlier_rinses(book, "blue", "NaOH")
        assert [one.rinse for one in found] == [None, own, of_batch, by_number]
        assert found[0].on == date(2026, 1, 20) and found[0].figures.used_ml == 4000
        assert found[1].figures.floor_us_cm == 1.235
        assert [one.rinse for one in earlier_rinses(book, "blue", "HCl")] == [acid]
        assert [one.rinse for one in earlier_rinses(book, "Scribble", "NaOH")] == [by_number], "a name never noted"
        assert earlier_rinses(book, "nobody", "NaOH") == []
        records(book).correct("resin", "blue", {"name": "azure"}, UTC)
        assert [one.rinse for one in earlier_rinses(book, "azure", "NaOH")] == [None, own, of_batch, by_number]


def test_a_summary_given_again_replaces_and_undo_passes_it_over(path: Path) -> None:
    with with_resin(path) as book:
        number = rinsed(book)
        record_summary(book, number, UTC, FIGURES)
        record_summary(book, number, UTC, replace(FIGURES, used_ml=6000))
        assert [one.figures.used_ml for one in earlier_rinses(book, "blue", "NaOH")] == [6000]
        assert [change.kind for change in book.ledger.undo(UTC)] == ["resin"]
        assert len(earlier_rinses(book, "blue", "NaOH")) == 1


def test_a_summary_is_stored_while_the_same_program_holds_the_logbook(path: Path) -> None:
    """As at the end of a watch, which reserved the logbook long before."""
    with with_resin(path):
        pass
    with Logbook.open(path) as book:
        book.reserve()
        record_summary(book, rinsed(book), UTC, FIGURES)
        assert all(found.ok for found in book.verify_all())


def test_cycles_are_counted_by_date_or_as_noted() -> None:
    runs = [
        Item("run", 7, {"installed": "2026-03-01"}),
        Item("run", 3, {"installed": "2026-02-01"}),
        Item("run", 9, {"installed": "2026-05-01", "cycle": 5}),
    ]
    cycles = Cycles(runs)
    assert cycles.of_run == {3: 1, 7: 2, 9: 5}
    days = {"2026-01-15": 1, "2026-02-01": 1, "2026-02-02": 2, "2026-03-02": 5, "2026-06-01": 6}
    assert {day: cycles.of({"date": day}) for day in days} == days
    assert cycles.of({"date": "2026-01-15", "cycle": 4}) == 4
    assert Cycles([]).of({"date": "2026-01-15"}) == 1


def test_a_life_gathers_runs_rinses_and_regenerations_by_cycle(path: Path) -> None:
    with with_resin(path) as book:
        add(book, "run", **RUN, change="0.5 ppm", indicator="turned")
        add(book, "run", **LATER)
        add(book, "run", resin="blue", installed="2026-04-01", feed="unknown")
        add(book, "batch", name="b1", resin="blue", date="2026-01-30", caustic="40 g NaOH", acid="3 eq")
        for day, residue in (("2026-01-30", "NaOH"), ("2026-01-31", "HCl"), ("2026-02-20", "NaOH")):
            add(
                book,
                "summary",
                resin="blue",
                date=day,
                residue=residue,
                resin_ml="600",
                endpoint_ml="4000",
                feed="9 ppm",
            )
        found = life_input(book, records(book), "BLUE")
        history = found.history
        assert (history.resin.name, history.resin.resin_ml, history.resin.discard_share) == ("blue", 1000, 0.7)
        assert [(r.cycle, r.litres, r.feed_us_cm, r.change_us_cm) for r in history.runs] == [
            (1, 2400, 18, 1), (2, 2300, 18, None),
        ]  # fmt: skip
        assert history.runs[0].indicator is Indicator.TURNED
        assert [(r.cycle, r.part) for r in history.rinses] == [(1, Part.ANION), (1, Part.CATION), (2, Part.ANION)]
        (dose,) = history.regenerations
        assert (dose.cycle, dose.acid_eq) == (1, 3.0) and dose.caustic_eq == pytest.approx(1.0, rel=1e-3)
        assert found.notes == ("1 service run still going on: not counted yet.",)
        life = resin_life(history)
        assert [figures.litres for figures in life.cycles] == [2400, 2300]


def test_finished_rinses_without_a_summary_are_run_again_but_not_too_many(path: Path) -> None:
    with with_resin(path) as book:
        for _ in range(3):
            rinsed(book)
        found = life_input(book, records(book), "blue", most_replayed=1)
        assert len(found.history.rinses) == 1
        assert found.history.rinses[0].endpoint_ml in (4500, 5000)
        assert found.notes == ("2 earlier rinses have no stored summary; left out.",)
        with pytest.raises(UsageError, match="no resin 'red'"):
            life_input(book, records(book), "red")


def test_a_rinse_belongs_to_one_resin_only(path: Path) -> None:
    with with_resin(path) as book:
        add(book, "resin", name="red", volume_ml="500", kind="anion")
        number = rinsed(book, "blue")
        add(book, "batch", name="b1", resin="red", date="2026-02-01", rinses=str(number))
        belonging = Belonging(book, records(book))
        assert set(belonging.rinses_of("red")) == {number}, "a batch that names it wins over the name it bears"
        assert set(belonging.rinses_of("blue")) == set()
