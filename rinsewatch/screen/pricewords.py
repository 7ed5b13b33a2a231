"""What stopping now would cost, beside the next portion, in litres of deionized water and plain words."""

from __future__ import annotations

from rinsewatch.screen.snapshot import Snapshot
from rinsewatch.screen.view import flow_mode, number_words


def price_words(snapshot: Snapshot) -> str:
    """``stop now loses 14 L DI; a portion costs 500 mL, saves 9.1 L``; empty while not known."""
    price = snapshot.state.price if snapshot.state else None
    if price is None:
        return ""
    portion = _litres(price.portion_l)
    next_one = f"{portion} more" if flow_mode(snapshot) else f"a portion costs {portion},"
    no_gain = "" if price.rescued_l >= price.portion_l else " (no gain)"
    return f"stop now loses {_litres(price.stop_l.mid)} DI; {next_one} saves {_litres(price.rescued_l)}{no_gain}"


def _litres(litres: float) -> str:
    return f"{number_words(1000.0 * litres)} mL" if litres < 0.9995 else f"{number_words(float(f'{litres:.2g}'))} L"
