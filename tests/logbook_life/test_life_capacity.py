"""Equivalents, litres and operating capacity, against textbooks and handbooks; which cycles count."""

from __future__ import annotations

from datetime import date

import pytest

from rinsewatch.chemistry.resin import Range, ResinKind
from rinsewatch.errors import QuantityError
from rinsewatch.logbook.life.capacity import (
    cycle_figures,
    equivalents_removed,
    first_capacity,
    is_possible,
    operating_capacity_eq_l,
)
from rinsewatch.logbook.life.limit import MIXED_BED_LIMIT_EQ_L
from rinsewatch.logbook.life.records import History, Part, Regeneration, Resin, RinseSummary, ServiceRun

BED = Resin(name="bed", resin_ml=1000.0)
DAY = date(2024, 3, 1)


def runs(*litres: float, feed_us_cm: float | None = 20.0, change_us_cm: float | None = None) -> tuple[ServiceRun, ...]:
    return tuple(
        ServiceRun(cycle=i, litres=one, feed_us_cm=feed_us_cm, change_us_cm=change_us_cm)
        for i, one in enumerate(litres, 1)
    )


def test_home_softener_of_the_textbook() -> None:
    """Davis and Cornwell, Introduction to Environmental Engineering, ion exchange example (from memory).

    0.1 m3 of resin of 57 kg CaCO3 per m3, 2000 L a day, hardness 280 mg/L of which 69.64 % is passed through the
    resin: regenerate every 14.6 days. So much water taken back to capacity must give 57 kg per m3.
    """
    caco3_g_eq = 50.04
    litres = 0.6964 * 2000.0 * 14.6
    load_eq_l = 0.280 / caco3_g_eq
    capacity = operating_capacity_eq_l(Range(load_eq_l, load_eq_l).times(litres), 100_000.0)
    assert capacity.middle * caco3_g_eq == pytest.approx(57.0, rel=0.005)


def test_trade_unit_of_capacity() -> None:
    """1 eq/L is 21.8 kilograins CaCO3 per cubic foot (trade conversion, from memory); by units 28.317 L, 64.799 mg."""
    capacity = operating_capacity_eq_l(Range(28.317, 28.317), 28_317.0)
    assert capacity.middle * 50.04 * 28.317 / 64.799 == pytest.approx(21.8, rel=0.005)


def test_salt_water_of_the_handbook_holds_what_is_in_it() -> None:
    """CRC Handbook: 0.001 mol/L NaCl is 123.7 uS/cm. A cubic metre of it holds 1 eq."""
    removed = equivalents_removed(1000.0, 123.7)
    assert removed.low == pytest.approx(1.0, rel=0.02)
    assert removed.high > removed.low


def test_calcium_water_through_the_capacity_of_the_textbook() -> None:
    """2.0 eq/L of strong-acid resin (MWH Water Treatment, 3rd ed., problem 16-1): at 2 meq/L 1000 bed volumes."""
    bed_volumes = 2.0 / 0.002
    assert operating_capacity_eq_l(Range(0.002, 0.002).times(bed_volumes), 1000.0).middle == pytest.approx(2.0)


def test_a_mixed_bed_cannot_hold_more_than_its_weaker_half() -> None:
    """In the best ratio 1.4 eq/L anion (from memory) and 2.0 eq/L cation (Davis p. 8-5) hold the same."""
    share = MIXED_BED_LIMIT_EQ_L / 1.4
    assert pytest.approx((1.0 - share) * 2.0) == MIXED_BED_LIMIT_EQ_L
    assert is_possible(Range(0.4, 0.5)) and not is_possible(Range(0.9, 1.2))


def test_a_bed_of_one_resin_holds_more_and_a_cation_resin_does_not_feel_carbon_dioxide() -> None:
    """Strong-acid resin alone: up to 2.0 eq/L (Davis p. 8-5)."""
    alone = Resin(name="c", resin_ml=1000.0, kind=ResinKind.STRONG_ACID)
    (figures,) = cycle_figures(History(resin=alone, runs=runs(9000)))
    (mixed,) = cycle_figures(History(resin=BED, runs=runs(9000)))
    assert figures.counts and figures.capacity_eq_l is not None and 1.3 < figures.capacity_eq_l.low < 2.0
    assert not mixed.counts and mixed.capacity_eq_l is not None
    assert figures.capacity_eq_l.high < mixed.capacity_eq_l.high


def test_shares_are_of_the_first_cycles() -> None:
    figures = cycle_figures(History(resin=BED, runs=runs(2000, 2100, 1900, 2050, 1950, 1000)))
    assert first_capacity(figures) == figures[0].capacity_eq_l.middle if figures[0].capacity_eq_l else None
    assert [round(f.share, 3) for f in figures if f.share] == [1.0, 1.05, 0.95, 1.025, 0.975, 0.5]
    assert first_capacity(figures[:2]) is None


def test_cycles_that_do_not_count_say_why() -> None:
    usual = runs(2000, 2000, 2000, 2000, change_us_cm=2.0)
    odd = (
        ServiceRun(cycle=5, litres=900, feed_us_cm=20.0, change_us_cm=0.3),
        ServiceRun(cycle=6, litres=2000),
        ServiceRun(cycle=7, litres=20_000, feed_us_cm=20.0),
        ServiceRun(cycle=8, litres=2000, feed_us_cm=20_000.0),
    )
    dose = Regeneration(cycle=9, caustic_eq=1.0)
    figures = cycle_figures(History(resin=BED, runs=(*usual, *odd), regenerations=(dose, dose)))
    assert [f.counts for f in figures] == [True] * 4 + [False] * 5
    words = (
        "changed early, at 0.3 uS/cm",
        "feed reading missing",
        "above 0.82 eq/L",
        "no feed water",
        "no service run",
    )
    assert all(word in f.remark for word, f in zip(words, figures[4:], strict=True))
    assert figures[4].share is not None and figures[6].share is None
    assert figures[8].caustic_eq == 2.0


def test_a_missing_feed_is_taken_from_the_cycles_rinses() -> None:
    rinse = RinseSummary(cycle=1, part=Part.ANION, on=DAY, resin_ml=600, residue="NaOH", feed_us_cm=21.0)
    figures = cycle_figures(History(resin=BED, runs=runs(2000, feed_us_cm=None), rinses=(rinse,)))
    assert figures[0].feed_us_cm == 21.0 and figures[0].counts


def test_the_last_rinse_of_a_cycle_is_its_rinse() -> None:
    rinses = [
        RinseSummary(cycle=1, part=Part.ANION, on=date(2024, 3, day), resin_ml=600, residue="NaOH", endpoint_ml=ml)
        for day, ml in ((3, 9000.0), (2, 8000.0))
    ]
    (figures,) = cycle_figures(History(resin=BED, rinses=tuple(rinses)))
    assert figures.anion is not None and figures.anion.endpoint_ml == 9000.0 and figures.cation is None


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: ServiceRun(cycle=0, litres=1), "counted from 1"),
        (lambda: ServiceRun(cycle=1, litres=-3), "litres treated: -3 L cannot be"),
        (lambda: ServiceRun(cycle=1, litres=float("nan")), "litres treated"),
        (lambda: ServiceRun(cycle=1, litres=1, feed_us_cm=0.0), "feed reading"),
        (lambda: ServiceRun(cycle=1, litres=1, change_us_cm=-1.0), "reading at change"),
        (lambda: ServiceRun(cycle=3, litres=1, installed=DAY, removed=date(2024, 2, 1)), "cycle 3: removed"),
        (lambda: Resin(name="x", resin_ml=0), "resin volume"),
        (lambda: Resin(name="x", resin_ml=1, discard_share=70), "discard threshold"),
        (lambda: Regeneration(cycle=1, acid_eq=0), "acid"),
        (lambda: History(resin=BED, runs=runs(1, 2) + runs(3)), "cycle 1: two service runs"),
        (lambda: operating_capacity_eq_l(Range(1, 1), 0.0), "resin volume"),
    ],
)
def test_bad_records_are_refused_in_one_line(make: object, words: str) -> None:
    assert callable(make)
    with pytest.raises(QuantityError, match=words) as caught:
        make()
    assert "\n" not in str(caught.value)
