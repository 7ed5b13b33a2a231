"""Break-even by brute force: is the best moment to stop really where the rule says?

    python -m rinsewatch.cli.bench_breakeven --beds 400

A simulated bed is rinsed far too long. After each portion its next service run is simulated to exhaustion with
the residue it still holds, litres made are counted and the rinse water spent is taken off: the stop with the most
is the best. Rules are then asked where they would have stopped, some with the simulator's own truth, some with
readings only. Controls are rules known to be wrong; the check must find them out. The beds are invented.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass

import click
import numpy as np

from rinsewatch.chemistry.breakeven import break_even_eq_l, break_even_us_cm, gain_eq, paying_filtrate_us_cm
from rinsewatch.chemistry.resin import ENTRAINED_SHARE
from rinsewatch.rinse.monitor import Rinse
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint, Residue, RinseSetup
from rinsewatch_sim.column import Bed, Exchange
from rinsewatch_sim.operator import Operator, Pour
from rinsewatch_sim.water import co2_for_us_cm, conductivity_us_cm, salt_for_us_cm

FIRST_SEED = 40_000
PORTIONS_AT_MOST = 80
LIVE_TOP_US_CM = 19_980.0  # such a pen at its largest, 9990 ppm
STEP_US_CM = 2.0  # what one digit of a whole-ppm pen at 0.5 is worth
_STRENGTH_MOL_L = {"NaOH": (0.9, 4.4), "HCl": (1.0, 2.2)}
# Service run in parts of its full length: small first, while residue still leaks; the last ends past the full one.
_RUN_PARTS = (0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 0.6)
_SERVICE_BED_VOLUMES_H = 20.0


@dataclass(frozen=True, slots=True)
class Case:
    """One bed and its rinse; mL, mol/L, 1/s, uS/cm at 25 C. ``capacity_eq``: of the opposite resin."""

    residue: str
    resin_ml: float
    entrained_ml: float
    slow_ml: float
    start_mol_l: float
    slow_fill: float
    exchange_per_s: float
    operator: Operator
    feed_us_cm: float
    rinse_us_cm: float
    co2_us_cm: float
    capacity_eq: float

    def bed(self) -> Bed:
        """The bed as the rinse finds it; stirred portions are one mixed cell."""
        bed = Bed(self.entrained_ml, self.slow_ml, 1, Exchange.law("first-order", self.exchange_per_s))
        bed.fill(self.start_mol_l, self.start_mol_l * self.slow_fill)
        return bed

    @property
    def load_eq_l(self) -> float:
        """The feed's true load: the simulator's feed is sodium chloride in water."""
        return salt_for_us_cm(self.feed_us_cm)

    def reading_us_cm(self, mol_l: float) -> float:
        """Filtrate with the rinse water's own salt and carbonic acid, on a pen that shows whole ppm at 0.5."""
        salt = salt_for_us_cm(self.rinse_us_cm - self.co2_us_cm)
        true = conductivity_us_cm(self.residue, mol_l, 25.0, salt, co2_for_us_cm(self.co2_us_cm))
        return shown_us_cm(float(true))


@dataclass(frozen=True, slots=True)
class Stop:
    """The state after a portion has drained, and what stopping here makes of the next run (``net_l``)."""

    filtrate_mol_l: float
    mobile_mol_l: float
    slow_mol_l: float
    shown_us_cm: float
    net_l: float
    next_pour: Pour


@dataclass(frozen=True, slots=True)
class Verdict:
    """A rule's stop against the best: portions too many (negative: too few), water given up in portions."""

    off: int
    lost_portions: float


def shown_us_cm(true_us_cm: float) -> float:
    """A reading rounded to the pen's digit, in uS/cm."""
    return round(true_us_cm / STEP_US_CM) * STEP_US_CM


def draw(rng: np.random.Generator, slow_most: float = 0.3) -> Case:
    """A random bed: 50 mL to 50 L of resin, portions of 0.3 to 2 resin volumes, slow liquid up to ``slow_most``."""
    residue = str(rng.choice(["NaOH", "HCl"]))
    resin_ml = _between(rng, 50.0, 50_000.0)
    rinse_us_cm = _between(rng, 0.3, 3.0)
    return Case(
        residue=residue,
        resin_ml=resin_ml,
        entrained_ml=resin_ml * float(rng.uniform(0.3, 0.6)),
        slow_ml=resin_ml * float(rng.uniform(min(0.03, slow_most), slow_most)),
        start_mol_l=float(rng.uniform(*_STRENGTH_MOL_L[residue])),
        slow_fill=float(rng.uniform(0.1, 1.0)),
        exchange_per_s=_between(rng, 4e-4, 1e-2),
        operator=Operator(
            portion_ml=resin_ml * float(rng.uniform(0.3, 2.0)),
            interval_s=_between(rng, 60.0, 240.0) * (resin_ml / 500.0) ** 0.15,
        ),
        feed_us_cm=_between(rng, 4.0, 60.0),
        rinse_us_cm=rinse_us_cm,
        co2_us_cm=min(rinse_us_cm, 1.0) * float(rng.uniform(0.0, 0.9)),
        capacity_eq=resin_ml / 1000.0 * float(rng.uniform(0.4, 1.0)),
    )


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    """Log-uniform."""
    return math.exp(float(rng.uniform(math.log(low), math.log(high))))


def rinse(case: Case, rng: np.random.Generator) -> list[Stop]:
    """Pour up to PORTIONS_AT_MOST portions and try every stop; ends ten portions past the best."""
    bed, poured_ml, stops, best = case.bed(), 0.0, list[Stop](), 0
    pour = case.operator.pour(0, rng)
    for i in range(PORTIONS_AT_MOST):
        filtrate = bed.portion(pour.volume_ml, pour.contact_s, pour.bypass)
        bed.rest(pour.interval_s - pour.contact_s)
        poured_ml += pour.volume_ml
        net_l = service_l(case, bed) - poured_ml / 1000.0
        pour = case.operator.pour(i + 1, rng)
        shown = case.reading_us_cm(filtrate)
        stops.append(Stop(filtrate, bed.mobile_mol_l, bed.slow_mol_l, shown, net_l, pour))
        best = i if net_l > stops[best].net_l else best
        if net_l > 0.0 and i >= best + 10:
            break
    return stops


def service_l(case: Case, rinsed: Bed) -> float:
    """Litres of feed until residue and feed have used up the opposite resin; ``rinsed`` is left as it is."""
    bed = case.bed()
    bed.amounts = rinsed.amounts.copy()
    full_l, used_eq, made_l = case.capacity_eq / case.load_eq_l, 0.0, 0.0
    for part in _RUN_PARTS:
        litres, before = part * full_l, bed.left_mmol
        bed.flow(litres * 1000.0, litres * 1000.0 / (_SERVICE_BED_VOLUMES_H * case.resin_ml) * 3600.0)
        eq = case.load_eq_l * litres + (bed.left_mmol - before) / 1000.0
        if used_eq + eq >= case.capacity_eq:
            return made_l + litres * (case.capacity_eq - used_eq) / eq
        used_eq, made_l = used_eq + eq, made_l + litres
    return made_l


Rule = Callable[[Case, list[Stop]], int]


def _first(stops: list[Stop], enough: Callable[[int, Stop], bool]) -> int:
    """Index of the first stop that is enough; the last one if none is."""
    return next((i for i, stop in enumerate(stops) if enough(i, stop)), len(stops) - 1)


def truth(case: Case, stops: list[Stop]) -> int:
    """gain_eq against c_load Vp, with the simulator's concentrations, volumes, exchange and feed."""

    def enough(_: int, stop: Stop) -> bool:
        """Whether the portion after ``stop``, as it will be poured, takes out less than it costs."""
        pour = stop.next_pour
        mixing_ml = pour.volume_ml * (1.0 - pour.bypass)
        volumes = 1.0 + case.slow_ml / (case.entrained_ml + mixing_ml)
        leak = 1.0 - math.exp(-case.exchange_per_s * pour.contact_s * volumes)
        gain = gain_eq(stop.mobile_mol_l, mixing_ml, case.entrained_ml, stop.slow_mol_l, case.slow_ml, leak)
        return bool(gain < case.load_eq_l * pour.volume_ml / 1000.0)

    return _first(stops, enough)


def truth_mobile(case: Case, stops: list[Stop]) -> int:
    """c* of the mobile liquid alone, with the true entrained volume and feed."""
    threshold = break_even_eq_l(case.load_eq_l, case.operator.portion_ml, case.entrained_ml)
    return _first(stops, lambda _, stop: stop.filtrate_mol_l < threshold)


def _below(case: Case, stops: list[Stop], portion_ml: float) -> int:
    usual_ml = ENTRAINED_SHARE.middle * case.resin_ml
    threshold = break_even_us_cm(case.residue, _feed_reading(case), portion_ml, usual_ml)
    return _first(stops, lambda _, stop: stop.shown_us_cm < threshold)


def _feed_reading(case: Case) -> float:
    return shown_us_cm(case.feed_us_cm)


def readings_mobile(case: Case, stops: list[Stop]) -> int:
    """break_even_us_cm from the readings, with the usual entrained volume."""
    return _below(case, stops, case.operator.portion_ml)


def readings_next(case: Case, stops: list[Stop]) -> int:
    """The next filtrate, foreseen from the last two readings, against the feed's load: no volume needed."""
    threshold = paying_filtrate_us_cm(case.residue, _feed_reading(case))

    def enough(i: int, stop: Stop) -> bool:
        """The fall of the last portion, once more: readings fall in proportion; a 0 counts as one digit."""
        return i > 0 and stop.shown_us_cm**2 / max(stops[i - 1].shown_us_cm, STEP_US_CM) < threshold

    return _first(stops, enough)


def no_factor(case: Case, stops: list[Stop]) -> int:
    """Control: the rule without (1 + Vp/Ve)."""
    return _below(case, stops, 0.0)


def feed_reading(case: Case, stops: list[Stop]) -> int:
    """Control: stop at the feed's own reading, as if every ion carried the same current."""
    return _first(stops, lambda _, stop: stop.shown_us_cm <= _feed_reading(case))


def earlier(case: Case, stops: list[Stop]) -> int:
    """Control: one portion earlier than the truth says."""
    return max(truth(case, stops) - 1, 0)


def half_ppm(case: Case, stops: list[Stop]) -> int:
    """Control: ppm at 0.5 taken as mg/L of the residue and of salt in the feed, the rest as in the rule."""
    grams = {"NaOH": 39.997, "HCl": 36.458}[case.residue]  # g/mol, IUPAC standard atomic weights
    load_eq_l = 0.5e-3 * _feed_reading(case) / 58.44  # NaCl
    threshold = break_even_eq_l(load_eq_l, case.operator.portion_ml, ENTRAINED_SHARE.middle * case.resin_ml)
    return _first(stops, lambda _, stop: 0.5e-3 * stop.shown_us_cm / grams < threshold)


def watched(case: Case, stops: list[Stop]) -> int:
    """``watch --endpoint break-even`` itself, one typed whole-ppm reading a portion."""
    rinse = Rinse(
        RinseSetup(
            resin_ml=case.resin_ml,
            residue=Residue(case.residue),
            endpoint=Endpoint.parse("break-even", 0.5),
            portion_ml=case.operator.portion_ml,
            feed_us_cm=_feed_reading(case),
            rinse_water_us_cm=shown_us_cm(case.rinse_us_cm),
            rinse_water_step_us_cm=STEP_US_CM,
            resolution_us_cm=STEP_US_CM,
            top_us_cm=LIVE_TOP_US_CM,
        )
    )
    for i, stop in enumerate(stops):
        time_s, poured_ml = i * case.operator.interval_s, (i + 1) * case.operator.portion_ml
        rinse.observe(Row(time_s, poured_ml, event="portion"))
        over = stop.shown_us_cm > LIVE_TOP_US_CM
        reading = Row(
            time_s + 0.7 * case.operator.interval_s,
            poured_ml,
            Mark.OVER if over else Mark.VALUE,
            math.nan if over else 0.5 * stop.shown_us_cm,
            "ppm",
        )
        if rinse.observe(reading).verdict == "stop":
            return i
    return len(stops) - 1


LIVE: dict[str, Rule] = {"watch, one typed reading a portion": watched}
RULES: dict[str, Rule] = {
    "truth, slow liquid counted": truth,
    "truth, mobile liquid alone": truth_mobile,
    "readings, mobile liquid alone": readings_mobile,
    "readings, next filtrate foreseen": readings_next,
}
CONTROLS: dict[str, Rule] = {
    "control: without (1 + Vp/Ve)": no_factor,
    "control: at the feed reading": feed_reading,
    "control: ppm taken as mg/L": half_ppm,
    "control: one portion earlier": earlier,
}


def judge(
    seed: int, slow_most: float = 0.3, portions_most: int = 30, rules: dict[str, Rule] | None = None
) -> dict[str, Verdict] | None:
    """One random bed: every rule and control against the best stop; None if that is past ``portions_most``."""
    rng = np.random.default_rng(seed)
    case = draw(rng, slow_most)
    stops = rinse(case, rng)
    best = max(range(len(stops)), key=lambda i: stops[i].net_l)
    if best >= portions_most:
        return None
    verdicts = {}
    for name, rule in (rules or RULES | CONTROLS).items():
        at = rule(case, stops)
        lost_l = stops[best].net_l - stops[at].net_l
        verdicts[name] = Verdict(at - best, 1000.0 * lost_l / case.operator.portion_ml)
    return verdicts


@dataclass(frozen=True, slots=True)
class Figures:
    """Shares of beds stopped exactly, within one and within two portions; the rest in portions."""

    exact: float
    within_one: float
    within_two: float
    mean_off: float
    most_off: int
    mean_lost: float
    p95_lost: float


def figures(verdicts: list[Verdict]) -> Figures:
    """Add up one rule's verdicts."""
    off = np.array([v.off for v in verdicts])
    lost = np.array([v.lost_portions for v in verdicts])
    return Figures(
        exact=float(np.mean(off == 0)),
        within_one=float(np.mean(abs(off) <= 1)),
        within_two=float(np.mean(abs(off) <= 2)),
        mean_off=float(off.mean()),
        most_off=int(off[np.argmax(abs(off))]),
        mean_lost=float(lost.mean()),
        p95_lost=float(np.percentile(lost, 95.0)),
    )


def passes(row: Figures) -> bool:
    """What a rule has to reach; every control must not."""
    return row.within_one >= 0.9 and row.mean_lost <= 0.1


def table(rows: dict[str, Figures]) -> str:
    """One line a rule."""
    head = f"{'rule':34}{'exact':>7}{'+-1':>7}{'+-2':>7}{'mean':>7}{'most':>6}{'lost':>7}{'95 %':>7}  passes"
    lines = [head]
    for name, f in rows.items():
        shares = "".join(f"{share:7.1%}" for share in (f.exact, f.within_one, f.within_two))
        rest = f"{f.mean_off:+7.2f}{f.most_off:+6d}{f.mean_lost:7.2f}{f.p95_lost:7.2f}"
        lines.append(f"{name:34}{shares}{rest}  {'yes' if passes(f) else 'no'}")
    return "\n".join(lines)


def campaign(
    beds: int, slow_most: float, portions_most: int, rules: dict[str, Rule] | None = None
) -> tuple[dict[str, Figures], int]:
    """Figures by rule over ``beds`` random beds, and how many more were drawn and left out as too long."""
    judged: list[dict[str, Verdict]] = []
    seed = FIRST_SEED
    while len(judged) < beds:
        verdicts = judge(seed, slow_most, portions_most, rules)
        judged += [] if verdicts is None else [verdicts]
        seed += 1
    names = rules or RULES | CONTROLS
    return {name: figures([v[name] for v in judged]) for name in names}, seed - FIRST_SEED - beds


@click.command(epilog="Example: python -m rinsewatch.cli.bench_breakeven --beds 100")
@click.option("--beds", default=400, show_default=True, type=click.IntRange(1), help="How many random beds.")
@click.option("--slow-most", default=0.3, show_default=True, type=click.FloatRange(0.0, 0.3),
              help="Largest slow liquid, in resin volumes.")  # fmt: skip
@click.option("--portions-most", default=30, show_default=True, type=click.IntRange(5, PORTIONS_AT_MOST - 10),
              help="Leave out beds whose best stop is later than this.")  # fmt: skip
@click.option("--live", is_flag=True, help="The live monitor as well: about half a second a bed.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of the table.")
def main(beds: int, slow_most: float, portions_most: int, live: bool, as_json: bool) -> None:
    """Compare the break-even rule and its controls with the best stop of simulated beds."""
    rows, left_out = campaign(beds, slow_most, portions_most, (LIVE if live else {}) | RULES | CONTROLS)
    if as_json:
        json.dump({name: asdict(row) for name, row in rows.items()}, sys.stdout)
        click.echo("")
        return
    click.echo(f"{beds} simulated beds ({left_out} left out as too long); off and lost water in portions")
    click.echo(table(rows))


if __name__ == "__main__":
    main()
