"""Whole lines only: nothing that merely contains a number is a reading."""

from __future__ import annotations

import random
import re

import msgspec
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rinsewatch_drivers.framing import LineFramer
from rinsewatch_drivers.numbers import parse_number
from rinsewatch_drivers.profile import Profile, builtin_profiles, parse_profile
from rinsewatch_drivers.reading import Kind, Quality
from rinsewatch_drivers.text import parse_frame, parse_line

TEXT = {name: p for name, p in builtin_profiles().items() if p.text is not None}
PLAIN = TEXT["plain-number"]


@pytest.mark.parametrize(
    ("text", "value", "decimals"),
    [("12.50", 12.5, 2), ("0", 0.0, 0), ("-3", -3.0, 0), ("+7.0", 7.0, 1), ("007", 7.0, 0)],
)
def test_numbers_and_their_decimals(text: str, value: float, decimals: int) -> None:
    assert parse_number(text) == (value, decimals)


@pytest.mark.parametrize(
    "text", ["", ".5", "5.", "1,5", "1,234", "1e3", "nan", "inf", "١٢", "1_000", " 1", "1 ", "0x10",
    "1.2.3", "--1",
             "9" * 13, "²", "1\n"]
)  # fmt: skip
def test_what_is_no_number(text: str) -> None:
    assert parse_number(text) is None


def test_minus_zero_is_zero() -> None:
    number = parse_number("-0.0")
    assert number is not None
    assert str(number[0]) == "0.0"


def test_comma_and_exponent_only_where_declared() -> None:
    assert parse_number("12,5", comma=True) == (12.5, 1)
    assert parse_number("1.234,5", comma=True) is None
    assert parse_number("1.25e1", exponent=True) == (12.5, None)
    assert parse_number("1e999", exponent=True) is None


@given(st.integers(0, 10**6), st.integers(0, 4), st.sampled_from(["uS/cm", "mS/cm", "ppm", "ppt"]))
@settings(max_examples=200)
def test_what_a_meter_writes_is_read_back(digits: int, decimals: int, unit: str) -> None:
    shown = f"{digits / 10**decimals:.{decimals}f}"
    parsed = parse_line(PLAIN, f"{shown} {unit}".encode("ascii"))
    assert (parsed.kind, parsed.value, parsed.decimals, parsed.unit) == (
        Kind.VALUE,
        float(shown),
        decimals,
        unit,
    )


@given(st.binary(max_size=256))
@example(b"\x00" * 256)
@example(b"1" * 256)
@example(b"{" * 256)
@settings(max_examples=500, deadline=None)
def test_no_bytes_make_any_profile_fail(line: bytes) -> None:
    for profile in TEXT.values():
        parsed = parse_line(profile, line)
        assert (parsed.value is None) == (parsed.kind is not Kind.VALUE)


@given(st.sampled_from(sorted(TEXT)), st.integers(0, 200), st.integers(0, 200))
@settings(max_examples=300, deadline=None)
def test_two_lines_glued_are_never_a_good_reading(name: str, lost_end: int, lost_begin: int) -> None:
    lines = {
        "plain-number": b"12.3 uS/cm 24.8 C", "key-value": b"EC=12.3 uS/cm T=24.8",
        "polled-ascii": b"12.3 uS/cm",
        "csv-columns": b"17,12.3,uS/cm,24.8", "json-lines": b'{"value": 12.3, "unit": "uS/cm"}',
    }  # fmt: skip
    line = lines[name]
    # the end of the one and the beginning of the other lost, with the terminator in between
    first, second = line[: max(1, len(line) - lost_end % 4)], line[lost_begin % 4 :]
    if name == "plain-number" or name == "polled-ascii":
        assert parse_line(TEXT[name], first + second).quality is not Quality.GOOD
    else:
        assert parse_line(TEXT[name], first + second).kind is Kind.FAULT


def _uart(data: bytes, sent_baud: int, read_baud: int) -> bytes:
    """The bytes an 8N1 receiver at one speed makes of what was sent at another (bits resampled)."""
    bits = [1] * 12
    for byte in data:
        bits += [0, *((byte >> i) & 1 for i in range(8)), 1]
    bits += [1] * 12
    step = sent_baud / read_baud  # sent bits per received bit

    def level(position: float) -> int:
        return bits[int(position)] if position < len(bits) else 1

    out, position = bytearray(), 0.0
    while position < len(bits):
        if level(position):
            position += min(step, 1.0) / 8
            continue
        out.append(sum(level(position + (i + 1.5) * step) << i for i in range(8)))
        position += 9.5 * step
        while position < len(bits) and not level(position):
            position += min(step, 1.0) / 8
    return bytes(out)


RATES = [(2400, 9600), (9600, 2400), (4800, 9600), (9600, 4800), (9600, 19200), (19200, 9600), (9600, 115200),
         (115200, 9600), (19200, 38400)]  # fmt: skip


def _sent_lines(seed: int, count: int) -> list[bytes]:
    rng = random.Random(seed)
    return [f"{rng.uniform(0, 2000):.1f} uS/cm {rng.uniform(15, 30):.1f} C\r\n".encode() for _ in range(count)]


def test_the_uart_is_faithful_at_the_right_speed() -> None:
    sent = b"".join(_sent_lines(5, 300))
    assert _uart(sent, 9600, 9600) == sent


def test_no_false_reading_at_a_wrong_speed_and_the_loose_control_has_many() -> None:
    loose = re.compile(rb"[0-9]+(?:\.[0-9]+)?")
    false_readings, loose_readings = 0, 0
    for number, (sent_baud, read_baud) in enumerate(RATES):
        lines = _sent_lines(number, 150)
        # with a pause after each line (a new start bit to hold on to), and one after the other without any
        bursts = [_uart(line, sent_baud, read_baud) for line in lines]
        heard = b"".join(bursts) + b"\n" + _uart(b"".join(lines), sent_baud, read_baud)
        loose_readings += sum(loose.search(burst) is not None for burst in bursts)
        frames = [frame.data for frame in LineFramer(joined=True).feed(heard)]
        for profile in TEXT.values():
            # harder than life: each burst is also tried as if it had ended in a terminator
            kinds = [parse_line(profile, line.strip()).kind for line in frames + bursts]
            false_readings += sum(kind is not Kind.FAULT for kind in kinds)
    assert false_readings == 0
    assert loose_readings > 50  # the control that must fail


def test_random_bytes_between_good_lines_lose_no_good_line() -> None:
    rng = random.Random(11)
    framer, good, false = LineFramer(joined=True), 0, 0
    for number in range(5000):
        frames = framer.feed(rng.randbytes(64) + b"\n" + f"{number}.5 uS/cm\r\n".encode())
        for parsed in (parse_frame(PLAIN, frame) for frame in frames):
            good += parsed.value == number + 0.5 and parsed.quality is Quality.GOOD
            false += parsed.kind is Kind.VALUE and parsed.value != number + 0.5 and bool(parsed.unit)
    assert (good, false) == (5000, 0)


def test_a_comma_meter_of_the_users_own() -> None:
    profile: Profile = parse_profile(
        'name = "mine"\nkind = "text"\n[text]\nformat = "csv"\nseparator = ";"\ncolumns = ["value", "flag"]\n'
        'unit = "mS/cm"\ndecimal_comma = true\nover_words = ["UEBER"]\n',
        "mine.toml",
    )
    assert parse_line(profile, b"1,413;OK").value == 1.413
    assert parse_line(profile, b"UEBER;OK").kind is Kind.OVER
    assert parse_line(profile, b"1.413;OK").kind is Kind.FAULT
    assert msgspec.structs.asdict(profile)["name"] == "mine"
