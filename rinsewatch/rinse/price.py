"""What stopping now would cost, beside what the next portion costs: both in litres of deionized water.

Residue left behind uses up the opposite resin one for one; a litre of feed water uses up its load. See
``chemistry.breakeven`` for the rule and its derivation: pour while the next filtrate carries more than the feed.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np

from rinsewatch.chemistry.breakeven import paying_filtrate_us_cm, price_l
from rinsewatch.chemistry.load import feed_load_eq_l
from rinsewatch.errors import QuantityError
from rinsewatch.rinse.belief import Belief
from rinsewatch.rinse.forecast import weighted_quantiles
from rinsewatch.rinse.state import Interval, Price

_ENDS: Final = (0.05, 0.5, 0.95)
_ML_PER_L: Final = 1000.0


def price_now(belief: Belief, feed_us_cm: float | None) -> Price | None:
    """The price of stopping here, None while the feed is not known or loads no resin."""
    load_eq_l = _load_eq_l(belief, feed_us_cm)
    if not load_eq_l:
        return None
    left, volume_ml, rescued = belief.ahead()
    weights, per_l = belief.view.weights, price_l(_eq_per(belief), load_eq_l)
    ends = [per_l * value for value in weighted_quantiles(left, weights, _ENDS)]
    gain = per_l * weighted_quantiles(rescued, weights, (0.5,))[0]
    return Price(Interval(*ends), volume_ml / _ML_PER_L, gain)


def break_even_target_us_cm(belief: Belief, feed_us_cm: float | None) -> float | None:
    """The filtrate reading (meter scale) at which the next one carries no more than the feed; None if unknown."""
    if not _load_eq_l(belief, feed_us_cm) or feed_us_cm is None:
        return None
    pays = belief.scale.to_linear(paying_filtrate_us_cm(belief.setup.residue.value, feed_us_cm))
    ln_share = weighted_quantiles(belief.ln_next() - belief.view.ln_level, belief.view.weights, (0.5,))[0]
    level = np.full(belief.view.ln_level.size, pays / np.exp(min(ln_share, 0.0)))
    reading = weighted_quantiles(belief.population.water.reading(level), belief.view.weights, (0.5,))[0]
    return float(belief.scale.to_reading(reading))


def _load_eq_l(belief: Belief, feed_us_cm: float | None) -> float:
    return 0.0 if feed_us_cm is None else _load_of(feed_us_cm, belief.setup.residue.value)


@lru_cache(maxsize=16)
def _load_of(feed_us_cm: float, residue: str) -> float:
    try:
        return feed_load_eq_l(feed_us_cm, residue).middle
    except QuantityError:  # no feed water of a mixed bed: no price to give
        return 0.0


def _eq_per(belief: Belief) -> float:
    """Equivalents in a linear level of 1 uS/cm times 1 mL: level / (1000 lambda) eq/L, / 1000 mL/L."""
    return 1.0 / (1000.0 * belief.scale.limit_s_cm2_mol * _ML_PER_L)
