"""Mutation bench: ``python -m rinsewatch.cli.bench_mutation`` plants small faults and counts those the tests notice.

Each fault is planted alone, in a copy of the tree in a temporary folder, and the nearest tests of its file are run with
a time limit. The working tree is only read.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import click

import rinsewatch
from rinsewatch.cli.bench_mutants import Mutant, mutants_of
from rinsewatch.cli.bench_mutation_rooms import EQUIVALENT, ROOMS

_ROOT = Path(rinsewatch.__file__).parents[1]
_COPIED = ("rinsewatch", "drivers", "sim", "tests", "pyproject.toml", "README.md", "DEVELOPERS.md")
_SLOWER, _AT_LEAST_S = 4.0, 6.0  # a mutant may take so many times the time of the sound tests, and this at least


@dataclass(slots=True)
class Tally:
    """What came of a room's mutants; ``survivors``: the file and the mutant."""

    killed: int = 0
    hung: int = 0
    equivalent: int = 0
    survivors: list[tuple[str, Mutant]] = field(default_factory=list)

    @property
    def counted(self) -> int:
        """All but those known to change nothing."""
        return self.killed + self.hung + len(self.survivors)

    @property
    def score(self) -> float:
        """Share noticed, in per cent; a hang is noticed."""
        return 100.0 * (self.killed + self.hung) / max(1, self.counted)


class Server:
    """The process that runs tests in a copy of the tree."""

    def __init__(self, tree: Path) -> None:
        paths = os.pathsep.join(str(tree / part) for part in (".", "drivers", "sim"))
        world = {**os.environ, "PYTHONPATH": paths, "OPENBLAS_NUM_THREADS": "1", "TMPDIR": str(tree.parent)}
        self.tree = tree
        self._process = subprocess.Popen(
            [sys.executable, "-P", str(Path(__file__).with_name("bench_mutation_server.py"))],
            cwd=tree, env=world, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip

    def run(self, tests: Sequence[str], limit_s: float) -> tuple[int, str]:
        """Pytest's exit code (-1: time up) and the end of what it said."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write(json.dumps({"tests": list(tests), "limit_s": limit_s}) + "\n")
        self._process.stdin.flush()
        answer = json.loads(self._process.stdout.readline())
        return int(answer["code"]), str(answer["said"])

    def close(self) -> None:
        """End it."""
        self._process.communicate()


@contextmanager
def _copy() -> Iterator[Path]:
    """In memory where there is such a place: logbooks are synced, and the disk is not what is tested."""
    memory = Path("/dev/shm")
    where = memory if os.access(memory, os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="rinsewatch-mutants-", dir=where, ignore_cleanup_errors=True) as name:
        tree = Path(name) / "tree"
        tree.mkdir()
        for part in _COPIED:
            source = _ROOT / part
            if source.is_dir():
                ignored = shutil.ignore_patterns("__pycache__", ".hypothesis")
                shutil.copytree(source, tree / part, ignore=ignored)
            else:
                shutil.copy(source, tree)
        yield tree


@click.command(help=__doc__)
@click.option("--only", default="", help="Rooms, or files by a part of their name, with commas between.")
@click.option("--sample", default=0, help="So many mutants of each file, drawn at random; 0: all.")
@click.option("--seed", default=1, show_default=True, help="Of that draw.")
@click.option("--quiet", is_flag=True, help="Only the scores.")
def main(only: str, sample: int, seed: int, quiet: bool) -> None:
    """Exit code 1 if a room scores under 90 %."""
    scores = []
    with _copy() as tree:
        server = Server(tree)
        for room, files in ROOMS.items():
            wanted = {name: tests for name, tests in files.items() if _wanted(only, room, name)}
            if wanted:
                tally = run_room(server, wanted, sample, random.Random(seed))
                scores.append(tally.score)
                click.echo(f"{room}: {summary(tally)}")
                click.echo("" if quiet else survivors(tally), nl=not quiet)
                for listed in (entry for name in wanted for entry in stale(name, (tree / name).read_text("utf-8"))):
                    click.echo(f"  listed as changing nothing, but no more there: {listed}")
        server.close()
    sys.exit(0 if all(score >= 90.0 for score in scores) else 1)


def _wanted(only: str, room: str, file: str) -> bool:
    words = [word.strip() for word in only.split(",") if word.strip()]
    return not words or any(word == room or word in file for word in words)


def run_room(server: Server, files: dict[str, tuple[str, ...]], sample: int, rng: random.Random) -> Tally:
    """Every mutant of these files against the tests named beside each; UsageError if those fail by themselves."""
    tally = Tally()
    for name, tests in files.items():
        place = server.tree / name
        sound = place.read_text("utf-8")
        limit_s = _limit_s(server, name, tests)
        mutants = list(mutants_of(sound))
        if sample and sample < len(mutants):
            mutants = sorted(rng.sample(mutants, sample), key=lambda mutant: mutant.line)
        for number, mutant in enumerate(mutants, start=1):
            _write(place, mutant.source, number)
            code, _ = server.run(tests, limit_s)
            tally.killed += code > 0
            tally.hung += code < 0
            if code == 0 and (name, mutant.text, mutant.change) in EQUIVALENT:
                tally.equivalent += 1
            elif code == 0:
                tally.survivors.append((name, mutant))
        _write(place, sound, 0)
    return tally


def stale(name: str, source: str) -> list[tuple[str, str, str]]:
    """Mutants of a file that are listed as changing nothing and are no more: their line was changed."""
    known = {(mutant.text, mutant.change) for mutant in mutants_of(source)}
    return [listed for listed in EQUIVALENT if listed[0] == name and listed[1:] not in known]


def _write(place: Path, source: str, number: int) -> None:
    """With a time of its own: Python tells by time and size whether what it compiled before still holds."""
    place.write_text(source, "utf-8")
    os.utime(place, (1_000_000_000 + number, 1_000_000_000 + number))


def _limit_s(server: Server, name: str, tests: Sequence[str]) -> float:
    """How long a mutant of this file may take."""
    begun_s = time.monotonic()
    code, said = server.run(tests, 300.0)
    if code:
        raise click.UsageError(f"the tests of {name} fail without any planted fault:\n{said}")
    return max(_AT_LEAST_S, _SLOWER * (time.monotonic() - begun_s))


def summary(tally: Tally) -> str:
    """A room in one line."""
    return (
        f"{tally.score:.1f} % of {tally.counted} mutants noticed ({tally.killed} by a failing test, "
        f"{tally.hung} by the time limit); {len(tally.survivors)} survived; {tally.equivalent} change nothing"
    )


def survivors(tally: Tally) -> str:
    """The survivors, a line each: where, what was planted, the line as it is."""
    lines = [f"  {name}:{mutant.line}  {mutant.change}  |  {mutant.text}" for name, mutant in tally.survivors]
    return "\n".join(lines)


if __name__ == "__main__":
    main()
