"""What the session shows of itself: frozen, published after everything in it was stored."""

from __future__ import annotations

from dataclasses import dataclass

from rinsewatch.rinse.setup import RinseSetup
from rinsewatch.rinse.state import RinseState
from rinsewatch.session.history import HistoryPoint


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionSnapshot:
    """One moment of the rinse. ``*_s`` are rinse seconds, volumes mL, ``band`` (mL, 5 %, median, 95 % uS/cm).

    ``stored`` rows are on the disk, ``waiting`` are in memory only because of ``trouble``, ``dropped`` are
    lost. ``message`` is the newest word to the person, ``said`` the last ones that are no events, numbered.
    ``question`` waits for yes or no. ``endpoint_ml``: rinse water at the stop, if it holds. ``ended``: why the rinse
    ended, None while it goes on; ``unfinished``: its record is still open.
    """

    setup: RinseSetup
    state: RinseState | None = None
    history: tuple[HistoryPoint, ...] = ()
    band: tuple[tuple[float, float, float, float], ...] = ()
    time_s: float = 0.0
    rinse_ml: float = 0.0
    portions: int = 0
    portion_ml: float | None = None
    paused: bool = False
    last_shown: str = ""
    last_shown_s: float | None = None
    link_words: str = ""
    stored: int = 0
    waiting: int = 0
    dropped: int = 0
    trouble: str = ""
    faults: int = 0
    message: str = ""
    said: tuple[tuple[int, str], ...] = ()
    question: str = ""
    endpoint_ml: float | None = None
    ended: str | None = None
    unfinished: bool = True
