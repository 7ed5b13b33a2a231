"""Mutation bench: which files, the nearest tests of each, and the mutants known to change nothing."""

from __future__ import annotations

from typing import Final

_DRIVERS: Final = "drivers/rinsewatch_drivers"
_LINES: Final = (
    "tests/drivers/test_grammar_edges.py", "tests/drivers/test_captures.py",
    "tests/drivers/test_hand_sniff_capture.py", "tests/drivers/test_text_grammar.py",
)  # fmt: skip
_GATE: Final = ("tests/rinse/test_gate_edges.py", "tests/rinse/test_gate.py")
_SHAPE: Final = ("tests/rinse/test_shape_edges.py",)
_DECISION: Final = ("tests/rinse/test_decision_edges.py", "tests/rinse/test_verdicts.py")
_BOOK: Final = (
    "tests/app/test_logbook_damaged_rows.py", "tests/app/test_logbook_store.py",
    "tests/logbook_book/test_records_crash.py",
)  # fmt: skip

ROOMS: Final[dict[str, dict[str, tuple[str, ...]]]] = {
    "grammar": {
        f"{_DRIVERS}/framing.py": ("tests/drivers/test_framing_chunks.py", "tests/drivers/test_grammar_edges.py"),
        f"{_DRIVERS}/numbers.py": _LINES,
        f"{_DRIVERS}/text.py": _LINES,
        f"{_DRIVERS}/hand.py": _LINES[:-1],
    },
    "quality": {
        "rinsewatch/rinse/gate.py": _GATE,
        "rinsewatch/rinse/shape.py": (*_SHAPE, "tests/rinse/test_shape.py"),
        "rinsewatch/rinse/earlier.py": (*_SHAPE, "tests/rinse/test_earlier.py"),
        f"{_DRIVERS}/watch.py": ("tests/drivers/test_watch_edges.py", "tests/drivers/test_link_states.py"),
    },
    "endpoint": {
        "rinsewatch/rinse/verdict.py": _DECISION,
        "rinsewatch/rinse/target.py": _DECISION[:1],
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
