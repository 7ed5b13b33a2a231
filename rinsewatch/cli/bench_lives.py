"""Campaign on simulated lives: which cause is found, after how many cycles, and how often a healthy resin is accused.

``python -m rinsewatch.cli.bench_lives --lives 200 --seeds dev``. After each cycle of a life its findings are computed
anew, as a person would look. ``dev`` is for working; ``final`` only prints a last score.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field, replace

import numpy as np

from rinsewatch.cli.bench_lifeforecast import Crossing, crossings, forecast_lines
from rinsewatch.logbook.life.change import BEFORE, FROM_ON
from rinsewatch.logbook.life.findings import Kind
from rinsewatch.logbook.life.life import resin_life
from rinsewatch.logbook.life.records import (
    History,
    Indicator,
    Part,
    Regeneration,
    Resin,
    RinseSummary,
    ServiceRun,
)
from rinsewatch_sim.lives import CAUSES, Cycle, Life
from rinsewatch_sim.lives_draw import draw_life
from rinsewatch_sim.lives_rinse import Rinsed

SEEDS = {"dev": 1_000, "final": 7_000_000}
NAIVE_SHARE = 0.8  # what people do: doubt the resin as soon as one run gives less than 80 % of the first ones
ABLE_FROM = BEFORE + FROM_ON  # cycles before a finding can be
# The finding that names each cause.
NAMES = {
    "fouling": Kind.ANION_SIDE,
    "oxidation": Kind.CATION_SIDE,
    "feed": Kind.FEED_WORSE,
    "contamination": Kind.CROSS_CONTAMINATION,
    "indicator": Kind.INDICATOR_LOST,
}


@dataclass(frozen=True, slots=True)
class Options:
    """What the records hold: all, or what a person without rinse fits or without regenerations would have."""

    slow_shares: bool = True
    cycles: int = 18
    pace: float = 1.0
    scatter: float = 1.0


@dataclass(slots=True)
class Outcome:
    """One life: kinds found after each cycle, and whether the naive rule speaks there."""

    cause: str
    onset: int
    found: list[list[str]] = field(default_factory=list)
    naive: list[bool] = field(default_factory=list)
    crossings: list[Crossing] = field(default_factory=list)

    def first(self, kind: str) -> int | None:
        """First cycle after which this finding is there, from the onset on."""
        return next((i + 1 for i, kinds in enumerate(self.found) if kind in kinds and i + 1 >= self.onset), None)


def history_of(life: Life, options: Options = Options()) -> History:
    """A simulated life as the logbook would hand it over."""
    resin = Resin(name=life.name, resin_ml=life.habits.resin_ml, new=life.cycles[0].regenerated)
    rinses = [
        summary_of(cycle, part, rinsed, options.slow_shares)
        for cycle in life.cycles
        for part, rinsed in ((Part.ANION, cycle.anion), (Part.CATION, cycle.cation))
    ]
    doses = [
        Regeneration(cycle=c.number, on=c.regenerated, caustic_eq=c.caustic_eq, acid_eq=c.acid_eq) for c in life.cycles
    ]
    return History(resin=resin, runs=tuple(map(run_of, life.cycles)), rinses=tuple(rinses), regenerations=tuple(doses))


def run_of(cycle: Cycle) -> ServiceRun:
    """The service run of a simulated cycle."""
    return ServiceRun(
        cycle=cycle.number,
        litres=cycle.litres,
        installed=cycle.installed,
        removed=cycle.removed,
        feed_us_cm=cycle.feed_us_cm,
        change_us_cm=cycle.change_us_cm,
        indicator=Indicator(cycle.indicator),
    )


def summary_of(cycle: Cycle, part: Part, rinsed: Rinsed, slow_share: bool = True) -> RinseSummary:
    """The summary of one of a simulated cycle's two rinses."""
    return RinseSummary(
        cycle=cycle.number,
        part=part,
        on=cycle.regenerated,
        resin_ml=rinsed.resin_ml,
        residue=rinsed.residue,
        endpoint_ml=rinsed.endpoint_ml,
        slow_share=rinsed.slow_share if slow_share else None,
        floor_us_cm=rinsed.floor_us_cm,
        water_us_cm=rinsed.water_us_cm,
        feed_us_cm=rinsed.feed_us_cm,
    )


def until(history: History, cycle: int) -> History:
    """What was known when this cycle was over."""
    return replace(
        history,
        runs=tuple(r for r in history.runs if r.cycle <= cycle),
        rinses=tuple(r for r in history.rinses if r.cycle <= cycle),
        regenerations=tuple(r for r in history.regenerations if r.cycle <= cycle),
    )


def follow(life: Life, options: Options) -> Outcome:
    """Look at the life after every cycle."""
    history, harm = history_of(life, options), life.harm
    outcome = Outcome(harm.cause, harm.onset)
    for cycle in life.cycles:
        seen = resin_life(until(history, cycle.number))
        outcome.found.append([finding.kind.value for finding in seen.findings])
        outcome.crossings += crossings(life, cycle.number, seen.forecast)
    outcome.naive = _naive(history)
    return outcome


def _naive(history: History) -> list[bool]:
    """ "Below 80 % once": litres against the mean of the first three runs."""
    litres = [run.litres for run in history.runs]
    first = float(np.mean(litres[:3]))
    return [i >= 3 and amount < NAIVE_SHARE * first for i, amount in enumerate(litres)]


def run_one(task: tuple[int, str, Options]) -> Outcome:
    """Draw the life of this seed and cause, and follow it."""
    seed, cause, options = task
    rng = np.random.default_rng(seed)
    return follow(draw_life(rng, cause, options.cycles, options.pace, options.scatter), options)


# ---- score ----------------------------------------------------------------------------------------------------------


def within(outcomes: Iterable[Outcome], kind: str, cycles: int) -> tuple[int, int]:
    """How many lives have this finding within so many affected cycles, and of how many."""
    firsts = [(o.first(kind), o.onset) for o in outcomes]
    return sum(1 for first, onset in firsts if first is not None and first - onset + 1 <= cycles), len(firsts)


def healthy_looks(outcomes: Iterable[Outcome]) -> list[tuple[list[str], bool, list[str]]]:
    """Findings and naive verdict after each healthy cycle, and the findings after the cycle before."""
    looks = []
    for o in outcomes:
        for i, (kinds, naive) in enumerate(zip(o.found, o.naive, strict=True)):
            if i + 1 < o.onset:
                looks.append((kinds, naive, o.found[i - 1] if i else []))
    return looks


def report(outcomes: Sequence[Outcome]) -> list[str]:
    """The score in lines."""
    lines = [f"{'cause':<15} {'named by':<36} within 4  within 6      ever  median    within 4: capacity  naive"]
    by_cause = {cause: [o for o in outcomes if o.cause == cause] for cause in CAUSES}
    lines += [_cause_line(cause, mine) for cause, mine in by_cause.items() if cause in NAMES and mine]
    lines += ["", *_alarm_lines(outcomes), "", *_confusion(by_cause), ""]
    return lines + forecast_lines([c for o in outcomes for c in o.crossings])


def _cause_line(cause: str, mine: Sequence[Outcome]) -> str:
    kind = NAMES[cause].value
    (four, n), (six, _), (ever, _) = (within(mine, kind, cycles) for cycles in (4, 6, 999))
    took = [f - o.onset + 1 for o in mine if (f := o.first(kind)) is not None]
    naive = sum(any(o.naive[o.onset - 1 : o.onset + 3]) for o in mine)
    falling, _ = within(mine, Kind.CAPACITY_FALLING.value, 4)
    middle = f"{np.median(took):.0f} cycles" if took else "never"
    shares = "  ".join(f"{100 * k / n:6.1f} %" for k in (four, six, ever))
    return f"{cause:<15} {kind:<36} {shares}  {middle:<9} {100 * falling / n:6.1f} %  {100 * naive / n:6.1f} %"


def _alarm_lines(outcomes: Sequence[Outcome]) -> list[str]:
    looks = healthy_looks(outcomes)
    n = max(1, len(looks))
    able = sum(min(len(o.found), o.onset - 1) >= number for o in outcomes for number in range(ABLE_FROM, 99))
    cycles = sum(bool(kinds) for kinds, _, _ in looks)
    fresh = sum(bool(set(kinds) - set(before)) for kinds, _, before in looks)
    naive = sum(said for _, said, _ in looks)
    kinds = Counter(kind for found, _, _ in looks for kind in found)
    per = ", ".join(f"{kind} {100 * count / n:.2f}" for kind, count in kinds.most_common())
    return [
        f"false alarms per 100 healthy cycles, of {n}: {100 * cycles / n:.2f} cycles with one or more, "
        f"{100 * fresh / n:.2f} new ones; naive 'below 80 % once' {100 * naive / n:.2f}",
        f"  of the {able} from the sixth on, before which nothing can be said: {100 * cycles / max(1, able):.2f}",
        f"  by finding: {per or 'none'}",
    ]


def _confusion(by_cause: dict[str, list[Outcome]]) -> list[str]:
    """Which findings stand at the end of the lives of each cause, per cent of the lives."""
    kinds = [kind.value for kind in Kind]
    lines = ["findings standing six cycles after onset (healthy: at the end), % of lives"]
    for cause, mine in by_cause.items():
        if mine:
            ends = [o.found[min(len(o.found), o.onset + 5) - 1] for o in mine]
            shares = [(kind, 100 * sum(kind in end for end in ends) / len(mine)) for kind in kinds]
            lines.append(f"  {cause:<14} " + ", ".join(f"{kind} {share:.0f}" for kind, share in shares if share >= 0.5))
    return lines


def parsed(arguments: Sequence[str] | None = None) -> argparse.Namespace:
    """The command's options."""
    parser = argparse.ArgumentParser(prog="python -m rinsewatch.cli.bench_lives", description=__doc__)
    parser.add_argument("--lives", type=int, default=200, help="lives of each cause (default 200)")
    parser.add_argument("--seeds", choices=sorted(SEEDS), default="dev", help="final: only for a last score")
    parser.add_argument("--causes", default=",".join(CAUSES), help="comma-separated; default all")
    parser.add_argument("--no-slow", action="store_true", help="records without slow shares (rinses noted by hand)")
    parser.add_argument("--pace", type=float, default=1.0, help="how fast resins are harmed (0.5: half as fast)")
    parser.add_argument("--scatter", type=float, default=1.0, help="scatter of litres and rinses (2: twice the usual)")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--json", action="store_true", help="outcomes as JSON lines")
    return parser.parse_args(arguments)


def tasks_of(lives: int, seeds: str, causes: Sequence[str], options: Options) -> list[tuple[int, str, Options]]:
    """Seed, cause and options of each life; no two lives share a seed."""
    base = SEEDS[seeds]
    return [(base + lives * CAUSES.index(cause) + i, cause, options) for cause in causes for i in range(lives)]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the campaign and print its score."""
    given = parsed(arguments)
    causes = [c.strip() for c in given.causes.split(",")]
    if unknown := [c for c in causes if c not in CAUSES]:
        print(f"bench_lives: no cause {unknown[0]!r}; choose from {', '.join(CAUSES)}", file=sys.stderr)
        return 2
    options = Options(slow_shares=not given.no_slow, pace=given.pace, scatter=given.scatter)
    tasks = tasks_of(given.lives, given.seeds, causes, options)
    with ProcessPoolExecutor(given.jobs) as pool:
        outcomes = list(pool.map(run_one, tasks, chunksize=8))
    print("\n".join(json.dumps(asdict(o)) for o in outcomes) if given.json else "\n".join(report(outcomes)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
