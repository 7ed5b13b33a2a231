"""The grammar at its edges: every spelling of a unit, the limits of the possible, flags, odd frames."""

from __future__ import annotations

import pytest

from rinsewatch_drivers.framing import Frame, FrameKind, LineFramer
from rinsewatch_drivers.hand import parse_hand
from rinsewatch_drivers.numbers import judge_number, parse_number
from rinsewatch_drivers.profile import builtin_profiles, parse_profile
from rinsewatch_drivers.reading import Kind, Parsed, Quality
from rinsewatch_drivers.text import parse_frame, parse_line, unread

PROFILES = builtin_profiles()
PLAIN = PROFILES["plain-number"]

# U+00B5 is the micro sign, U+03BC the Greek letter: the SI Brochure (9th edition, table 7) prints the letter, most
# keyboards and Latin-1 have the sign. mg/L and g/L are what ppm and ppt stand for in dilute water.
SPELLINGS = {
    "uS/cm": ("uS/cm", "us/cm", "US/CM", "uS", "us", "US", "\u00b5S/cm", "\u03bcS/cm", "\u00b5S", "\u03bcS"),
    "mS/cm": ("mS/cm", "ms/cm", "MS/CM", "mS", "MS"),
    "ppm": ("ppm", "PPM", "mg/L", "mg/l", "MG/L"),
    "ppt": ("ppt", "PPT", "g/L", "g/l", "G/L"),
}


@pytest.mark.parametrize(("unit", "spelling"), [(unit, word) for unit, words in SPELLINGS.items() for word in words])
def test_every_spelling_of_a_unit_is_that_unit(unit: str, spelling: str) -> None:
    assert parse_line(PLAIN, f"12.5 {spelling}".encode()).unit == unit
    assert parse_line(PROFILES["csv-columns"], f"1,12.5,{spelling},20".encode()).unit == unit


@pytest.mark.parametrize("spelling", ["mmho", "S/cm", "pS", "%", "C", "mS/m", "ppb", "uS/m"])
def test_other_units_are_none_of_these(spelling: str) -> None:
    assert parse_line(PLAIN, f"12.5 {spelling}".encode()).kind is Kind.FAULT


# A million parts per million is all of it; the strongest acids in water conduct about 0.85 S/cm (from memory).
@pytest.mark.parametrize(("unit", "most"), [("uS/cm", 2e6), ("mS/cm", 2e3), ("ppm", 1e6), ("ppt", 1e3), ("", 2e6)])
def test_more_than_there_can_be_is_no_good_reading(unit: str, most: float) -> None:
    for value in (0.0, most / 2, most):
        assert judge_number(value, 0, unit).cause == ("" if unit else "no-unit")
    beyond = judge_number(1.5 * most, 0, unit)
    assert (beyond.quality, beyond.cause, beyond.value) == (Quality.BAD, "out-of-range", 1.5 * most)
    assert judge_number(-0.1, 1, unit).cause == "negative"


@pytest.mark.parametrize(
    ("temperature_c", "possible"), [(-10.0, True), (110.0, True), (-10.1, False), (110.1, False), (-15, False)]
)
def test_a_temperature_liquid_water_cannot_have_puts_the_reading_in_doubt(temperature_c: float, possible: bool) -> None:
    found = judge_number(5.0, 0, "ppm", temperature_c=temperature_c)
    assert (found.quality is Quality.GOOD, found.value) == (possible, 5.0)
    assert found.temperature_c == (temperature_c if possible else None)


def test_zero_has_no_sign_with_an_exponent_either() -> None:
    number = parse_number("-0e0", exponent=True)
    assert number is not None and str(number[0]) == "0.0"


@pytest.mark.parametrize(
    ("flag", "kind", "quality", "cause"),
    [
        ("OK", Kind.VALUE, Quality.GOOD, ""),
        ("ATC", Kind.VALUE, Quality.GOOD, ""),
        ("HOLD", Kind.VALUE, Quality.BAD, "hold"),
        ("BAT", Kind.VALUE, Quality.UNCERTAIN, "battery"),
        ("OL", Kind.OVER, Quality.MISSING, "over-range"),
        ("LO", Kind.UNDER, Quality.MISSING, "under-range"),
        ("ERR", Kind.FAULT, Quality.BAD, "sensor-error"),
        ("FOO", Kind.FAULT, Quality.BAD, "syntax"),
    ],
)
def test_what_a_flag_says_of_the_number_before_it(flag: str, kind: Kind, quality: Quality, cause: str) -> None:
    for profile, line in (("plain-number", f"12.5 ppm 24 C {flag}"), ("key-value", f"TDS=12.5 ppm S={flag}")):
        parsed = parse_line(PROFILES[profile], line.encode())
        assert (parsed.kind, parsed.quality, parsed.cause) == (kind, quality, cause), line
        assert (parsed.value is not None) == (kind is Kind.VALUE)


@pytest.mark.parametrize("degree", ["", " C", " °C", " degC", "C", "°C"])
def test_degrees_as_they_are_written(degree: str) -> None:
    assert parse_line(PROFILES["key-value"], f"EC=12.5 uS T=24.8{degree}".encode()).temperature_c == 24.8
    assert parse_line(PROFILES["key-value"], b"EC=12.5 uS T=75 F").kind is Kind.FAULT


@pytest.mark.parametrize("line", [b'["value"]', b'"value"', b"[]", b"{}", b"12.5", b"null", b'{"unit": "ppm"}'])
def test_json_that_is_no_object_with_a_value_is_a_fault(line: bytes) -> None:
    assert parse_line(PROFILES["json-lines"], line) == Parsed(Kind.FAULT, quality=Quality.BAD, cause="syntax")


def test_null_is_an_error_of_the_sensor_whatever_its_words_are() -> None:
    text = (
        'name = "a"\nkind = "text"\n[text]\nformat = "json"\nvalue_keys = ["v"]\nunit = "ppm"\nerror_words = ["BAD"]\n'
    )
    assert parse_line(parse_profile(text, "a.toml"), b'{"v": null}').cause == "sensor-error"


def test_only_whole_lines_are_read_and_the_others_say_what_they_are() -> None:
    causes = {FrameKind.FIRST: "first-line", FrameKind.OVERLONG: "overlong", FrameKind.CUT: "cut"}
    for kind, cause in causes.items():
        for parsed in (parse_frame(PLAIN, Frame(b"12.5 ppm", kind)), unread(Frame(b"12.5 ppm", kind))):
            assert (parsed.kind, parsed.value, parsed.cause) == (Kind.FAULT, None, cause)
    assert unread(Frame(b"12.5 ppm")).cause == "syntax"
    assert parse_line(PROFILES["modbus-float"], b"12.5 ppm").cause == "syntax"


@pytest.mark.parametrize(
    ("typed", "kind"),
    [("over ppm", Kind.OVER), ("OL uS/cm", Kind.OVER), ("under ppm", Kind.UNDER), ("LO uS/cm", Kind.UNDER)],
)
def test_typed_words_for_out_of_range(clock: object, typed: str, kind: Kind) -> None:
    reading = parse_hand(typed, clock=clock)  # type: ignore[arg-type]  # a clock in virtual time
    assert (reading.kind, reading.value, reading.quality) == (kind, None, Quality.MISSING)
    assert reading.sequence == 0


def test_silence_then_unplugging_leaves_nothing_behind() -> None:
    assert LineFramer().cut() == []
    framer = LineFramer((b"\r\n",), joined=True)
    assert [frame.kind for frame in framer.feed(b"7" * 300)] == [FrameKind.OVERLONG]
    assert framer.cut() == []  # the rest of an overlong line is no half line


def test_no_more_is_held_than_a_line_may_be_long() -> None:
    framer = LineFramer()
    for count in range(1, 300):
        framer.feed(b"7")
        assert framer.buffered <= 256, count
    assert framer.buffered == 0  # an overlong line is not kept at all
