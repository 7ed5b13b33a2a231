"""What the earlier rinses of a resin tell about its bed: how much liquid it holds, and how much of it leaves slowly.

The next rinse's forecast starts from these instead of from any bed's ranges.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, hypot, log
from statistics import median
from typing import Final

from rinsewatch.logbook.rinsesummary import EarlierRinse
from rinsewatch.logbook.settings import Settings, share_of

LATEST: Final = 8  # older rinses tell less: resin ages
# Of ln share; the core's own least ones: no bed is packed, drained and measured alike twice, and resin ages.
LEAST_ENTRAINED_SPREAD: Final = 0.15
LEAST_SLOW_SPREAD: Final = 0.30
# Of ln share, from rinse to rinse of one resin as estimated; stands for SUPPOSED_RINSES of one's own. On 30 simulated
# beds rinsed four times each: 0.11 and 0.26 in portions, 0.22 and 0.42 in flow.
USUAL_ENTRAINED_SPREAD: Final = 0.20
USUAL_SLOW_SPREAD: Final = 0.40
SUPPOSED_RINSES: Final = 3
_MAD_SIGMA: Final = 1.4826  # standard deviations in a median absolute deviation of a normal
_Z90: Final = 1.645  # 5 to 95 % of a normal


@dataclass(frozen=True, slots=True)
class Share:
    """A share of the resin's volume: its median, and the standard deviation of its natural log."""

    likely: float
    spread: float

    @property
    def words(self) -> str:
        """From 5 to 95 %: ``0.36-0.55``."""
        factor = exp(_Z90 * self.spread)
        return f"{self.likely / factor:.2g}-{self.likely * factor:.2g}"


@dataclass(frozen=True, slots=True)
class Learned:
    """What ``rinses`` earlier rinses say about the bed; a share is None where none of them has it."""

    rinses: int
    entrained: Share | None
    slow: Share | None

    def settings(self) -> dict[str, object]:
        """As a rinse's record keeps it, so that a replay starts from the same."""
        kept: dict[str, object] = {"earlier_rinses": self.rinses}
        for name, share in (("earlier_entrained", self.entrained), ("earlier_slow", self.slow)):
            if share is not None:
                kept[name] = [share.likely, share.spread]
        return kept


def learned_from(rinses: Sequence[EarlierRinse], *, is_flow: bool) -> Learned | None:
    """What these rinses of one resin and residue (oldest first) tell about the next; None: nothing.

    Only those that reached their endpoint count, since before it the shares are half guessed; and only those poured
    the same way, since a bed holds more liquid in flow than after draining.
    """
    telling = [one for one in rinses if one.figures.endpoint_ml is not None and one.is_flow in (None, is_flow)]
    telling = [one for one in telling if one.figures.entrained_share or one.figures.slow_share][-LATEST:]
    if not telling:
        return None
    entrained = [one.figures.entrained_share for one in telling]
    slow = [one.figures.slow_share for one in telling]
    return Learned(
        len(telling),
        _share(entrained, USUAL_ENTRAINED_SPREAD, LEAST_ENTRAINED_SPREAD),
        _share(slow, USUAL_SLOW_SPREAD, LEAST_SLOW_SPREAD),
    )


def _share(values: Sequence[float | None], usual_spread: float, least_spread: float) -> Share | None:
    """Median and spread of the next one. Few rinses say little of their spread: the usual one is mixed in."""
    logs = [log(value) for value in values if value]
    if not logs:
        return None
    centre = median(logs)
    own_spread = _MAD_SIGMA * median([abs(value - centre) for value in logs])
    own = len(logs) - 1
    variance = (SUPPOSED_RINSES * usual_spread**2 + own * own_spread**2) / (SUPPOSED_RINSES + own)
    spread = max(least_spread, hypot(variance**0.5, (variance / len(logs)) ** 0.5))
    return Share(float(f"{exp(centre):.4g}"), float(f"{spread:.3g}"))


def learned_in(settings: Settings) -> Learned | None:
    """What a rinse's settings say it started from; None: from any bed's ranges. Error: SetupError."""
    shares = [share_of(settings.get(name), name) for name in ("earlier_entrained", "earlier_slow")]
    found = [None if pair is None else Share(*pair) for pair in shares]
    count = settings.get("earlier_rinses")
    return Learned(count if isinstance(count, int) else 0, *found) if any(found) else None


def learned_words(learned: Learned, resin: str) -> str:
    """One line for people."""
    rinses = "1 earlier rinse" if learned.rinses == 1 else f"{learned.rinses or 'some'} earlier rinses"
    parts = [
        f"{name} {share.words}"
        for name, share in (("entrained", learned.entrained), ("slow share", learned.slow))
        if share is not None
    ]
    of = f" of {resin}" if resin else ""
    return f"forecast starts from {rinses}{of}: {', '.join(parts)} of the resin's volume (5-95 %)"
