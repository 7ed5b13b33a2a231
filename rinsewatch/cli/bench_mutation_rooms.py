"""Mutation bench: which files, the nearest tests of each, and the mutants known to change nothing."""

from __future__ import annotations

from typing import Final

_DRIVERS: Final = "drivers/rinsewatch_drivers"
_LINES: Final = (
    "tests/drivers/test_grammar_edges.py", "tests/drivers/test_captures.py",
    "tests/drivers/test_hand_sniff_capture.py", "tests/drivers/test_text_grammar.py",
)  # fmt: skip
_FOLLOWS: Final = "tests/rinse/test_gate_follows.py"
_GATE: Final = ("tests/rinse/test_gate_edges.py", "tests/rinse/test_gate.py", _FOLLOWS)
_SHAPE: Final = ("tests/rinse/test_shape_edges.py",)
_DECISION: Final = ("tests/rinse/test_decision_edges.py", "tests/rinse/test_verdicts.py")
_BOOK: Final = (
    "tests/app/test_logbook_writes_edges.py", "tests/app/test_logbook_files_edges.py",
    "tests/app/test_logbook_damaged_rows.py", "tests/app/test_logbook_store.py",
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
        "rinsewatch/rinse/earlier.py": (*_SHAPE, "tests/rinse/test_earlier.py", _FOLLOWS),
        f"{_DRIVERS}/word_order.py": ("tests/drivers/test_word_order.py",),
        f"{_DRIVERS}/watch.py": ("tests/drivers/test_watch_edges.py", "tests/drivers/test_link_states.py"),
    },
    "endpoint": {
        "rinsewatch/rinse/verdict.py": _DECISION,
        "rinsewatch/rinse/target.py": _DECISION[:1],
    },
    "logbook": {
        "rinsewatch/logbook/chain.py": _BOOK[:2],
        "rinsewatch/logbook/entry.py": (*_BOOK[:2], _BOOK[3]),
        "rinsewatch/logbook/lock.py": (_BOOK[1], _BOOK[3]),
        "rinsewatch/logbook/schema.py": _BOOK,
        "rinsewatch/logbook/writer.py": _BOOK,
        "rinsewatch/session/recorder.py": ("tests/app/test_session_parts.py", _BOOK[1]),
    },
}

_GATE_PY, _SHAPE_PY, _WATCH = "rinsewatch/rinse/gate.py", "rinsewatch/rinse/shape.py", f"{_DRIVERS}/watch.py"
_LOCK, _SCHEMA, _WRITER = (f"rinsewatch/logbook/{name}.py" for name in ("lock", "schema", "writer"))
_FRAMING, _NUMBERS, _TEXT = f"{_DRIVERS}/framing.py", f"{_DRIVERS}/numbers.py", f"{_DRIVERS}/text.py"

# (file, line, change) -> why nothing anyone can see changes. They are planted all the same: one that is noticed after
# all counts as noticed.
EQUIVALENT: Final[dict[tuple[str, str, str], str]] = {
    (_FRAMING, "_SLICE = 4096  # keeps the copying linear when megabytes come at once", "4097, not 4096"):
        "size of a piece; the frames do not depend on it",
    (_FRAMING, 'LINE = "line"', "'', not 'line'"): "a name only",
    (_FRAMING, 'FIRST = "first"  # joined in its middle, perhaps: the line was running when the port was opened',
     "'', not 'first'"): "a name only",
    (_FRAMING, 'OVERLONG = "overlong"', "'', not 'overlong'"): "a name only",
    (_FRAMING, 'CUT = "cut"  # no terminator: the port went away', "'', not 'cut'"): "a name only",
    (_NUMBERS, 'text = "" if "." in text else text.replace(",", ".", 1)', "'x', not ''"): "neither is a number",
    (_NUMBERS, 'text = "" if "." in text else text.replace(",", ".", 1)', "2, not 1"): "1.2.3 is no number either",
    (_NUMBERS, "value: float, decimals: int | None, unit: str, *, temperature_c: float | None = None, "
     'condition: str = ""', "'x', not ''"): "only hold and battery are looked for",
    (_TEXT, "super().__init__(cause)", "without: super().__init__(cause)"): "its words are never shown",
    (_TEXT, 'ignored = [part for name, part in zip(text.columns, parts, strict=True) if name == "-"]',
     "False, not True"): "both are of one length by then",
    (_TEXT, 'return Fields(**{name: part for name, part in zip(text.columns, parts, strict=True) if name != "-"})',
     "False, not True"): "both are of one length by then",
    (_TEXT, 'value, unit = _first(pairs, text.value_keys, ("", ""))', "'x', not ''"):
        "a line without the value is refused a step later, for the same cause",
    (_TEXT, 'named_unit, _ = _first(pairs, text.unit_keys, ("", ""))', "'x', not ''"): "the second is thrown away",
    (_TEXT, 'flag, _ = _first(pairs, text.flag_keys, ("", ""))', "'x', not ''"): "the second is thrown away",
    (_TEXT, '_T = TypeVar("_T")', "'', not '_T'"): "a name only",
    (_TEXT, 'for name, words in (("over", text.over_words), ("under", text.under_words), ("error", text.error_words)):',
     "'', not 'under'"): "what is neither over nor an error is under",
    (_TEXT, '"": ("", *text.ok_words), "hold": text.hold_words, "battery": text.battery_words,', "'x', not ''"):
        "only hold and battery are looked for",
    (_GATE_PY, "travel: float = 0.0", "1.0, not 0.0"): "an odometer: only differences count",
    (_GATE_PY, "self._run_count = 0", "1, not 0"): "set anew by the first reading",
    (_GATE_PY, "self._run_count = 0", "without: self._run_count = 0"): "set anew by the first reading",
    (_GATE_PY, "self._run_travel = 0.0", "1.0, not 0.0"): "set anew by the first reading",
    (_GATE_PY, "self._run_travel = 0.0", "without: self._run_travel = 0.0"): "set anew by the first reading",
    (_GATE_PY, "self._hold = None", "without: self._hold = None"): "where it survives, confirm() has ended the hold",
    (_GATE_PY, "moved = due > max(FROZEN_STEPS * span.step_us_cm / max(span.shown_us_cm, 1e-9), FROZEN_CHANGE)",
     "2e-09, not 1e-09"): "0 never counts as standing still",
    (_GATE_PY, "return False", "return None, not False"): "neither is true",
    (_SHAPE_PY, "LATE: Final = (0.75, 1.0)", "2.0, not 1.0"): "nothing is read after the last reading",
    (_SHAPE_PY, "self._looked_at = 0", "1, not 0"): "one reading more tells nothing",
    (_SHAPE_PY, "self._now, self._trusted, self._looked_at = PortionWindow(), PortionWindow(), 0", "1, not 0"):
        "one reading more tells nothing",
    (_SHAPE_PY, "self._known, self._looked_at = [], 0", "1, not 0"): "one reading more tells nothing",
    (_SHAPE_PY, "self._behaves, self._vouches, self._moves = NOTHING_SEEN",
     "without: self._behaves, self._vouches, self._moves = NOTHING_SEEN"): "where it survives, it is looked at anew",
    (_SHAPE_PY, "self._looked_at = self._now.count", "without: self._looked_at = self._now.count"):
        "looks more often, to the same end",
    (_WATCH, "self._reopened = False  # the port is there again, but no reading yet", "True, not False"):
        "set anew when the port is lost, before it is asked",
    (_WATCH, "self._reopened = False  # the port is there again, but no reading yet",
     "without: self._reopened = False"): "set anew when the port is lost, before it is asked",
    (_WATCH, "self._held_until_s = now_s", "without: self._held_until_s = now_s"): "set anew before it is asked",
    (_WATCH, 'self._since_s = now_s  # of the trouble, for "back after"', "without: self._since_s = now_s"):
        "set anew before it is asked",
    (_WATCH, "return max(SILENT_PERIODS * (self.period_s or 0.0), SILENT_LEAST_S)", "1.0, not 0.0"):
        "three seconds are less than the least anyway",
    (_LOCK, 'if sys.platform == "win32":', "'', not 'win32'"): "only on Windows",
    (_LOCK, "os.lseek(descriptor, 4096, os.SEEK_SET)  # beyond the text: such locks also forbid reading",
     "4097, not 4096"): "only on Windows",
    (_LOCK, "os.lseek(descriptor, 4096, os.SEEK_SET)  # beyond the text: such locks also forbid reading",
     "without: os.lseek(descriptor, 4096, os.SEEK_SET)"): "only on Windows",
    (_LOCK, "msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)", "2, not 1"): "only on Windows",
    (_LOCK, "msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)",
     "without: msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)"): "only on Windows",
    (_LOCK, "os.ftruncate(descriptor, 0)", "1, not 0"): "the one byte is written over",
    (_LOCK, "os.lseek(descriptor, 0, os.SEEK_SET)", "without: os.lseek(descriptor, 0, os.SEEK_SET)"):
        "nothing was read or written before",
    (_SCHEMA, "header = stream.read(100)", "101, not 100"): "only the first hundred are looked at",
    (_SCHEMA, 'with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as fresh:',
     "'', not ':memory:'"): "a temporary database as well",
    (_SCHEMA, "connection = sqlite3.connect(uri, uri=True, timeout=busy_s, isolation_level=None, "
     "check_same_thread=False)", "False, not True"): "where it survives, SQLite was built to take such names anyway",
    (_WRITER, 'head = Head(*found) if found else Head(-1, b"")', "1, not -1"): "fits no head there is",
    (_WRITER, 'head = Head(*found) if found else Head(-1, b"")', "2, not 1"): "fits no head there is",
    (_WRITER, 'head = Head(*found) if found else Head(-1, b"")', "b'x', not b''"): "fits no head there is",
    ("rinsewatch/session/recorder.py", "if len(self._waiting) > self._limit:",
     "Gt -> GtE in len(self._waiting) > self._limit"): "none is too many then",
}  # fmt: skip
