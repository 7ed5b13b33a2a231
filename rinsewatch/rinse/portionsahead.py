"""The portions to come, as each hypothesis foresees them: where they lead, how many it takes, what they take out."""

from __future__ import annotations

import numpy as np

from rinsewatch.rinse.beds import BedState, Ladder
from rinsewatch.rinse.belief import MOST_RESIN_VOLUMES, Belief
from rinsewatch.rinse.course import PortionCourse
from rinsewatch.rinse.population import View
from rinsewatch.rinse.prior import START, Array
from rinsewatch.rinse.rhythm import Rhythm
from rinsewatch.rinse.settle import PortionWindow


class PortionsAhead(Belief):
    """What a belief of portions answers of those not poured yet; the portions behind are the subclass's."""

    course: PortionCourse
    rhythm: Rhythm
    window: PortionWindow
    portion_ml: float
    _state: BedState
    _looked_s: float

    def _standing_ml(self) -> float:
        return self.course.pours[-1].volume_ml if self.course.pours else 0.0

    def _ladder(self) -> Ladder:
        """The portions to come, poured at the person's pace."""
        pace = self.rhythm.usual_s
        first_gap_s, read_s = max(pace, self._looked_s), self.rhythm.read_s(typed=self.window.typed)
        return self.course.bed.ladder(
            self.population.theta, self._state, self.portion_ml, first_gap_s, pace, read_s, self.rhythm.stands_s
        )

    def crossing_ml(self, view: View, ln_goal: Array) -> Array:
        """Rinse volume from here until each nominal curve falls to its goal."""
        most = max(MOST_RESIN_VOLUMES * self.setup.resin_ml / self.portion_ml, 2.0)
        return self._ladder().crossing(view.ln_level, ln_goal, most) * self.portion_ml

    def path(self, volumes_ml: Array) -> Array:
        """Nominal log level at further volumes from here, shape (members, m)."""
        ladder, now = self._ladder(), self.view.ln_level
        first = ladder.log_level(np.ones(now.size))
        out = np.empty((now.size, volumes_ml.size))
        for column, portions in enumerate(volumes_ml / self.portion_ml):
            further = now + portions * (first - now)
            out[:, column] = further if portions < 1 else ladder.log_level(np.full(now.size, portions))
        return out

    def ln_next(self) -> Array:
        """Nominal log level of the next portion's filtrate."""
        return self._ladder().log_level(np.ones(self.view.ln_level.size))

    def ahead(self) -> tuple[Array, float, Array]:
        """Residue left if this portion is drained and no other poured; the next portion and what it takes out."""
        bed, theta = self.course.bed, self.population.theta
        offset = np.exp(theta[:, START] + self.view.corrections.offset)
        left = offset * bed.left(theta, self._state, self._standing_ml(), self._looked_s)
        taken = np.exp(self.ln_next() + self.view.corrections.offset) * self.portion_ml
        return left, self.portion_ml, np.minimum(taken, left)
