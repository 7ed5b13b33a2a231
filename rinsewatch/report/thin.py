"""Fewer points for a drawing that looks the same: of those in one narrow strip the first, lowest, highest and last."""

from __future__ import annotations

from collections.abc import Sequence

Point = tuple[float, float]
STRIPS = 500  # about one printed dot each


def thinned(points: Sequence[Point], strips: int = STRIPS) -> list[Point]:
    """At most four points a strip of x, in order; all of them where they are few. ``points``: (x, y)."""
    if len(points) <= 4 * strips:
        return list(points)
    left, right = min(x for x, _ in points), max(x for x, _ in points)
    width = (right - left) / strips or 1.0
    found: dict[int, list[int]] = {}
    for at, (x, y) in enumerate(points):
        kept = found.setdefault(int((x - left) / width), [at, at, at, at])
        if y < points[kept[1]][1]:
            kept[1] = at
        if y > points[kept[2]][1]:
            kept[2] = at
        kept[3] = at
    return [points[at] for at in sorted({at for kept in found.values() for at in kept})]
