"""A question answered key by key on the message line: ``New portion volume (mL): 25_``."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from rinsewatch.screen.keys import BACKSPACE, ENTER, ESCAPE

_LONGEST = 200  # characters; notes are short


class Answer(StrEnum):
    """Where a question stands."""

    OPEN = "open"
    GIVEN = "given"
    LEFT = "left"


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked and what has been typed so far; immutable, each key gives the next one."""

    prompt: str
    text: str = ""
    answer: Answer = Answer.OPEN

    @property
    def words(self) -> str:
        """For ``Snapshot.question``; the underscore is the cursor."""
        return f"{self.prompt}{self.text}_" if self.answer is Answer.OPEN else ""

    def press(self, key: str) -> Question:
        """The question after a key: printable adds, BACKSPACE removes, ENTER gives, ESCAPE leaves."""
        if self.answer is not Answer.OPEN:
            return self
        if key == ENTER:
            return replace(self, answer=Answer.GIVEN)
        if key == ESCAPE:
            return replace(self, answer=Answer.LEFT)
        if key == BACKSPACE:
            return replace(self, text=self.text[:-1])
        return replace(self, text=self.text + key) if len(key) == 1 and len(self.text) < _LONGEST else self
