"""The outside geochemistry program, asked for conductivity and density."""

from __future__ import annotations

from collections.abc import Callable
from math import log10
from typing import NamedTuple

import pytest


class Outside(NamedTuple):
    """What PHREEQC says of a solution."""

    conductivity_us_cm: float
    density_g_ml: float
    ph: float


Ask = Callable[..., Outside]


@pytest.fixture(scope="session")
def phreeqc_says() -> Ask:
    """``says({"Na": 0.1}, temperature_c, co2_ppm=None)``: amounts in mol per kg of water; pH by charge."""
    phreeqc = pytest.importorskip("phreeqc", reason="the phreeqc library (test extra) is not installed")
    engine = phreeqc.Phreeqc()
    engine.LoadBuiltInDatabase("phreeqc.dat")

    def says(mol_kgw: dict[str, float], temperature_c: float = 25.0, co2_ppm: float | None = None) -> Outside:
        lines = ["SOLUTION 1", f" temp {temperature_c}", " units mol/kgw", " pH 7 charge"]
        lines += [f" {element} {amount!r}" for element, amount in mol_kgw.items()]
        if co2_ppm is not None:
            lines += ["EQUILIBRIUM_PHASES 1", f" CO2(g) {log10(co2_ppm * 1e-6)!r} 10"]
        lines += ["SELECTED_OUTPUT", " -reset false", "USER_PUNCH", " -headings SC RHO PH",
                  ' 10 PUNCH SC, RHO, -LA("H+")', "END", ""]  # fmt: skip
        engine.RunString("\n".join(lines))
        table = engine.GetSelectedOutput()
        return Outside(*(float(table[name][-1]) for name in ("SC", "RHO", "PH")))

    return says
