"""A person's own table: encodings, separators, decimal commas, dates; ambiguous is asked, all or nothing."""

from __future__ import annotations

import codecs
from datetime import date
from pathlib import Path

import pytest
from book import records, with_resin
from hypothesis import given
from hypothesis import strategies as st

from rinsewatch.errors import RecordingError, UsageError
from rinsewatch.logbook.foreign import ForeignTable, parse_table, read_foreign
from rinsewatch.logbook.foreigncells import date_order, decimal_mark, plain_date, plain_number
from rinsewatch.logbook.foreignruns import Choices, new_runs, parse_map, same_names, suggested

COMMA_TABLE = (
    "Start;End;Liters made;Feed (ppm);Colour;Bemerkung\r\n"
    '01.04.2026;28.04.2026;1.240,5;9,5;turned;"schön; spät"\r\n'
    "\r\n"
    "28.04.2026;13.05.2026;998,0;9,0;turned;\r\n"
)
MAPS = (
    "installed=Start",
    "removed=end",
    "litres=Liters made",
    "feed=Feed (ppm)",
    "indicator=Colour",
    "remark=Bemerkung",
)


def table_of(text: str) -> ForeignTable:
    return parse_table("old.csv", text, "utf-8")


def texts_of(table: ForeignTable, maps: tuple[str, ...] = MAPS, **more: str) -> list[dict[str, str]]:
    return [dict(new.texts) for new in new_runs(table, Choices(parse_map(maps, table), {"resin": "blue"}, **more))]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-32"])
def test_encodings_are_found_out(folder: Path, encoding: str) -> None:
    (folder / "old.csv").write_bytes(COMMA_TABLE.encode(encoding))
    table = read_foreign(folder / "old.csv")
    assert table.columns[:2] == ("Start", "End")
    first, second = texts_of(table)
    assert first == {
        "resin": "blue", "installed": "2026-04-01", "removed": "2026-04-28", "litres": "1240.5 L", "feed": "9.5 ppm",
        "indicator": "turned", "remark": "schön; spät",
    }  # fmt: skip
    assert (second["litres"], "remark" in second) == ("998.0 L", False)


def test_big_endian_too_and_named_ones(folder: Path) -> None:
    (folder / "a.csv").write_bytes(codecs.BOM_UTF16_BE + COMMA_TABLE.encode("utf-16-be"))
    assert read_foreign(folder / "a.csv").columns[0] == "Start"
    (folder / "b.csv").write_bytes(COMMA_TABLE.encode("utf-16-le"))
    with pytest.raises(RecordingError, match="--encoding utf-16-le"):
        read_foreign(folder / "b.csv")
    assert read_foreign(folder / "b.csv", "utf-16-le").columns[0] == "Start"
    with pytest.raises(RecordingError, match="unknown; usual are"):
        read_foreign(folder / "b.csv", "klingon")
    (folder / "c.csv").write_bytes(b"PK\x03\x04rest")
    with pytest.raises(RecordingError, match="save it as CSV"):
        read_foreign(folder / "c.csv")


def test_separators_and_rows_that_do_not_fit() -> None:
    for separator in ",;\t":
        table = table_of(separator.join(("a", "b", "c")) + "\n" + separator.join("123") + "\n")
        assert (table.separator, table.rows[0].cells, table.rows[0].number) == (separator, ("1", "2", "3"), 2)
    assert table_of("a,b\n1\n").rows[0].cells == ("1", "")
    with pytest.raises(RecordingError, match="row 2: has 3 cells and the header 2"):
        table_of("a,b\n1,2,3\n")
    with pytest.raises(RecordingError, match="line 2: a double quote stands where none can"):
        table_of('a,b\n1,"2\n')
    with pytest.raises(RecordingError, match="is empty"):
        table_of("\n\n")


@pytest.mark.parametrize(
    ("cells", "mark"),
    [
        (["1.234,5"], "comma"), (["1,234.5"], "point"), (["12,5", "1.250"], "comma"), (["12.5", "1,250"], "point"),
        (["640", "9"], "point"), (["0,125"], "comma"), (["1.234.567"], "comma"), (["9,5 ppm"], "comma"),
        (["12345,678"], "comma"), ([], "point"), (["unknown"], "point"),
    ],
)  # fmt: skip
def test_the_decimal_mark_is_told_by_all_numbers_together(cells: list[str], mark: str) -> None:
    assert decimal_mark(cells, ";") == mark


def test_what_may_be_either_is_asked() -> None:
    for cells, separator in ((["1,250"], ";"), (["1,250"], ","), (["1.250"], ";")):
        with pytest.raises(UsageError, match=r"may be 1\.250 or 1250; say --decimal comma or --decimal point"):
            decimal_mark(cells, separator)
    with pytest.raises(UsageError, match="mixed"):
        decimal_mark(["1,5", "2.5"], ";")


@given(st.decimals(min_value=0, max_value=10**9, places=2, allow_nan=False), st.sampled_from(["point", "comma"]))
def test_numbers_with_thousands_come_out_as_they_are(value: object, mark: str) -> None:
    swap = str.maketrans(",.", ".,") if mark == "comma" else {}
    assert float(plain_number(f"{value:,.2f}".translate(swap) + " L", mark).split()[0]) == float(f"{value:.2f}")


def test_a_number_of_the_other_mark_is_refused() -> None:
    for cell, mark in (("1,5", "point"), ("1.5", "comma"), ("1.2.3", "point")):
        with pytest.raises(UsageError, match="no number with a decimal"):
            plain_number(cell, mark)


DAY = st.dates(date(2000, 1, 1), date(2099, 12, 31))


@given(DAY, st.sampled_from([("dmy", "%d/%m/%Y"), ("mdy", "%m/%d/%y"), ("ymd", "%Y-%m-%d"), ("dmy", "%d.%m.%Y 10:30"),
                             ("dmy", "%d %b %Y"), ("mdy", "%B %d, %Y"), ("ymd", "%Y/%m/%dT08:00")]))  # fmt: skip
def test_dates_of_a_known_order(day: date, form: tuple[str, str]) -> None:
    order, pattern = form
    assert plain_date(day.strftime(pattern), order) == day.isoformat()


def test_the_order_of_day_and_month_is_told_or_asked() -> None:
    assert date_order(["3/4/2026", "13/4/2026"]) == "dmy"
    assert date_order(["3/4/2026", "3/14/2026"]) == "mdy"
    assert date_order(["2026-04-03"]) == "ymd"
    assert date_order(["3/3/2026"]) == "dmy", "the same day either way"
    with pytest.raises(UsageError, match="3/4/2026 may be day/month or month/day; say --date-order"):
        date_order(["3/4/2026", "5/6/2026"])
    with pytest.raises(UsageError, match="make them alike"):
        date_order(["13/4/2026", "4/13/2026"])
    for cell, words in (("31/2/2026", "no day"), ("soon", "cannot read"), ("1/2/123", "cannot read")):
        with pytest.raises(UsageError, match=words):
            plain_date(cell, "dmy")


def test_ambiguous_dates_are_refused_until_the_order_is_said() -> None:
    table = table_of("installed,litres,feed\n3/4/2026,900,9 ppm\n")
    maps = ("installed=installed", "litres=litres", "feed=feed")
    with pytest.raises(UsageError, match=r"old\.csv: 3/4/2026 may be"):
        texts_of(table, maps)
    assert texts_of(table, maps, order="mdy")[0]["installed"] == "2026-03-04"


def test_maps_name_what_is_near_and_a_reading_needs_its_unit() -> None:
    table = table_of("Start,Water made,TDS in\n2026-03-04,900,9\n")
    with pytest.raises(UsageError, match="no column 'Water'; "):
        parse_map(["litres=Water"], table)
    with pytest.raises(UsageError, match="did you mean litres"):
        parse_map(["litre=Water made"], table)
    with pytest.raises(UsageError, match="write FIELD=COLUMN"):
        parse_map(["litres"], table)
    maps = ("installed=Start", "litres=Water made", "feed=TDS in")
    with pytest.raises(UsageError, match="row 2, column TDS in: 9 of what"):
        texts_of(table, maps)
    assert texts_of(table, maps, unit="uS/cm")[0]["feed"] == "9 uS/cm"
    with pytest.raises(UsageError, match="which column is feed"):
        texts_of(table, maps[:2])
    likely = suggested(table)
    assert (likely["installed"], likely["litres"], likely["feed"]) == ("Start", "Water made", "TDS in")
    assert same_names(table_of("Installed,Counter from,x\n")) == {
        "installed": "Installed",
        "counter_from": "Counter from",
    }


def test_all_or_nothing(path: Path) -> None:
    with with_resin(path) as book:
        table = table_of(COMMA_TABLE.replace("28.04.2026;13.05", "20.04.2026;13.05"))
        new = new_runs(table, Choices(parse_map(MAPS, table), {"resin": "blue"}))
        with pytest.raises(UsageError, match=r"old\.csv, row 4: installed: overlaps with old\.csv, row 2"):
            records(book).add(new, "x")
        assert records(book).items("run") == []
        good = table_of(COMMA_TABLE)
        records(book).add(new_runs(good, Choices(parse_map(MAPS, good), {"resin": "blue"})), "x")
        assert [run.fields["litres"] for run in records(book).items("run")] == [1240.5, 998]
