"""Records: added, corrected, undone, deleted, found; what cannot be is refused in one line and changes nothing."""

from __future__ import annotations

import itertools
import random
import subprocess
import sys
import time
from datetime import date, timedelta
from pathlib import Path

import pytest
from book import BLUE, LATER, RUN, TODAY, UTC, add, records, rinsed, with_resin
from hypothesis import given
from hypothesis import strategies as st

from rinsewatch.errors import LogbookError, UsageError
from rinsewatch.logbook import rules
from rinsewatch.logbook.kinds import single_kind
from rinsewatch.logbook.ledger import ADDED, Draft
from rinsewatch.logbook.life.limit import limit_eq_l
from rinsewatch.logbook.records import New, Records
from rinsewatch.logbook.rules import Line, Place
from rinsewatch.logbook.store import Logbook


def test_a_correction_is_a_new_row_and_the_old_value_stays(path: Path) -> None:
    with with_resin(path) as book:
        add(book, "run", **RUN)
        before, after = records(book).correct("run", "1", {"litres": "2500", "change": "0.5 ppm"}, UTC, "misread")
        assert (before.fields["litres"], after.fields["litres"]) == (2400, 2500)
        changes = records(book).history("run", "1")
        told = [(change.act, change.fields["litres"], change.why) for change in changes]
        assert told == [("added", 2400, ""), ("corrected", 2500, "misread")]
    with Logbook.open(path) as book:  # and it is in the file, not in memory
        item = records(book).find("run", "1")
        assert (item.fields["litres"], item.fields["change"], item.fields["resin"]) == (2500, "0.5 ppm", 1)
        records(book).correct("run", "1", {"change": ""}, UTC)
        assert "change" not in records(book).find("run", "1").fields
        with pytest.raises(UsageError, match="nothing would change"):
            records(book).correct("run", "1", {"litres": "2500"}, UTC)


def test_undo_goes_back_step_by_step_and_can_bring_back_what_was_deleted(path: Path) -> None:
    with with_resin(path) as book:
        records(book).add([New("run", RUN), New("run", LATER)], UTC)
        records(book).correct("run", "1", {"litres": "2500"}, UTC)
        records(book).delete("run", "1", UTC, "never happened")
        assert [item.number for item in records(book).items("run")] == [2]
        with pytest.raises(UsageError, match="is deleted; 'rinsewatch logbook show run 1 --history'"):
            records(book).find("run", "1")
        assert [c.act for c in records(book).history("run", "1")] == ["added", "corrected", "deleted"]
        book.ledger.undo(UTC)
        assert records(book).find("run", "1").fields["litres"] == 2500
        book.ledger.undo(UTC)
        assert records(book).find("run", "1").fields["litres"] == 2400
        assert len(book.ledger.undo(UTC)) == 2, "both were added in one step"
        assert records(book).items("run") == []
        book.ledger.undo(UTC)
        with pytest.raises(UsageError, match="nothing to undo"):
            book.ledger.undo(UTC)
        assert len(book.ledger.changes) == 5 + 5, "undoing only added rows"
        assert all(found.ok for found in book.verify_all())


def test_a_new_number_is_never_one_that_was_used(path: Path) -> None:
    with with_resin(path) as book:
        assert add(book, "run", **RUN) == 1
        records(book).delete("run", "1", UTC)
        assert add(book, "run", **RUN) == 2


def test_search_finds_words_in_any_field_and_the_resins_name(path: Path) -> None:
    with with_resin(path) as book:
        add(book, "run", **RUN, remark="New Membrane")
        add(book, "note", text="membrane flushed")
        rinsed(book)
        found = [(item.kind, item.number) for item in records(book).search("MEMBRANE")]
        assert found == [("run", 1), ("note", 1)]
        assert [(i.kind, i.number) for i in records(book).search("blue membrane")] == [("run", 1)]
        assert [info.id for info in book.rinses_holding(["quoted", "naoh"])] == [1]
        assert book.rinses_holding(["membrane"]) == []


def test_a_resin_in_use_is_not_deleted_and_a_renamed_one_keeps_its_runs(path: Path) -> None:
    with with_resin(path) as book:
        add(book, "run", **RUN)
        with pytest.raises(UsageError, match=r"runs belong to it \(1\); delete those first"):
            records(book).delete("resin", "blue", UTC)
        records(book).correct("resin", "blue", {"name": "azure"}, UTC)
        assert records(book).texts(records(book).find("run", "1"))["resin"] == "azure"
        with pytest.raises(UsageError, match="no resin 'azur'; did you mean 'azure'"):
            records(book).find("resin", "azur")


# Each with the words that must be in the one line that refuses it.
IMPOSSIBLE = [
    ("run", RUN, "noted already"),
    ("run", RUN | {"installed": "2026-02-20", "removed": "2026-03-20"}, "overlaps with service run 1"),
    ("run", RUN | {"installed": "2026-01-20", "removed": "2026-05-01"}, "overlaps with service run 1"),
    ("run", {"resin": "blue", "installed": "2026-01-20", "feed": "9 ppm"}, "overlaps"),
    ("run", LATER | {"removed": "2026-06-02"}, "lies in the future (today is 2026-06-01)"),
    ("run", LATER | {"installed": "2026-06-02"}, "lies in the future"),
    ("run", LATER | {"removed": "2026-02-28", "installed": "2026-03-05"}, "before it was installed"),
    ("run", LATER | {"litres": "24000"}, "holds 0.82 at most"),
    ("run", LATER | {"litres": "-5"}, "litres above 0"),
    ("run", {k: v for k, v in LATER.items() if k != "litres"}, "litres: missing"),
    ("run", {k: v for k, v in LATER.items() if k != "feed"}, "feed: missing"),
    ("run", LATER | {"feed": "9"}, "has no unit"),
    ("run", LATER | {"feed": "0 ppm"}, "nothing to remove"),
    ("run", LATER | {"counter_from": "1", "counter_to": "2"}, "not both"),
    ("run", LATER | {"litres": "", "counter_from": "900", "counter_to": "800"}, "do not run backwards"),
    ("run", LATER | {"litres": "", "counter_to": "800"}, "counter_from: missing"),
    ("run", LATER | {"resin": "bleu"}, "did you mean 'blue'"),
    ("run", LATER | {"installed": "1.3.2026"}, "year-month-day"),
    ("run", LATER | {"installed": "2026-02-30"}, "no day 2026-02-30"),
    ("run", LATER | {"liters": "3"}, "did you mean litres"),
    ("run", RUN | {"installed": "2026-01-01", "removed": "2026-01-05"}, "before resin blue was new"),
    ("resin", BLUE | {"name": "Blue"}, "a resin 'Blue' already"),
    ("resin", BLUE | {"name": "red", "new": "2027-01-01"}, "future"),
    ("resin", BLUE | {"name": "red", "volume_ml": "0"}, "more than 0"),
    ("resin", BLUE | {"name": "red", "kind": "gravel"}, "none of: mixed bed"),
    ("batch", {"name": "b", "resin": "blue", "date": "2026-02-01", "rinses": "7"}, "no recorded rinse 7"),
    ("batch", {"name": "b", "resin": "blue", "date": "2026-02-01", "caustic": "120 g"}, "of what?"),
    ("batch", {"name": "b", "resin": "blue", "date": "2026-02-01", "caustic": "120 g lye"}, "none of NaOH"),
    ("batch", {"name": "b", "resin": "blue", "date": "2026-02-01", "caustic": "much"}, "'3 eq' or '120 g NaOH'"),
    ("summary", {"resin": "blue", "date": "2026-02-01", "residue": "NaOH", "resin_ml": "600", "used_ml": "1",
                 "endpoint_ml": "2"}, "more than the 1 mL used"),
    ("note", {"text": "  "}, "text: missing"),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "texts", "words"), IMPOSSIBLE, ids=[words for _, _, words in IMPOSSIBLE])
def test_what_cannot_be_is_refused_and_nothing_is_written(
    path: Path, kind: str, texts: dict[str, str], words: str
) -> None:
    with with_resin(path) as book:
        add(book, "run", **RUN)
        before = len(book.ledger.changes)
        with pytest.raises(UsageError) as caught:
            records(book).add([New(kind, texts)], UTC)
        assert words in str(caught.value) and "\n" not in str(caught.value)
        book.ledger.forget()
        assert len(book.ledger.changes) == before


def test_a_water_meter_that_runs_backwards_between_runs_is_refused(path: Path) -> None:
    with with_resin(path) as book:
        add(book, "run", **(RUN | {"litres": "", "counter_from": "100", "counter_to": "2300"}))
        with pytest.raises(UsageError, match="does not run backwards"):
            add(book, "run", **(LATER | {"litres": "", "counter_from": "2200", "counter_to": "4000"}))
        add(book, "run", **(LATER | {"litres": "", "counter_from": "2300", "counter_to": "4000"}))
        assert [rules.litres_of(run.fields) for run in records(book).items("run")] == [2200, 1700]


def test_a_correction_is_checked_like_a_new_record(path: Path) -> None:
    with with_resin(path) as book:
        records(book).add([New("run", RUN), New("run", LATER)], UTC)
        for fields, words in (
            ({"installed": "2026-02-15"}, "overlaps with service run 1"),
            ({"litres": "99999"}, "at most"),
            ({"feed": ""}, "feed: missing"),
        ):
            with pytest.raises(UsageError, match=words):
                records(book).correct("run", "2", fields, UTC)
        with pytest.raises(UsageError, match="service run 1 would not fit this resin any more: litres"):
            records(book).correct("resin", "blue", {"volume_ml": "100"}, UTC)
        records(book).correct("run", "2", {"installed": "2026-03-05"}, UTC)


def test_the_bound_of_a_mixed_bed_is_that_of_its_best_mixture() -> None:
    """The better of all mixtures, searched; per litre anion resin holds 1.4 eq at most, cation resin 2.0."""
    best = max(min(share / 1000 * 1.4, (1 - share / 1000) * 2.0) for share in range(1001))
    assert limit_eq_l(single_kind("mixed bed")) == pytest.approx(best, rel=2e-3)
    assert limit_eq_l(single_kind("strong-acid cation")) == 2.0


def test_every_record_of_a_step_or_none(path: Path) -> None:
    with with_resin(path) as book:
        with pytest.raises(UsageError, match="row 3: installed: overlaps with row 2"):
            records(book).add([New("run", RUN, "row 2"), New("run", RUN | {"installed": "2026-02-02"}, "row 3")], UTC)
        assert records(book).items("run") == []


OTHER = """
import sys
sys.path[:0] = sys.argv[2:]
from rinsewatch.logbook.store import Logbook
book = Logbook.open(sys.argv[1])
book.reserve()
print("held", flush=True)
sys.stdin.readline()
"""


def test_two_programs_at_one_logbook(path: Path) -> None:
    with with_resin(path) as book:
        book.ledger.changes  # noqa: B018 - read before the other program writes
    with Logbook.open(path) as book:
        command = [sys.executable, "-c", OTHER, str(path), *(place for place in sys.path if place)]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
            assert other.stdout is not None and other.stdout.readline() == "held\n"
            with pytest.raises(LogbookError, match=f"is being written by process {other.pid} "):
                add(book, "run", **RUN)
            assert Records(book, TODAY).items("resin"), "looking is allowed"
            other.communicate("\n")
        stale = Logbook.open(path)
        assert stale.ledger.changes
        add(book, "run", **RUN)
        book.close()
        with stale, pytest.raises(LogbookError, match="changed by another program meanwhile"):
            stale.ledger.write([Draft("note", {"text": "late"})], ADDED, UTC)


def test_many_runs_are_checked_as_carefully_and_not_slowly(path: Path) -> None:
    """Any order; the one that does not fit is found among 2,000 (comparing all pairs took seconds)."""
    days = [date(2020, 1, 1) + timedelta(days=n) for n in range(2001)]
    runs = [RUN | {"resin": "old", "installed": str(a), "removed": str(b)} for a, b in itertools.pairwise(days)]
    random.Random(3).shuffle(runs)
    with with_resin(path) as book:
        add(book, "resin", name="old", volume_ml="1 L", kind="mixed")
        bad = RUN | {"resin": "old", "installed": "2019-12-30", "removed": "2020-01-02"}
        begun_s = time.process_time()
        with pytest.raises(UsageError, match="overlaps"):
            records(book).prepare([New("run", texts, "") for texts in [*runs, bad]])
        assert len(records(book).prepare([New("run", texts) for texts in runs])) == 2000
        assert time.process_time() - begun_s < 3.0
        cycle = {"cycle": "3"}
        with pytest.raises(UsageError, match="is cycle 3 already"):
            records(book).prepare([New("run", RUN | cycle, "row 2"), New("run", LATER | cycle, "row 3")])


@given(st.lists(st.tuples(st.integers(0, 40), st.integers(0, 12)), max_size=12))
def test_overlaps_are_those_that_comparing_all_pairs_finds(spans: list[tuple[int, int]]) -> None:
    line, kept = Line(), []
    for begun, length in spans:
        fields = {"installed": str(day_of(begun)), "removed": str(day_of(begun + length))}
        place = Place.of("a run", fields)
        clear = all(begun != a and not (begun < b and a < begun + length) for a, b in kept)
        try:
            line.check(place)
        except UsageError:
            assert not clear
        else:
            assert clear
            line.add(place)
            kept.append((begun, begun + length))


def day_of(number: int) -> date:
    return date(2026, 1, 1) + timedelta(days=number)
