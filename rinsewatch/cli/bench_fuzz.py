"""Fuzz campaign: ``python -m rinsewatch.cli.bench_fuzz`` feeds bent and random inputs to everything that reads any.

Lines and streams of each text profile, Modbus replies, meter profiles, recordings, tables of service runs, logbook
files, exports. Nothing may get out but the project's own errors in one clear line; nothing may be read that an
independent oracle does not find in the input; no change of a stored row may go unnoticed. Each target has a naive
control that must be fooled.
"""

from __future__ import annotations

import dataclasses
import json
import os
import sys
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from rinsewatch.cli.bench_fuzz_books import Books, Exports
from rinsewatch.cli.bench_fuzz_core import Account, Target, given_of, run_target, shares
from rinsewatch.cli.bench_fuzz_lines import Lines, Streams
from rinsewatch.cli.bench_fuzz_modbus import Modbus
from rinsewatch.cli.bench_fuzz_profiles import Profiles
from rinsewatch.cli.bench_fuzz_runs import Runs
from rinsewatch.cli.bench_fuzz_tables import Recordings

_HERE = (Lines, Streams, Modbus)
_WITH_FILES = (Profiles, Recordings, Runs, Books, Exports)
NAMES = tuple(target.name for target in (*_HERE, *_WITH_FILES))


@click.command(help=__doc__)
@click.option("--inputs", default=1_000_000, show_default=True, help="In all; each target gets its part.")
@click.option("--seed", default=1, show_default=True, help="The same seed gives the same inputs.")
@click.option("--only", default="", help=f"Targets: {', '.join(NAMES)}.")
@click.option("--first", default=0, help="Number of the first input of each target: to split a campaign.")
@click.option("--at", type=int, help="Only this input of the one target, shown.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a target.")
def main(inputs: int, seed: int, only: str, first: int, at: int | None, as_json: bool) -> None:
    """Exit code 1 if a promise was broken or a control was not fooled."""
    warnings.simplefilter("error")  # a warning would be a line on somebody's screen
    names = [name.strip() for name in only.split(",") if name.strip()] or list(NAMES)
    if unknown := [name for name in names if name not in NAMES]:
        raise click.UsageError(f"no target {', '.join(unknown)}; there are {', '.join(NAMES)}")
    if at is not None and len(names) != 1:
        raise click.UsageError("--at needs --only with one target")
    accounts = []
    with targets() as made:
        chosen = [target for target in made if target.name in names]
        for target, count in shares(chosen, inputs):
            if at is not None:
                click.echo(f"{target.name} {at}: {given_of(target, at, seed)}")
            numbers = range(first, first + count) if at is None else (at,)
            accounts.append(run_target(target, numbers, seed))
            _say(accounts[-1], as_json=as_json)
    if not as_json:
        click.echo(summary(accounts, seed))
    sys.exit(0 if at is not None or all(account.well for account in accounts) else 1)


@contextmanager
def targets() -> Iterator[list[Target]]:
    """All of them; files lie in memory where there is such a place: the disk is not what is tested."""
    memory = Path("/dev/shm")
    where = memory if os.access(memory, os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="rinsewatch-fuzz-", dir=where) as name:
        made: list[Target] = [*(kind() for kind in _HERE), *(kind(Path(name)) for kind in _WITH_FILES)]
        yield made
        for target in made:
            target.close()


def _say(account: Account, *, as_json: bool) -> None:
    if as_json:
        figures = {k: v for k, v in dataclasses.asdict(account).items() if k != "offences"}
        click.echo(json.dumps({**figures, "offences": [str(offence) for offence in account.offences]}))
        return
    click.echo(line_of(account))
    for offence in account.offences:
        click.echo(f"  {offence}")


def line_of(account: Account) -> str:
    """A target in one line."""
    return (
        f"{account.name}: {account.inputs} inputs, {account.inputs / max(account.seconds, 1e-9):.0f} a second; "
        f"{account.accepted} accepted, {account.false} false, {account.raised} uncaught, {account.unclear} unclear, "
        f"{account.slow} hung; control ({account.control}): {account.fooled} fooled"
    )


def summary(accounts: list[Account], seed: int) -> str:
    """All targets together."""
    total = sum(account.inputs for account in accounts)
    broken = {kind: sum(getattr(a, kind) for a in accounts) for kind in ("false", "raised", "unclear", "slow")}
    seconds = sum(account.seconds for account in accounts)
    words = ", ".join(f"{count} {kind}" for kind, count in broken.items())
    idle = [account.name for account in accounts if not account.fooled]
    control = f"control not fooled: {', '.join(idle)}" if idle else "every control fooled"
    return f"{total} inputs of seed {seed} in {seconds:.0f} s: {words}; {control}"


if __name__ == "__main__":
    main()
