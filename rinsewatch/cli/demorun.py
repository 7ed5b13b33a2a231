"""The demo's bench, operator and ending around the very same session that watches a real rinse."""

from __future__ import annotations

import os
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from rinsewatch.cli.demoport import DemoMeter, open_demo_meter
from rinsewatch.cli.faces import Outlet
from rinsewatch.cli.meterlink import profile_for
from rinsewatch.cli.stage import Means, Stage, begin_stage
from rinsewatch.cli.watchrun import DONE, NOT_REACHED, can_draw, choose_face, run_stage, tell_end
from rinsewatch.logbook.location import logbook_path
from rinsewatch.logbook.lock import WriterLock
from rinsewatch.logbook.store import Logbook
from rinsewatch.rinse.state import Verdict
from rinsewatch.session.commands import Finish, Pour
from rinsewatch.session.live import End, Policy
from rinsewatch_drivers.clock import Clock, SystemClock
from rinsewatch_drivers.link import MeterLink
from rinsewatch_sim.stepper import Bench, demo_scenario

FILE_NAME = "demo.sqlite"
PROFILE = "plain-number"
STEP_S = 0.05  # real seconds between the operator's looks
DRAIN_S = 180.0  # virtual seconds after which the last portion has run off
LINGER_S = 4.0  # the stop screen is left standing for so long


@dataclass(frozen=True, slots=True, kw_only=True)
class Demo:
    """What the command line of demo said."""

    speed: float
    seconds: float
    residue: str
    flow: bool
    seed: int
    as_json: bool
    plain: bool
    keep: bool
    logbook_file: str | None = None


@dataclass(slots=True)
class Truth:
    """What the simulator knew when the tool said stop."""

    poured_ml: float | None = None
    filtrate_us_cm: float | None = None
    endpoint_ml: float | None = None


@dataclass(slots=True)
class Operator:
    """Pours when the simulated person would, stops pouring at the tool's word, then finishes."""

    meter: DemoMeter
    stage: Stage
    clock: Clock
    seconds: float
    linger_s: float
    truth: Truth = field(default_factory=Truth)
    _stop: threading.Event = field(default_factory=threading.Event)

    def run(self) -> None:
        """Until the tool has said stop, or the time is up."""
        ends_s = self.clock.monotonic() + self.seconds
        while not self._stop.wait(STEP_S):
            state = self.stage.session.latest.state
            if state is not None and state.verdict is Verdict.STOP:
                self._look_behind(state.target_us_cm)
                self._stop.wait(self.linger_s)
                self.stage.session.send(Finish(End.REACHED.value))
                return
            if self.clock.monotonic() >= ends_s:
                self.stage.session.send(Finish("demo time is up"))
                return
            self._pour()

    def stop(self) -> None:
        """The session has ended otherwise."""
        self._stop.set()

    def _pour(self) -> None:
        with self.meter.lock:
            self.meter.catch_up()
            volume_ml = self.meter.bench.pour() if self.meter.bench.due() else None
        if volume_ml is not None:
            self.stage.session.send(Pour(volume_ml))

    def _look_behind(self, target_us_cm: float | None) -> None:
        with self.meter.lock:
            bench = self.meter.bench
            self.truth.poured_ml = bench.poured_ml
            self.truth.filtrate_us_cm = bench.filtrate_scale_us_cm
            # the portion that is in the bed has its truth only when it has drained
            bench.advance(DRAIN_S)
            if target_us_cm is not None:
                self.truth.endpoint_ml = bench.endpoint_ml(target_us_cm)


def run_demo(demo: Demo) -> int:
    """Run it; 0 when the tool said stop, 5 when the time was up before."""
    clock = SystemClock()
    outlet = Outlet(sys.stderr if demo.as_json else sys.stdout)
    bench = Bench(demo_scenario(demo.residue, flow=demo.flow), np.random.default_rng(demo.seed))
    with (
        tempfile.TemporaryDirectory(prefix="rinsewatch-demo-") as folder,
        _logbook(demo) as logbook,
        open_demo_meter(bench, Path(folder) / "meter", demo.speed, clock) as meter,
    ):
        if meter.notice:
            print(f"rinsewatch: {meter.notice}", file=sys.stderr)
        stage = _stage(demo, logbook, meter, clock)
        return _run(demo, stage, _operator(demo, meter, stage, clock), outlet)


def truth_lines(truth: Truth, stage: Stage) -> list[str]:
    """The tool's answer beside the simulator's truth."""
    state = stage.session.latest.state
    if truth.poured_ml is None or truth.filtrate_us_cm is None or state is None or state.target_us_cm is None:
        return ["the tool did not say stop in the time given"]
    true_end = "not reached" if truth.endpoint_ml is None else f"{truth.endpoint_ml:.0f} mL"
    return [
        f"tool:  stop after {truth.poured_ml:.0f} mL, target {state.target_us_cm:.3g} uS/cm",
        f"truth: endpoint at {true_end}; filtrate at the stop {truth.filtrate_us_cm:.3g} uS/cm, "
        f"{truth.filtrate_us_cm / state.target_us_cm:.2f} x the target (simulated, invented data)",
    ]


def _run(demo: Demo, stage: Stage, operator: Operator, outlet: Outlet) -> int:
    thread = threading.Thread(target=operator.run, name="demo-operator", daemon=True)

    def dismiss() -> None:
        operator.stop()
        thread.join()

    def last_words(code: int) -> int:
        """Both answers, once nobody pours any more."""
        dismiss()
        tell_end(stage, outlet)
        for line in truth_lines(operator.truth, stage):
            outlet.line(line)
        ended = stage.session.latest.ended
        return NOT_REACHED if code == DONE and ended != End.REACHED.value else code

    thread.start()
    try:
        return run_stage(stage, choose_face(as_json=demo.as_json, plain=demo.plain), last_words)
    finally:
        dismiss()  # however it ended; a second time does nothing


def _operator(demo: Demo, meter: DemoMeter, stage: Stage, clock: Clock) -> Operator:
    on_dashboard = can_draw() and not demo.as_json and not demo.plain
    return Operator(meter, stage, clock, demo.seconds, LINGER_S if on_dashboard else 0.0)


def _stage(demo: Demo, logbook: Logbook, meter: DemoMeter, clock: Clock) -> Stage:
    profile = profile_for(PROFILE)
    assert profile is not None
    link = MeterLink(meter.url, profile, clock=clock, opener=meter.opener)
    means = Means(clock=clock, link=link, port=meter.url, policy=Policy(), speed=demo.speed, wants_rows=demo.as_json)
    return begin_stage(logbook, meter.bench.scenario.settings(), "demo", means)


@contextmanager
def _logbook(demo: Demo) -> Iterator[Logbook]:
    """The demo's own logbook beside the real one; begun anew unless earlier demos are to be kept."""
    path = logbook_path(demo.logbook_file, os.environ).with_name(FILE_NAME)
    if demo.logbook_file is not None:
        path = Path(demo.logbook_file)
    elif path.exists() and not demo.keep:
        Logbook.open(path).close()  # refuses what is no logbook
        with WriterLock(path):  # or in use: two demos begun at once must not delete each other's
            path.unlink(missing_ok=True)
    with Logbook.open(path) as logbook:
        logbook.reserve()
        yield logbook
