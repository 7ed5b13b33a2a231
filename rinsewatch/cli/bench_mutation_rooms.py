"""Mutation bench: which files, the nearest tests of each, and the mutants known to change nothing."""

from __future__ import annotations

from typing import Final

_DRIVERS: Final = "drivers/rinsewatch_drivers"
_LINES: Final = (
    "tests/drivers/test_captures.py", "tests/drivers/test_hand_sniff_capture.py", "tests/drivers/test_text_grammar.py",
)  # fmt: skip
_BOOK: Final = ("tests/app/test_logbook_store.py", "tests/logbook_book/test_records_crash.py")

ROOMS: Final[dict[str, dict[str, tuple[str, ...]]]] = {
    "grammar": {
        f"{_DRIVERS}/framing.py": ("tests/drivers/test_framing_chunks.py",),
        f"{_DRIVERS}/numbers.py": _LINES,
        f"{_DRIVERS}/text.py": _LINES,
        f"{_DRIVERS}/hand.py": ("tests/drivers/test_hand_sniff_capture.py",),
    },
    "quality": {
        "rinsewatch/rinse/gate.py": ("tests/rinse/test_gate.py",),
        "rinsewatch/rinse/shape.py": ("tests/rinse/test_shape.py",),
        "rinsewatch/rinse/earlier.py": ("tests/rinse/test_earlier.py",),
        f"{_DRIVERS}/watch.py": ("tests/drivers/test_link_states.py",),
    },
    "endpoint": {
        "rinsewatch/rinse/verdict.py": ("tests/rinse/test_verdicts.py",),
        "rinsewatch/rinse/target.py": ("tests/rinse/test_verdicts.py",),
    },
    "logbook": {
        "rinsewatch/logbook/chain.py": _BOOK,
        "rinsewatch/logbook/entry.py": _BOOK,
        "rinsewatch/logbook/lock.py": _BOOK,
        "rinsewatch/logbook/schema.py": _BOOK,
        "rinsewatch/logbook/writer.py": _BOOK,
        "rinsewatch/session/recorder.py": ("tests/app/test_session_parts.py",),
    },
}

# (file, line, change) -> why nothing anyone can see changes.
EQUIVALENT: Final[dict[tuple[str, str, str], str]] = {}
