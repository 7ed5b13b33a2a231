"""The contract's CSV: what is read, what is refused and where, and that writing loses nothing."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rinsewatch.errors import RecordingError
from rinsewatch.logbook.csvfile import Recording, read_recording
from rinsewatch.logbook.csvwrite import write_recording
from rinsewatch.rinse.row import Mark, Row

HEADER = "time_s,reading,unit,temperature_c,rinse_ml,event\n"


def recording(folder: Path, text: str | bytes, overrides: dict[str, object] | None = None) -> Recording:
    path = folder / "rinse.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_recording(path, overrides)


def first(folder: Path, line: str) -> Row:
    return next(recording(folder, HEADER + line + "\n").rows)


def refusal(folder: Path, text: str | bytes) -> str:
    with pytest.raises(RecordingError) as caught:
        list(recording(folder, text).rows)
    message = str(caught.value)
    assert message.startswith(str(folder / "rinse.csv"))
    assert "\n" not in message
    return message


def test_a_recording_with_settings_readings_and_events(tmp_path: Path) -> None:
    text = (
        '# resin_ml = 500\n# endpoint = "12 uS/cm"\n# tds_factor = 0.5\n' + HEADER + "0,,,,250,portion\n"
        '4.2,over,ppm,21.5,250,\n9,12.50,ppm,,250,\n12,,,,250,"note: said ""fine"", cloudy"\n'
        "15,under,ppm,,250.5,\n"
    )
    book = recording(tmp_path, text)
    assert book.settings == {"resin_ml": 500, "endpoint": "12 uS/cm", "tds_factor": 0.5}
    assert list(book.rows) == [
        Row(0.0, 250.0, event="portion"),
        Row(4.2, 250.0, Mark.OVER, unit="ppm", temperature_c=21.5),
        Row(9.0, 250.0, Mark.VALUE, 12.5, "ppm", 2),
        Row(12.0, 250.0, event='note: said "fine", cloudy'),
        Row(15.0, 250.5, Mark.UNDER, unit="ppm"),
    ]
    assert list(book.rows) == list(book.rows)


@pytest.mark.parametrize(
    ("cell", "unit", "value", "base", "decimals"),
    [
        ("412", "uS/cm", 412.0, "uS/cm", 0),
        ("12.50", "ppm", 12.5, "ppm", 2),
        ("1.41", "mS/cm", 1410.0, "uS/cm", -1),
        ("1.413", "mS/cm", 1413.0, "uS/cm", 0),
        ("0.30", "ppt", 300.0, "ppm", -1),
        ("12.9", "mS/cm", 12900.0, "uS/cm", -2),
        ("8", "µS/cm", 8.0, "uS/cm", 0),
        ("1.2e3", "ppm", 1200.0, "ppm", -2),
        ("-0.0", "ppm", 0.0, "ppm", 1),
        (".5", "mg/L", 0.5, "ppm", 1),
    ],
)
def test_units_and_display_steps(tmp_path: Path, cell: str, unit: str, value: float, base: str, decimals: int) -> None:
    row = first(tmp_path, f"1,{cell},{unit},,0,")
    assert (row.reading, row.unit, row.decimals) == (value, base, decimals)


@pytest.mark.parametrize(
    ("line", "column", "words"),
    [
        ("1,abc,ppm,,0,", "reading", "'abc' is no number"),
        ("1,nan,ppm,,0,", "reading", "no number"),
        ("1,inf,ppm,,0,", "reading", "no number"),
        ("1,1e999,ppm,,0,", "reading", "too large"),
        ("1,٣,ppm,,0,", "reading", "no number"),
        ("1,-3,ppm,,0,", "reading", "negative"),
        ('1,"12,5",ppm,,0,', "reading", "decimals with a point"),
        ("1,OVER,ppm,,0,", "reading", "no number"),
        ("1,,ppm,,0,", "reading", "without an event"),
        ("1,12,,,0,", "unit", "write ppm or uS/cm"),
        ("1,12,mL,,0,", "unit", "no unit of a reading"),
        ("1,12,furlong,,0,", "unit", "no unit of a reading"),
        (",12,ppm,,0,", "time_s", "missing"),
        ("noon,12,ppm,,0,", "time_s", "no number"),
        ("1,12,ppm,warm,0,", "temperature_c", "no number"),
        ("1,12,ppm,,-5,", "rinse_ml", "negative"),
        ("1,12,ppm,,,", "rinse_ml", "--flow-ml-min"),
        ("1,12,ppm,,0,portn", "event", "'portn' is unknown"),
        ("1,12,ppm", "temperature_c", "the row has 3 of 6 cells"),
        ("1,12,ppm,,0,,,", "7", "only 6 columns"),
        ("1,12,5,ppm,,0,", "7", "decimals with a point"),
    ],
)
def test_a_broken_row_is_named_with_its_column(tmp_path: Path, line: str, column: str, words: str) -> None:
    message = refusal(tmp_path, f"# resin_ml = 5\n{HEADER}0,99,ppm,,0,\n\n{line}\n")
    assert f", row 2, column {column}:" in message
    assert words in message


def test_rows_before_the_broken_one_are_delivered(tmp_path: Path) -> None:
    rows = recording(tmp_path, HEADER + "0,99,ppm,,0,\n1,98,ppm,,0,\n2,x,ppm,,0,\n").rows
    assert [next(rows).reading, next(rows).reading] == [99.0, 98.0]
    with pytest.raises(RecordingError, match="row 3"):
        next(rows)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("# resin_ml = 5\n", "is empty"),
        ("time_s,unit,rinse_ml\n1,ppm,0\n", "no column reading"),
        ("time_s,reading,unit\n1,2,ppm\n", "no column rinse_ml"),
        ("time_s;reading;unit;rinse_ml\n1;2;ppm;0\n", "separate the columns with commas"),
        ("time_s,reading,unit,unit,rinse_ml\n", "column unit is there twice"),
        ("# resin_ml = five\n" + HEADER, "not TOML"),
        ("# made by hand\n" + HEADER, "not TOML"),
        (HEADER + '1,2,ppm,,0,"note: never closed\n', "row 1, quoting"),
        (HEADER.encode() + b"1,2,\xb5S/cm,,0,\n", "line 2: byte 0xb5 is not UTF-8"),
        (HEADER.encode("utf-16"), "is UTF-16"),
    ],
)
def test_a_file_that_is_no_recording(tmp_path: Path, text: str | bytes, words: str) -> None:
    assert words in refusal(tmp_path, text)


def test_no_such_file_and_a_folder(tmp_path: Path) -> None:
    for path in (tmp_path / "none.csv", tmp_path, "a\0b"):
        with pytest.raises(RecordingError, match="cannot be read"):
            read_recording(path)


def test_byte_order_mark_and_windows_line_ends(tmp_path: Path) -> None:
    text = "\ufeff# resin_ml = 500\r\n" + HEADER.replace("\n", "\r\n") + "1,2,ppm,,0,\r\n\r\n"
    book = recording(tmp_path, text)
    assert book.settings == {"resin_ml": 500}
    assert len(list(book.rows)) == 1


@pytest.mark.parametrize("overrides", [{"flow_ml_min": 80.0}, None])
def test_a_flow_replaces_the_volume_column(tmp_path: Path, overrides: dict[str, object] | None) -> None:
    head = "" if overrides else "# flow_ml_min = 80\n"
    rows = list(recording(tmp_path, head + "time_s,reading,unit\n1,2,ppm\n0.5,3,ppm\n", overrides).rows)
    assert [(row.time_s, row.rinse_ml) for row in rows] == [(1.0, None), (0.5, None)]


def test_unknown_columns_are_kept_and_ignored(tmp_path: Path) -> None:
    book = recording(tmp_path, "site,time_s,reading,unit,rinse_ml\nB2,1,2,ppm,0\n")
    assert book.extra_columns == ("site",)
    assert [(record.number, record.extra) for record in book.records] == [(1, {"site": "B2"})]


def thousandths(limit: int) -> st.SearchStrategy[float]:
    return st.integers(0, limit * 1000).map(lambda count: round(count / 1000, 3))


@st.composite
def shown_readings(draw: st.DrawFn) -> tuple[float, int]:
    """A reading on a display's own grid: digits and where the point stands (negative: steps of 10, 100)."""
    digits, decimals = draw(st.integers(0, 99_999)), draw(st.integers(-3, 3))
    return float(f"{digits}e{-decimals}"), decimals


TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
EVENTS = st.sampled_from(["", "portion", "undo", "pause", "resume"]) | st.builds(
    str.__add__, st.sampled_from(["note:", "fault: "]), TEXT
)


@st.composite
def rows(draw: st.DrawFn) -> Row:
    mark = draw(st.sampled_from(Mark))
    event = draw(EVENTS if mark is not Mark.NONE else EVENTS.filter(bool))
    value, decimals = draw(shown_readings()) if mark is Mark.VALUE else (None, None)
    return Row(
        time_s=draw(thousandths(10**7) | st.floats(allow_nan=False, allow_infinity=False)),
        rinse_ml=draw(thousandths(10**6)),
        mark=mark,
        reading=value,
        unit=draw(st.sampled_from(["ppm", "uS/cm"])),
        decimals=decimals,
        temperature_c=draw(st.none() | st.floats(-20, 120)),
        event=event,
    )


SETTINGS = st.dictionaries(
    st.sampled_from(["resin_ml", "endpoint", "batch", "tds_factor", "a key"]),
    TEXT | st.integers(-(2**60), 2**60) | st.floats(allow_nan=False) | st.booleans(),
)


@given(SETTINGS, st.lists(rows(), max_size=6))
def test_what_is_written_reads_back_exactly(
    tmp_path_factory: pytest.TempPathFactory, settings: dict[str, object], written: list[Row]
) -> None:
    path = tmp_path_factory.getbasetemp() / "round.csv"
    assert write_recording(path, settings, written, overwrite=True) == len(written)
    book = read_recording(path)
    assert book.settings == settings
    assert list(book.rows) == written


def test_a_reading_off_its_display_grid_keeps_its_value() -> None:
    stream = io.StringIO()
    off_grid, unknown = Row(1.0, 0.0, Mark.VALUE, 12.345, "ppm", 1), Row(1.5, 0.0, Mark.VALUE, 7.25, "ppm")
    write_recording(stream, {}, [off_grid, unknown])
    assert stream.getvalue().splitlines()[1:] == ["1,12.345,ppm,,0,", "1.5,7.25,ppm,,0,"]


def test_an_export_never_overwrites_unasked_and_leaves_no_litter(tmp_path: Path) -> None:
    path = tmp_path / "kept.csv"
    path.write_text("mine")
    with pytest.raises(RecordingError, match="exists already"):
        write_recording(path, {}, [])
    assert path.read_text() == "mine"
    with pytest.raises(RecordingError, match="cannot be written"):
        write_recording(tmp_path / "no folder" / "a.csv", {}, [])
    write_recording(path, {}, [Row(1.0, 0.0, event="note: \udcff")], overwrite=True)
    assert "note: \\udcff" in path.read_text()
    assert [entry.name for entry in tmp_path.iterdir()] == ["kept.csv"]
