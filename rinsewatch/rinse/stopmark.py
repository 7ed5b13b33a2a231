"""Where a rinse was told to stop."""

from __future__ import annotations

from dataclasses import dataclass

from rinsewatch.rinse.state import RinseState, Verdict


@dataclass(slots=True)
class StopMark:
    """The state in which the verdict became stop and was not taken back; feed it every state.

    A question about the probe ("check") takes nothing back: it is often the probe lifted out when all is done.
    """

    stop: RinseState | None = None

    @property
    def endpoint_ml(self) -> float | None:
        """Rinse water until then, mL."""
        return None if self.stop is None else self.stop.rinse_ml

    def add(self, state: RinseState) -> None:
        """The answer after one more row."""
        if state.verdict is Verdict.STOP:
            self.stop = self.stop or state
        elif state.verdict is not Verdict.CHECK:
            self.stop = None
