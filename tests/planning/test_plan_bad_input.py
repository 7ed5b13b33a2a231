"""What cannot be is refused in one line that names it; what is unwise is said; cautions are always there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from rinsewatch.chemistry.resin import Range
from rinsewatch.errors import QuantityError
from rinsewatch.planning.endpoints import Waters
from rinsewatch.planning.plan import Separator, Wants, make_plan
from rinsewatch.planning.recipe import recipe_for_volume
from rinsewatch.planning.resins import Resins, mixed_resins
from rinsewatch.planning.section import Display, small, three, volume
from rinsewatch.planning.sections import CAUTIONS, plan_sections
from rinsewatch.planning.stock import Solute, Stock, Use, parse_stock

USUAL = Wants(
    resins=mixed_resins(500.0),
    waters=Waters(16.0, 0.0, 2.0),
    portion_ml=250.0,
    caustic=Stock(Solute.NAOH),
    acid=Stock(Solute.HCL, 30.0),
    separator=Separator.CAUSTIC,
)
PEN = Display("ppm", 0.5, 1.0)


def words_of(wants: Wants) -> str:
    sections = plan_sections(make_plan(wants), PEN)
    return "\n".join(line for one in sections for line in (one.title, *one.lines, *one.minds))


@pytest.mark.parametrize(
    ("text", "stock"),
    [
        ("NaOH", Stock(Solute.NAOH)),
        ("solid NaOH", Stock(Solute.NAOH)),
        (" naoh 50% ", Stock(Solute.NAOH, 50.0)),
        ("caustic potash 45 %", Stock(Solute.KOH, 45.0)),
        ("lye 32.5 %", Stock(Solute.NAOH, 32.5)),
        ("50 % NaOH", Stock(Solute.NAOH, 50.0)),
        ("NaOH 50% w/w", Stock(Solute.NAOH, 50.0)),
    ],
)
def test_caustics_at_hand(text: str, stock: Stock) -> None:
    assert parse_stock(text, Use.CAUSTIC) == stock


@pytest.mark.parametrize(
    ("text", "use", "words"),
    [
        ("HCl 45 %", Use.ACID, "45 % HCl does not exist"),
        ("HCl", Use.ACID, "give its strength"),
        ("HCl 0 %", Use.ACID, "more than 0"),
        ("HCl -5 %", Use.ACID, "more than 0"),
        ("NaOH 60 %", Use.CAUSTIC, "no longer a solution"),
        ("calcium hydroxide", Use.CAUSTIC, "cannot regenerate: only 1.7 g/L dissolves"),
        ("Ca(OH)2", Use.CAUSTIC, "cannot regenerate"),
        ("slaked lime", Use.CAUSTIC, "cannot regenerate"),
        ("quicklime", Use.CAUSTIC, "cannot regenerate"),
        ("H2SO4", Use.ACID, "give its strength"),
        ("sulfuric acid 99 %", Use.ACID, "99 % H2SO4 does not exist"),
        ("battery acid 37 %", Use.CAUSTIC, "Never add strong acid to caustic"),
        ("HCl 30 %", Use.CAUSTIC, "Never add strong acid to caustic"),
        ("NaOH 50 %", Use.ACID, "Never add strong acid to caustic"),
        ("NaCl", Use.CAUSTIC, "NaCl is no caustic"),
        ("vinegar", Use.ACID, "not known"),
        ("30 %", Use.ACID, "cannot read"),
        ("", Use.ACID, "cannot read"),
    ],
)
def test_chemicals_that_cannot_do_it(text: str, use: Use, words: str) -> None:
    with pytest.raises(QuantityError, match=words.replace("(", r"\(")) as caught:
        parse_stock(text, use)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: mixed_resins(0.0), "more than 0"),
        (lambda: mixed_resins(-5.0), "more than 0"),
        (lambda: mixed_resins(500.0, 99.0), "no mixed bed"),
        (lambda: mixed_resins(500.0, cation_eq_l=Range(4.0, 4.0)), "more than such resin can have"),
        (lambda: mixed_resins(500.0, anion_eq_l=Range(1.0, 2.5)), "more than such resin can have"),
        (lambda: mixed_resins(500.0, anion_eq_l=Range(0.0, 0.0)), "no capacity"),
        (lambda: Resins(-1.0, 100.0), "no volume of resin"),
        (lambda: Resins(0.0, 0.0), "how much there is"),
        (lambda: Resins(float("nan"), 1.0), "no volume of resin"),
        (lambda: replace(USUAL, portion_ml=0.0), "--portion-ml"),
        (lambda: replace(USUAL, liquor_ml=-1.0), "--liquor-ml"),
        (lambda: replace(USUAL, resins=Resins(200.0, 300.0)), "nothing is to be separated"),
        (lambda: make_plan(replace(USUAL, temperature_c=80.0)), "temperature: 80 C"),
        (lambda: make_plan(replace(USUAL, temperature_c=-5.0)), "temperature: -5 C"),
        (lambda: make_plan(replace(USUAL, caustic_pct=60.0)), "more than dissolves"),
        (lambda: make_plan(replace(USUAL, acid_pct=35.0)), "not to be had from 30 % HCl"),
        (lambda: make_plan(replace(USUAL, dose=0.0)), "no dose"),
        (lambda: make_plan(replace(USUAL, acid=None)), "--acid"),
        (lambda: make_plan(replace(USUAL, caustic=None)), "--caustic"),
        (lambda: recipe_for_volume(Stock(Solute.NAOH), 15.0, 0.0, 20.0), "more than 0"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(call: Callable[[], object], words: str) -> None:
    with pytest.raises(QuantityError, match=words) as caught:
        call()
    assert "\n" not in str(caught.value)


def test_half_and_half_caustic_warns_of_crystals() -> None:
    fifty = replace(USUAL, caustic=Stock(Solute.NAOH, 50.0))
    assert "crystals below about 12-15 C" in words_of(fifty)
    assert "expect crystals" in words_of(replace(fifty, temperature_c=10.0))
    assert "crystals" not in words_of(replace(USUAL, caustic=Stock(Solute.NAOH, 30.0)))


@pytest.mark.parametrize(
    "wants",
    [
        USUAL,
        replace(USUAL, separator=Separator.BRINE),
        replace(USUAL, separator=Separator.NONE),
        replace(USUAL, caustic=Stock(Solute.KOH, 45.0)),
        replace(USUAL, resins=Resins(0.0, 300.0), separator=Separator.NONE, acid=None),
        replace(USUAL, resins=Resins(200.0, 0.0), separator=Separator.NONE, caustic=None),
        replace(USUAL, waters=Waters(0.0, 0.0, 2.0)),
        replace(USUAL, waters=Waters(2.0, 30.0, 2.0)),
        replace(USUAL, endpoint="value", endpoint_us_cm=12.0),
        replace(USUAL, endpoint="break-even", waters=Waters(0.0, 0.0, 2.0)),
        replace(USUAL, portion_ml=5.0),
    ],
)
def test_cautions_are_always_there(wants: Wants) -> None:
    said = words_of(wants)
    assert all(caution in said for caution in CAUTIONS)
    assert "licence" in said and "safety data sheets" in said and "not drinking water" in said
    assert said.isascii()


def test_steps_that_are_not_needed_are_left_out() -> None:
    anion_only = words_of(replace(USUAL, resins=Resins(0.0, 300.0), separator=Separator.NONE, acid=None))
    assert "Caustic for the anion resin" in anion_only
    assert not any(word in anion_only for word in ("Separation", "Acid for the cation", "Quick rinse"))
    apart = words_of(replace(USUAL, resins=Resins(200.0, 300.0), separator=Separator.NONE))
    assert "Quick rinse" not in apart and "Acid for the cation resin" in apart


def test_a_vessel_that_is_too_small_is_told() -> None:
    said = words_of(replace(USUAL, container_ml=1000.0))
    assert "separate in 2 runs of about 250 mL resin each" in said
    assert "take smaller portions" in words_of(replace(USUAL, container_ml=500.0))
    assert "your container" not in words_of(replace(USUAL, container_ml=2000.0))
    # 1.14 eq as 2 % are 2.76 L; 1.8 L of room over 200 mL of resin
    said = words_of(replace(USUAL, acid=Stock(Solute.H2SO4, 37.0), container_ml=2000.0))
    assert "H2SO4 liquor and resin need 2.96 L, your container has 2.00 L: pour it on in 2 parts" in said
    small_vessel = words_of(replace(USUAL, container_ml=220.0))
    assert "regenerate this resin in smaller lots" in small_vessel and "rinse the resin in smaller lots" in small_vessel


def test_an_odd_amount_of_liquor_is_asked_about() -> None:
    assert "is that right?" in words_of(replace(USUAL, liquor_ml=50_000.0))
    assert "is that right?" in words_of(replace(USUAL, liquor_ml=100.0))
    assert "is that right?" not in words_of(USUAL)


def test_waters_mixed_up_are_asked_about() -> None:
    said = words_of(replace(USUAL, waters=Waters(2.0, 30.0, 2.0)))
    assert "are the two mixed up?\n" in said
    assert "its water is not counted" in said
    assert "not counted" not in words_of(USUAL)


@pytest.mark.parametrize("text", ["sulfuric acid 37 %", "battery acid 37%", "37 % h2so4", "Sulphuric acid 37 %"])
def test_sulfuric_acid_at_hand(text: str) -> None:
    assert parse_stock(text, Use.ACID) == Stock(Solute.H2SO4, 37.0)


def test_sulfuric_acid_is_warned_about_even_where_nobody_named_it() -> None:
    assert "Not sulfuric acid" in words_of(USUAL)
    named = words_of(replace(USUAL, acid=Stock(Solute.H2SO4, 37.0)))
    assert "Not sulfuric acid" not in named
    assert "leaves calcium sulfate (gypsum) in the bed" in named and "20 min at most" in named
    assert "boils and spits" not in named
    assert "boils and spits" in words_of(replace(USUAL, acid=Stock(Solute.H2SO4, 96.0)))


def test_never_acid_on_resin_wet_with_caustic() -> None:
    assert "Never pour acid on resin that is still wet with caustic" in words_of(USUAL)
    brine = words_of(replace(USUAL, separator=Separator.BRINE))
    assert "Never pour acid on resin" not in brine
    assert "Quick rinse of the anion resin, before the caustic" in brine and "works against it" in brine
    assert "before the caustic" not in words_of(USUAL), "the anion resin stays in its liquor"


def test_readings_are_shown_as_the_meter_shows_them() -> None:
    assert PEN.reading(16.0) == "8 ppm"
    assert PEN.reading(0.0) == "0 ppm"
    assert PEN.reading(1.0) == "below 1 ppm"
    assert Display("uS/cm", 0.5, 0.1).reading(12.34) == "12.3 uS/cm"


def test_figures_for_people() -> None:
    assert [volume(v) for v in (5.25, 250.0, 1000.0, 12345.0, None)] == ["5.25 mL", "250 mL", "1.00 L", "12.3 L", "-"]
    assert [three(v) for v in (0.0, 0.0123, 1.5, 1959.4)] == ["0", "0.0123", "1.50", "1960"]
    assert [small(v, 2) for v in (0.001, 0.5, None)] == ["<0.01", "0.500", "-"]
