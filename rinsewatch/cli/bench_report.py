"""Benchmark: scores added up to figures, figures to tables."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise

import numpy as np

from rinsewatch.cli.bench_score import Score

Figures = dict[str, float | int | None]
Scores = Sequence[Score]
CLASSES = ("mode", "residue", "meter", "faults", "resin", "endpoint", "water")
_BINS = (0.0, 0.01, 0.05, 0.2, 0.5, 0.8, 0.95, 0.99, 1.0)


def _percentile(values: Sequence[float], level: float) -> float | None:
    """Percentile that bears infinities; None of nothing."""
    if not values:
        return None
    ordered = sorted(values)
    return float(ordered[min(len(ordered) - 1, math.ceil(level / 100.0 * len(ordered)) - 1 if level else 0)])


def _share(flags: Sequence[bool]) -> float | None:
    return sum(flags) / len(flags) if flags else None


def figures(scores: Scores) -> Figures:
    """All figures of one estimator over a set of rinses (errors in portions, costs in microseconds).

    ``median``, ``p90``: over all checkpoints of all rinses; ``rinse_median``, ``rinse_p90``: over rinses, the
    checkpoints of each averaged first. The mean is the same either way.
    """
    near = [s for s in scores if s.reachable]
    far = [s for s in scores if not s.reachable and s.labels["floor"] == "above target"]
    errors = [e for s in near for e in s.errors]
    by_rinse = [float(np.mean(s.errors)) for s in near if s.errors]
    costs = [c for s in scores for c in s.cost_us]
    wastes = [s.waste for s in near if s.waste is not None]
    return {
        "rinses": len(near),
        "median": _percentile(errors, 50),
        "p90": _percentile(errors, 90),
        "mean": float(np.mean(errors)) if errors else None,
        "rinse_median": _percentile(by_rinse, 50),
        "rinse_p90": _percentile(by_rinse, 90),
        "unanswered": sum(s.unanswered for s in near) / len(errors) if errors else None,
        "coverage": _share([c for s in near for c in s.covered]),
        "width": _percentile([w for s in near for w in s.widths], 50),
        "pinball": _mean([p for s in near for p in s.pinball]),
        "false_stops": sum(s.false_stop for s in near),
        "false_at_once": sum(s.false_at_once for s in near),
        "never": sum(s.never for s in near),
        "waste_median": _percentile(wastes, 50),
        "waste_p90": _percentile(wastes, 90),
        "false_stalled": sum(s.false_stalled for s in near),
        "cost_median_us": _percentile(costs, 50),
        "cost_p99_us": _percentile(costs, 99),
    } | _out_of_reach(far)


def _mean(values: Sequence[float]) -> float | None:
    return float(np.mean(values)) if values else None


def _out_of_reach(far: Scores) -> Figures:
    """The rinses whose floor lies above the target; delays where the display lets that be seen."""
    delays = [s.stalled_after for s in far if s.stalled_after is not None and s.plateau_shown]
    hidden = [s.stalled_after for s in far if s.stalled_after is not None and not s.plateau_shown]
    return {
        "far_rinses": len(far),  # rinses that were merely not finished in time are in neither table
        "far_stopped": sum(s.stopped for s in far),
        "far_shown": len(delays),
        "far_stalled_in_3": sum(d <= 3.0 for d in delays),
        "far_hidden_stalled": sum(math.isfinite(d) for d in hidden),
        "far_delay_median": _percentile(delays, 50),
        "far_delay_p90": _percentile(delays, 90),
    }


# Column: heading, key, format.
_COLUMNS: tuple[tuple[str, str, str], ...] = (
    ("rinses", "rinses", "d"), ("median", "median", ".2f"), ("p90", "p90", ".2f"), ("mean", "mean", ".2f"),
    ("by rinse", "rinse_median", ".2f"), ("p90", "rinse_p90", ".2f"),
    ("no answer", "unanswered", ".1%"), ("coverage", "coverage", ".3f"), ("width", "width", ".2f"),
    ("pinball", "pinball", ".3f"), ("false stops", "false_stops", "d"), ("at once", "false_at_once", "d"),
    ("never", "never", "d"),
    ("waste", "waste_median", ".2f"), ("p90", "waste_p90", ".2f"), ("false stalled", "false_stalled", "d"),
    ("us", "cost_median_us", ".0f"), ("p99", "cost_p99_us", ".0f"),
)  # fmt: skip
_FAR: tuple[tuple[str, str, str], ...] = (
    ("rinses", "far_rinses", "d"), ("stopped", "far_stopped", "d"),
    ("display shows it", "far_shown", "d"), ("stalled within 3", "far_stalled_in_3", "d"),
    ("delay median", "far_delay_median", ".1f"), ("delay p90", "far_delay_p90", ".1f"),
    ("hidden, stalled", "far_hidden_stalled", "d"),
)  # fmt: skip


def _cell(value: float | int | None, shape: str) -> str:
    return "-" if value is None else format(value, shape)


def _table(title: str, rows: Mapping[str, Figures], columns: Sequence[tuple[str, str, str]]) -> str:
    wide = max([len(title), *(len(name) for name in rows)])
    heads = [f"{head:>{max(8, len(head) + 1)}}" for head, _, _ in columns]
    lines = [f"{title:<{wide}}" + "".join(heads)]
    for name, row in rows.items():
        shown = [_cell(row[key], shape) for _, key, shape in columns]
        cells = [f"{text:>{len(head)}}" for head, text in zip(heads, shown, strict=True)]
        lines.append(f"{name:<{wide}}" + "".join(cells))
    return "\n".join(lines)


def main_table(rows: Mapping[str, Figures]) -> str:
    """Reachable rinses: one line an estimator (or a class)."""
    return _table("errors in portions", rows, _COLUMNS)


def far_table(rows: Mapping[str, Figures]) -> str:
    """Rinses whose floor lies above the target."""
    return _table("target below the floor", rows, _FAR)


def by_class(scores: Scores) -> dict[str, Figures]:
    """Figures of one estimator for every class label."""
    out: dict[str, Figures] = {}
    for name in CLASSES:
        for value in sorted({s.labels[name] for s in scores}):
            out[f"{name} {value}"] = figures([s for s in scores if s.labels[name] == value])
    return out


def reliability(scores: Scores) -> list[tuple[float, float, int, float, float]]:
    """(bin low, high, count, mean chance announced, share that had reached) of ``chance_reached``."""
    pairs = [pair for s in scores for pair in s.chances]
    out = []
    for low, high in pairwise(_BINS):
        inside = [(c, hit) for c, hit in pairs if low <= c < high or (high == 1.0 and c == 1.0)]
        if inside:
            said = float(np.mean([c for c, _ in inside]))
            out.append((low, high, len(inside), said, float(np.mean([hit for _, hit in inside]))))
    return out


def reliability_table(scores: Scores) -> str:
    """Announced chance against frequency, as text."""
    lines = ["chance reached      count  announced  came true"]
    for low, high, count, said, true in reliability(scores):
        lines.append(f"{low:5.2f} .. {high:5.2f}  {count:9d}  {said:9.3f}  {true:9.3f}")
    return "\n".join(lines)


def worst(scores: Scores, count: int, key: Callable[[Score], float]) -> list[Score]:
    """The rinses to look at first."""
    return sorted(scores, key=key, reverse=True)[:count]
