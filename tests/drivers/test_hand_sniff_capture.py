"""Readings typed by hand, listening to an unknown meter, byte captures, the list of ports."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from rinsewatch_drivers.capture import CaptureWriter, ReplayTransport, read_capture
from rinsewatch_drivers.errors import WireError
from rinsewatch_drivers.hand import parse_hand
from rinsewatch_drivers.link import MeterLink
from rinsewatch_drivers.ports import PortInfo, by_id_links, list_ports
from rinsewatch_drivers.profile import builtin_profiles
from rinsewatch_drivers.reading import Kind, Quality, Reading
from rinsewatch_drivers.sniff import escape_bytes, sniff


@pytest.mark.parametrize(("typed", "value", "decimals", "unit", "temperature_c"), [
    ("12.5 ppm", 12.5, 1, "ppm", None), ("= 12.5 ppm", 12.5, 1, "ppm", None),
     ("840µS/cm", 840.0, 0, "uS/cm", None),
    ("1.41 mS/cm 24.8 C", 1.41, 2, "mS/cm", 24.8), ("0 ppm", 0.0, 0, "ppm", None),
])  # fmt: skip
def test_typed_readings(
    clock: Any, typed: str, value: float, decimals: int, unit: str, temperature_c: float | None
) -> None:
    reading = parse_hand(typed, clock=clock, sequence=7)
    assert (reading.value, reading.decimals, reading.unit) == (value, decimals, unit)
    assert (reading.temperature_c, reading.quality, reading.sequence) == (temperature_c, Quality.GOOD, 7)
    assert (reading.monotonic_s, reading.utc) == (clock.monotonic(), clock.utc())


def test_typed_over_range(clock: Any) -> None:
    reading = parse_hand("over ppm", clock=clock)
    assert (reading.kind, reading.value, reading.unit) == (Kind.OVER, None, "ppm")


@pytest.mark.parametrize(("typed", "why"), [
    ("12.5", "has no unit"), ("over", "has no unit"), ("12,5 ppm", "cannot read"), ("ppm", "cannot read"),
    ("12.5 pH", "unknown unit"), ("-1 ppm", "below 0"), ("1.2.3 ppm", "cannot read the number"),
    ("9000000 uS/cm", "more than any"), ("", "cannot read"), ("nan ppm", "cannot read"),
    ("12.5 ppm 2.4.8 C", "temperature"),
])  # fmt: skip
def test_typed_nonsense_is_told_in_one_line(clock: Any, typed: str, why: str) -> None:
    with pytest.raises(WireError, match=why) as caught:
        parse_hand(typed, clock=clock)
    assert "\n" not in str(caught.value)


def test_escaped_bytes_are_plain_ascii() -> None:
    assert escape_bytes(b"12.5\r\n\t\\\x1b[2J\x00\xb5") == "12.5\\r\\n\\t\\\\\\x1b[2J\\x00\\xb5"
    assert all(0x20 <= ord(char) < 0x7F for char in escape_bytes(bytes(range(256))))


def test_sniffing_says_which_profile_fits(cable: Callable[..., Any], clock: Any) -> None:
    script = [(0.2 * i, b"#!\r\n" if i == 4 else b"EC=%d uS/cm T=24.8\r\n" % i) for i in range(20)]
    meter = cable(script)
    report = sniff(meter, 5.0, clock)
    assert report.best is not None
    assert (report.best.name, report.best.fits, report.best.lines) == ("key-value", 18.0, 19)
    assert report.last is not None
    assert report.last.value == 19.0
    assert report.lines[1] == "EC=1 uS/cm T=24.8"
    assert report.sample.startswith("EC=0 uS/cm T=24.8\\r\\n")
    assert report.byte_count == sum(len(data) for _, data in script)
    assert meter.written == []  # listening sends nothing
    assert {fit.name for fit in report.fits} == {n for n, p in builtin_profiles().items() if p.text}


def test_sniffing_silence_and_garbage_fits_nothing(cable: Callable[..., Any], clock: Any) -> None:
    for script in ([], [(0.1 * i, b"\x80\x1b\x00\r\n") for i in range(30)]):
        report = sniff(cable(script), 4.0, clock)
        assert report.best is None
        assert report.last is None


def test_a_capture_replays_to_the_same_readings(cable: Callable[..., Any], clock: Any, tmp_path: Path) -> None:
    path = tmp_path / "bytes.jsonl"
    writer = CaptureWriter(path)
    script = [(0.25 * i, b"%d.5 uS/cm\r\n" % i) for i in range(10)]
    profile = builtin_profiles()["plain-number"]
    live = MeterLink("m", profile, clock=clock, opener=lambda *_: cable(script), tap=writer.tap)
    first = _values(live, clock)
    writer.close()
    began_s = clock.now_s
    again = MeterLink("c", profile, clock=clock, opener=lambda *_: ReplayTransport(read_capture(path), clock))
    second = _values(again, clock)
    assert [value for value, _ in first] == [value for value, _ in second] == [i + 0.5 for i in range(1, 10)]
    assert [at - began_s for _, at in second] == pytest.approx([0.25 * i for i in range(1, 10)])


def _values(link: MeterLink, clock: Any) -> list[tuple[float, float]]:
    end_s = clock.now_s + 2.3
    found: list[tuple[float, float]] = []
    while clock.now_s < end_s:
        items = [item for item in link.poll(0.2) if isinstance(item, Reading) and item.value is not None]
        found += [(item.value, item.monotonic_s) for item in items if item.value is not None]
    link.close()
    return found


def test_a_capture_is_not_overwritten_and_a_broken_one_names_its_line(tmp_path: Path) -> None:
    path = tmp_path / "bytes.jsonl"
    CaptureWriter(path).close()
    with pytest.raises(FileExistsError):
        CaptureWriter(path)
    for broken in ('{"t": 0, "hex": "3"}', '{"t": 0}', "12.5", '{"t": 0, "hex": "zz"}'):
        path.write_text('{"t": 0.0, "hex": "31"}\n' + broken + "\n", "ascii")
        with pytest.raises(WireError, match="line 2: no capture line"):
            list(read_capture(path))


def test_lasting_names_are_found_by_their_links(tmp_path: Path) -> None:
    device = tmp_path / "ttyUSB7"
    device.touch()
    (tmp_path / "by-id").mkdir()
    (tmp_path / "by-id" / "usb-adapter-0001").symlink_to(device)
    links = by_id_links(tmp_path / "by-id")
    assert links == {os.path.realpath(device): str(tmp_path / "by-id" / "usb-adapter-0001")}
    assert by_id_links(tmp_path / "none") == {}
    assert PortInfo("/dev/ttyUSB7", "/by-id/x", "").best_name == "/by-id/x"
    assert PortInfo("/dev/ttyUSB7", "", "").best_name == "/dev/ttyUSB7"


def test_listing_ports_works_on_this_machine() -> None:
    assert all(port.device for port in list_ports())
