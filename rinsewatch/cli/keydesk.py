"""Single keys in the dashboard as commands; those that need words ask for them on the message line."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rinsewatch.cli.lines import FINISHED, known, typed
from rinsewatch.errors import UsageError
from rinsewatch.quantities import parse_volume_ml
from rinsewatch.screen.ask import Answer as Answered
from rinsewatch.screen.ask import Question
from rinsewatch.screen.keys import ESCAPE, PASTE_MESSAGE, PASTED, KeyAction, action_for
from rinsewatch.session.commands import (
    Answer,
    Command,
    ConfirmProbe,
    Finish,
    Note,
    Pour,
    SetPortion,
    TakeFeed,
    TakeRinseWater,
    TogglePause,
    Undo,
)
from rinsewatch_drivers.clock import Clock

_SIMPLE: dict[KeyAction, Callable[[], Command]] = {
    KeyAction.PORTION: lambda: Pour(keyed=True), KeyAction.UNDO: Undo, KeyAction.FEED: TakeFeed,
    KeyAction.WATER: TakeRinseWater, KeyAction.PAUSE: TogglePause, KeyAction.CONFIRM: ConfirmProbe,
}  # fmt: skip
_PROMPTS = {
    KeyAction.VOLUME: "New portion volume (mL): ",
    KeyAction.TYPE_READING: "Reading with its unit, like 12.5 ppm: ",
    KeyAction.NOTE: "Note: ",
    KeyAction.KNOWN: "It should read, like 84 uS/cm: ",
}


@dataclass(slots=True)
class KeyDesk:
    """What the keys mean at this moment. ``message`` is the desk's own word to the person, "" if none."""

    clock: Clock
    message: str = ""
    show_help: bool = False
    leaving: bool = False
    _question: Question | None = None
    _action: KeyAction | None = None

    @property
    def question(self) -> str:
        """The text input in progress, for the screen."""
        if self.leaving:
            return "Finish the rinse? y/n"
        return self._question.words if self._question is not None else ""

    def press(self, key: str, *, asked: bool, stopped: bool) -> Command | None:
        """A key was pressed. ``asked``: the session waits for yes or no; ``stopped``: the verdict is stop."""
        self.message = ""
        if key == PASTED:
            self.message = PASTE_MESSAGE
            return None
        if self._question is not None:
            return self._typing(key)
        if self.leaving:
            return self._leave(key)
        if asked and key.lower() in ("y", "n", ESCAPE):
            return Answer(key.lower() == "y")
        return self._act(action_for(key), stopped=stopped)

    def _act(self, action: KeyAction | None, *, stopped: bool) -> Command | None:
        if action is KeyAction.HELP:
            self.show_help = not self.show_help
        elif action is KeyAction.FINISH:
            if stopped:
                return Finish(FINISHED)
            self.leaving = True
        elif action in _PROMPTS:
            self._action, self._question = action, Question(_PROMPTS[action])
        elif action is not None:
            return _SIMPLE[action]()
        else:
            self.show_help = False
        return None

    def _leave(self, key: str) -> Command | None:
        self.leaving = False
        return Finish(FINISHED) if key.lower() == "y" else None

    def _typing(self, key: str) -> Command | None:
        assert self._question is not None
        self._question = self._question.press(key)
        if self._question.answer is Answered.OPEN:
            return None
        text, given = self._question.text.strip(), self._question.answer is Answered.GIVEN
        self._question = None
        command = self._command(text) if given and text else None
        if self.message and self._action is not None:
            # Open still, to be mended: typed anew into a closed line each letter would be a key.
            self._question = Question(f"{self.message}. Again: ", text)
        return command

    def _command(self, text: str) -> Command | None:
        try:
            if self._action is KeyAction.VOLUME:
                return SetPortion(parse_volume_ml(text, "portion volume"))
            if self._action is KeyAction.TYPE_READING:
                return typed(text, self.clock)
            if self._action is KeyAction.KNOWN:
                return known(text)
            return Note(text)
        except UsageError as error:
            self.message = str(error)
            return None
