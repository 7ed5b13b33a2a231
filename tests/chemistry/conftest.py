"""The outside geochemistry program, asked for conductivity and density."""

from __future__ import annotations

from collections.abc import Callable
from math import log10
from typing import Any, NamedTuple

import pytest


class Outside(NamedTuple):
    """What PHREEQC says of a solution."""

    conductivity_us_cm: float
    density_g_ml: float
    ph: float


Ask = Callable[..., Outside]
Count = Callable[[dict[str, float], tuple[str, ...]], dict[str, float]]


@pytest.fixture(scope="session")
def engine() -> Any:
    """PHREEQC 3 (USGS) with its own database."""
    phreeqc = pytest.importorskip("phreeqc", reason="the phreeqc library (test extra) is not installed")
    made = phreeqc.Phreeqc()
    made.LoadBuiltInDatabase("phreeqc.dat")
    return made


def _run(
    engine: Any, mol_kgw: dict[str, float], temperature_c: float, co2_ppm: float | None, punch: dict[str, str]
) -> dict[str, float]:
    """One solution, pH by charge balance; ``punch``: column and its Basic expression."""
    lines = ["SOLUTION 1", f" temp {temperature_c}", " units mol/kgw", " pH 7 charge"]
    lines += [f" {element} {amount!r}" for element, amount in mol_kgw.items()]
    if co2_ppm is not None:
        lines += ["EQUILIBRIUM_PHASES 1", f" CO2(g) {log10(co2_ppm * 1e-6)!r} 10"]
    lines += ["SELECTED_OUTPUT", " -reset false", "USER_PUNCH", f" -headings {' '.join(punch)}"]
    lines += [f" 10 PUNCH {', '.join(punch.values())}", "END", ""]
    engine.RunString("\n".join(lines))
    table = engine.GetSelectedOutput()
    return {name: float(table[name][-1]) for name in punch}


@pytest.fixture(scope="session")
def phreeqc_says(engine: Any) -> Ask:
    """``says({"Na": 0.1}, temperature_c, co2_ppm=None)``: amounts in mol per kg of water; pH by charge."""

    def says(mol_kgw: dict[str, float], temperature_c: float = 25.0, co2_ppm: float | None = None) -> Outside:
        punch = {"SC": "SC", "RHO": "RHO", "PH": '-LA("H+")'}
        return Outside(*_run(engine, mol_kgw, temperature_c, co2_ppm, punch).values())

    return says


@pytest.fixture(scope="session")
def phreeqc_counts(engine: Any) -> Count:
    """``counts({"Na": 0.1}, ("OH-",))``: mol/L of these species at 25 C (dilute: 1 kg of water is 1 L)."""

    def counts(mol_kgw: dict[str, float], species: tuple[str, ...]) -> dict[str, float]:
        punch = {f"s{i}": f'MOL("{name}")' for i, name in enumerate(species)}
        found = _run(engine, mol_kgw, 25.0, None, punch)
        return {name: found[f"s{i}"] for i, name in enumerate(species)}

    return counts
