"""Benchmark: the reliability picture, as plain SVG (no plotting library needed)."""

from __future__ import annotations

from collections.abc import Sequence

_SIDE, _EDGE = 360.0, 50.0
Bin = tuple[float, float, int, float, float]


def _at(announced: float, true: float) -> tuple[float, float]:
    return _EDGE + announced * _SIDE, _EDGE + (1.0 - true) * _SIDE


def _mark(bin_: Bin) -> str:
    """One bin: a circle with its count beside it and a bar of two standard errors."""
    _, _, count, said, true = bin_
    x, y = _at(said, true)
    spread = 2.0 * (max(true * (1.0 - true), 0.25 / count) / count) ** 0.5
    top, bottom = _at(said, min(1.0, true + spread))[1], _at(said, max(0.0, true - spread))[1]
    return (
        f'<line x1="{x:.1f}" y1="{top:.1f}" x2="{x:.1f}" y2="{bottom:.1f}" stroke="black"/>'
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="black"/>'
        f'<text x="{x + 7:.1f}" y="{y + 4:.1f}">{count}</text>'
    )


def _ticks() -> list[str]:
    out = []
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        x, y = _at(share, share)
        out.append(f'<text x="{x:.1f}" y="{_EDGE + _SIDE + 18:.1f}" text-anchor="middle">{share:g}</text>')
        out.append(f'<text x="{_EDGE - 8:.1f}" y="{y + 4:.1f}" text-anchor="end">{share:g}</text>')
    return out


def reliability_svg(bins: Sequence[Bin], title: str) -> str:
    """Announced ``chance_reached`` across, share that had truly reached upwards; the diagonal is perfect."""
    size = _SIDE + 2 * _EDGE
    (x0, y0), (x1, y1) = _at(0.0, 0.0), _at(1.0, 1.0)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{size:.0f}" height="{size:.0f}" '
        'font-family="sans-serif" font-size="11">',
        '<rect width="100%" height="100%" fill="white"/>',
        f'<rect x="{_EDGE}" y="{_EDGE}" width="{_SIDE}" height="{_SIDE}" fill="none" stroke="gray"/>',
        f'<line x1="{x0}" y1="{y0}" x2="{x1}" y2="{y1}" stroke="gray" stroke-dasharray="4"/>',
        f'<text x="{_EDGE}" y="24" font-size="13">{title}</text>',
        f'<text x="{size / 2:.0f}" y="{size - 12:.0f}" text-anchor="middle">chance announced</text>',
        f'<text x="14" y="{size / 2:.0f}" text-anchor="middle" transform="rotate(-90 14 {size / 2:.0f})">'
        "share that was</text>",
        *_ticks(),
        *(_mark(b) for b in bins),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"
