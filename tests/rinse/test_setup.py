"""What is known before the rinse, and what cannot be rinsed."""

from __future__ import annotations

from typing import Any

import pytest

from rinsewatch.errors import QuantityError, SetupError
from rinsewatch.rinse.setup import Endpoint, EndpointKind, Residue, RinseSetup


def _setup(**changes: Any) -> RinseSetup:
    settings: dict[str, Any] = {
        "resin_ml": 500.0,
        "residue": Residue.NAOH,
        "endpoint": Endpoint.parse("12 uS/cm", 0.5),
        "portion_ml": 250.0,
    }
    return RinseSetup(**(settings | changes))


@pytest.mark.parametrize(
    ("text", "kind", "value_us_cm"),
    [("feed", EndpointKind.FEED, None), (" Zero ", EndpointKind.ZERO, None),
     ("break-even", EndpointKind.BREAK_EVEN, None), ("12 uS/cm", EndpointKind.VALUE, 12.0),
     ("6 ppm", EndpointKind.VALUE, 12.0), ("0.02 mS/cm", EndpointKind.VALUE, 20.0)],
)  # fmt: skip
def test_endpoints(text: str, kind: EndpointKind, value_us_cm: float | None) -> None:
    endpoint = Endpoint.parse(text, 0.5)
    assert endpoint.kind is kind
    assert endpoint.value_us_cm == (None if value_us_cm is None else pytest.approx(value_us_cm))
    assert endpoint.text == text.strip().lower() or endpoint.text == text.strip()


def test_ppm_depends_on_the_scale() -> None:
    assert Endpoint.parse("7 ppm", 0.7).value_us_cm == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("text", "error", "words"),
    [("soon", SetupError, "choose feed, zero, break-even"), ("", SetupError, "choose feed"),
     ("12", QuantityError, "no unit"),
     ("-3 ppm", QuantityError, "negative"), ("0 ppm", SetupError, "choose 'zero'"),
     ("5 mL", QuantityError, "no unit of a reading")],
)  # fmt: skip
def test_no_endpoint(text: str, error: type[Exception], words: str) -> None:
    with pytest.raises(error, match=words) as caught:
        Endpoint.parse(text, 0.5)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "changes",
    [{}, {"portion_ml": None, "flow_ml_min": 100.0},
     {"endpoint": Endpoint.parse("feed", 0.5), "feed_us_cm": 18.0},
     {"endpoint": Endpoint.parse("zero", 0.5), "rinse_water_us_cm": 0.0}, {"top_us_cm": 2000.0},
     {"resolution_us_cm": 2.0}, {"tds_factor": 0.7}],
)  # fmt: skip
def test_rinses_that_can_be_done(changes: dict[str, Any]) -> None:
    setup = _setup(**changes)
    setup.check()
    assert setup.is_flow is (setup.flow_ml_min is not None)


@pytest.mark.parametrize(
    ("changes", "words"),
    [({"resin_ml": 0.0}, "--resin-ml: 0 must"), ({"resin_ml": -500.0}, "--resin-ml: -500"),
     ({"resin_ml": float("nan")}, "--resin-ml"), ({"resin_ml": float("inf")}, "--resin-ml"),
     ({"portion_ml": 0.0}, "--portion-ml"), ({"flow_ml_min": -1.0}, "--flow-ml-min"),
     ({"portion_ml": None}, "--portion-ml 250 or --flow-ml-min 100"), ({"flow_ml_min": 100.0}, "not both"),
     ({"feed_us_cm": -1.0}, "--feed: -1"), ({"rinse_water_us_cm": float("nan")}, "--rinse-water"),
     ({"tds_factor": 0.2}, "0.5, 0.64 and 0.7"), ({"tds_factor": 1.4}, "--tds-factor"),
     ({"top_us_cm": 0.0}, "--top"), ({"resolution_us_cm": -0.1}, "--resolution"),
     ({"top_us_cm": 10.0}, "above the meter's largest reading"),
     ({"top_us_cm": 12.0}, "above the meter's largest"),
     ({"resolution_us_cm": 25.0}, "below what the meter can show"),
     ({"endpoint": Endpoint.parse("feed", 0.5)}, "needs the feed water's reading"),
     ({"endpoint": Endpoint.parse("zero", 0.5)}, "needs the rinse water's reading")],
)  # fmt: skip
def test_rinses_that_cannot(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(SetupError, match=words) as caught:
        _setup(**changes).check()
    assert "\n" not in str(caught.value)
    assert caught.value.exit_code == 2


def test_break_even_needs_the_feed_water() -> None:
    with pytest.raises(SetupError, match="break-even needs the feed water's reading"):
        _setup(endpoint=Endpoint.parse("break-even", 0.5), feed_us_cm=None).check()
    _setup(endpoint=Endpoint.parse("break-even", 0.5), feed_us_cm=18.0).check()


def test_brackish_feed_is_refused() -> None:
    with pytest.raises(SetupError, match="brackish"):
        _setup(feed_us_cm=20_000.0).check()


def test_a_target_of_exactly_half_a_step_can_be_shown() -> None:
    _setup(resolution_us_cm=24.0).check()
