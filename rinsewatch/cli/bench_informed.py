"""Benchmark: the informed observer. What could be said by somebody who knows the bench's own laws and ranges.

Of a rinse in portions it knows what it was told before the start, when each portion was really poured, for how long
each stood, how uneven such people pour, the meter's noise and which readings are faults; of the bed, the liquor, the
rinse water and the meter's errors only the ranges all rinses are drawn from. Of a rinse in flow it knows everything
but the rinse water and the leak; of these what the meter shows. It follows the readings by Bayes' rule with the bench's
own laws (``bench_informed_portions``, ``bench_informed_flow``), knows a pause before it comes, and that no rinse drawn
is endless. A yardstick, not a proven bound: of a portion it takes the last sound reading alone, and every reading for
noisier than a good meter's, or too few hypotheses would be left.
"""

from __future__ import annotations

from rinsewatch.cli.bench_informed_flow import in_flow
from rinsewatch.cli.bench_informed_portions import in_portions
from rinsewatch.cli.bench_score import Outcome, Task


def informed(task: Task) -> Outcome:
    """Forecasts at the checkpoints; no stop."""
    if not task.checkpoints:
        return Outcome()
    return in_flow(task) if task.record.scenario.is_flow else in_portions(task)
