"""The target in uS/cm on the meter's scale, for each kind of endpoint."""

from __future__ import annotations

from typing import Final

from rinsewatch.rinse.setup import EndpointKind, RinseSetup

# "Reads like the rinse water": within half a display step, or a tenth where the display is finer than that.
LIKE_SHARE: Final = 0.1


def target_us_cm(setup: RinseSetup, step_us_cm: float) -> float | None:
    """Target on the meter's scale; ``step_us_cm`` is the display step near zero. None while not known.

    ``feed``: no higher than the feed water reads. ``zero``: reads like the rinse water. A display of 0
    stands for half a step.
    """
    kind = setup.endpoint.kind
    if kind is EndpointKind.VALUE:
        return setup.endpoint.value_us_cm
    if kind is EndpointKind.FEED:
        feed = setup.feed_us_cm
        return None if feed is None else max(feed, step_us_cm / 2)
    water = setup.rinse_water_us_cm
    if kind is EndpointKind.ZERO and water is not None:
        return water + max(step_us_cm / 2, LIKE_SHARE * water)
    return None
