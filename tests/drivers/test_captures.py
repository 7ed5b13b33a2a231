"""Every shipped profile over its good and faulty captures; expectations written by hand beside the bytes."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from rinsewatch_drivers.framing import LineFramer
from rinsewatch_drivers.modbus_source import ModbusPoller
from rinsewatch_drivers.profile import builtin_profiles
from rinsewatch_drivers.reading import Kind, Parsed
from rinsewatch_drivers.sources import framer_of
from rinsewatch_drivers.text import parse_frame

CAPTURES = Path(__file__).parents[1] / "captures"
PARTS = sorted(path.name for path in CAPTURES.glob("*.toml"))
TEXT_PARTS = [name for name in PARTS if not name.startswith("modbus")]
MODBUS_PARTS = [name for name in PARTS if name.startswith("modbus")]


def _load(name: str) -> dict[str, Any]:
    return tomllib.loads((CAPTURES / name).read_text("utf-8"))


def _expected(entry: dict[str, Any]) -> tuple[Any, ...]:
    keys = ("kind", "value", "decimals", "unit", "temperature_c", "cause")
    return tuple(entry.get(key) for key in keys)


def _got(parsed: Parsed) -> tuple[Any, ...]:
    p = parsed
    return (p.kind.value, p.value, p.decimals, p.unit, p.temperature_c, p.cause)


def _same(got: tuple[Any, ...], expected: tuple[Any, ...]) -> None:
    numbers = pytest.approx([expected[1] or 0.0, expected[4] or 0.0], rel=1e-9, abs=1e-9)
    assert [got[1] or 0.0, got[4] or 0.0] == numbers
    assert [x is None for x in got] == [x is None for x in expected]
    assert (got[0], got[2], got[3], got[5]) == (expected[0], expected[2], expected[3], expected[5])


def test_no_profile_without_good_and_faulty_captures() -> None:
    wanted = sorted(f"{name}.{part}.toml" for name in builtin_profiles() for part in ("good", "faulty"))
    assert wanted == PARTS


def test_every_capture_says_where_it_comes_from() -> None:
    for name in PARTS:
        assert (CAPTURES / name).read_text("utf-8").startswith("# Provenance: ")


@pytest.mark.parametrize("name", TEXT_PARTS)
def test_text_capture(name: str) -> None:
    capture = _load(name)
    profile = builtin_profiles()[capture["profile"]]
    data = (CAPTURES / capture["bytes"]).read_bytes()
    framer: LineFramer = framer_of(profile.framing, joined=profile.poll is not None)
    parsed = [parse_frame(profile, frame) for frame in framer.feed(data)]
    assert len(parsed) == len(capture["reading"])
    for got, expected in zip(parsed, capture["reading"], strict=True):
        _same(_got(got), _expected(expected))
    assert all(parse_frame(profile, frame).kind is Kind.FAULT for frame in framer.cut())


@pytest.mark.parametrize("name", MODBUS_PARTS)
def test_modbus_capture(name: str, cable: Callable[..., Any], clock: Any) -> None:
    capture = _load(name)
    profile = builtin_profiles()[capture["profile"]]
    assert profile.modbus is not None
    for poll in capture["poll"]:
        meter = cable()
        queue = [(bytes.fromhex(query), bytes.fromhex(reply)) for query, reply in poll["exchanges"]]

        def answer(query: bytes, queue: list[tuple[bytes, bytes]] = queue) -> list[tuple[float, bytes]]:
            wanted, reply = queue.pop(0)
            assert query == wanted
            return [(0.02, reply)] if reply else []

        meter.on_write = answer
        batch = ModbusPoller(profile.modbus, profile.serial).poll(meter, 1.0, clock)
        assert len(batch.arrivals) == ("kind" in poll)
        for arrival in batch.arrivals:
            _same(_got(arrival.parsed), _expected(poll))
        assert queue == []
