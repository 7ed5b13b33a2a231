"""Benchmark: the informed observer. What could be said by somebody who knows the bench's own laws and ranges.

Of a rinse in portions it knows what it was told before the start, when each portion was really poured, for how long
each stood, how uneven such people pour, the meter's noise and which readings are faults; of the bed, the liquor, the
rinse water and the meter's errors only the ranges all rinses are drawn from. Of a rinse in flow it knows everything
but the rinse water and the leak; of these what the meter shows. It follows the readings by Bayes' rule with the bench's
own laws (``bench_informed_portions``, ``bench_informed_flow``), knows a pause before it comes, and that no rinse drawn
is endless. A yardstick, not a proven bound: of a portion it takes the last sound reading alone, and every reading for
noisier than a good meter's, or too few hypotheses would be left.

It also knows which rinses the bench leaves out: those that never end in time, and those with the floor within a tenth
of the target; with a fine meter that alone tells it the floor. Nobody at a bench can know that: ``informed_of_ranges``
does not, and knows all the rest.
"""

from __future__ import annotations

from rinsewatch.cli.bench_informed_flow import in_flow
from rinsewatch.cli.bench_informed_portions import in_portions
from rinsewatch.cli.bench_score import Outcome, Task


def informed(task: Task) -> Outcome:
    """Forecasts at the checkpoints; no stop."""
    return _informed(task, any_rinse=False)


def informed_of_ranges(task: Task) -> Outcome:
    """The same by whoever knows the ranges all rinses are drawn from, but not which of them are left out."""
    return _informed(task, any_rinse=True)


def _informed(task: Task, *, any_rinse: bool) -> Outcome:
    if not task.checkpoints:
        return Outcome()
    return (in_flow if task.record.scenario.is_flow else in_portions)(task, any_rinse=any_rinse)
