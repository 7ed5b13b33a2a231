"""Fault bench: meter faults as changes of what a simulated meter shows from some moment on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rinsewatch.cli.bench_fault_campaign import Laid
from rinsewatch_sim.probe import decimals
from rinsewatch_sim.record import BenchRow, Record


def _us_cm(record: Record, row: BenchRow) -> float:
    return float(row.reading) / record.scenario.meter.per_us_cm


def _shown(record: Record, row: BenchRow, us_cm: float) -> list[BenchRow]:
    """The row with what the meter would show for this many uS/cm."""
    return [replace(row, reading=record.scenario.meter.show(us_cm))]


def _numbers(row: BenchRow) -> bool:
    return row.reading not in ("", "over")


def clean(record: Record, start_s: float, rng: np.random.Generator) -> Laid:
    """No fault."""
    return lambda row: [row]


def frozen(record: Record, start_s: float, rng: np.random.Generator) -> Laid:
    """The last digits for the rest of the rinse."""
    held: list[str] = []

    def at(row: BenchRow) -> Sequence[BenchRow]:
        if row.time_s >= start_s and row.reading:
            held.append(row.reading)
            return [replace(row, reading=held[0])]
        return [row]

    return at


def _scaled(record: Record, start_s: float, length_s: float, factor: float) -> Laid:
    def at(row: BenchRow) -> Sequence[BenchRow]:
        if start_s <= row.time_s < start_s + length_s and _numbers(row):
            return _shown(record, row, factor * _us_cm(record, row))
        return [row]

    return at


def dry(record: Record, start_s: float, rng: np.random.Generator) -> Laid:
    """0 for a minute."""
    return _scaled(record, start_s, 60.0, 0.0)


def bubble(record: Record, start_s: float, rng: np.random.Generator) -> Laid:
    """A twentieth for 1, 5 or 30 s."""
    return _scaled(record, start_s, float(rng.choice([1.0, 5.0, 30.0])), 0.05)


def gain(record: Record, start_s: float, rng: np.random.Generator) -> Laid:
    """Calibrated anew in mid-rinse: 5 % more or less from then on."""
    return _scaled(record, start_s, math.inf, float(rng.choice([1.05, 1 / 1.05])))


def temperature(record: Record, start_s: float, rng: np.random.Generator) -> Laid:
    """10 C more or less, 2 % per degree, and a meter that does not compensate."""
    return _scaled(record, start_s, math.inf, float(rng.choice([1.2, 0.8])))


def feed_water(record: Record, start_s: float, rng: np.random.Generator) -> Laid:
    """The probe in 3.0 uS/cm water, for 2 min or for ever; noise as the meter has."""
    length_s = float(rng.choice([120.0, math.inf]))

    def at(row: BenchRow) -> Sequence[BenchRow]:
        if start_s <= row.time_s < start_s + length_s and row.reading:
            return _shown(record, row, 3.0 * (1.0 + record.scenario.meter.noise * float(rng.standard_normal())))
        return [row]

    return at


def over(record: Record, start_s: float, rng: np.random.Generator) -> Laid:
    """Words in place of numbers for a minute: half "over", half nothing that counts."""

    def at(row: BenchRow) -> Sequence[BenchRow]:
        if start_s <= row.time_s < start_s + 60.0 and row.reading:
            return [replace(row, reading="over")] if rng.random() < 0.5 else []
        return [row]

    return at


def unit(record: Record, start_s: float, rng: np.random.Generator) -> Laid:
    """The meter is switched between uS/cm and ppm (by the rinse's own factor), and back after a minute."""
    factor = record.scenario.meter.tds_factor

    def at(row: BenchRow) -> Sequence[BenchRow]:
        if not start_s <= row.time_s < start_s + 60.0 or not _numbers(row):
            return [row]
        to_ppm = row.unit == "uS/cm"
        value = float(row.reading) * (factor if to_ppm else 1.0 / factor)
        return [replace(row, reading=f"{value:.1f}", unit="ppm" if to_ppm else "uS/cm")]

    return at


def _rounded(start_s: float, step: float) -> Laid:
    """From then on the display moves in so coarse a step (its own unit)."""

    def at(row: BenchRow) -> Sequence[BenchRow]:
        if row.time_s < start_s or not _numbers(row):
            return [row]
        # as many decimals as the step has: more would claim a resolution that is not there
        return [replace(row, reading=f"{step * math.floor(float(row.reading) / step + 0.5):.{decimals(step)}f}")]

    return at


def autorange(record: Record, start_s: float, rng: np.random.Generator) -> Laid:
    """The display goes to the next coarser range, ten times the step, and stays there."""
    return _rounded(start_s, 10.0 * record.scenario.meter.finest_step)


def coarse(record: Record, start_s: float, rng: np.random.Generator) -> Laid:
    """Steps of 5 uS/cm, or of the next 1, 2 or 5 of its own unit: no display steps by 2.5."""
    least = 5.0 * record.scenario.meter.per_us_cm
    decade = 10.0 ** math.floor(math.log10(least))
    return _rounded(start_s, next(step * decade for step in (1.0, 2.0, 5.0, 10.0) if step * decade >= 0.999 * least))


def spikes(record: Record, start_s: float, rng: np.random.Generator) -> Laid:
    """From then on every thirtieth reading or so 30 times too high or 200 times too low."""

    def at(row: BenchRow) -> Sequence[BenchRow]:
        if row.time_s >= start_s and _numbers(row) and rng.random() < 1 / 30:
            return _shown(record, row, float(rng.choice([30.0, 0.005])) * _us_cm(record, row))
        return [row]

    return at


def noise(record: Record, start_s: float, rng: np.random.Generator) -> Laid:
    """5 min of plus or minus 50 %, a tenth of the readings negative."""

    def at(row: BenchRow) -> Sequence[BenchRow]:
        if not start_s <= row.time_s < start_s + 300.0 or not _numbers(row):
            return [row]
        if rng.random() < 0.1:
            return [replace(row, reading=f"-{row.reading}")]
        return _shown(record, row, float(rng.uniform(0.5, 1.5)) * _us_cm(record, row))

    return at


def drift(record: Record, start_s: float, rng: np.random.Generator) -> Laid:
    """Half or 2 % a minute less and less, from the beginning of the rinse on."""
    per_s = float(rng.choice([0.005, 0.02])) / 60.0

    def at(row: BenchRow) -> Sequence[BenchRow]:
        return _shown(record, row, math.exp(-per_s * row.time_s) * _us_cm(record, row)) if _numbers(row) else [row]

    return at


def silent(record: Record, start_s: float, rng: np.random.Generator) -> Laid:
    """Switched itself off; the session says so; on again after 5 min, or never."""
    length_s, told = float(rng.choice([300.0, math.inf])), list[bool]()

    def at(row: BenchRow) -> Sequence[BenchRow]:
        """Nothing for a while; the session's event after 5 s of it."""
        if not start_s <= row.time_s < start_s + length_s or not row.reading:
            return [row]
        if row.time_s < start_s + 5.0 or told:
            return []
        told.append(True)
        return [replace(row, reading="", unit="", temperature_c=None, event="fault: meter silent: nothing heard")]

    return at


def repeated(record: Record, start_s: float, rng: np.random.Generator) -> Laid:
    """Each line three times."""
    return lambda row: [row] * 3 if row.time_s >= start_s and row.reading else [row]


def warm_up(record: Record, start_s: float, rng: np.random.Generator) -> Laid:
    """Switched off and on: for a minute it climbs from a twentieth to the truth."""

    def at(row: BenchRow) -> Sequence[BenchRow]:
        if start_s <= row.time_s < start_s + 60.0 and _numbers(row):
            return _shown(record, row, (1.0 - 0.95 * math.exp(-(row.time_s - start_s) / 15.0)) * _us_cm(record, row))
        return [row]

    return at
