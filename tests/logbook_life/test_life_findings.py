"""Findings: each cause by its own signs, none from too few cycles, and what a finding must say."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from math import log

import pytest

from rinsewatch.logbook.life.findings import Kind, Sureness
from rinsewatch.logbook.life.life import MOST_CYCLES, ResinLife, resin_life
from rinsewatch.logbook.life.records import (
    History,
    Indicator,
    Part,
    Regeneration,
    Resin,
    RinseSummary,
    ServiceRun,
)

# Scatter of +-5 % or so, fixed and without a trend.
WOBBLE = (0.03, -0.05, 0.01, 0.04, -0.02, -0.04, 0.05, 0.0, 0.02, -0.03, 0.04, -0.01)


def grown(cycle: int, since: int, rate: float) -> float:
    return 1.0 + rate * max(0, cycle - since + 1)


def bed(
    cycles: int = 10,
    *,
    since: int = 6,
    litres: float = 0.0,
    feed: float = 0.0,
    anion: float = 0.0,
    cation: float = 0.0,
    swelling: float = 0.0,
    floor: float = 0.0,
    caustic: float = 0.0,
    faded: bool = False,
    endpoint: str = "feed",
) -> History:
    """A bed of which figures grow by these shares a cycle from ``since`` on."""
    runs, rinses, doses = [], [], []
    for n in range(1, cycles + 1):
        noise = 1.0 + WOBBLE[n % 12]
        other = 1.0 + WOBBLE[(5 * n + 3) % 12]
        day = date(2024, 1, 1) + timedelta(days=30 * n)
        feed_us_cm = 20.0 * grown(n, since, feed)
        given = 2000.0 * noise * grown(n, since, litres) / grown(n, since, feed)
        colour = Indicator.FADED if faded and n >= since else Indicator.TURNED
        runs.append(
            ServiceRun(
                cycle=n, litres=given, installed=day, removed=day + timedelta(days=28), feed_us_cm=feed_us_cm,
                change_us_cm=2.0, indicator=colour,
            )
        )  # fmt: skip
        doses.append(Regeneration(cycle=n, on=day, caustic_eq=1.0 * grown(n, since, caustic), acid_eq=0.8))
        for part, rate, ml in ((Part.ANION, anion, 600.0), (Part.CATION, cation, 400.0)):
            volume = ml * (grown(n, since, swelling) if part is Part.CATION else 1.0)
            rinses.append(
                RinseSummary(
                    cycle=n, part=part, on=day, resin_ml=volume, residue="NaOH" if part is Part.ANION else "HCl",
                    endpoint=endpoint, endpoint_ml=12.0 * volume * other * grown(n, since, rate),
                    slow_share=0.06 * noise * grown(n, since, 2.0 * rate), water_us_cm=1.0, feed_us_cm=feed_us_cm,
                    floor_us_cm=1.5 * other * grown(n, since, floor),
                )
            )  # fmt: skip
    return History(
        resin=Resin(name="b", resin_ml=1000.0), runs=tuple(runs), rinses=tuple(rinses), regenerations=tuple(doses)
    )


def kinds(found: ResinLife) -> set[Kind]:
    return {finding.kind for finding in found.findings}


def test_a_steady_resin_has_no_findings_and_no_forecast() -> None:
    found = resin_life(bed(12))
    assert kinds(found) == set()
    assert "not identified" in found.forecast_sentence


@pytest.mark.parametrize(
    ("history", "expected"),
    [
        (bed(litres=-0.07), {Kind.CAPACITY_FALLING}),
        (bed(anion=0.08), {Kind.RINSE_LONGER, Kind.ANION_SIDE}),
        (bed(anion=0.08, litres=-0.07), {Kind.RINSE_LONGER, Kind.ANION_SIDE, Kind.CAPACITY_FALLING}),
        (bed(cation=0.08), {Kind.RINSE_LONGER, Kind.CATION_SIDE}),
        (bed(swelling=0.02), {Kind.CATION_SIDE}),
        (bed(feed=0.15), {Kind.FEED_WORSE}),
        (bed(floor=0.3), {Kind.CROSS_CONTAMINATION}),
        (bed(faded=True), {Kind.INDICATOR_LOST}),
        (bed(anion=0.08, cation=0.08), {Kind.RINSE_LONGER}),  # both sides: no side is named
        (bed(anion=0.08, floor=0.3), {Kind.RINSE_LONGER, Kind.CROSS_CONTAMINATION}),
        (bed(cation=0.08, floor=0.3), {Kind.RINSE_LONGER, Kind.CROSS_CONTAMINATION}),
        (bed(feed=0.15, litres=-0.1), {Kind.CAPACITY_FALLING}),  # the feed is not all of it
    ],
    ids=[
        "capacity", "anion", "anion+capacity", "cation", "swollen", "feed", "contamination", "indicator", "both",
        "anion+contamination", "cation+contamination", "feed+capacity",
    ],
)  # fmt: skip
def test_each_cause_by_its_own_signs(history: History, expected: set[Kind]) -> None:
    assert kinds(resin_life(history)) == expected


def test_a_better_feed_is_not_taken_for_a_resin_that_rinses_badly() -> None:
    better = bed(feed=-0.15, anion=0.01, cation=0.01)
    assert kinds(resin_life(better)) == set()


def test_a_rinse_to_a_lower_target_may_take_longer() -> None:
    """Tail falling by a factor e in 2.5 resin volumes; the same growth with the feed as it was is a finding."""
    plain = bed(12, feed=-0.09)
    longer = [2.5 * log(20.0 / r.feed_us_cm) if r.feed_us_cm else 0.0 for r in plain.rinses]
    rinses = [
        replace(r, endpoint_ml=r.resin_ml * (12.0 + more), slow_share=None, floor_us_cm=None)
        for r, more in zip(plain.rinses, longer, strict=True)
    ]
    same_feed = tuple(replace(r, feed_us_cm=20.0) for r in rinses)
    assert kinds(resin_life(History(resin=plain.resin, rinses=tuple(rinses)))) == set()
    assert kinds(resin_life(History(resin=plain.resin, rinses=same_feed))) == {Kind.RINSE_LONGER}


def test_carbon_dioxide_that_no_meter_shows_is_not_a_falling_capacity() -> None:
    """2 mg/L (0.045 meq/L) beside a feed that gets better: litres do not rise as the conductivity says they should."""
    plain = bed(12, feed=-0.09)
    salt_eq_l = [(run.feed_us_cm or 0.0) / 119_000.0 for run in plain.runs]
    runs = [
        replace(run, litres=0.4 / (salt + 4.5e-5) * (1.0 + WOBBLE[run.cycle % 12] / 4.0))
        for run, salt in zip(plain.runs, salt_eq_l, strict=True)
    ]
    assert kinds(resin_life(History(resin=plain.resin, runs=tuple(runs)))) == set()
    no_rise = [replace(run, litres=1800.0 * (1.0 + WOBBLE[run.cycle % 12] / 4.0)) for run in plain.runs]
    assert kinds(resin_life(History(resin=plain.resin, runs=tuple(no_rise)))) == {Kind.CAPACITY_FALLING}


def test_nothing_is_found_from_five_cycles_however_bad() -> None:
    bad = {"litres": -0.2, "anion": 0.5, "cation": 0.5, "floor": 1.0}
    found = resin_life(bed(5, since=3, **bad))  # type: ignore[arg-type]
    assert kinds(found) == set()
    assert any("findings need 3" in note for note in found.notes)
    assert kinds(resin_life(bed(7, since=4, **bad)))  # type: ignore[arg-type]


def test_a_finding_says_what_it_rests_on_and_how_sure_it_is() -> None:
    found = resin_life(bed(anion=0.08, litres=-0.07))
    for finding in found.findings:
        assert len(finding.cycles) >= 3 and finding.cycles[-1] == 10
        assert "cycles" in finding.rests_on and finding.how_sure.startswith(finding.sure)
        assert finding.sentence.endswith(".") and "\n" not in finding.sentence
    longer = next(f for f in found.findings if f.kind is Kind.RINSE_LONGER)
    assert longer.sure is Sureness.SURE and "resin volumes in cycles 1-" in longer.rests_on
    assert [f.chance for f in found.findings] == sorted(f.chance for f in found.findings)


def test_falling_capacity_after_less_regenerant_says_so() -> None:
    (finding,) = resin_life(bed(litres=-0.07, caustic=-0.1)).findings
    assert "given less caustic" in finding.sentence
    (finding,) = resin_life(bed(litres=-0.07)).findings
    assert "given less" not in finding.sentence


def test_colour_that_never_was_there_is_not_lost() -> None:
    assert kinds(resin_life(bed(faded=True, since=1))) == set()


def test_colour_and_capacity_both_gone_is_not_the_indicator() -> None:
    assert Kind.INDICATOR_LOST not in kinds(resin_life(bed(faded=True, litres=-0.08)))


def test_rinses_to_another_endpoint_are_not_compared() -> None:
    steady, other = bed(12, endpoint="feed"), bed(12, endpoint="zero", anion=0.5, since=1)
    early = tuple(r for r in other.rinses if r.cycle <= 6)
    late = tuple(r for r in steady.rinses if r.cycle > 6)
    mixed = History(resin=steady.resin, rinses=early + late)
    trend = next(t for t in resin_life(mixed).trends if t.name == "anion rinse")
    assert trend.trend.points == 6


def test_no_side_is_named_while_only_one_resins_rinses_are_known() -> None:
    full = bed(anion=0.1)
    half = History(resin=full.resin, runs=full.runs, rinses=tuple(r for r in full.rinses if r.part is Part.ANION))
    assert kinds(resin_life(half)) == {Kind.RINSE_LONGER}


def test_rinses_alone_and_nothing_at_all_are_answered() -> None:
    full = bed(anion=0.1)
    alone = resin_life(History(resin=full.resin, rinses=full.rinses))
    assert Kind.ANION_SIDE in kinds(alone) and alone.first_eq_l is None
    empty = resin_life(History(resin=full.resin))
    assert empty.cycles == () and empty.findings == () and "not identified" in empty.forecast_sentence


def test_very_long_lives_use_their_ends() -> None:
    found = resin_life(bed(200, since=150, litres=-0.01))
    assert len(found.cycles) == 200 and Kind.CAPACITY_FALLING in kinds(found)
    assert any(f"{MOST_CYCLES} in all" in note for note in found.notes)
