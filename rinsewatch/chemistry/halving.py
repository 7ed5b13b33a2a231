"""Where a rising function crosses a value: plain halving, slow and sure."""

from __future__ import annotations

from collections.abc import Callable


def halved(low: float, high: float, too_low: Callable[[float], bool], rounds: int = 60) -> float:
    """The point between ``low`` and ``high`` at which ``too_low`` turns from true to false.

    60 rounds leave nothing but rounding; ``low`` may be the larger number where the function falls.
    """
    for _ in range(rounds):
        middle = (low + high) / 2.0
        if too_low(middle):
            low = middle
        else:
            high = middle
    return (low + high) / 2.0
