"""The demo's own logbook: begun anew, and nobody else's."""

from __future__ import annotations

from pathlib import Path

import pytest

from rinsewatch.cli import demorun
from rinsewatch.errors import LogbookError
from rinsewatch.logbook.lock import WriterLock
from rinsewatch.logbook.store import Logbook


@pytest.fixture
def old(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The last demo's logbook, where the next one looks for it."""
    monkeypatch.setenv("RINSEWATCH_DATA", str(tmp_path / "logbook.sqlite"))
    path = tmp_path / demorun.FILE_NAME
    with Logbook.open(path) as logbook:
        logbook.begin_rinse({}, "", "2026-01-02T00:00:00Z")
    return path


def _begin() -> int:
    """Rinses in the logbook a demo begins with."""
    demo = demorun.Demo(
        speed=30.0, seconds=1.0, residue="NaOH", flow=False, seed=1, as_json=False, plain=True, keep=False
    )
    with demorun._logbook(demo) as logbook:
        return len(logbook.rinses())


def test_it_is_begun_anew(old: Path) -> None:
    assert _begin() == 0


def test_two_begun_at_once_do_not_delete_each_other_s(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Until the last one's is gone nobody else can begin to write; and the other one may have been first."""
    unlink, refused = Path.unlink, []

    def watched(self: Path, missing_ok: bool = False) -> None:
        if self == old:
            with pytest.raises(LogbookError, match="being written") as told:
                WriterLock(old).acquire()
            refused.append(told.value)
            unlink(self)
        unlink(self, missing_ok=missing_ok)

    monkeypatch.setattr(Path, "unlink", watched)
    assert _begin() == 0
    assert len(refused) == 1


def test_one_in_use_is_left_alone(old: Path) -> None:
    with Logbook.open(old) as used:
        used.reserve()
        with pytest.raises(LogbookError, match="being written"):
            _begin()
        assert len(used.rinses()) == 1


def test_what_is_no_logbook_is_left_alone(old: Path) -> None:
    old.write_text("shopping list")
    with pytest.raises(LogbookError):
        _begin()
    assert old.read_text() == "shopping list"
