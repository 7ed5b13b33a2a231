"""Many rinses of the population at once against single ones, which they must agree with."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rinsewatch_sim import draw
from rinsewatch_sim.alike import READS_AT_MOST, Beds, beds, waters
from rinsewatch_sim.probe import meter_of
from rinsewatch_sim.simulate import flow_past_end, random_scenario, run
from rinsewatch_sim.stepper import demo_scenario


def test_many_beds_in_closed_form_are_the_single_bed() -> None:
    """Contact, drain and rest against the single bed's matrix exponential, portion after portion."""
    scenario = replace(demo_scenario(), slow_ratio=0.2, exchange_per_s=1e-3)
    single = scenario.bed()
    ones = np.ones(1)
    many = Beds(
        scenario.entrained_ml * ones,
        scenario.slow_ratio * scenario.resin_ml * ones,
        scenario.exchange_per_s * ones,
        0.4 * ones,
        scenario.start_mol_l * scenario.entrained_ml * ones,
        scenario.start_mol_l * scenario.slow_fill * scenario.slow_ratio * scenario.resin_ml * ones,
    )
    rises = []
    for _ in range(8):
        early, drained = many.portion(310.0 * ones, 0.07 * ones, 200.0, 600.0, 30.0)
        soaked = single.soak(310.0 * 0.93, 30.0) * 0.93
        single.soak(310.0 * 0.93, 50.0)
        out = single.drain(310.0 * 0.93) * 0.93
        single.rest(720.0)
        assert early[0] == pytest.approx(soaked, rel=1e-9)
        assert drained[0] == pytest.approx(out, rel=1e-9)
        rises.append(out / soaked)
    assert max(rises) > 1.02  # the slow liquid leaks while a portion stands: not the same number twice


def test_beds_fill_the_population_s_ranges() -> None:
    scenario = replace(demo_scenario(), resin_ml=1000.0)
    found = beds(scenario, 4000, np.random.default_rng(1))
    for values, (low, high) in (
        (found.entrained_ml / 1000.0, draw.ENTRAINED_RATIO),
        (found.contact_share, draw.CONTACT_SHARE),
        (found.mobile_mmol / found.entrained_ml, draw.STRENGTH_MOL_L[scenario.residue]),
    ):
        assert low <= values.min() < low + 0.05 * (high - low) and high - 0.05 * (high - low) < values.max() <= high
    aged = found.slow_ml / 1000.0 > draw.SLOW_RATIO[False][1]
    assert 0.25 < aged.mean() < 0.35
    assert found.exchange_per_s[aged].max() <= draw.EXCHANGE_PER_S[True][1]


@pytest.mark.parametrize("kind", ["pen-0.5", "fine"])
def test_waters_alike_show_the_same_on_the_meter(kind: str) -> None:
    scenario = random_scenario(np.random.default_rng(4), meter=meter_of(kind))
    found = waters(scenario, 200, np.random.default_rng(5))
    meter = scenario.meter
    shown = {meter.show(float(v)) for v in found.reading_us_cm(np.zeros(200), with_leak=False)}
    assert shown == {scenario.shown_rinse_water()}
    floors = found.reading_us_cm(np.zeros(200))
    share = scenario.target_us_cm / floors
    assert np.all((share < draw.NEAR_FLOOR[0]) | (share > draw.NEAR_FLOOR[1]))
    assert floors.max() > 1.05 * floors.min()  # and yet they differ


def test_a_fine_meter_s_zero_is_told_by_what_the_bench_leaves_out() -> None:
    """To zero with a fine meter the target is 1.1 times what it shows: of the floors in reach only those without a
    leak are drawn. Whoever does not know that must allow for the leak."""
    scenario = random_scenario(np.random.default_rng(4), meter=meter_of("fine"))
    shown = scenario.shown_us_cm(scenario.shown_rinse_water())
    zero = replace(scenario, endpoint="zero", target_us_cm=1.1 * shown)
    share = {
        any_target: zero.target_us_cm
        / waters(zero, 400, np.random.default_rng(5), any_target=any_target).reading_us_cm(np.zeros(400))
        for any_target in (False, True)
    }
    assert not np.any((share[False] > draw.NEAR_FLOOR[0]) & (share[False] < draw.NEAR_FLOOR[1]))
    assert np.mean((share[True] > draw.NEAR_FLOOR[0]) & (share[True] < draw.NEAR_FLOOR[1])) > 0.5


def test_no_water_reads_as_far_off_as_is_left_out() -> None:
    """None that could show the same is left undrawn: over all temperatures, gains and shares of carbonic acid."""
    rng = np.random.default_rng(8)
    read, true = [], []
    for _ in range(60):
        scenario = random_scenario(rng)
        read.append(scenario.rinse_water_scale_us_cm())
        true.append(scenario.rinse_us_cm)
    ratio = np.array(read) / np.array(true)
    assert ratio.min() > 0.5 * (1.0 + 1.0 / READS_AT_MOST) and ratio.max() < 0.5 * (1.0 + READS_AT_MOST)


def test_a_water_reads_what_its_single_rinse_reads() -> None:
    scenario = random_scenario(np.random.default_rng(6))
    found = waters(scenario, 1, np.random.default_rng(7), same_bench=True)
    mol_l = np.array([[0.0, 1e-6, 1e-4]])
    salt = found.salt_mol_l + found.leak_mol_l
    per_us_cm = scenario.background(0.0)[0] / (scenario.rinse_us_cm - scenario.co2_us_cm + scenario.leak_us_cm)
    like = replace(scenario, rinse_us_cm=float(salt[0] / per_us_cm), co2_us_cm=0.0, leak_us_cm=0.0)
    kappa = like.water_us_cm(mol_l[0], scenario.temperature_c, 0.0)
    alone = replace(found, co2_mol_l=np.zeros(1))
    expected = scenario.meter.scale_us_cm(kappa, scenario.temperature_c)
    assert alone.reading_us_cm(mol_l)[0] == pytest.approx(expected, rel=1e-6)


def test_a_flow_past_its_end_is_the_same_rinse_and_goes_on() -> None:
    scenario = replace(demo_scenario(flow=True), flow_pause=(1500.0, 3600.0))
    record = run(scenario, np.random.default_rng(2))
    read_ml, most_ml = float(record.knots_ml[-1]), 2.0 * float(record.knots_ml[-1])
    time_s, poured_ml, mol_l = flow_past_end(scenario, read_ml, most_ml)
    same = len(record.knots_ml)
    kappa = scenario.water_us_cm(mol_l[:same], scenario.temperature_c, 0.0)
    assert poured_ml[:same] == pytest.approx(record.knots_ml)
    assert scenario.meter.scale_us_cm(kappa, scenario.temperature_c) == pytest.approx(record.knots_us_cm, rel=1e-9)
    assert time_s[same - 1] == pytest.approx(record.rows[-1].time_s)
    assert most_ml <= poured_ml[-1] < most_ml + 0.006 * scenario.resin_ml
    assert np.all(np.diff(mol_l[same:]) <= 0.0) and mol_l[-1] < 0.1 * mol_l[same]
