"""How slow this machine is just now, so that a bound on time fails for dearer code and not for a busy host.

The same machine was seen to take 1.8 times as long from one second to the next; work and yardstick, measured side by
side, kept their ratio within 7 %.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from statistics import median

YARDSTICK_S = 0.0034
"""What :func:`yardstick` takes on a machine for which the bounds in seconds are written."""


def yardstick() -> None:
    """A fixed piece of plain Python: floats, a dictionary, small lists and text."""
    highest: dict[int, float] = {}
    words = []
    for i in range(4000):
        level = 7.0 * math.log10(i + 1.5)
        key = int(10.0 * level)
        highest[key] = max(highest.get(key, 0.0), level)
        words.append(f"{level:.1f}")
    " ".join(words).split()


def processor_s(work: Callable[[], object]) -> float:
    """Processor time of the work: what other programs do meanwhile is not in it."""
    begin_s = time.process_time()
    work()
    return time.process_time() - begin_s


def usual_s(work: Callable[[], object], times: int = 9) -> float:
    """Median processor time of the work, each in ratio to a yardstick before and after; in seconds of that machine."""
    ratios, before_s = [], processor_s(yardstick)
    for _ in range(times):
        taken_s = processor_s(work)
        after_s = processor_s(yardstick)
        ratios.append(2.0 * taken_s / (before_s + after_s))
        before_s = after_s
    return YARDSTICK_S * median(ratios)
