"""The hash chain: every stored row vouches for itself and for all rows before it.

SQLite's own integrity check does not look at content; a flipped bit in a reading passes it.
"""

from __future__ import annotations

import hashlib
import math
import struct
from collections.abc import Iterable

Stored = None | int | float | str | bytes
START = bytes(32)
_DOUBLE = struct.Struct(">d").pack


def link(before: bytes, values: Iterable[Stored]) -> bytes:
    """SHA-256 over the hash before and the values, their types and lengths included (32 bytes)."""
    parts = [before]
    for value in values:
        tag, raw = _canonical(value)
        parts += (tag, len(raw).to_bytes(4, "big"), raw)
    return hashlib.sha256(b"".join(parts)).digest()


def _canonical(value: Stored) -> tuple[bytes, bytes]:
    if value is None:
        return b"N", b""
    if isinstance(value, int):
        return b"I", b"%d" % value
    if isinstance(value, float):
        return b"F", _DOUBLE(value + 0.0)  # -0.0 comes back from SQLite as 0.0
    if isinstance(value, str):
        return b"T", value.encode("utf-8", "surrogateescape")
    return b"B", value


def real(value: float | None) -> float | None:
    """A float as SQLite keeps it; NaN would come back as NULL and is refused with ValueError."""
    if value is not None and math.isnan(value):
        raise ValueError("not a number (NaN) cannot be stored")
    return None if value is None else float(value) + 0.0


def text(value: str) -> str:
    """Text that is valid UTF-8: lone surrogates (a note typed in another encoding) are spelled out."""
    return value.encode("utf-8", "backslashreplace").decode()
