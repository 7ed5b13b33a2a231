"""A rinse whose readings are typed: what they are taken for, and what they are not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from test_session_live import PORTIONS, make_desk

from rinsewatch.quantities import Quantity
from rinsewatch.session.commands import Answer, CheckMeter, Pour, TakeFeed, Typed
from rinsewatch_drivers.clock import SystemClock
from rinsewatch_drivers.hand import parse_hand


def test_the_filtrate_typed_by_hand_is_no_check(tmp_path: Path) -> None:
    """Who types readings has typed the filtrate's last: what the known water reads is typed with the check."""
    desk = make_desk(tmp_path, by_hand=True)
    desk.take(Typed(parse_hand("11 ppm", clock=SystemClock())), 1.0)
    desk.take(CheckMeter(Quantity(9.0, "ppm")), 2.0)
    assert "what did the meter read in that water" in desk.live.snapshot().message
    desk.take(Pour(), 10.0)  # a portion after it does not make it the known water's
    desk.take(CheckMeter(Quantity(9.0, "ppm")), 20.0)
    assert desk.events() == ["portion"] and "9 ppm, read ... ppm" in desk.live.snapshot().message
    desk.take(CheckMeter(Quantity(9.0, "ppm"), Quantity(9.0, "ppm")), 21.0)
    assert desk.events() == ["portion", "note: known = 9 ppm, read 9 ppm"]
    desk.logbook.close()


def test_a_typed_reading_that_was_the_feed_water_is_no_filtrate(tmp_path: Path) -> None:
    """It stays in the record, struck out, and the feed is what it says."""
    desk = make_desk(tmp_path, by_hand=True)
    desk.take(Pour(), 0.0)
    desk.take(Typed(parse_hand("412 ppm", clock=SystemClock())), 10.0)
    desk.take(Typed(parse_hand("11 ppm", clock=SystemClock())), 20.0)
    desk.take(TakeFeed(), 30.0)
    desk.take(Answer(True), 31.0)
    assert desk.events() == ["portion", "note: struck row 3 (11 ppm)", "note: feed = 11 ppm"]
    desk.logbook.close()


def test_a_typed_reading_beyond_the_meters_range_is_not_counted(tmp_path: Path) -> None:
    desk = make_desk(tmp_path, by_hand=True, setup=replace(PORTIONS, top_us_cm=19_980.0))
    desk.take(Pour(), 0.0)
    desk.take(Typed(parse_hand("99999 ppm", clock=SystemClock())), 10.0)
    assert "more than the meter can show" in desk.live.snapshot().message
    desk.take(Typed(parse_hand("9990 ppm", clock=SystemClock())), 20.0)
    assert desk.live.snapshot().message == "", "what was refused before is no longer said"
    assert [row.reading for row in desk.onlooker.rows if row.has_reading] == [9990.0]
    desk.logbook.close()
