"""Fault bench: the real program as a process of its own, watched, stopped, starved."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

import rinsewatch
from rinsewatch.cli.bench_fault_table import CannotRun
from rinsewatch.errors import LogbookError
from rinsewatch.logbook.store import Logbook

ROOT = Path(rinsewatch.__file__).parents[1]
PATHS = tuple(str(ROOT / part) for part in ("", "drivers", "sim"))
_NOBODY = 65534


def environment(folder: Path, **more: str) -> dict[str, str]:
    """For a process of ours: this tree, a data folder of its own."""
    return {**os.environ, "PYTHONPATH": os.pathsep.join(PATHS), "RINSEWATCH_DATA": str(folder), **more}


def run_program(
    folder: Path, *arguments: str, typed: str = "", timeout_s: float = 60.0, world: Mapping[str, str] | None = None
) -> tuple[int, str, str]:
    """Run ``rinsewatch``, with ``world`` in its environment; (exit code, stdout, stderr)."""
    done = subprocess.run(
        [sys.executable, "-m", "rinsewatch", *arguments],
        env=environment(folder, **(world or {})), input=typed, capture_output=True, text=True,
        timeout=timeout_s, check=False,
    )  # fmt: skip
    return done.returncode, done.stdout, done.stderr


@contextmanager
def program(folder: Path, *arguments: str, out: int | None = subprocess.DEVNULL) -> Iterator[subprocess.Popen[str]]:
    """``rinsewatch`` running; killed by its handle at the end."""
    with _running(["-m", "rinsewatch", *arguments], environment(folder), out) as process:
        yield process


@contextmanager
def script(text: str, *arguments: str, before: Sequence[str] = ()) -> Iterator[subprocess.Popen[str]]:
    """A small program of our own (``before``: words in front, as of strace); killed by its handle at the end."""
    world = {**os.environ, "PYTHONPATH": os.pathsep.join(PATHS)}
    with _running(["-c", text, *arguments], world, subprocess.PIPE, before) as process:
        yield process


@contextmanager
def _running(
    words: Sequence[str], world: Mapping[str, str], out: int | None, before: Sequence[str] = ()
) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [*before, sys.executable, *words],
        env=world, stdin=subprocess.PIPE, stdout=out, stderr=subprocess.PIPE, text=True, process_group=0,
    )  # fmt: skip
    try:
        yield process
    finally:
        kill_group(process)
        process.communicate()


def kill_group(process: subprocess.Popen[str] | subprocess.Popen[bytes]) -> None:
    """Kill a program that leads its group, and what it runs: a killed strace leaves its program running."""
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)


def first_line(process: subprocess.Popen[str]) -> str:
    """Waits for its next line of output."""
    assert process.stdout is not None
    return process.stdout.readline().strip()


def as_nobody(text: str, *arguments: str) -> str:
    """Output of a small program run by a user who owns nothing; CannotRun unless we are root.

    It is forked from this process: its folder may be closed to that user.
    """
    if os.geteuid() != 0:
        raise CannotRun("needs root, to become a user without rights")
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        _run_as_nobody(text, arguments, writer)
    os.close(writer)
    os.waitpid(child, 0)
    with os.fdopen(reader, encoding="utf-8") as pipe:
        return pipe.read()


def _run_as_nobody(text: str, arguments: Sequence[str], writer: int) -> None:
    os.dup2(writer, 1)
    sys.argv = ["", *arguments]
    sys.stdout = os.fdopen(1, "w", encoding="utf-8", closefd=False)
    code = compile(text, "nobody", "exec")
    try:
        exec(code, {"nobody": _become_nobody, "__name__": "nobody"}) if "nobody(" in text else _exec_after(code)
    finally:
        sys.stdout.flush()
        os._exit(0)


def _become_nobody() -> None:
    os.setgroups([])
    os.setgid(_NOBODY)
    os.setuid(_NOBODY)


def _exec_after(code: object) -> None:
    """Imports first, as root: the tree may be closed to others; a module imported here is there already."""
    import rinsewatch_drivers.transport  # noqa: F401 - imported before the rights are given up

    _become_nobody()
    exec(code, {"__name__": "nobody"})  # type: ignore[arg-type]  # a code object


def wait_for(there: Callable[[], bool], within_s: float = 20.0, step_s: float = 0.05) -> bool:
    """True once ``there`` holds; False when the time is up."""
    ends_s = time.monotonic() + within_s
    while not there():
        if time.monotonic() > ends_s:
            return False
        time.sleep(step_s)
    return True


def stored(path: Path, rinse_id: int = 1) -> int:
    """Rows of a rinse in a logbook, 0 where there is none yet."""
    if not path.exists():
        return 0
    try:
        with Logbook.open(path, create=False) as book:
            return book.rinse(rinse_id).rows
    except LogbookError:
        return 0


def sound(path: Path) -> bool:
    """Does everything in the logbook verify?"""
    with Logbook.open(path, create=False) as book:
        return all(found.ok for found in book.verify_all())
