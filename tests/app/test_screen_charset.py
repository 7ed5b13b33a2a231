"""When the screen keeps to ASCII: the locale's variables in their order, and the stream's encoding."""

from __future__ import annotations

from pathlib import Path

import pytest

from rinsewatch.screen.charset import started_with, wants_ascii


@pytest.mark.parametrize(
    ("environ", "ascii_only"),
    [
        ({}, False),
        ({"LANG": "C.UTF-8"}, False),
        ({"LANG": "de_DE.utf8"}, False),
        ({"LC_CTYPE": "UTF-8"}, False),
        ({"LANG": "nl_NL.UTF-8@euro"}, False),
        ({"LANG": "C"}, True),
        ({"LANG": "POSIX"}, True),
        ({"LANG": "de_DE.ISO-8859-1"}, True),
        ({"LANG": "de_DE@euro"}, True),
        # POSIX.1-2017, Base Definitions, 8.2: LC_ALL before LC_CTYPE before LANG; an empty one does not count
        ({"LC_ALL": "C", "LC_CTYPE": "C.UTF-8", "LANG": "C.UTF-8"}, True),
        ({"LC_ALL": "", "LC_CTYPE": "C", "LANG": "C.UTF-8"}, True),
        ({"LC_ALL": "C.UTF-8", "LC_CTYPE": "C", "LANG": "C"}, False),
        ({"LC_CTYPE": "C.UTF-8", "LANG": "C"}, False),
    ],
)
def test_the_locale_decides_in_its_order(environ: dict[str, str], ascii_only: bool) -> None:
    assert wants_ascii(environ, "utf-8") is ascii_only


@pytest.mark.parametrize("encoding", ["ascii", "ANSI_X3.4-1968", "iso8859-1", "cp1252"])
def test_a_stream_that_cannot_write_the_signs_decides_too(encoding: str) -> None:
    assert wants_ascii({"LANG": "C.UTF-8"}, encoding)


def test_what_python_made_of_the_c_locale_is_not_believed(tmp_path: Path) -> None:
    """PEP 538: in the C locale Python itself sets LC_CTYPE to C.UTF-8."""
    at_start = tmp_path / "environ"
    at_start.write_bytes(b"LANG=C\0SHELL=sh\0")
    seen = started_with({"LANG": "C", "LC_CTYPE": "C.UTF-8", "TERM": "xterm"}, at_start)
    assert wants_ascii(seen, "utf-8")
    assert seen["TERM"] == "xterm"
    here = {"LANG": "C.UTF-8"}
    assert started_with(here, tmp_path / "missing") == here
