"""The chart: values land where they belong, signs tell things apart without colour, and it is quick."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rinsewatch.screen.chart import GUTTER, Canvas, ChartData, Layer, Scale, chart_lines, scale_for
from rinsewatch.screen.snapshot import BandPoint, ChartPoint
from tests.pace import usual_s


def text(lines: list[list[tuple[str, str]]]) -> list[str]:
    return ["".join(part for part, _ in line) for line in lines]


DATA = ChartData(
    history=tuple(ChartPoint(x * 50.0, 1e4 * math.exp(-x / 6)) for x in range(30)),
    band=tuple(BandPoint(1450 + i * 50.0, 60 * 0.8**i, 70 * 0.85**i, 90 * 0.9**i) for i in range(12)),
    target_us_cm=18.0,
    floor_us_cm=2.0,
    poured_ml=1450.0,
)


def test_scale_maps_decades_evenly() -> None:
    scale = Scale(x_max_ml=1000, log_low=0, log_high=4, columns=50, rows=10)  # dot rows 0 to 39
    assert [scale.row(v) for v in (1e4, 1e3, 1e2, 1e1, 1)] == [0, 10, 20, 29, 39]
    assert [scale.column(v) for v in (0, 500, 1000)] == [0, 50, 99]
    assert (scale.row(0), scale.row(1e9), scale.column(-5), scale.column(5000)) == (39, 0, 0, 99)


def test_a_dot_sets_the_right_braille_bit() -> None:
    canvas = Canvas(2, 1)
    canvas.dot(3, 2, Layer.READING)  # second cell, right column, third row: dot 6
    assert text(list(canvas.lines(False))) == [" " + chr(0x2800 + 0x20)]
    assert text(list(canvas.lines(True))) == [" o"]


def test_ascii_readings_stand_on_the_rows_of_their_decade() -> None:
    history = (ChartPoint(0, 1000.0), ChartPoint(500, 100.0), ChartPoint(1000, 10.0))
    rows = text(chart_lines(ChartData(history, ()), 60, 12, True))
    for label, column in (("1000+", 0), ("100+", 26), ("10+", 52)):
        row = next(r for r in rows if r[:GUTTER].strip() == label)
        assert row[GUTTER + column] == "o", rows


def test_target_and_floor_are_named_and_drawn_differently() -> None:
    rows = text(chart_lines(DATA, 80, 20, True))
    target = next(r for r in rows if "target 18" in r)
    floor = next(r for r in rows if "floor 2" in r)
    assert " -- -- " in target and " . . . " in floor
    assert rows.index(target) < rows.index(floor)


def test_target_and_floor_on_one_row_are_both_named() -> None:
    rows = text(chart_lines(ChartData(DATA.history, (), 10.0, 10.2), 80, 12, True))
    assert any("target 10, floor 10.2" in row for row in rows)


def test_band_is_hatched_only_where_the_forecast_is() -> None:
    rows = text(chart_lines(DATA, 80, 20, True))[1:-1]
    hatched = [i for row in rows for i, char in enumerate(row) if char == ":"]
    now = GUTTER + round(1450 / 2000 * 145) // 2
    assert hatched and min(hatched) >= now - 1
    assert any("+" in row[now:] for row in rows)


def test_braille_band_is_hatched_and_readings_are_solid() -> None:
    band_only = ChartData((), (BandPoint(0, 2, 30, 900), BandPoint(1000, 2, 30, 900)), poured_ml=1000)
    hatch = {
        ord(c) - 0x2800
        for line in chart_lines(band_only, 80, 20, False)[1:-1]
        for part, role in line
        if role == "band"
        for c in part
    }
    # Never two dots side by side: bits 0+3, 1+4, 2+5, 6+7 are the four dot rows of a braille cell.
    assert hatch and all(cell & pair != pair for cell in hatch for pair in (0x09, 0x12, 0x24, 0xC0))
    one = ChartData((ChartPoint(0, 100.0),), ())
    solid = [
        ord(c) - 0x2800
        for line in chart_lines(one, 80, 20, False)[1:-1]
        for part, role in line
        if role == "reading"
        for c in part
    ]
    assert sum(bin(cell).count("1") for cell in solid) == 4


def test_over_under_and_bad_have_their_own_signs() -> None:
    history = (
        ChartPoint(0, 4000, "over"),
        ChartPoint(500, 50),
        ChartPoint(700, 0, "bad"),
        ChartPoint(1000, 1, "under"),
    )
    body = "".join(text(chart_lines(ChartData(history, ()), 80, 14, False))[1:-1])
    assert [body.count(sign) for sign in "^xv"] == [1, 1, 1]


def test_a_reading_not_believed_does_not_stretch_the_scale() -> None:
    history = (ChartPoint(0, 100.0), ChartPoint(10, 50.0), ChartPoint(20, 9e5, "bad"))
    assert scale_for(ChartData(history, ()), 60, 10).log_high < 3


def test_volumes_on_the_axis_stand_under_their_columns() -> None:
    axis = text(chart_lines(ChartData((ChartPoint(2000, 10.0),), (), poured_ml=2000), 87, 12, True))[-1]
    assert axis[GUTTER + 40 - 1 : GUTTER + 44].strip("-").startswith("|1 L")


def test_ascii_chart_is_ascii() -> None:
    assert all(row.isascii() for row in text(chart_lines(DATA, 100, 20, True)))


numbers = st.floats(allow_nan=True, allow_infinity=True)
kinds = st.sampled_from(("reading", "over", "under", "bad"))


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.builds(ChartPoint, numbers, numbers, kinds), max_size=8),
    st.lists(st.builds(BandPoint, numbers, numbers, numbers, numbers), max_size=5),
    st.none() | numbers,
    st.none() | numbers,
    st.integers(1, 300),
    st.integers(1, 60),
    st.booleans(),
)
def test_any_numbers_at_any_size(history, band, target, floor, width, height, ascii_only) -> None:  # type: ignore[no-untyped-def]
    rows = text(chart_lines(ChartData(history, band, target, floor), width, height, ascii_only))
    assert len(rows) == height
    assert {len(row) for row in rows} == {width}


@pytest.mark.parametrize("ascii_only", [False, True])
def test_a_frame_costs_under_five_milliseconds(ascii_only: bool) -> None:
    history = tuple(ChartPoint(x * 5.0, 1e4 * math.exp(-x / 60)) for x in range(400))
    band = tuple(BandPoint(2000 + i * 25.0, 0.5, 20.0, 9000.0) for i in range(60))  # as wide as it gets
    data = ChartData(history, band, 18.0, 2.0, 2000.0)
    assert usual_s(lambda: chart_lines(data, 100, 20, ascii_only)) < 0.005
