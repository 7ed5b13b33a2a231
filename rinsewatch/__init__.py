"""rinsewatch: watches the rinse of regenerated deionizing resin and says when to stop.

The pure core is reachable from here without paying for it at import::

    from rinsewatch import Rinse, RinseSetup, Row
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"
__all__ = ["Endpoint", "Residue", "Rinse", "RinseSetup", "RinseState", "Row", "Verdict", "__version__"]

if TYPE_CHECKING:
    from rinsewatch.rinse.monitor import Rinse
    from rinsewatch.rinse.row import Row
    from rinsewatch.rinse.setup import Endpoint, Residue, RinseSetup
    from rinsewatch.rinse.state import RinseState, Verdict

_HOMES = {
    "Rinse": "rinsewatch.rinse.monitor",
    "Row": "rinsewatch.rinse.row",
    "Endpoint": "rinsewatch.rinse.setup",
    "Residue": "rinsewatch.rinse.setup",
    "RinseSetup": "rinsewatch.rinse.setup",
    "RinseState": "rinsewatch.rinse.state",
    "Verdict": "rinsewatch.rinse.state",
}


def __getattr__(name: str) -> Any:
    """Import the core on first use: ``--help`` must not pay for numpy and scipy."""
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'rinsewatch' has no attribute {name!r}")
