"""The bench's bytes, written from the formats' descriptions, read by the drivers: two hands, one format."""

from __future__ import annotations

import struct

import pytest

from rinsewatch_drivers.modbus import build_read, parse_response
from rinsewatch_drivers.profile import builtin_profiles, load_profile
from rinsewatch_drivers.reading import Kind
from rinsewatch_drivers.text import parse_line
from rinsewatch_sim.wire import FORMATS, Sample, wire

_TEXT = [name for name in FORMATS if not name.startswith("modbus")]


def _line(name: str, sample: Sample) -> bytes:
    speaker = wire(name)
    sent = speaker.push(sample) or speaker.answer(b"R\r", sample)
    assert sent.endswith(b"\r\n")
    return sent[:-2]


def test_every_shipped_profile_has_a_simulated_meter() -> None:
    assert set(builtin_profiles()) == set(FORMATS)


@pytest.mark.parametrize("name", _TEXT)
@pytest.mark.parametrize("sample", [Sample("412.3", "uS/cm", 24.8), Sample("0", "ppm"), Sample("0.83", "uS/cm", 12.0)])
def test_text_values_arrive(name: str, sample: Sample) -> None:
    parsed = parse_line(load_profile(name), _line(name, sample))
    assert (parsed.kind, parsed.value, parsed.unit) == (Kind.VALUE, sample.value, sample.unit)
    assert parsed.temperature_c == sample.temperature_c
    assert parsed.decimals == len(sample.reading.partition(".")[2])


@pytest.mark.parametrize("name", _TEXT)
def test_over_range_arrives(name: str) -> None:
    assert parse_line(load_profile(name), _line(name, Sample("over", "ppm"))).kind is Kind.OVER


def _registers(name: str, sample: Sample) -> tuple[int, ...]:
    query = build_read(1, 3 if name == "modbus-float" else 4, 0, 4)
    return parse_response(query, wire(name).answer(query, sample))


def test_modbus_values_arrive() -> None:
    sample = Sample("412.3", "uS/cm", 24.8)
    as_float = struct.pack(">4H", *_registers("modbus-float", sample))
    assert struct.unpack(">ff", as_float) == pytest.approx((412.3, 24.8))
    assert struct.unpack(">Ih", struct.pack(">3H", *_registers("modbus-scaled", sample)[:3])) == (41230, 248)
