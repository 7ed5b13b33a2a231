"""The person's side of a rinse: commands become events; doubts become questions; nothing is guessed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rinsewatch.errors import QuantityError
from rinsewatch.logbook.struck import forgotten_note, portion_change, strike_note, struck_number
from rinsewatch.quantities import reading_us_cm
from rinsewatch.rinse.known import known_from_note, known_note, off_words
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import RinseSetup
from rinsewatch.session.commands import (
    Answer,
    CheckMeter,
    Command,
    ConfirmProbe,
    Note,
    Pause,
    Pour,
    PourEarlier,
    Resume,
    SetPortion,
    TakeFeed,
    TakeRinseWater,
    TogglePause,
    Typed,
    Undo,
)
from rinsewatch.session.convert import Shown, shown_from_reading, shown_from_row
from rinsewatch.session.pouring import FORGOTTEN_S, UNUSUAL_RATIO, CannotPour, Portions, Pouring, portion_note
from rinsewatch.session.stamp import Stamp

_LONGEST_NOTE = 500  # characters
BEYOND_TOP = 1.01  # a display may go a little beyond what its manual says
_SAID_LIMIT = 20  # words to the person that a snapshot carries, so that none is missed
_NOTES_THAT_ACT = ("feed", "rinse-water", "portion", "probe confirmed", "known", "struck", "readings level off")


@dataclass(frozen=True, slots=True)
class Result:
    """What a command makes: events for the record, or a reading typed by hand with its text."""

    events: tuple[str, ...] = ()
    shown: Shown | None = None
    raw: bytes = b""


@dataclass(frozen=True, slots=True)
class _Act:
    """What an undo takes back: a portion, or (``number``) the typed reading ``text`` in that row."""

    number: int | None = None
    text: str = ""


class Desk:
    """``message`` and ``question`` are for the person; ``last`` is the newest reading."""

    def __init__(self, pouring: Pouring, setup: RinseSetup, *, by_hand: bool = False) -> None:
        self._pouring, self._setup, self._by_hand = pouring, setup, by_hand
        self._asked: Pour | PourEarlier | SetPortion | TakeFeed | TakeRinseWater | None = None
        self.paused = False
        self.fell_s: float | None = None  # rinse s since when readings have been too low for what was poured
        self.last: Shown | None = None
        self._acts: list[_Act] = []
        self.message = ""
        self.question = ""
        self.said: tuple[tuple[int, str], ...] = ()
        self._words = 0

    @property
    def usual_ml(self) -> float | None:
        """The volume of a portion now; None in continuous flow."""
        return self._pouring.usual_ml if isinstance(self._pouring, Portions) else None

    @property
    def last_text(self) -> str:
        """The newest reading as the meter showed it, "" before the first."""
        return "" if self.last is None else str(self.last)

    def typed(self, number: int) -> None:
        """The newest reading was typed by hand and is row ``number``: it can be taken back."""
        self._acts.append(_Act(number, self.last_text))

    def restore(self, row: Row, typed_number: int | None = None) -> None:
        """A stored row of the rinse that is continued; ``typed_number``: its reading was typed by hand."""
        struck = struck_number(row.event)
        if row.has_reading and typed_number is not None:
            self._acts.append(_Act(typed_number, str(shown_from_row(row))))
        elif struck is not None:
            self._acts = [act for act in self._acts if act.number != struck]
        elif row.event in ("pause", "resume"):
            self.paused = row.event == "pause"
        elif portion_change(row.event) > 0:
            self._acts.append(_Act())
        elif row.event == "undo":
            self._forget_portion()

    def _forget_portion(self) -> None:
        """The newest portion is not to be undone again."""
        newest = max((place for place, act in enumerate(self._acts) if act.number is None), default=None)
        if newest is not None:
            del self._acts[newest]

    def say(self, words: str) -> None:
        """A word to the person that is no event of the record."""
        self.message = words
        self._words += 1
        self.said = (*self.said[1 - _SAID_LIMIT :], (self._words, words))

    def tell(self, event: str) -> None:
        """Show an event of the record, where the command has not said more already."""
        if not portion_change(event) and struck_number(event) is None:
            self.message = {"pause": "paused", "resume": "going on"}.get(event, event.removeprefix("note: "))
            self.message += _remark(event)

    def handle(self, command: Command, stamp: Stamp) -> Result:
        """The command's events; what makes no sense only leaves a message."""
        if isinstance(command, Answer):
            return self._answer(command, stamp)
        if self._asked is not None:
            self._forget(f"not counted: {self.question}")
        try:
            return self._do(command, stamp)
        except CannotPour as error:
            self.say(str(error))
            return Result()

    def _do(self, command: Command, stamp: Stamp) -> Result:
        if isinstance(command, Pour):
            return self._pour(command, stamp)
        if isinstance(command, SetPortion):
            return self._set_portion(command)
        if isinstance(command, Typed):
            return self._typed(command)
        if isinstance(command, Note):
            return self._note(command)
        if isinstance(command, CheckMeter):
            return self._check(command)
        return self._simple(command, stamp.time_s)

    def _simple(self, command: Command, time_s: float) -> Result:
        simple: dict[type, Callable[[], Result]] = {
            Undo: self._undo,
            TakeFeed: lambda: self._take(TakeFeed()),
            TakeRinseWater: lambda: self._take(TakeRinseWater()),
            Pause: lambda: self._pause(time_s, pause=True),
            Resume: lambda: self._pause(time_s, pause=False),
            TogglePause: lambda: self._pause(time_s, pause=not self.paused),
            ConfirmProbe: lambda: Result(("note: probe confirmed",)),
        }
        return simple[type(command)]()

    def _pour(self, command: Pour, stamp: Stamp, *, sure: bool = False) -> Result:
        volume_ml = command.volume_ml if command.volume_ml is not None else self.usual_ml or 0.0
        if self.paused:
            raise CannotPour("paused: resume before pouring")
        doubt = self._pouring.doubt(volume_ml, stamp.monotonic_s, keyed=command.keyed)
        if doubt and volume_ml > 0 and not sure:
            return self._ask(Pour(volume_ml), doubt)
        late = self.fell_s is not None and stamp.time_s - self.fell_s >= FORGOTTEN_S
        if self.fell_s is not None and late and volume_ml > 0 and not sure:
            ago_min = (stamp.time_s - self.fell_s) / 60.0
            doubt = f"was it poured {ago_min:.0f} min ago, when the readings fell (y), or just now (n)?"
            return self._ask(PourEarlier(volume_ml, self.fell_s), doubt)
        return self._count("portion", volume_ml, stamp)

    def _count(self, event: str, volume_ml: float, stamp: Stamp) -> Result:
        total_ml = self._pouring.pour(volume_ml, stamp.monotonic_s)
        self._acts.append(_Act())
        self.say(f"portion {self._pouring.count}: {volume_ml:g} mL, {total_ml:g} mL in all")
        return Result((event,))

    def _set_portion(self, command: SetPortion, *, sure: bool = False) -> Result:
        pouring = self._pouring
        if not isinstance(pouring, Portions):
            raise CannotPour("the water runs continuously: no portion to change")
        if not 0 < command.volume_ml < 1e7:
            raise CannotPour(f"{command.volume_ml:g} mL is no portion")
        ratio = command.volume_ml / pouring.usual_ml
        if not sure and not 1 / UNUSUAL_RATIO <= ratio <= UNUSUAL_RATIO:
            doubt = f"portions of {command.volume_ml:g} mL instead of {pouring.usual_ml:g} mL: is that right?"
            return self._ask(command, doubt)
        pouring.usual_ml = command.volume_ml
        return Result((portion_note(command.volume_ml),))

    def _undo(self) -> Result:
        """Take back what was done last: the newest portion, or the newest reading typed by hand."""
        act = self._acts[-1] if self._acts else _Act()
        if act.number is not None:
            self._acts.pop()
            self.say(f"reading {act.text} taken back; it stays in the record, struck out")
            return Result((strike_note(act.number, act.text),))
        total_ml = self._pouring.undo()
        self._forget_portion()
        self.say(f"portion undone: {total_ml:g} mL in all")
        return Result(("undo",))

    def _take(self, command: TakeFeed | TakeRinseWater, *, sure: bool = False) -> Result:
        """The newest reading is the feed's or the rinse water's. In mid-rinse a stray key would set a wrong target."""
        what = "feed" if isinstance(command, TakeFeed) else "rinse-water"
        if self.last is None or self.last.mark is not Mark.VALUE:
            self.say(f"no reading to take as {what}")
            return Result()
        if self._pouring.count and not sure:
            return self._ask(command, f"{what} = {self.last}: is the probe in that water, not in the filtrate?")
        note = f"note: {what} = {self.last}"
        in_rinse = self._by_hand and self._acts and self._pouring.count
        act = self._acts[-1] if in_rinse else _Act()
        if act.number is None:
            return Result((note,))
        self._acts.pop()  # typed as the filtrate's, which it was not
        return Result((strike_note(act.number, act.text), note))

    def _check(self, command: CheckMeter) -> Result:
        """The meter was dipped in a water that should read so."""
        # Who types readings has typed the filtrate's last: it must not pass for the known water's.
        last = None if self._by_hand else self.last
        read = command.read if command.read is not None else last
        if read is None or (isinstance(read, Shown) and read.mark is not Mark.VALUE):
            should = f"{command.should.value:g} {command.should.unit}"
            self.say(f"what did the meter read in that water? Say both: {should}, read ... {command.should.unit}")
            return Result()
        note = known_note(command.should, read)
        try:
            known_from_note(note.partition("=")[2], 1.0)
        except QuantityError as error:
            self.say(str(error))
            return Result()
        return Result((f"note: {note}",))

    def _note(self, command: Note) -> Result:
        text = " ".join(command.text.split())[:_LONGEST_NOTE]
        if not text:
            self.say("a note needs text")
            return Result()
        if text.lower().startswith(_NOTES_THAT_ACT):
            text = f'"{text}"'  # words of a person's own: in quotes the core does not act on them
        return Result((f"note: {text}",))

    def _pause(self, time_s: float, *, pause: bool) -> Result:
        if pause == self.paused:
            self.say("paused already" if pause else "not paused")
            return Result()
        self.paused = pause
        if pause:
            self._pouring.pause(time_s)
        else:
            self._pouring.resume(time_s)
        return Result(("pause" if pause else "resume",))

    def _typed(self, command: Typed) -> Result:
        shown = shown_from_reading(command.reading)
        if shown is None:
            self.say("that is no reading; type it with its unit, like 12.5 ppm")
            return Result()
        if self._is_beyond(shown):
            self.say(f"{shown} is more than the meter can show (--top): not counted; type it again, or over")
            return Result()
        self.message = ""
        before = self.last.unit if self.last is not None else ""
        if before and shown.unit and before != shown.unit:
            # counted all the same: who knows; but a number read off in one unit and typed in another looks like rinsing
            self.say(f"{shown}: the reading before was in {before}; if the display still is, take this one back (u)")
        return Result(shown=shown, raw=command.reading.raw)

    def _is_beyond(self, shown: Shown) -> bool:
        top, setup = self._setup.top_us_cm, self._setup
        if top is None or shown.mark is not Mark.VALUE or shown.reading is None:
            return False
        return reading_us_cm(shown.reading, shown.unit, setup.tds_factor) > BEYOND_TOP * top

    # ---- questions ------------------------------------------------------------------------------

    def _ask(self, command: Pour | PourEarlier | SetPortion | TakeFeed | TakeRinseWater, doubt: str) -> Result:
        self._asked, self.question = command, doubt
        self.say(doubt if isinstance(command, PourEarlier) else f"{doubt} y/n")
        return Result()

    def _answer(self, answer: Answer, stamp: Stamp) -> Result:
        command, question = self._asked, self.question
        if command is None:
            self.say("no question is open")
            return Result()
        if isinstance(command, PourEarlier):
            self._forget("")
            event = forgotten_note(command.volume_ml, command.time_s) if answer.yes else "portion"
            return self._count(event, command.volume_ml, stamp)
        self._forget("" if answer.yes else f"not counted: {question}")
        if not answer.yes:
            return Result()
        if isinstance(command, Pour):
            return self._pour(command, stamp, sure=True)
        if isinstance(command, TakeFeed | TakeRinseWater):
            return self._take(command, sure=True)
        return self._set_portion(command, sure=True)

    def _forget(self, message: str) -> None:
        self._asked, self.question = None, ""
        if message:
            self.say(message)


def _remark(event: str) -> str:
    """What is said after an event's own words: that the meter failed its check."""
    name, _, value = event.partition(" = ")
    try:
        words = off_words(value) if name == "note: known" else ""
    except QuantityError:
        return ""
    return f" - {words}" if words else ""
