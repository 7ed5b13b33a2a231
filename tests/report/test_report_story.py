"""What a report says of a rinse is what the core said, row by row."""

from __future__ import annotations

from pathlib import Path

import pages
import pytest

from rinsewatch.logbook.csvfile import read_recording
from rinsewatch.logbook.settings import setup_from_settings
from rinsewatch.report.document import Facts, Grid, Words
from rinsewatch.report.numbers import chance, clock, litres, number, percent, still, utc_minute
from rinsewatch.report.story import BAND_POINTS, tell
from rinsewatch.report.thin import thinned
from rinsewatch.rinse.monitor import Rinse
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.state import Remaining, Verdict


def _facts(document: object, title: str) -> dict[str, str]:
    found = [b for b in document.blocks if isinstance(b, Facts) and b.title == title]  # type: ignore[attr-defined]
    return dict(found[0].rows)


def _grid(document: object, title: str) -> Grid:
    found = [b for b in document.blocks if isinstance(b, Grid) and b.title == title]  # type: ignore[attr-defined]
    return found[0]


def test_the_bands_are_the_cores_own_as_they_stood() -> None:
    recording, story = read_recording(pages.DEMO, {}), pages.story_of(pages.DEMO)
    core, rows = Rinse(setup_from_settings(recording.settings)), list(recording.rows)
    assert [moment.state.rinse_ml for moment in story.moments] == [1200.0, 2400.0, 3600.0]  # of 4800 mL
    for row, after in zip(rows, [*rows[1:], rows[-1]], strict=True):
        state = core.observe(row)
        for moment in story.moments:
            if (row.rinse_ml or 0.0) <= moment.state.rinse_ml < (after.rinse_ml or 0.0):
                assert moment.state == state
                assert moment.band == tuple(core.forecast_band(BAND_POINTS))
    assert story.last == core.state


def test_portions_verdict_water_and_settings_of_the_demo() -> None:
    story, document = pages.story_of(pages.DEMO), pages.demo_document()
    portions = _grid(document, "Portions")
    assert len(portions.rows) == len(story.steps) == 16
    assert portions.rows[9][1:5] == ("300 mL", "3.00 L", "0:19:37", "240 ppm")
    assert [row[7] for row in portions.rows] == ["rinse"] * 15 + ["stop"]
    water = _facts(document, "Water")
    assert water["Rinse water used"] == "4.80 L, 9.60 resin volumes"
    assert "12 resin volumes" in water["Against a usual practice"] and "no source" in water["Against a usual practice"]
    assert water["Saved against that"] == "1.20 L"  # 12 x 500 mL - 4800 mL
    settings = _facts(document, "Settings")
    assert settings["Feed water"] == "11 ppm" and settings["Resin, mL"] == "500"
    assert "invented" in document.summary[-1]


def test_a_rough_rinse_shows_faults_events_and_what_was_taken_back(tmp_path: Path) -> None:
    path = pages.rough(tmp_path)
    story, document = pages.story_of(path), pages.document_of(path)
    assert story.readings.struck == [(750.0, 80.0)]  # 40 ppm at 0.5
    assert all(us_cm != 80.0 for _, us_cm in story.readings.good + story.readings.bad)
    assert [step.state.rinse_ml for step in story.steps] == [250.0, 500.0, 750.0, 1000.0]  # the undone one is gone
    faults = _grid(document, "Readings not believed, and faults of the meter")
    assert "zero like a probe in air" in " ".join(row[3] for row in faults.rows)
    assert faults.rows[-1] == ("0:07:10", "1.00 L", "", "meter silent for 12 s")
    events = [row[2] for row in _grid(document, "Events and notes").rows]
    assert "a portion was taken back" in events and "pause" in events and "struck row 7 (40 ppm)" in events
    assert _facts(document, "Water")["Saved against that"].startswith("not to be said")
    assert "meter" not in " ".join(events)  # a fault stands in its own table only


def test_a_rinse_without_a_trusted_reading_says_what_is_not_known(tmp_path: Path) -> None:
    path = tmp_path / "over.csv"
    head = '# resin_ml = 500\n# portion_ml = 250\n# residue = "NaOH"\n# endpoint = "12 uS/cm"\n'
    path.write_text(f"{head}time_s,reading,unit,temperature_c,rinse_ml,event\n1,,,,250,portion\n60,over,ppm,,250,\n")
    document = pages.document_of(path)
    assert _facts(document, "Verdict")["Filtrate at the end, 5 to 95 %"] == "not known"
    given_up = next(b for b in document.blocks if isinstance(b, Words) and b.title == "Capacity given up")
    assert given_up.lines[0].startswith("Not known")


def test_plan_and_earlier_rinses_stand_beside_what_came(tmp_path: Path) -> None:
    path = tmp_path / "known.csv"
    known = (
        "# planned_portions = 14\n# planned_portions_low = 9\n# planned_portions_high = 23\n# planned_ml = 4200\n"
        '# resin = "blue"\n# earlier_rinses = 3\n# earlier_entrained = [0.45, 0.15]\n'
    )
    path.write_text(known + pages.DEMO.read_text("utf-8"), "utf-8")
    document = pages.document_of(path)
    assert _facts(document, "Water")["Planned before"] == "14 (9 to 23) portions, 4.20 L for a usual bed"
    assert _facts(document, "Verdict")["The forecast began with"].startswith("3 earlier rinses of blue: entrained")
    assert not [name for name in _facts(document, "Settings") if "planned" in name or "earlier" in name]
    bare = pages.story_of(pages.DEMO)
    assert pages.story_of(path).moments[0].band != bare.moments[0].band  # it did begin elsewhere


def test_nothing_to_tell_without_rows() -> None:
    assert tell([], setup_from_settings(read_recording(pages.DEMO, {}).settings)) is None


def test_a_flow_is_told_in_twelve_steps() -> None:
    settings = {"resin_ml": 500, "flow_ml_min": 60, "residue": "HCl", "endpoint": "12 uS/cm", "tds_factor": 0.5}
    rows = [Row(float(s), None, Mark.VALUE, round(9000.0 * 0.99**s + 1.0), "ppm", 0) for s in range(600)]
    story = tell(rows, setup_from_settings(settings))
    assert story is not None and len(story.steps) == 12
    assert sum(step.poured_ml for step in story.steps) == pytest.approx(599.0)  # 60 mL/min for 599 s
    assert [round(m.state.rinse_ml) for m in story.moments] == [149, 299, 449]


def test_every_verdict_and_cause_has_words() -> None:
    from rinsewatch.report.rinsewords import VERDICT_WORDS, cause_words
    from rinsewatch.rinse.gate import Cause

    assert set(VERDICT_WORDS) == set(Verdict)
    for cause in Cause:
        assert " " in cause_words(cause.value, flow=False)


def test_numbers_as_people_write_them() -> None:
    assert [number(v) for v in (47123.0, 450.4, 22.0, 0.67248, 0.0, -3.14159)] == [
        "47100", "450", "22.0", "0.672", "0", "-3.14",
    ]  # fmt: skip
    assert number(float("nan")) == number(float("inf")) == "unknown"
    assert (litres(999.4), litres(1000.0), litres(-250.0)) == ("999 mL", "1.00 L", "-250 mL")
    assert (clock(3909.4), clock(0.0)) == ("1:05:09", "0:00:00")
    assert (percent(0.07), percent(0.003), percent(0.0)) == ("7 %", "0.3 %", "0 %")
    assert (chance(1.0), chance(0.0), chance(0.4)) == ("over 99 %", "under 1 %", "40 %")
    assert still(Remaining(1100.0, 1660.0, None)) == "1660 (1100 to no end known)"
    assert still(Remaining(1100.0, None, None)) == "at least 1100; perhaps never" and still(None) == "no target"
    assert utc_minute("2026-06-01T12:00:00+02:00") == "2026-06-01 10:00 UTC" and utc_minute("once") == "once"


def test_thinning_keeps_ends_and_extremes_and_the_order() -> None:
    points = [(x / 100.0, float((x * 7919) % 1009)) for x in range(100_000)]
    kept = thinned(points, 100)
    assert len(kept) <= 400 and kept[0] == points[0] and kept[-1] == points[-1]
    assert max(y for _, y in kept) == 1008.0 and min(y for _, y in kept) == 0.0
    assert kept == sorted(kept)
    assert thinned(points[:400], 100) == points[:400]
    assert len(thinned([(1.0, y) for _, y in points], 100)) <= 4
