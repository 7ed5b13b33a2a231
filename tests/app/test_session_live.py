"""One live rinse as a state machine over a real logbook: stored first, observed next, shown last."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest

from rinsewatch.logbook.store import Logbook
from rinsewatch.quantities import Quantity
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint, EndpointKind, Residue, RinseSetup
from rinsewatch.rinse.state import Quality as Judged
from rinsewatch.rinse.state import RinseState, Verdict
from rinsewatch.session.commands import (
    Answer,
    CheckMeter,
    ConfirmProbe,
    Finish,
    Note,
    Pause,
    Pour,
    Resume,
    SetPortion,
    TakeFeed,
    TakeRinseWater,
    Undo,
)
from rinsewatch.session.live import Item, LiveRinse, Policy
from rinsewatch.session.pouring import begin_pouring, rebuild_pouring
from rinsewatch.session.recorder import Recorder
from rinsewatch.session.stamp import Stamp
from rinsewatch_drivers.reading import Kind, LinkEvent, LinkState, Quality, Reading

NOW = datetime(2026, 1, 31, 12, tzinfo=UTC)
PORTIONS = RinseSetup(
    resin_ml=500.0,
    residue=Residue.NAOH,
    endpoint=Endpoint(EndpointKind.VALUE, 12.0, "12 uS/cm"),
    portion_ml=250.0,
)
FLOW = RinseSetup(
    resin_ml=500.0,
    residue=Residue.NAOH,
    endpoint=Endpoint(EndpointKind.VALUE, 12.0, "12 uS/cm"),
    flow_ml_min=60.0,
)


@dataclass
class Onlooker:
    """Stands for the core: remembers rows, and says stop at or below ``stop_at``."""

    stop_at: float = 12.0
    rows: list[Row] = field(default_factory=list)

    def observe(self, row: Row) -> RinseState:
        self.rows.append(row)
        low = row.mark is Mark.VALUE and row.reading is not None and row.reading <= self.stop_at
        return RinseState(
            time_s=row.time_s,
            rinse_ml=row.rinse_ml or 0.0,
            reading_us_cm=row.reading,
            filtrate=None,
            target_us_cm=12.0,
            floor_us_cm=None,
            remaining=None,
            portion_ml=250.0,
            pace_s=None,
            chance_reached=0.0,
            chance_unreachable=0.0,
            verdict=Verdict.STOP if low else Verdict.RINSE,
            reason="",
            quality=Judged.GOOD,
            cause="",
            is_flow=False,
        )

    def forecast_band(self, points: int = 40) -> list[tuple[float, float, float, float]]:
        return [(0.0, 1.0, 2.0, 3.0)]


@dataclass
class Desk:
    """A live rinse with its logbook, driven by hand."""

    live: LiveRinse
    onlooker: Onlooker
    logbook: Logbook
    rinse_id: int
    sequence: int = 0

    def take(self, item: Item, time_s: float) -> None:
        self.live.take([(item, Stamp(time_s, NOW, time_s))])

    def read(self, value: float | None, time_s: float, *, kind: Kind = Kind.VALUE, cause: str = "") -> None:
        self.sequence += 1
        quality = Quality.BAD if kind is Kind.FAULT else Quality.GOOD
        unit = "" if kind is Kind.FAULT else "uS/cm"
        raw = b"raw %d" % self.sequence
        self.take(Reading(raw, kind, value, 1, unit, None, quality, cause, self.sequence, time_s, NOW), time_s)

    def events(self) -> list[str]:
        return [row.event for row in self.stored() if row.event]

    def stored(self) -> list[Row]:
        return self.logbook.rows(self.rinse_id)


def make_desk(
    folder: Path, setup: RinseSetup = PORTIONS, policy: Policy | None = None, *, by_hand: bool = False
) -> Desk:
    logbook = Logbook.open(folder / "logbook.sqlite")
    writer = logbook.begin_rinse({}, "", "2026-01-31T12:00:00.000Z")
    onlooker = Onlooker()
    pouring = begin_pouring(setup.portion_ml, setup.flow_ml_min)
    live = LiveRinse(setup, onlooker, Recorder(writer), pouring, policy or Policy(), by_hand=by_hand)
    return Desk(live, onlooker, logbook, writer.rinse_id)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    made = make_desk(tmp_path)
    yield made
    made.logbook.close()


def test_what_is_observed_is_what_is_stored(desk: Desk) -> None:
    desk.take(Pour(), 1.0)
    desk.read(412.3, 2.0)
    desk.read(None, 3.0, kind=Kind.OVER)
    desk.take(Undo(), 4.0)
    assert desk.stored() == desk.onlooker.rows
    assert [row.rinse_ml for row in desk.stored()] == [250.0, 250.0, 250.0, 0.0]
    assert [row.event for row in desk.stored()] == ["portion", "", "", "undo"]


def test_a_frame_that_is_no_reading_is_kept_as_bytes_only(desk: Desk) -> None:
    for step in range(5):
        desk.read(None, step * 0.2, kind=Kind.FAULT, cause="syntax")
    entries = desk.logbook.entries(desk.rinse_id)
    assert [entry.raw for entry in entries if entry.raw] == [b"raw 1", b"raw 2", b"raw 3", b"raw 4", b"raw 5"]
    assert [row.event for row in desk.stored()] == ["fault: a line does not fit the meter's profile"]


def test_times_never_run_backwards(desk: Desk) -> None:
    desk.read(412.3, 5.0)
    desk.take(Pour(), 4.9)  # another thread's clock reading, taken a moment before
    assert [row.time_s for row in desk.stored()] == [5.0, 5.0]


def test_a_second_press_asks_and_only_yes_counts(desk: Desk) -> None:
    desk.take(Pour(keyed=True), 1.0)
    desk.take(Pour(keyed=True), 1.5)
    assert "within 2 s" in desk.live.snapshot().question
    desk.take(Answer(False), 2.0)
    assert desk.live.snapshot().rinse_ml == 250.0
    desk.take(Pour(keyed=True), 2.5)
    desk.take(Answer(True), 2.8)
    assert desk.live.snapshot().rinse_ml == 500.0
    assert desk.events() == ["portion", "portion"]


def test_another_command_drops_an_open_question(desk: Desk) -> None:
    desk.take(Pour(2500.0), 1.0)
    desk.take(Note("late"), 2.0)
    desk.take(Answer(True), 3.0)
    assert desk.live.snapshot().rinse_ml == 0.0
    assert desk.events() == ["note: late"]


def test_undo_twice_and_undo_of_nothing(desk: Desk) -> None:
    for time_s, command in enumerate([Pour(), Pour(), Undo(), Undo(), Undo()]):
        desk.take(command, 10.0 * time_s)
    assert [row.rinse_ml for row in desk.stored()] == [250.0, 500.0, 250.0, 0.0]
    assert desk.live.snapshot().message == "no portion to undo"


def test_portion_volume_feed_and_rinse_water_become_notes(desk: Desk) -> None:
    desk.take(TakeFeed(), 0.0)
    assert desk.live.snapshot().message == "no reading to take as feed"
    desk.read(18.0, 1.0)
    for command in (TakeFeed(), TakeRinseWater(), SetPortion(300.0), ConfirmProbe()):
        desk.take(command, 2.0)
    assert desk.events() == [
        "note: feed = 18.0 uS/cm",
        "note: rinse-water = 18.0 uS/cm",
        "note: portion = 300 mL",
        "note: probe confirmed",
    ]
    desk.take(Pour(), 3.0)
    assert desk.live.snapshot().rinse_ml == 300.0


def test_a_stray_key_in_mid_rinse_does_not_move_the_target(desk: Desk) -> None:
    """The filtrate's own reading taken as the feed water's would be reached at once: it is asked about first."""
    desk.take(Pour(), 0.0)
    desk.read(568.0, 1.0)
    for answer in (Answer(False), Answer(True)):
        desk.take(TakeFeed(), 2.0)
        assert "is the probe in that water" in desk.live.snapshot().question
        desk.take(answer, 3.0)
    assert [event for event in desk.events() if "feed" in event] == ["note: feed = 568.0 uS/cm"]


def test_a_check_in_a_known_water_becomes_a_note(desk: Desk) -> None:
    """With the newest reading, or with one that is typed; without any it asks for one."""
    should = Quantity(84.0, "uS/cm")
    desk.take(CheckMeter(should), 0.0)
    assert desk.live.snapshot().message.endswith("Say both: 84 uS/cm, read ... uS/cm")
    desk.take(CheckMeter(Quantity(0.0, "ppm"), Quantity(1.0, "ppm")), 1.0)
    assert "tells nothing" in desk.live.snapshot().message
    desk.read(81.2, 2.0)
    desk.take(CheckMeter(should), 3.0)
    desk.take(CheckMeter(should, Quantity(83.0, "uS/cm")), 4.0)
    assert desk.events() == [
        "note: known = 84 uS/cm, read 81.2 uS/cm",
        "note: known = 84 uS/cm, read 83 uS/cm",
    ]
    assert "no endpoint is verified" not in desk.live.snapshot().message
    desk.take(CheckMeter(should, Quantity(30.0, "uS/cm")), 5.0)
    assert desk.events()[-1] == "note: known = 84 uS/cm, read 30 uS/cm"  # recorded, and remarked on
    assert "64 % below what it should: no endpoint is verified" in desk.live.snapshot().message


def test_a_persons_note_cannot_act_on_the_core(desk: Desk) -> None:
    desk.take(Note("known = 84 uS/cm, read 84 uS/cm"), 0.5)
    desk.take(Note("feed = 9000 ppm"), 1.0)
    desk.take(Note("probe confirmed"), 2.0)
    desk.take(Note("Struck row 2"), 3.0)
    quoted = 'note: "known = 84 uS/cm, read 84 uS/cm"'
    assert desk.events() == [
        quoted, 'note: "feed = 9000 ppm"', 'note: "probe confirmed"', 'note: "Struck row 2"',
    ]  # fmt: skip


def test_flow_goes_on_while_the_meter_is_lost_and_stands_in_a_pause(tmp_path: Path) -> None:
    desk = make_desk(tmp_path, FLOW)
    desk.take(LinkEvent(LinkState.LOST, "gone", 10.0), 10.0)
    desk.read(412.3, 20.0)
    desk.take(Pause(), 30.0)
    desk.take(Resume(), 90.0)
    desk.read(400.0, 100.0)
    rows = desk.stored()
    assert [(row.time_s, row.rinse_ml) for row in rows if row.has_reading] == [(20.0, 20.0), (100.0, 40.0)]
    assert "note: meter back after 10.0 s" in desk.events()
    desk.logbook.close()


def test_garbage_does_not_bring_the_meter_back(tmp_path: Path) -> None:
    desk = make_desk(tmp_path, FLOW)
    desk.take(LinkEvent(LinkState.SILENT, "nothing heard", 10.0), 10.0)
    desk.read(None, 20.0, kind=Kind.FAULT, cause="syntax")
    assert not any("meter back" in event for event in desk.events())
    assert desk.live.snapshot().link_words == "silent for 10 s"
    desk.read(412.3, 30.0)
    assert "note: meter back after 20.0 s" in desk.events()
    desk.logbook.close()


def test_until_endpoint_ends_at_stop_and_takes_nothing_more(tmp_path: Path) -> None:
    desk = make_desk(tmp_path, policy=Policy(until_endpoint=True))
    desk.read(412.3, 1.0)
    assert desk.live.ended is None
    desk.read(11.9, 2.0)
    assert desk.live.ended == "endpoint reached"
    desk.read(11.8, 3.0)
    assert len(desk.stored()) == 2
    desk.logbook.close()


@pytest.mark.parametrize(("paused", "ended"), [(False, "meter lost"), (True, None)])
def test_a_meter_gone_too_long_is_given_up_unless_paused(tmp_path: Path, paused: bool, ended: str | None) -> None:
    desk = make_desk(tmp_path, policy=Policy(give_up_s=60.0))
    if paused:
        desk.take(Pause(), 1.0)
    desk.take(LinkEvent(LinkState.LOST, "gone", 10.0), 10.0)
    desk.live.tick(Stamp(69.0, NOW, 69.0))
    assert desk.live.ended is None
    desk.live.tick(Stamp(70.0, NOW, 70.0))
    assert desk.live.ended == ended
    desk.logbook.close()


def test_a_rinse_cut_off_is_continued_from_its_rows(tmp_path: Path) -> None:
    desk = make_desk(tmp_path)
    desk.take(Pour(), 1.0)
    desk.take(SetPortion(300.0), 2.0)
    desk.read(412.3, 3.0)
    before = list(desk.onlooker.rows)
    desk.logbook.close()  # no closing record: as after kill -9

    logbook = Logbook.open(tmp_path / "logbook.sqlite")
    (unfinished,) = logbook.open_rinses()
    writer, rows = logbook.continue_rinse(unfinished.id)
    onlooker = Onlooker()
    live = LiveRinse(PORTIONS, onlooker, Recorder(writer), rebuild_pouring(begin_pouring(250.0, None), rows), Policy())
    live.restore(rows)
    assert onlooker.rows == before
    live.go_on(Stamp(63.0, NOW, 0.0))
    live.take(
        [
            (Pour(), Stamp(70.0, NOW, 7.0)),
            (TakeFeed(), Stamp(71.0, NOW, 8.0)),
            (Answer(True), Stamp(71.5, NOW, 8.5)),
            (Undo(), Stamp(72.0, NOW, 9.0)),
        ]
    )
    live.take([(Finish("finished"), Stamp(73.0, NOW, 10.0))])
    live.close(Stamp(73.0, NOW, 10.0))
    events = [(row.event, row.rinse_ml) for row in logbook.rows(unfinished.id)[len(rows) :]]
    assert events == [
        ("note: continued after 60 s without a record", 250.0),
        ("portion", 550.0),
        ("note: feed = 412.3 uS/cm", 550.0),
        ("undo", 250.0),
    ]
    assert logbook.rinse(unfinished.id).end_reason == "finished"
    logbook.close()


@pytest.mark.parametrize(("gap_s", "expected_ml"), [(60.0, 70.0), (36_000.0, 10.0)])
def test_a_flow_is_counted_over_a_restart_but_not_over_a_night(
    tmp_path: Path, gap_s: float, expected_ml: float
) -> None:
    desk = make_desk(tmp_path, FLOW)
    desk.read(412.3, 10.0)
    desk.logbook.close()
    logbook = Logbook.open(tmp_path / "logbook.sqlite")
    writer, rows = logbook.continue_rinse(desk.rinse_id)
    live = LiveRinse(FLOW, Onlooker(), Recorder(writer), rebuild_pouring(begin_pouring(None, 60.0), rows), Policy())
    live.restore(rows)
    live.go_on(Stamp(10.0 + gap_s, NOW, 0.0))
    assert live.snapshot().rinse_ml == expected_ml
    again = rebuild_pouring(begin_pouring(None, 60.0), logbook.rows(desk.rinse_id))
    assert again.rinse_ml(10.0 + gap_s) == expected_ml
    logbook.close()


def test_a_broken_logbook_is_loud_and_nothing_is_lost_once_it_works(desk: Desk, tmp_path: Path) -> None:
    path, away = tmp_path / "logbook.sqlite", tmp_path / "moved.sqlite"
    desk.read(412.3, 1.0)
    path.rename(away)
    desk.read(400.0, 2.0)
    shown = desk.live.snapshot()
    assert (shown.stored, shown.waiting) == (1, 1)
    assert "was moved" in shown.trouble
    away.rename(path)
    desk.live.tick(Stamp(3.0, NOW, 3.0))
    assert desk.live.snapshot().trouble == ""
    assert [row.reading for row in desk.stored()] == [412.3, 400.0]


def test_the_snapshot_shows_the_last_reading_after_a_portion(desk: Desk) -> None:
    desk.read(412.3, 1.0)
    desk.take(Pour(), 2.0)
    shown = desk.live.snapshot()
    assert shown.last_shown == "412.3 uS/cm"
    assert shown.state is not None and shown.state.reading_us_cm == 412.3
    assert (shown.portions, shown.message) == (1, "portion 1: 250 mL, 250 mL in all")
