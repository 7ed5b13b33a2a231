"""The session's snapshot as the screen's, at the moment of drawing."""

from __future__ import annotations

from rinsewatch.screen.snapshot import BandPoint, ChartPoint, PointKind, Snapshot
from rinsewatch.session.history import HistoryPoint
from rinsewatch.session.snapshot import SessionSnapshot

_KINDS: dict[str, PointKind] = {"reading": "reading", "over": "over", "under": "under", "bad": "bad"}


def screen_snapshot(
    shown: SessionSnapshot,
    now_s: float,
    *,
    age_s: float | None,
    meter_name: str,
    port: str,
    batch: str,
    by_hand: bool = False,
    message: str = "",
    question: str = "",
    show_help: bool = False,
) -> Snapshot:
    """What the screen needs, as of ``now_s`` (rinse s); ``message``, ``question``: the keys' own."""
    return Snapshot(
        state=shown.state,
        setup=shown.setup,
        history=tuple(_chart_point(point) for point in shown.history),
        band=tuple(BandPoint(*point) for point in shown.band),
        meter_name=meter_name,
        port=port,
        by_hand=by_hand,
        link_words=shown.link_words,
        last_reading_text=shown.last_shown,
        last_reading_age_s=age_s,
        poured_ml=shown.rinse_ml,
        portions=shown.portions,
        elapsed_s=now_s,
        paused=shown.paused,
        batch=batch,
        recorded=recorded_words(shown),
        message=message or shown.message,
        question=question or (f"{shown.question} y/n" if shown.question else ""),
        show_help=show_help,
        finished=shown.ended is not None,
        unfinished=shown.ended is not None and shown.unfinished,
    )


def recorded_words(shown: SessionSnapshot) -> str:
    """Rows stored, or loudly that they are not."""
    if not shown.trouble and not shown.dropped:
        return f"{shown.stored} row{'' if shown.stored == 1 else 's'} stored"
    dropped = f", {shown.dropped} lost" if shown.dropped else ""
    return f"NOT SAVED: {shown.trouble} ({shown.waiting} rows wait in memory{dropped})"


def _chart_point(point: HistoryPoint) -> ChartPoint:
    return ChartPoint(point.rinse_ml, point.us_cm, _KINDS[point.kind])
