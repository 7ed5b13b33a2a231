"""Quantities as people write them."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rinsewatch.errors import QuantityError, UsageError
from rinsewatch.quantities import (
    Quantity,
    canonical_unit,
    parse_flow_ml_min,
    parse_quantity,
    parse_reading,
    parse_volume_ml,
    reading_us_cm,
)


@pytest.mark.parametrize(
    ("text", "quantity"),
    [("12.5 ppm", Quantity(12.5, "ppm", 1)), ("12.50 ppm", Quantity(12.5, "ppm", 2)),
     ("1413 uS/cm", Quantity(1413.0, "uS/cm", 0)), ("1413 µS/cm", Quantity(1413.0, "uS/cm", 0)),
     ("1413 μS/cm", Quantity(1413.0, "uS/cm", 0)), ("1.413 mS/cm", Quantity(1.413, "mS/cm", 3)),
     ("12.5ppm", Quantity(12.5, "ppm", 1)), ("  7  PPM ", Quantity(7.0, "ppm", 0)),
     ("2.1 ppt", Quantity(2.1, "ppt", 1)), (".5 ppm", Quantity(0.5, "ppm", 1)),
     ("1e3 uS/cm", Quantity(1000.0, "uS/cm", 0)), ("+3 ppm", Quantity(3.0, "ppm", 0)),
     ("0 ppm", Quantity(0.0, "ppm", 0)), ("3 mg/L", Quantity(3.0, "ppm", 0))],
)  # fmt: skip
def test_readings_as_meters_show_them(text: str, quantity: Quantity) -> None:
    assert parse_reading(text) == quantity


@pytest.mark.parametrize(
    ("text", "words"),
    [("12.5", "no unit"), ("", "cannot read"), ("ppm", "cannot read"),
     ("12,5 ppm", "comma"), ("-1 ppm", "negative"),
     ("12 furlongs", "unknown unit"), ("500 mL", "no unit of a reading"), ("1e999 ppm", "too large"),
     ("nan ppm", "cannot read"), ("inf uS/cm", "cannot read"), ("12 13 ppm", "unknown unit|cannot read"),
     ("١٢ ppm", "cannot read"), ("1.2.3 ppm", "cannot read"), ("--5 ppm", "cannot read"),
     ("0x10 ppm", "unknown|cannot")],
)  # fmt: skip
def test_what_is_no_reading_is_refused_in_one_line(text: str, words: str) -> None:
    with pytest.raises(QuantityError, match=words) as caught:
        parse_reading(text, "feed")
    assert str(caught.value).startswith("feed: ")
    assert "\n" not in str(caught.value)
    assert isinstance(caught.value, UsageError)
    assert caught.value.exit_code == 2


def test_a_bare_number_is_answered_with_the_way_to_write_it() -> None:
    with pytest.raises(QuantityError, match=r"'12\.5 ppm' or '12\.5 uS/cm'"):
        parse_reading("12.5")


@given(value=st.decimals(0, 10**6, places=3), unit=st.sampled_from(["ppm", "ppt", "uS/cm", "mS/cm"]))
def test_written_and_read_again(value: object, unit: str) -> None:
    quantity = parse_reading(f"{value:f} {unit}")
    assert quantity.decimals == 3
    assert str(quantity) == f"{float(str(value)):.3f} {unit}"
    assert parse_reading(str(quantity)) == quantity


@given(st.text(max_size=30))
def test_any_text_is_a_quantity_or_a_quantity_error(text: str) -> None:
    for parse in (parse_quantity, parse_reading, parse_volume_ml, parse_flow_ml_min):
        _value_or_refusal(parse, text)


def _value_or_refusal(parse: Callable[[str], object], text: str) -> None:
    try:
        result = parse(text)
    except QuantityError as error:
        assert str(error)
        return
    assert math.isfinite(result.value if isinstance(result, Quantity) else float(str(result)))


@pytest.mark.parametrize(
    ("value", "unit", "factor", "us_cm"),
    [(12.0, "uS/cm", 0.5, 12.0), (1.413, "mS/cm", 0.5, 1413.0), (6.0, "ppm", 0.5, 12.0),
     (7.0, "ppm", 0.7, 10.0), (2.0, "ppt", 0.5, 4000.0)],
)  # fmt: skip
def test_reading_to_conductivity(value: float, unit: str, factor: float, us_cm: float) -> None:
    assert reading_us_cm(value, unit, factor) == pytest.approx(us_cm)


def test_a_volume_is_no_conductivity() -> None:
    with pytest.raises(QuantityError, match="'mL' is no unit of a reading"):
        reading_us_cm(1.0, "mL", 0.5)


@pytest.mark.parametrize(
    ("text", "volume_ml"),
    [("500", 500.0), ("500 mL", 500.0), ("0.5 L", 500.0), ("2 litres", 2000.0), ("1.5l", 1500.0)],
)
def test_volumes(text: str, volume_ml: float) -> None:
    assert parse_volume_ml(text) == pytest.approx(volume_ml)


@pytest.mark.parametrize(
    ("text", "flow_ml_min"),
    [("100", 100.0), ("100 mL/min", 100.0), ("0.1 L/min", 100.0), ("6 L/h", 100.0)],
)
def test_flows(text: str, flow_ml_min: float) -> None:
    assert parse_flow_ml_min(text) == pytest.approx(flow_ml_min)


@pytest.mark.parametrize("text", ["0", "-5", "-5 mL", "12 ppm", "12 uS/cm", "much", "3 gallons"])
def test_no_volume_and_no_flow(text: str) -> None:
    for parse in (parse_volume_ml, parse_flow_ml_min):
        with pytest.raises(QuantityError):
            parse(text)


def test_a_flow_is_no_volume_and_a_volume_no_flow() -> None:
    with pytest.raises(QuantityError, match="no volume"):
        parse_volume_ml("100 mL/min", "--resin-ml")
    with pytest.raises(QuantityError, match="no flow"):
        parse_flow_ml_min("100 mL", "--flow-ml-min")


def test_unit_spellings() -> None:
    assert canonical_unit(" US/CM ") == "uS/cm"
    assert canonical_unit("mS") == "mS/cm"
    assert canonical_unit("gpg") is None


def test_a_quantity_without_unit_prints_bare() -> None:
    assert str(parse_quantity("3.10")) == "3.10"
