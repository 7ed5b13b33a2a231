"""Settings as typed or stored -> RinseSetup, and back."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rinsewatch.errors import QuantityError, SetupError
from rinsewatch.logbook.settings import (
    merge_settings,
    missing_settings,
    settings_from_setup,
    setup_from_settings,
)
from rinsewatch.rinse.setup import Endpoint, EndpointKind, Residue, RinseSetup

PORTIONS: dict[str, object] = {"resin_ml": 500, "portion_ml": 250, "residue": "NaOH", "endpoint": "12 uS/cm"}


def test_numbers_and_text_mean_the_same() -> None:
    text = {"resin_ml": "0.5 L", "portion_ml": "250", "residue": "naoh", "endpoint": "12 uS/cm"}
    assert setup_from_settings(text | {"tds_factor": "0.5"}) == setup_from_settings(PORTIONS)
    assert setup_from_settings(text) == setup_from_settings(PORTIONS)
    assert setup_from_settings(PORTIONS).portion_ml == 250.0


def test_readings_are_converted_with_the_meters_own_scale() -> None:
    setup = setup_from_settings(
        PORTIONS | {"tds_factor": 0.64, "feed": "9 ppm", "rinse_water": "0.6 uS/cm", "top": "9.99 ppt",
                    "resolution": "1 ppm", "endpoint": "feed", "meter": "plain-number", "batch": "B2"}
    )  # fmt: skip
    assert setup.feed_us_cm == pytest.approx(9 / 0.64)
    assert setup.top_us_cm == pytest.approx(9990 / 0.64)
    assert setup.resolution_us_cm == pytest.approx(1 / 0.64)
    assert setup.rinse_water_us_cm == 0.6
    assert setup.endpoint == Endpoint(EndpointKind.FEED, None, "feed")


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"feed": 9}, "--feed: '9' has no unit"),
        ({"endpoint": 12}, "endpoint: '12' has no unit"),
        ({"top": "999"}, "--top: '999' has no unit"),
        ({"resin_ml": -5}, "--resin-ml: '-5' must be more than 0"),
        ({"portion_ml": "250 ppm"}, "--portion-ml: ppm is no volume"),
        ({"residue": "sugar"}, "choose NaOH, HCl, salt"),
        ({"tds_factor": 5}, "--tds-factor: 5 is no TDS scale"),
        ({"tds_factor": "0.5 ppm"}, "--tds-factor"),
        ({"water_state": "old"}, "--water-state: 'old' is none; choose fresh (from its cartridge"),
        ({"water_state": True}, "--water-state: True is neither"),
        ({"resin_ml": True}, "--resin-ml: True is neither"),
        ({"endpoint": ["feed"]}, "--endpoint"),
        ({"flow_ml_min": 80}, "not both"),
        ({"endpoint": "feed"}, "--feed '9 ppm'"),
        ({"resolution": "1 mS/cm"}, "below what the meter can show"),
        ({"resin_ml": float("nan")}, "--resin-ml"),
    ],
)
def test_nonsense_is_refused_in_one_line(changed: dict[str, object], words: str) -> None:
    with pytest.raises((SetupError, QuantityError)) as caught:
        setup_from_settings(PORTIONS | changed)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_everything_missing_is_named_at_once() -> None:
    assert missing_settings({"residue": None, "resin_ml": 5}) == [
        "--residue NaOH", "--endpoint feed", "--portion-ml 250 or --flow-ml-min 100",
    ]  # fmt: skip
    assert missing_settings(PORTIONS) == []
    with pytest.raises(SetupError, match="still needed: --resin-ml 500, --residue NaOH"):
        setup_from_settings({})


def test_overrides_win_and_pouring_is_either_or() -> None:
    assert merge_settings(PORTIONS, {"flow_ml_min": 80, "feed": None}) == {
        "resin_ml": 500, "residue": "NaOH", "endpoint": "12 uS/cm", "flow_ml_min": 80,
    }  # fmt: skip
    assert merge_settings({"flow_ml_min": 80}, {"portion_ml": 250}) == {"portion_ml": 250}
    assert merge_settings({"portion_ml": 250}, {"portion_ml": 300})["portion_ml"] == 300
    both = merge_settings(PORTIONS, {"portion_ml": 250, "flow_ml_min": 80})
    with pytest.raises(SetupError, match="not both"):
        setup_from_settings(both)


POSITIVE = st.floats(1e-3, 1e6)
SHARES = st.floats(0.01, 5.0).map(lambda share: float(f"{share:.4g}"))  # as a record keeps them
SPREADS = st.floats(0.15, 2.0)


@given(
    st.builds(
        RinseSetup,
        resin_ml=POSITIVE,
        residue=st.sampled_from(Residue),
        endpoint=st.sampled_from(
            [Endpoint(EndpointKind.ZERO, None, "zero"), Endpoint(EndpointKind.VALUE, 12.0, "6 ppm"),
             Endpoint(EndpointKind.VALUE, 12.0, "12 uS/cm")]
        ),
        portion_ml=POSITIVE,
        feed_us_cm=st.none() | st.floats(1e-3, 1e4),
        rinse_water_us_cm=st.floats(0, 1e3),
        water_stood=st.none() | st.booleans(),
        earlier_entrained=st.none() | st.tuples(SHARES.map(math.log), SPREADS),
        earlier_slow=st.none() | st.tuples(SHARES.map(math.log), SPREADS),
    )
)  # fmt: skip
def test_a_setup_survives_as_settings(setup: RinseSetup) -> None:
    again = setup_from_settings(settings_from_setup(setup))
    assert replace(again, rinse_water_step_us_cm=None) == setup


@pytest.mark.parametrize("reading", ["0 ppm", "1 ppm", "0.6 uS/cm", "1.20 uS/cm", "2.5 ppm"])
def test_the_step_of_the_rinse_water_survives(reading: str) -> None:
    """How fine the display was when the rinse water was read is part of what the floor rests on."""
    told = {"resin_ml": 500, "residue": "NaOH", "portion_ml": 250, "endpoint": "zero", "rinse_water": reading}
    setup = setup_from_settings(told)
    assert setup.rinse_water_step_us_cm is not None
    assert setup_from_settings(settings_from_setup(setup)) == setup


def test_the_state_of_the_rinse_water_is_one_of_two_words() -> None:
    assert setup_from_settings(PORTIONS).water_stood is None
    assert setup_from_settings(PORTIONS | {"water_state": " Stood "}).water_stood is True
    assert setup_from_settings(PORTIONS | {"water_state": "fresh"}).water_stood is False


def test_an_endpoint_built_without_text_is_spelled_out() -> None:
    endpoint = Endpoint(EndpointKind.VALUE, 7.5)
    setup = RinseSetup(resin_ml=500.0, residue=Residue.HCL, flow_ml_min=80.0, endpoint=endpoint)
    settings = settings_from_setup(setup)
    assert settings["endpoint"] == "7.5 uS/cm"
    assert settings["resin_ml"] == 500 and isinstance(settings["resin_ml"], int)
