"""Whether the terminal's locale promises UTF-8. The encoding of stdout alone does not tell: Python may have
set it to UTF-8 on its own in the C locale (PEP 538, PEP 540).
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

# The first of these that is set and not empty decides (POSIX.1-2017, Base Definitions, 8.2).
VARIABLES = ("LC_ALL", "LC_CTYPE", "LANG")
_AT_START = Path("/proc/self/environ")


def wants_ascii(environ: Mapping[str, str], encoding: str) -> bool:
    """True where signs beyond ASCII may not be drawn: by the locale's variables, or by the stream's encoding.

    Where no variable is set (always so on Windows), the encoding alone decides.
    """
    if not encoding.lower().startswith("utf"):
        return True
    name = next((environ[variable] for variable in VARIABLES if environ.get(variable)), "")
    return bool(name) and not _is_utf8(name)


def _is_utf8(locale: str) -> bool:
    """``de_DE.UTF-8``, ``C.utf8@euro``, or the bare ``UTF-8`` of some systems."""
    charset = locale.partition("@")[0].rpartition(".")[2]
    return charset.lower().replace("-", "") == "utf8"


def started_with(environ: Mapping[str, str], at_start: Path = _AT_START) -> Mapping[str, str]:
    """The environment as the process was given it: Python itself rewrites LC_CTYPE in the C locale (PEP 538).

    ``environ`` where the system does not tell (``at_start`` cannot be read).
    """
    try:
        raw = at_start.read_bytes()
    except OSError:
        return environ
    pairs = (item.partition(b"=") for item in raw.split(b"\0") if item)
    given = {name.decode("utf-8", "replace"): value.decode("utf-8", "replace") for name, _, value in pairs}
    return {**environ, **{name: given.get(name, "") for name in VARIABLES}} if given else environ
