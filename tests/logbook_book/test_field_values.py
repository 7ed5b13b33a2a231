"""What a field takes and keeps: kept values read back as themselves; figures against hand calculation."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rinsewatch.errors import QuantityError
from rinsewatch.logbook import values
from rinsewatch.logbook.kinds import KINDS
from rinsewatch.logbook.values import amount_eq, us_cm, value_text

READERS = [
    (values.read_text, ["words", " two\nlines "]),
    (values.read_line, ["blue", "  a   b "]), (values.read_date, ["2026-03-31"]),
    (values.read_volume_ml, ["500", "1.5 L", "0.25 mL"]), (values.read_litres, ["640", "1.2 m3", "500 mL", "0.5 L"]),
    (values.read_counter, ["0", "12345.6"]),
    (values.read_reading, ["9 ppm", "12.50 uS/cm", "1.41 mS/cm", "1e-7 uS/cm"]),
    (values.read_feed, ["unknown", "Unknown", "9 ppm"]), (values.read_amount, ["3 eq", "120 g naoh", "2 mol HCl"]),
    (values.read_share, ["0.7", "70 %", "65%"]), (values.read_ratio, ["0", "0.08"]), (values.read_factor, ["0.5"]),
    (values.read_number, ["7"]), (values.read_numbers, ["4, 3", "3 4 4"]),
]  # fmt: skip


@pytest.mark.parametrize(("read", "texts"), READERS, ids=[read.__name__ for read, _ in READERS])
def test_a_kept_value_reads_back_as_itself(read: values.Reader, texts: list[str]) -> None:
    for text in texts:
        kept = read(text, "field")
        assert read(value_text(kept), "field") == kept
        assert type(read(value_text(kept), "field")) is type(kept)


@given(st.floats(1e-6, 1e9))
def test_volumes_read_back_exactly(litres: float) -> None:
    kept = values.read_litres(repr(litres), "litres")
    assert kept == litres
    assert values.read_litres(value_text(kept), "litres") == kept


def test_what_the_texts_mean() -> None:
    assert values.read_litres("1.2 m3", "x") == 1200
    assert values.read_volume_ml("1.5 L", "x") == 1500
    assert values.read_share("65%", "x") == 0.65
    assert values.read_numbers("4, 3 4", "x") == "3, 4"
    assert us_cm("9 ppm", None) == 18.0
    assert us_cm("9 ppm", 0.64) == pytest.approx(14.0625)
    assert us_cm("1.41 mS/cm", 0.5) == pytest.approx(1410.0)
    assert us_cm("unknown", 0.5) is None and us_cm(None, 0.5) is None


def test_control_characters_are_spelled_out_and_line_breaks_are_plain() -> None:
    assert values.read_text("a\x1b[2Jb\r\nc\rd\0\udcff", "x") == "a\\x1b[2Jb\nc\nd\\x00\\udcff"
    assert values.read_text("schön µ 水", "x") == "schön µ 水"


def test_equivalents_of_regenerants() -> None:
    """By hand from formula weights: NaOH 40.0, KOH 56.1, HCl 36.5, H2SO4 98.1 with two protons."""
    by_hand = {
        "40 g NaOH": 1.0, "56.1 g KOH": 1.0, "36.5 g HCl": 1.0, "98.1 g H2SO4": 2.0, "2 mol HCl": 2.0,
        "1 mol H2SO4": 2.0, "3 eq": 3.0, "250 meq": 0.25, "0.4 kg NaOH": 10.0,
    }  # fmt: skip
    for text, eq in by_hand.items():
        assert amount_eq(text) == pytest.approx(eq, rel=2e-3), text


@pytest.mark.parametrize(
    ("read", "text"),
    [
        (values.read_date, "2026-02-29"), (values.read_date, "26-03-01"), (values.read_date, "٢٠٢٦-03-01"),
        (values.read_litres, "0"), (values.read_litres, "inf"), (values.read_litres, "5 ppm"),
        (values.read_litres, "1 L m3"), (values.read_litres, "1e12"), (values.read_volume_ml, "1e300"),
        (values.read_reading, "9"), (values.read_reading, "-1 ppm"),
        (values.read_share, "70"), (values.read_share, "0"), (values.read_factor, "2"), (values.read_number, "0"),
        (values.read_number, "1.5"), (values.read_numbers, ","), (values.read_text, " "),
        (values.read_text, "x" * 5000), (values.read_line, "a\x07b"), (values.read_amount, "0 g NaOH"),
        (values.read_ratio, "-1"), (values.read_counter, "-1"),
    ],
)  # fmt: skip
def test_what_is_refused_in_one_line(read: values.Reader, text: str) -> None:
    with pytest.raises(QuantityError) as caught:
        read(text, "field")
    assert str(caught.value).startswith("field: ") and "\n" not in str(caught.value)


def test_fields_that_refer_name_a_kind_and_every_kind_can_be_labelled() -> None:
    for kind in KINDS.values():
        assert all(not field.refers or field.refers in KINDS for field in kind.fields)
        assert not kind.label or any(field.name == kind.label and field.needed for field in kind.fields)
