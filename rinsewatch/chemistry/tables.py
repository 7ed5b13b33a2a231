"""Published tables, as printed. Nothing is computed here.

Mass % is grams of solute per 100 g of solution throughout.
"""

from __future__ import annotations

from enum import StrEnum


class Solute(StrEnum):
    """The solutes this package knows."""

    NAOH = "NaOH"
    HCL = "HCl"
    KOH = "KOH"
    NACL = "NaCl"
    KCL = "KCl"
    H2SO4 = "H2SO4"


# g/mol, from the IUPAC standard atomic weights (H 1.008, O 15.999, Na 22.990, S 32.06, Cl 35.45, K 39.098).
MOLAR_MASS_G_MOL = {
    Solute.NAOH: 39.997, Solute.HCL: 36.458, Solute.KOH: 56.105, Solute.NACL: 58.440, Solute.KCL: 74.548,
    Solute.H2SO4: 98.072,
}  # fmt: skip
# Grams of one equivalent: sulfuric acid gives two protons.
EQUIVALENT_G = MOLAR_MASS_G_MOL | {Solute.H2SO4: MOLAR_MASS_G_MOL[Solute.H2SO4] / 2.0}

# Of what conducts by itself here; sulfuric acid, half bisulfate, has densities only.
IONS = {
    Solute.NAOH: ("Na+", "OH-"), Solute.HCL: ("H+", "Cl-"), Solute.KOH: ("K+", "OH-"),
    Solute.NACL: ("Na+", "Cl-"), Solute.KCL: ("K+", "Cl-"),
}  # fmt: skip

# Limiting molar conductivity of the ions at 25 C, S cm2/mol (CRC Handbook of Chemistry and Physics).
ION_CONDUCTIVITY_S_CM2_MOL = {
    "H+": 349.65, "OH-": 198.0, "Na+": 50.08, "K+": 73.48, "Cl-": 76.31, "HCO3-": 44.5,
}  # fmt: skip

# The same against temperature: a t^2 + b t + c, t in C (McCleskey, Nordstrom, Ryan, Ball 2012,
# Geochim. Cosmochim. Acta 77, 369). Copies without the minus sign of H+ circulate; this sign gives the CRC
# value at 25 C. Used for ratios only, so the scale stays that of the CRC column above.
ION_POLYNOMIAL = {
    "H+": (-0.01414, 5.355, 224.2), "OH-": (0.003396, 2.925, 121.3), "Na+": (0.003763, 0.877, 26.23),
    "K+": (0.003046, 1.261, 40.7), "Cl-": (0.003817, 1.337, 40.99), "HCO3-": (0.000614, 0.9048, 21.14),
}  # fmt: skip

# Equivalent conductance at 25 C, (mol/L, S cm2/mol), CRC Handbook. NaOH is printed up to 0.01 mol/L only.
# KOH has no such table here: its limit is the sum of the CRC ions, the rest is borrowed from NaOH.
DILUTE_LAMBDA_S_CM2_MOL: dict[Solute, tuple[tuple[float, float], ...]] = {
    Solute.HCL: ((0.0, 426.16), (0.0005, 422.74), (0.001, 421.36), (0.005, 415.8), (0.01, 412.0),
                 (0.02, 407.24), (0.05, 399.09), (0.1, 391.32)),
    Solute.NACL: ((0.0, 126.45), (0.0005, 124.5), (0.001, 123.74), (0.005, 120.65), (0.01, 118.51),
                  (0.02, 115.76), (0.05, 111.06), (0.1, 106.74)),
    Solute.KCL: ((0.0, 149.86), (0.0005, 147.81), (0.001, 146.95), (0.005, 143.55), (0.01, 141.27),
                 (0.02, 138.34), (0.05, 133.37), (0.1, 128.96)),
    Solute.NAOH: ((0.0, 247.8), (0.0005, 245.6), (0.001, 244.7), (0.005, 240.8), (0.01, 238.0)),
}  # fmt: skip

# Strong solutions at 18 C: mass %, S/cm, slope per C referred to 18 C (18-26 C), after Kohlrausch and Holborn
# as reprinted in handbooks. The slope of 40 % HCl is not printed; that of 30 % stands in.
STRONG_18_C: dict[Solute, tuple[tuple[float, float, float], ...]] = {
    Solute.NAOH: ((2.5, 0.1087, 0.0194), (5, 0.1969, 0.0201), (10, 0.3124, 0.0217), (15, 0.3463, 0.0249),
                  (20, 0.3270, 0.0299), (25, 0.2717, 0.0368), (30, 0.2022, 0.0450), (35, 0.1507, 0.0551),
                  (40, 0.1164, 0.0648)),
    Solute.HCL: ((5, 0.3948, 0.0158), (10, 0.6302, 0.0156), (15, 0.7453, 0.0155), (20, 0.7615, 0.0154),
                 (25, 0.7225, 0.0153), (30, 0.6620, 0.0152), (40, 0.5152, 0.0152)),
    Solute.NACL: ((5, 0.0672, 0.0217), (10, 0.1211, 0.0214), (15, 0.1642, 0.0212), (20, 0.1957, 0.0216),
                  (25, 0.2135, 0.0227), (26, 0.2151, 0.0233)),
    Solute.KCL: ((5, 0.0690, 0.0201), (10, 0.1359, 0.0188), (15, 0.2020, 0.0179), (20, 0.2677, 0.0168),
                 (21, 0.2810, 0.0166)),
}  # fmt: skip

# Moderate solutions at 20 C: mass %, mS/cm (CRC Handbook). Left out: HCl 0.5 % (45.1, 9 % below what
# conductance x concentration gives: a misprint is suspected) and HCl 1 % (92.9, 2 % low on the same check).
MODERATE_20_C: dict[Solute, tuple[tuple[float, float], ...]] = {
    Solute.NAOH: ((0.5, 24.8), (1, 48.6), (2, 93.1)),
    Solute.HCL: ((2, 183.0),),
    Solute.NACL: ((1, 16.0), (2, 30.2)),
    Solute.KCL: ((2, 29.5),),
}  # fmt: skip

# Density at 20 C: mass %, g/mL (CRC Handbook). NaOH 50 % and all of H2SO4: Perry's Handbook, from memory (H2SO4 lies
# within 0.3 % of Laliberte and Cooper up to 80 %, where their correlation ends).
DENSITY_20_C: dict[Solute, tuple[tuple[float, float], ...]] = {
    Solute.NAOH: ((0, 0.9982), (0.5, 1.0039), (1, 1.0095), (2, 1.0207), (4, 1.0428), (5, 1.0538), (8, 1.0869),
                  (10, 1.1089), (12, 1.1309), (15, 1.1640), (16, 1.1751), (20, 1.2192), (24, 1.2631),
                  (26, 1.2848), (28, 1.3064), (30, 1.3277), (32, 1.3488), (36, 1.3901), (38, 1.4102),
                  (40, 1.4299), (50, 1.5253)),
    Solute.HCL: ((0, 0.9982), (0.5, 1.0007), (1, 1.0031), (2, 1.0081), (4, 1.0179), (5, 1.0228), (8, 1.0377),
                 (10, 1.0476), (12, 1.0576), (15, 1.0726), (16, 1.0777), (20, 1.0980), (24, 1.1185),
                 (26, 1.1288), (28, 1.1391), (30, 1.1492), (32, 1.1594), (36, 1.1791), (38, 1.1886),
                 (40, 1.1977)),
    Solute.NACL: ((0, 0.9982), (0.5, 1.0018), (1, 1.0053), (2, 1.0125), (4, 1.0268), (5, 1.0340), (8, 1.0559),
                  (10, 1.0707), (12, 1.0857), (15, 1.1085), (16, 1.1162), (20, 1.1478), (24, 1.1804),
                  (25, 1.1887), (26, 1.1972)),
    Solute.KCL: ((0, 0.9982), (0.5, 1.0014), (1, 1.0046), (2, 1.0110), (4, 1.0239), (5, 1.0304), (8, 1.0500),
                 (10, 1.0633), (12, 1.0768), (15, 1.0974), (16, 1.1043), (20, 1.1328), (24, 1.1623)),
    Solute.H2SO4: ((0, 0.9982), (1, 1.0051), (2, 1.0118), (4, 1.0250), (5, 1.0317), (8, 1.0522), (10, 1.0661),
                   (14, 1.0947), (20, 1.1394), (24, 1.1704), (30, 1.2185), (36, 1.2684), (40, 1.3028),
                   (50, 1.3951), (60, 1.4983), (70, 1.6105), (80, 1.7272), (90, 1.8144), (93, 1.8279),
                   (96, 1.8355), (98, 1.8361)),
}  # fmt: skip

# Apparent density of the solute, coefficients c0..c4 (Laliberte and Cooper 2004, J. Chem. Eng. Data
# 49, 1141); kg/m3 with temperature in C, see density.py for the formula.
LALIBERTE = {
    Solute.NAOH: (319.020509, 528.592358, -0.102197897, 0.000350420706, 765.970470),
    Solute.HCL: (0.000283872260, 0.00394946957, 2.85020048, -0.0157747013, -3766.20869),
    Solute.KOH: (821.119043, 1043.20173, 0.112873330, 0.00124023636, 539.630388),
    Solute.NACL: (-0.00324112224, 0.0636354336, 1.01371399, 0.0145951015, 3317.34854),
    Solute.KCL: (-0.855928946, 6.04073571, 2.81787416, 0.0253924646, 2681.61723),
    Solute.H2SO4: (70.839515, 142.352694, 0.687795, 0.006493, 1667.238646),
}
