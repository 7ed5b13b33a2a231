"""Fault bench: ``python -m rinsewatch.cli.bench_faults`` runs the catalogue of faults and prints what came of each.

Every row injects its fault for real (pseudo-terminals, signals, full disks, injected system calls, simulated rinses),
checks what must hold, and where the score table names one also runs a naive control that must fail.
"""

from __future__ import annotations

import dataclasses
import json
import os
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path

import click

from rinsewatch.cli import bench_fault_known as known
from rinsewatch.cli.bench_fault_table import BEYOND, CATALOGUE, TABLE, Bench, Result, run_fault, unbuilt

_ROWS = (
    "cable", "port", "bytes", "uart", "modbus", "calls", "meter", "person", "water", "terminal", "kill", "book",
    "clock", "host", "signals", "stacked",
)  # fmt: skip

# They measure a rate, or starve the processor; rows that were only too slow beside others run again alone too.
ALONE = ("S21", "H18")


def load() -> None:
    """Import the modules that register the rows."""
    for name in _ROWS:
        import_module(f"rinsewatch.cli.bench_fault_{name}")


@click.command(help=__doc__)
@click.option("--only", default="", help="Rows to run, like S05,M03 (a letter alone: that whole part).")
@click.option("--short", is_flag=True, help="Few injections each: about a minute.")
@click.option("--runs", default=20, show_default=True, help="Simulated rinses for each meter fault of the campaign.")
@click.option(
    "--times",
    default=1,
    show_default=True,
    type=click.IntRange(1),
    help="Kills, cuts, upgrades, frames, sequences, signals (H01, H02, H14, S24, S26, O03, X17, X21), times the usual.",
)
@click.option("--jobs", default=4, show_default=True, help="Rows run at the same time; most of them wait.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a row.")
@click.option("--out", type=click.Path(path_type=Path), help="Write the table to this file too.")
def main(only: str, short: bool, runs: int, times: int, jobs: int, as_json: bool, out: Path | None) -> None:
    """Run the rows; exit code 1 if any does worse than is known of it (or better), or a control passed."""
    load()
    found = []
    with _folder() as folder:
        for result in results(wanted(only), Bench(folder, short, runs, times=times), jobs):
            found.append(result)
            click.echo(json.dumps(dataclasses.asdict(result)) if as_json else line_of(result))
    found.sort(key=lambda result: (CATALOGUE + BEYOND).index(result.id))
    if not as_json:
        click.echo("\n" + summary(found))
    if out is not None:
        out.write_text(table(found), encoding="utf-8")
    sys.exit(1 if known.worse(found) or known.better(found) else 0)


def results(numbers: Sequence[str], bench: Bench, jobs: int) -> Iterator[Result]:
    """The rows' results: some at a time, in other processes; those that need a quiet machine one by one at the end."""
    together = [number for number in numbers if jobs > 1 and number not in ALONE]
    slow = list[Result]()
    if together:
        with ProcessPoolExecutor(jobs) as pool:
            for result in pool.map(run_row, together, [bench] * len(together)):
                if result.slow:
                    slow.append(result)
                else:
                    yield result
    yield from (_again(result, bench) for result in slow)
    for number in numbers:
        if number not in together:
            result = run_row(number, bench)
            yield _again(result, bench) if result.slow else result


def run_row(number: str, bench: Bench) -> Result:
    """One row, in its own folder."""
    load()
    inner = dataclasses.replace(bench, folder=bench.folder / number)
    return run_fault(TABLE[number], inner) if number in TABLE else unbuilt(number)


def _again(first: Result, bench: Bench) -> Result:
    """A row that was only too slow, alone once more; what it took before stays in its figures."""
    second = run_row(first.id, dataclasses.replace(bench, folder=bench.folder / "again"))
    return dataclasses.replace(
        second, figures=f"{second.figures} (second run; the first was too slow: {first.figures})"
    )


def wanted(only: str) -> list[str]:
    """The rows named, in the catalogue's order; UsageError for one that does not exist."""
    names = [name.strip().upper() for name in only.split(",") if name.strip()]
    unknown = [name for name in names if name not in CATALOGUE + BEYOND and name not in ("S", "M", "O", "H", "X")]
    if unknown:
        there = f"S01-S28, M01-M20, O01-O15, H01-H21, {', '.join(BEYOND)}"
        raise click.UsageError(f"no row {', '.join(unknown)}; rows are {there}")
    return [number for number in CATALOGUE + BEYOND if not names or number in names or number[0] in names]


@contextmanager
def _folder() -> Iterator[Path]:
    """In memory where there is such a place: the disk's own slowness is not what is tested."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(
        prefix="rinsewatch-faults-", ignore_cleanup_errors=True, dir=memory if os.access(memory, os.W_OK) else None
    ) as name:
        os.chmod(name, 0o711)  # rows that become a user without rights must be able to pass through
        yield Path(name)


def line_of(result: Result) -> str:
    """One row for the terminal."""
    control = f" | control: {result.control}" if result.control else ""
    lacking = f" | lacking: {result.lacking}" if result.lacking else ""
    return f"{result.id} {result.state:<15} {result.title}: {result.figures}{control}{lacking} ({result.seconds:g} s)"


def summary(found: Sequence[Result]) -> str:
    """How many of each, and what needs the real thing."""
    states = ("survived", "partly", "FAILED", "control passed", "cannot run here", "not built")
    counts = ", ".join(f"{n} {state}" for state in states if (n := sum(r.state == state for r in found)))
    lists = {
        "known to be lacking": known.lacking(found),
        "WORSE than known": known.worse(found),
        "BETTER than known, bring bench_fault_known.py up to date": known.better(found),
        "needs hardware, not shown here": NEEDS_HARDWARE,
    }
    named = [f"{head}:\n" + "\n".join(f"  {line}" for line in lines) for head, lines in lists.items() if lines]
    return "\n".join([f"{len(found)} rows: {counts}", *named])


def table(found: Sequence[Result]) -> str:
    """The table as Markdown."""
    head = "| row | fault | injected | state | figures | control | lacking |\n|---|---|---|---|---|---|---|\n"
    rows = [(r.id, r.title, "yes" if r.injected else "no", r.state, r.figures, r.control, r.lacking) for r in found]
    return (
        head
        + "".join("| " + " | ".join(cell.replace("|", "/") for cell in row) + " |\n" for row in rows)
        + ("\n" + summary(found) + "\n")
    )


# What no pseudo-terminal, loop device or simulated probe can show; by name, so that it is not forgotten.
NEEDS_HARDWARE = (
    "S01-S03 with a real USB adapter (its driver's own way of vanishing, hub power)",
    "S05 on a real UART (framing and parity errors, break)",
    "S24-S27 on a real RS-485 line (turn-around, termination, noise)",
    "M01-M20 with a real probe and meter",
    "H02 with the power really cut (a disk's own write cache)",
    "H07, O07 with a real suspend",
    "H13 on a real worn SD card",
    "H21 72 h in real time",
)

if __name__ == "__main__":
    main()
