"""Break-even: the point past which a portion costs more water than the capacity it rescues will ever make.

Residue left in the bed, N = c_m V_m + c_s V_s equivalents, uses up the opposite resin one for one, and a litre
of feed water uses up c_load: N eq left are N / c_load litres never made. A portion of Vp litres removes dN. If it
is the bed's own product it has cost c_load Vp eq of such a bed to make, so it pays while dN > c_load Vp. What a
portion removes is its own filtrate, dN = c_next Vp: it pays while the filtrate it gives still carries more
equivalents per litre than the feed. Now the last portion left c in Ve mL of mobile liquid and the next dilutes
it to c Ve / (Ve + Vp), so one stops at c* = c_load (1 + Vp/Ve); in continuous flow (Vp to 0) at c_load.

Two things change the price, and scale c_load alike: rinse water from elsewhere (``water_price``: litres of the
bed's product that a litre of it is worth, 1 for the bed's own, 0.5 if it costs half), and the other resin. A
run ends when the first resin is used up: caustic wears the cation resin, acid the anion resin. A residue counts
in full (``weight`` 1) only if it wears the resin that gives out first. Where both give out together, rescuing one
without the other makes no water: the weights of the two rinses then sum to 1, and each break-even is higher. The
default is the careful side. Salt in the rinse water loads the resin that is being rinsed and is left out: for
deionized water it is small against the feed.
"""

from __future__ import annotations

from typing import overload

import numpy as np

from rinsewatch.chemistry.load import feed_load_eq_l, residue_us_cm
from rinsewatch.chemistry.monotone import Array
from rinsewatch.errors import QuantityError

Value = float | Array
_ML_PER_L = 1000.0


def left_eq(mobile_eq_l: Value, entrained_ml: Value, slow_eq_l: Value = 0.0, slow_ml: Value = 0.0) -> Value:
    """Residue still in the bed, eq: mobile liquid and slow liquid; numbers or arrays that broadcast.

    Error: QuantityError for anything negative or not a number.
    """
    _check(mobile=mobile_eq_l, entrained=entrained_ml, slow=slow_eq_l, slow_volume=slow_ml)
    return (mobile_eq_l * entrained_ml + slow_eq_l * slow_ml) / _ML_PER_L


def gain_eq(
    mobile_eq_l: Value,
    portion_ml: Value,
    entrained_ml: Value,
    slow_eq_l: Value = 0.0,
    slow_ml: Value = 0.0,
    leak_share: Value = 0.0,
) -> Value:
    """Equivalents the next portion takes out: its filtrate's concentration times its volume.

    ``mobile_eq_l``: mobile liquid before pouring (the drained filtrate's concentration); ``entrained_ml`` more than 0.
    While the portion stands, ``leak_share`` (0 none, 1 all) of the way to equilibrium between free and slow
    liquid is covered. Numbers or arrays that broadcast. Error: QuantityError for impossible values.
    """
    _check(mobile=mobile_eq_l, portion=portion_ml, slow=slow_eq_l, slow_volume=slow_ml, leak=leak_share)
    _check_positive("entrained liquid", entrained_ml)
    if np.any(np.asarray(leak_share) > 1.0):
        raise QuantityError("leak share: cannot be more than 1")
    free_ml = entrained_ml + portion_ml
    mixed_eq_l = mobile_eq_l * entrained_ml / free_ml
    even_eq_l = (mixed_eq_l * free_ml + slow_eq_l * slow_ml) / (free_ml + slow_ml)
    return (mixed_eq_l + leak_share * (even_eq_l - mixed_eq_l)) * portion_ml / _ML_PER_L


@overload
def price_l(eq: float, load_eq_l: float) -> float: ...
@overload
def price_l(eq: Array, load_eq_l: float) -> Array: ...
def price_l(eq: Value, load_eq_l: float) -> Value:
    """Litres of deionized water that ``eq`` of capacity would have made from feed of ``load_eq_l`` (more than 0).

    ``load_eq_l``: load.feed_load_eq_l(...).middle, or an end of it. Error: QuantityError.
    """
    _check(capacity=eq)
    _check_positive("feed load", load_eq_l)
    return eq / load_eq_l


def break_even_eq_l(
    load_eq_l: float, portion_ml: float, entrained_ml: float, water_price: float = 1.0, weight: float = 1.0
) -> float:
    """c* in eq/L of the drained filtrate, mobile residue alone; ``portion_ml`` 0 is continuous flow.

    ``water_price`` and ``weight`` (more than 0, at most 1): see the head of this module. Error: QuantityError.
    """
    _check(portion=portion_ml)
    for name, value in (("feed load", load_eq_l), ("entrained liquid", entrained_ml),
                        ("water price", water_price), ("weight", weight)):  # fmt: skip
        _check_positive(name, value)
    if weight > 1.0:
        raise QuantityError(f"weight: {weight:g} is more than the whole bed; at most 1")
    return load_eq_l * water_price / weight * (1.0 + portion_ml / entrained_ml)


def break_even_us_cm(
    residue: str,
    feed_us_cm: float,
    portion_ml: float,
    entrained_ml: float,
    *,
    water_price: float = 1.0,
    weight: float = 1.0,
) -> float:
    """Filtrate reading (true uS/cm, 25 C) below which the next portion no longer pays, mobile residue alone.

    About 2 (1 + Vp/Ve) times the feed reading for NaOH, 3.5 for HCl. The load taken is the middle of
    feed_load_eq_l for the resin this residue wears. ``portion_ml`` 0 is continuous flow. Slow liquid feeds the
    next filtrate, so beds that have much of it should go on well below this: gain_eq counts it, and
    paying_filtrate_us_cm needs no volumes. Error: QuantityError, also for a feed without any load.
    """
    load_eq_l = _load_eq_l(residue, feed_us_cm)
    return residue_us_cm(residue, break_even_eq_l(load_eq_l, portion_ml, entrained_ml, water_price, weight))


def paying_filtrate_us_cm(residue: str, feed_us_cm: float, *, water_price: float = 1.0, weight: float = 1.0) -> float:
    """Reading (true uS/cm, 25 C) that the filtrate of the next portion must exceed for that portion to pay.

    The rule with slow liquid and all, for whoever can foresee that filtrate: it carries the feed's load. Also the
    break-even of continuous flow. Error: QuantityError as break_even_us_cm.
    """
    load_eq_l = _load_eq_l(residue, feed_us_cm)
    return residue_us_cm(residue, break_even_eq_l(load_eq_l, 0.0, 1.0, water_price, weight))


def _load_eq_l(residue: str, feed_us_cm: float) -> float:
    load_eq_l = feed_load_eq_l(feed_us_cm, residue).middle
    if not load_eq_l > 0.0:
        raise QuantityError(f"feed: {feed_us_cm:g} uS/cm is pure water: nothing wears the bed, no break-even")
    return load_eq_l


def _check(**values: Value) -> None:
    for name, value in values.items():
        if not np.all(np.isfinite(value) & (np.asarray(value) >= 0.0)):
            raise QuantityError(f"{name.replace('_', ' ')}: must be a number and not negative")


def _check_positive(name: str, value: Value) -> None:
    if not np.all(np.isfinite(value) & (np.asarray(value) > 0.0)):
        raise QuantityError(f"{name}: must be a number above 0")
