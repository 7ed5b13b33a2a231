"""Is this reading the filtrate? Each rule on its own, with the expectation given."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest

from rinsewatch.rinse.gate import Assessment, Cause, Expectation, Gate
from rinsewatch.rinse.spans import Span
from rinsewatch.rinse.state import Quality

MID = Expectation(80.0, 125.0, True, True, False)
END = Expectation(0.0, 1.4, True, True, False)  # near zero on a coarse display: 0 is to be expected


def _span(us_cm: float, step: float = 1.0) -> Span:
    return Span(us_cm, max(us_cm - step / 2, 0.0), us_cm + step / 2, step)


def _over(top: float = 2000.0) -> Span:
    return Span(top, top, math.inf, 0.0)


def _each(
    gate: Gate, values: Sequence[float], expected: Expectation = MID, start_s: float = 0.0, place: float = 5.0
) -> list[Assessment]:
    """One reading a second."""
    return [gate.assess(_span(v), start_s + i, place, expected) for i, v in enumerate(values)]


def _good(assessments: Sequence[Assessment]) -> list[bool]:
    return [a.quality is Quality.GOOD for a in assessments]


def test_readings_within_the_forecast_are_trusted() -> None:
    """Good, no cause, no hold; they count as a run."""
    gate = Gate()
    assert all(_good(_each(gate, [100.0, 99.0, 98.0])))
    assert gate.held is Cause.NONE and gate.good_run == 3


@pytest.mark.parametrize("step", [0.01, 1.0, 10.0])
def test_zero_in_mid_rinse_is_a_dry_probe_on_any_display(step: float) -> None:
    """0 where the washout cannot be yet: never good, however long it lasts, coarse and fine displays alike."""
    gate = Gate()
    _each(gate, [100.0] * 3)
    found = [gate.assess(_span(0.0, step), 3.0 + i, 5.0, MID) for i in range(300)]
    assert not any(_good(found))
    assert {a.cause for a in found} == {Cause.DRY} and gate.held is Cause.DRY
    assert gate.held_for_s(303.0) >= 299.0 and gate.good_run == 0


def test_zero_at_the_end_of_a_coarse_display_is_legitimate() -> None:
    """Whole ppm: 0 is what success looks like where the forecast allows it."""
    gate = Gate()
    assert all(_good(_each(gate, [1.0, 1.0, 0.0, 0.0, 0.0], END)))
    assert gate.held is Cause.NONE


def test_zero_on_a_display_finer_than_pure_water_is_air_even_at_the_end() -> None:
    """Pure water conducts 0.055 uS/cm (Light et al. 2005): a display with steps of 0.05 shows 0 only in air."""
    assert Gate().assess(_span(0.0, 0.05), 0.0, 5.0, END).cause is Cause.DRY
    assert Gate().assess(_span(0.0, 0.5), 0.0, 5.0, END).cause is Cause.NONE


def test_zero_before_anything_was_read_is_a_dry_probe() -> None:
    """The meter is switched on before the first portion: 0 is no rinse water."""
    gate = Gate()
    found = gate.assess(_span(0.0), 0.0, 0.0, Expectation(0.0, 1e6, False, False, False))
    assert found.cause is Cause.DRY and found.quality is not Quality.GOOD


def test_bubble_is_kept_out_and_forgiven() -> None:
    """Low for a moment: held while it lasts, trusted again with the readings that follow."""
    gate = Gate()
    _each(gate, [100.0] * 3)
    assert not any(_good(_each(gate, [5.0, 6.0, 5.0], start_s=3.0)))
    after = _good(_each(gate, [99.0] * 4, start_s=6.0))
    assert after[-1] and gate.held is Cause.NONE


@pytest.mark.parametrize("value", [3.0, 0.5, 30.0])
def test_probe_in_another_vessel_stays_latched(value: float) -> None:
    """Clean water read for ten minutes, drifting a little: no number of such readings becomes the rinse."""
    gate = Gate()
    _each(gate, [100.0] * 3)
    found = [gate.assess(_span(value + 0.01 * (i % 3)), 3.0 + i, 5.0 + i / 100.0, MID) for i in range(600)]
    assert not any(_good(found)) and gate.held is Cause.LOW


def test_confirmation_ends_the_hold_and_believes_what_follows() -> None:
    """The person looked: the probe is in the filtrate. The next reading is taken as news, not as a fault."""
    gate = Gate()
    _each(gate, [100.0] * 3)
    _each(gate, [30.0] * 5, start_s=3.0)
    gate.confirm()
    assert gate.held is Cause.NONE
    first = gate.assess(_span(30.0), 9.0, 5.0, MID)
    assert first.quality is Quality.GOOD and first.rejoined
    assert all(_good(_each(gate, [30.0] * 3, replace(MID, low_us_cm=25.0, high_us_cm=40.0), start_s=10.0)))


def test_confirmation_is_for_one_hold_only() -> None:
    """Once used up, another strange reading is questioned again."""
    gate = Gate()
    gate.confirm()
    _each(gate, [100.0] * 3)
    assert not any(_good(_each(gate, [0.0] * 3, start_s=3.0)))


@pytest.mark.parametrize("value", [4000.0, 200.0])
def test_spike_is_kept_out(value: float) -> None:
    """One splash: not good, no lasting hold, trust goes on after it."""
    gate = Gate()
    _each(gate, [100.0] * 3)
    spike = _each(gate, [value], start_s=3.0)[0]
    assert spike.quality is Quality.UNCERTAIN and spike.cause is Cause.HIGH
    assert all(_good(_each(gate, [99.0] * 3, start_s=4.0)))


def test_over_range_after_low_readings_is_a_spike_too() -> None:
    """A full-scale sample between two readings of 100."""
    gate = Gate()
    _each(gate, [100.0] * 3)
    assert gate.assess(_over(), 3.0, 5.0, MID).cause is Cause.HIGH


def test_probe_in_the_caustic_jar_stays_latched() -> None:
    """Steady and far above the forecast: no washout, whatever the time."""
    gate = Gate()
    _each(gate, [100.0] * 3)
    found = [gate.assess(_span(50_000.0 + 10 * (i % 2)), 3.0 + i, 5.0, MID) for i in range(300)]
    assert not any(_good(found)) and gate.held is Cause.HIGH


def test_high_readings_that_fall_as_a_washout_rejoin() -> None:
    """Fresh residue let loose: after some portions of steady decline the trend itself is the proof."""
    gate = Gate()
    _each(gate, [100.0] * 3)
    rejoined = None
    for portion in range(6):
        for i in range(60):
            found = gate.assess(_span(5000.0 * 0.6**portion), 3.0 + 60 * portion + i, 6.0 + portion, MID)
            if found.rejoined and rejoined is None:
                rejoined = portion
                assert found.quality is Quality.GOOD
    assert rejoined is not None and 1 <= rejoined <= 4


def test_low_readings_that_fall_portion_after_portion_rejoin() -> None:
    """Portions that were not logged: four places further down in steady decline prove a washout of its own."""
    gate = Gate()
    _each(gate, [100.0] * 3)
    rejoined = None
    for portion in range(8):
        for i in range(30):
            found = gate.assess(_span(50.0 * 0.7**portion, 0.1), 3.0 + 30 * portion + i, 6.0 + portion, MID)
            if found.rejoined and rejoined is None:
                rejoined = portion
    assert rejoined is not None and rejoined >= 3


def test_slow_drift_in_another_vessel_does_not_rejoin() -> None:
    """Feed water that drifts 1 % a portion is no washout."""
    gate = Gate()
    _each(gate, [100.0] * 3)
    for portion in range(12):
        for i in range(30):
            found = gate.assess(_span(3.0 * 0.99**portion, 0.01), 3.0 + 30 * portion + i, 6.0 + portion, MID)
            assert not found.rejoined and found.quality is not Quality.GOOD


def _frozen(travel_per_reading: float, readings: int, step: float = 1.0, settling: bool = False) -> list[Assessment]:
    gate = Gate()
    expected = [
        replace(MID, low_us_cm=20.0, high_us_cm=150.0, travel=travel_per_reading * i, settling=settling)
        for i in range(readings)
    ]
    return [gate.assess(_span(100.0, step), 30.0 * i, 5.0, e) for i, e in enumerate(expected)]


def test_frozen_display_is_found_when_it_must_have_moved() -> None:
    """The very same digits while the washout took half an e-fold off: not good any more."""
    found = _frozen(0.05, 12)
    assert _good(found)[0] and not _good(found)[-1] and found[-1].cause is Cause.FROZEN


def test_whoever_looked_is_not_asked_again_about_the_same_digits() -> None:
    """The display lives: it must have moved anew before it is called frozen; without the word it is asked on."""
    gate, still = Gate(), _span(100.0)
    for n in range(12):
        found = gate.assess(still, float(n), 5.0, replace(MID, travel=0.05 * n))
    assert found.cause is Cause.FROZEN
    assert not any(_good([gate.assess(still, 12.0 + n, 5.0, replace(MID, travel=0.6)) for n in range(30)]))
    gate.confirm()
    later = [gate.assess(still, 42.0 + n, 5.0, replace(MID, travel=0.6)) for n in range(30)]
    assert all(_good(later))
    further = [gate.assess(still, 72.0 + n, 5.0, replace(MID, travel=0.6 + 0.05 * n)) for n in range(12)]
    assert further[-1].cause is Cause.FROZEN


def test_frozen_is_not_cried_in_the_flat_tail() -> None:
    """600 equal readings where the forecast hardly moves (300 equal samples are normal in open measured decays)."""
    assert all(_good(_frozen(1e-4, 600)))


def test_coarse_display_may_stand_still_longer() -> None:
    """In steps of 50 at 100 a quarter of an e-fold shows nothing."""
    assert all(_good(_frozen(0.02, 12, step=50.0)))


def test_settling_portion_is_not_called_frozen() -> None:
    """Early in a portion the lag of cup and cell holds the display."""
    assert all(_good(_frozen(0.05, 12, settling=True)))


def test_a_new_portion_does_not_bring_the_same_digits_back() -> None:
    """Early in it nothing must have moved, and they stay frozen all the same; another digit is believed at once."""
    gate, still = Gate(), _span(100.0)
    wide = replace(MID, low_us_cm=20.0, high_us_cm=150.0)
    for n in range(12):
        found = gate.assess(still, float(n), 5.0, replace(wide, travel=0.05 * n))
    assert found.cause is Cause.FROZEN
    poured = replace(wide, travel=0.7, settling=True)
    assert {gate.assess(still, 12.0 + n, 6.0, poured).cause for n in range(30)} == {Cause.FROZEN}
    assert _good(_each(gate, [70.0, 70.0, 69.0], poured, 42.0, 6.0))[-1] and gate.held is Cause.NONE


def test_moving_digits_are_never_frozen() -> None:
    """One changed digit starts the count anew."""
    gate = Gate()
    for i in range(40):
        expected = replace(MID, low_us_cm=20.0, travel=0.05 * i)
        assert gate.assess(_span(100.0 - i), 10.0 * i, 5.0, expected).cause is not Cause.FROZEN


def test_early_low_in_a_portion_is_only_uncertain() -> None:
    """While pouring, fresh water may touch the probe: not used, but no alarm either."""
    gate = Gate()
    _each(gate, [100.0] * 3)
    found = gate.assess(_span(20.0), 3.0, 6.0, replace(MID, settling=True))
    assert found.quality is Quality.UNCERTAIN and gate.held is Cause.NONE


def test_lost_line_is_a_state_until_the_next_reading() -> None:
    """Silent after a fault row; the first reading ends it; the run of good readings starts anew."""
    gate = Gate()
    _each(gate, [100.0] * 3)
    gate.link_down()
    assert gate.silent and gate.good_run == 0
    _each(gate, [100.0])
    assert not gate.silent and gate.good_run == 1


def test_before_an_in_range_reading_high_is_no_fault() -> None:
    """The first reading may be anything above: usual beds are only usual."""
    gate = Gate()
    assert gate.assess(_span(90_000.0), 0.0, 0.0, replace(MID, known=False)).quality is Quality.GOOD
