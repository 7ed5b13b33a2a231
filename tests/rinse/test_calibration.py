"""Statistical coverage of the whole chain, rows in and interval out, on rinses drawn from the prior's own law.

(Rinses of another law are the simulator's and the benchmark's business.)
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from rinsewatch.chemistry.conductivity import LinearScale
from rinsewatch.rinse.beds import PortionBed, Pour
from rinsewatch.rinse.evidence import BEND_PER_EFOLD
from rinsewatch.rinse.prior import UNEVEN, prior_from_setup
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.settle import PORTION_NOISE
from rinsewatch.rinse.setup import Residue
from rinsewatch.rinse.traces import Water

Array = npt.NDArray[np.float64]
PORTION_ML, PACE_S, READ_S, MOST, TARGET = 250.0, 150.0, 105.0, 70, 12.0


def _drawn(setup: Any, rng: np.random.Generator, unevenness: float) -> Array:
    """True filtrate (linear uS/cm) at the end of portions 1 to MOST of one rinse from the model's own law."""
    prior, bed = prior_from_setup(setup, 0.1), PortionBed(setup.resin_ml)
    theta = prior.draw(1, rng)
    water, uneven = Water.of(Residue.NAOH, theta, prior), unevenness * math.exp(theta[0, UNEVEN])
    state, offset, bend, before, out = bed.start(theta), 0.0, 0.0, None, []
    for n in range(MOST):
        state = bed.pour(theta, state, Pour(PORTION_ML, PACE_S * n, PACE_S if n else 0.0), PORTION_ML if n else 0.0)
        level = bed.level(theta, state, PORTION_ML, READ_S)
        change = 0.0 if before is None else float(level[0]) - before
        offset += bend * change + uneven * math.sqrt(abs(change)) * rng.standard_normal()
        bend += BEND_PER_EFOLD * math.sqrt(abs(change)) * rng.standard_normal()
        before = float(level[0])
        out.append(float(water.reading(np.exp(level + offset))[0]))
    return np.array(out)


def _answers(bench: Any, cases: int, unevenness: float = 1.0) -> list[bool]:
    """Whether the 5-95 % interval of the rinse volume at the end held the truth, at 60 % and 80 % of each rinse."""
    setup, scale, rng = bench.setup(), LinearScale("NaOH"), np.random.default_rng(31)
    held: list[bool] = []
    while len(held) < 2 * cases:
        truth = scale.to_reading(_drawn(setup, rng, unevenness))
        below = np.flatnonzero(truth <= TARGET)
        if not below.size or not 8 <= below[0] <= 50:
            continue
        last = int(below[0])  # the crossing lies between the portions last - 1 and last (from 0)
        part = math.log(truth[last - 1] / TARGET) / math.log(truth[last - 1] / truth[last])
        end_ml = PORTION_ML * (last + part)
        rinse = bench.begin(setup)
        for n in range(int(0.8 * last)):
            shown = float(truth[n] * math.exp(PORTION_NOISE * rng.standard_normal()))
            over = shown > setup.top_us_cm
            rinse.observe(Row(PACE_S * n, PORTION_ML * (n + 1), event="portion"))
            mark, value = (Mark.OVER, None) if over else (Mark.VALUE, round(shown, 2))
            state = rinse.observe(Row(PACE_S * n + READ_S, PORTION_ML * (n + 1), mark, value, "uS/cm", 2))
            if n + 1 in (int(0.6 * last), int(0.8 * last)):
                left = state.remaining
                high = left.high_ml if left.high_ml is not None else math.inf
                held.append(bool(left.low_ml <= end_ml - state.rinse_ml <= high))
    return held


def test_interval_covers_what_it_says_and_a_rougher_rinse_is_caught(bench: Any) -> None:
    """60 answers on rinses of the model's own law: the 90 % interval holds the truth in 78 to 100 % (three standard
    errors, answers in pairs). Control that must fail: portions twelve times as uneven as the model thinks."""
    honest, rough = _answers(bench, 30), _answers(bench, 30, unevenness=12.0)
    assert 0.78 <= float(np.mean(honest)) <= 1.0
    assert float(np.mean(rough)) < min(float(np.mean(honest)) - 0.1, 0.78)
