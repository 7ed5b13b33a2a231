"""Fault bench: what is known to be lacking; a run fails at anything worse, and at a list that is out of date."""

from __future__ import annotations

from collections.abc import Sequence

from rinsewatch.cli.bench_fault_table import Result

# Rows that do not survive yet. DEVELOPERS.md says what each lacks.
KNOWN: dict[str, str] = {}
_RANKS = {"survived": 0, "partly": 1, "not built": 2, "FAILED": 3, "control passed": 3}


def worse(found: Sequence[Result]) -> list[str]:
    """Rows that do worse than is known of them, in words."""
    return [_words(row) for row in found if _change(row) > 0]


def better(found: Sequence[Result]) -> list[str]:
    """Rows that do better: the list must be brought up to date, or their next fall would pass."""
    return [_words(row) for row in found if _change(row) < 0]


def lacking(found: Sequence[Result]) -> list[str]:
    """Rows that are as bad as is known of them, with what they lack; and those that could not run here."""
    known = [f"{row.id} {row.state}: {row.lacking}" for row in found if row.id in KNOWN and not _change(row)]
    return known + [f"{row.id} {row.state}: {row.figures}" for row in found if row.state not in _RANKS]


def _change(row: Result) -> int:
    """Above 0: worse than known. A row that cannot run here is neither."""
    known = _RANKS[KNOWN.get(row.id, "survived")]
    return _RANKS.get(row.state, known) - known


def _words(row: Result) -> str:
    return f"{row.id} {row.state}, known as {KNOWN.get(row.id, 'survived')}"
