"""A rinse set up and ready to run: store, core, session, and what the screen says about them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from rinsewatch.logbook.earliershares import learned_in, learned_words
from rinsewatch.logbook.entry import Entry
from rinsewatch.logbook.settings import PLANNED_NAMES, merge_settings, settings_from_setup, setup_from_settings
from rinsewatch.logbook.store import Logbook, RinseInfo
from rinsewatch.rinse.monitor import Rinse
from rinsewatch.session.live import LiveRinse, Policy
from rinsewatch.session.pouring import begin_pouring, rebuild_pouring
from rinsewatch.session.recorder import Recorder
from rinsewatch.session.retract import Retracting
from rinsewatch.session.runner import Session
from rinsewatch.session.stamp import Stamp, utc_text
from rinsewatch.session.timebase import TimeBase
from rinsewatch_drivers.clock import Clock
from rinsewatch_drivers.link import MeterLink

_AS_WRITTEN = ("endpoint", "feed", "rinse_water", "top", "resolution", "meter")
_CARRIED = ("resin", "earlier_rinses", "earlier_entrained", "earlier_slow", *PLANNED_NAMES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """What a face of the rinse needs to know. ``link`` None: readings are typed by hand.

    ``go_on``: the command that continues the rinse if it is broken off, "" where that makes no sense (the demo).
    ``warnings``: settings that look like a slip; ``settings``: as they are stored; ``rinse``: holds the core.
    """

    session: Session
    settings: Mapping[str, object]
    rinse: Retracting[Rinse]
    link: MeterLink | None
    port: str
    batch: str
    rinse_id: int
    logbook: Path
    clock: Clock
    policy: Policy
    go_on: str = ""
    warnings: tuple[str, ...] = ()

    @property
    def starts_from(self) -> str:
        """What the forecast starts from, "" if from any bed's ranges."""
        learned = learned_in(self.settings)
        return "" if learned is None else learned_words(learned, str(self.settings.get("resin", "")))

    @property
    def meter_name(self) -> str:
        """The profile in use, as far as it is known."""
        if self.link is None:
            return "by hand"
        return self.link.profile.name if self.link.profile is not None else "meter not yet known"


@dataclass(frozen=True, slots=True, kw_only=True)
class Means:
    """With what a rinse is watched: the same whether it begins or is continued."""

    clock: Clock
    link: MeterLink | None
    port: str
    policy: Policy
    speed: float = 1.0
    wants_rows: bool = False
    go_on: str = ""
    warnings: tuple[str, ...] = ()


def stored_settings(given: Mapping[str, object]) -> dict[str, object]:
    """The settings as the record keeps them: numbers as numbers, readings as they were written.

    The setup of the live rinse is made from these, so that replaying its recording makes the same one.
    """
    made = settings_from_setup(setup_from_settings(given))
    return merge_settings(made, {name: given.get(name) for name in (*_AS_WRITTEN, *_CARRIED)})


def begin_stage(logbook: Logbook, settings: Mapping[str, object], batch: str, means: Means) -> Stage:
    """Store a new rinse and make its session. Raises SetupError, LogbookError."""
    kept = stored_settings(settings)
    setup = setup_from_settings(kept)
    rinse = Retracting(lambda: Rinse(setup))
    writer = logbook.begin_rinse(kept, batch, utc_text(means.clock.utc()))
    pouring = begin_pouring(setup.portion_ml, setup.flow_ml_min)
    live = LiveRinse(setup, rinse, Recorder(writer), pouring, means.policy, by_hand=means.link is None)
    timebase = TimeBase(means.clock.monotonic(), speed=means.speed)
    session = Session(live, means.link, means.clock, timebase, wants_rows=means.wants_rows)
    return _stage(logbook, logbook.rinse(writer.rinse_id), rinse, session, means)


def continue_stage(logbook: Logbook, info: RinseInfo, means: Means) -> Stage:
    """Go on with an unfinished rinse: the core observes its stored rows again. Raises LogbookError."""
    setup = setup_from_settings(info.settings)
    entries = logbook.entries(info.id)
    since_s = _seconds_since(entries, info, means.clock)
    writer, rows = logbook.continue_rinse(info.id)
    pouring = rebuild_pouring(begin_pouring(setup.portion_ml, setup.flow_ml_min), rows)
    rinse = Retracting(lambda: Rinse(setup))
    live = LiveRinse(setup, rinse, Recorder(writer), pouring, means.policy, by_hand=means.link is None)
    live.restore(rows, _typed(entries))
    offset_s = max((row.time_s for row in rows), default=0.0) + since_s
    timebase = TimeBase(means.clock.monotonic(), offset_s=offset_s, speed=means.speed)
    live.go_on(Stamp(timebase.rinse_s(means.clock.monotonic()), means.clock.utc(), means.clock.monotonic()))
    session = Session(live, means.link, means.clock, timebase, wants_rows=means.wants_rows)
    return _stage(logbook, info, rinse, session, means)


def _stage(logbook: Logbook, info: RinseInfo, rinse: Retracting[Rinse], session: Session, means: Means) -> Stage:
    return Stage(
        session=session,
        settings=info.settings,
        rinse=rinse,
        link=means.link,
        port=means.port,
        batch=info.batch,
        rinse_id=info.id,
        logbook=logbook.path,
        clock=means.clock,
        policy=means.policy,
        go_on=means.go_on,
        warnings=means.warnings,
    )


def _typed(entries: Sequence[Entry]) -> frozenset[int]:
    """Numbers (from 1) of the rows whose readings were typed by hand."""
    observed = (entry for entry in entries if entry.observed)
    return frozenset(number for number, entry in enumerate(observed, start=1) if entry.cause == "typed")


def _seconds_since(entries: Sequence[Entry], info: RinseInfo, clock: Clock) -> float:
    """Wall-clock seconds since the last stored entry; 0 if the clock was set back meanwhile."""
    last = datetime.fromisoformat(entries[-1].utc if entries else info.started_utc)
    return max(0.0, (clock.utc() - last.astimezone(UTC)).total_seconds())
