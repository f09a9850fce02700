"""Write the cached attenuation table and tube spectra that the phantom uses.

Needs ``xraydb`` (Elam, Ravel & Sieber 2002, Radiat Phys Chem 63:121,
doi:10.1016/S0969-806X(01)00227-4) and ``spekpy`` (Poludniowski et al. 2021, Med Phys
48:3630, doi:10.1002/mp.14945). The package itself reads only the tables written here.

    python .tools/make_attenuation_table.py
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import spekpy
import xraydb

FOLDER = Path(__file__).resolve().parents[1] / "rxmeasure" / "phantom"
ENERGIES_KEV = np.arange(10, 91)
TUBE_KV = (60, 65, 70)
FILTER_AL_MM = 2.0  # reference: at least 1.5 mm Al up to 70 kV (EC RP 136, from memory); choice
SCINTILLATOR_CSI_MM = 0.1  # choice: thin intra-oral scintillator
BINS = 16

HYDROXYAPATITE = "Ca10P6O26H2"
COLLAGEN = "C102H149N31O38"  # mean composition of type I collagen; from memory
GUTTA = "C5H8"
EPOXY = "C21H24O4"  # bisphenol-A diglycidyl ether
METHACRYLATE = "C29H36O8"
PDMS = "C2H6OSi"

# name: (density g/cm3, {formula: mass fraction}, where it comes from).
# Densities of mixtures follow from the parts' volumes unless said otherwise.
MATERIALS: dict[str, tuple[float, dict[str, float], str]] = {
    "air": (
        0.001205,
        {"N": 0.755, "O": 0.232, "Ar": 0.013},
        "ICRU Report 44 (1989), value from memory",
    ),
    "soft_tissue": (
        1.0,
        {"H2O": 1.0},
        "water, density by definition",
    ),
    "dentine": (
        2.16,
        {HYDROXYAPATITE: 0.72, COLLAGEN: 0.18, "H2O": 0.10},
        "about 70 % mineral, 20 % organic, 10 % water, 2.1 g/cm3, value from memory; mineral "
        "and density set to the measured 1.11 mm Al per mm (doi:10.4012/dmj.2011-119)",
    ),
    "enamel": (
        3.0,
        {HYDROXYAPATITE: 0.97, COLLAGEN: 0.01, "H2O": 0.02},
        "about 96 % mineral, 2.9 to 3.0 g/cm3, value from memory; the top of both ranges, since "
        "2.05 mm Al per mm was measured (doi:10.4012/dmj.2011-119)",
    ),
    "cortical_bone": (
        1.92,
        {
            "H": 0.034,
            "C": 0.155,
            "N": 0.042,
            "O": 0.435,
            "Na": 0.001,
            "Mg": 0.002,
            "P": 0.103,
            "S": 0.003,
            "Ca": 0.225,
        },
        "ICRU Report 44 (1989), value from memory",
    ),
    "gutta_percha": (
        2.5,
        {GUTTA: 0.20, "ZnO": 0.66, "BaSO4": 0.11, "CH2": 0.03},
        "Friedman et al. 1975, J Endod 1:258, value from memory",
    ),
    "epoxy_resin_sealer": (
        3.5,
        {EPOXY: 0.16, "CaWO4": 0.62, "ZrO2": 0.22},
        "choice: resin with calcium tungstate and zirconia, shares set to the measured "
        "13.2 mm Al per mm (Reszka et al.)",
    ),
    "calcium_silicate_sealer": (
        2.6,
        {"Ca3SiO5": 0.32, "ZrO2": 0.33, "H2O": 0.20, "C3H8O2": 0.15},
        "choice: zirconia in tricalcium silicate and a carrier liquid, inside the measured "
        "3.0 to 7.9 mm Al per mm (Reszka et al.)",
    ),
    "steel": (
        7.9,
        {"Fe": 0.71, "Cr": 0.18, "Ni": 0.09, "Mn": 0.02},
        "18/8 stainless steel, value from memory",
    ),
    "silicone": (
        1.25,
        {PDMS: 0.75, "SiO2": 0.22, "TiO2": 0.03},
        "choice: filled and pigmented silicone rubber",
    ),
    "metal_restoration": (
        11.0,
        {"Hg": 0.45, "Ag": 0.32, "Sn": 0.14, "Cu": 0.09},
        "set silver amalgam, value from memory; stands for metal crowns too",
    ),
    "composite": (
        2.1,
        {METHACRYLATE: 0.25, "SiO2": 0.50, "Al2O3": 0.09, "BaO": 0.16},
        "choice: resin with barium glass",
    ),
    "temporary_filling": (
        2.5,
        {"CaSO4": 0.40, "ZnO": 0.32, "C4H6O2": 0.20, "H2O": 0.08},
        "choice: zinc oxide and calcium sulphate putty",
    ),
    "aluminium": (2.699, {"Al": 1.0}, "NIST, pure aluminium, value from memory"),
}


def mass_attenuation(formula: str, energy_ev: np.ndarray) -> np.ndarray:
    """Mass attenuation coefficient in cm2/g by the mixture rule."""
    parts = xraydb.chemparse(formula)
    masses = {e: n * xraydb.atomic_mass(e) for e, n in parts.items()}
    total = sum(masses.values())
    return sum(m / total * xraydb.mu_elam(e, energy_ev) for e, m in masses.items())


def linear_attenuation_per_mm(name: str) -> np.ndarray:
    density, shares, _ = MATERIALS[name]
    total = sum(shares.values())
    if abs(total - 1) > 1e-6:
        raise ValueError(f"{name}: mass fractions sum to {total}")
    energy_ev = ENERGIES_KEV * 1000.0
    return density / 10.0 * sum(w * mass_attenuation(f, energy_ev) for f, w in shares.items())


def spectrum_bins(kv: int) -> list[tuple[float, float]]:
    """Energies and weights of the detected signal, in bins of equal signal."""
    spectrum = spekpy.Spek(kvp=kv, th=20, dk=0.5)
    spectrum.filter("Al", FILTER_AL_MM)
    energy, fluence = spectrum.get_spectrum()
    csi = 4.51 / 10.0 * mass_attenuation("CsI", energy * 1000.0)
    signal = fluence * energy * (1.0 - np.exp(-csi * SCINTILLATOR_CSI_MM))
    keep = energy >= ENERGIES_KEV[0]
    energy, signal = energy[keep], signal[keep] / signal[keep].sum()
    # The bins hold equal shares of the mean of the free beam and the beam behind a tooth's
    # worth of aluminium, so that they are fine enough for both.
    hardened = signal * np.exp(-2.699 / 10.0 * mass_attenuation("Al", energy * 1000.0) * 8.0)
    share = np.cumsum(hardened / hardened.sum() + signal) / 2.0
    which = np.minimum((share * BINS).astype(int), BINS - 1)
    return [
        (
            float((energy * signal)[which == k].sum() / signal[which == k].sum()),
            float(signal[which == k].sum()),
        )
        for k in range(BINS)
    ]


def main() -> None:
    names = list(MATERIALS)
    table = np.column_stack([linear_attenuation_per_mm(n) for n in names])
    with (FOLDER / "attenuation.csv").open("w", newline="", encoding="utf-8") as file:
        for name in names:
            density, shares, source = MATERIALS[name]
            text = " ".join(f"{f} {w:g}" for f, w in shares.items())
            file.write(f"# {name}: {density:g} g/cm3; mass shares {text}; {source}\n")
        file.write("# linear attenuation, 1/mm\n")
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["energy_kev", *names])
        for e, row in zip(ENERGIES_KEV, table, strict=True):
            writer.writerow([int(e), *(f"{v:.6g}" for v in row)])
    with (FOLDER / "spectra.csv").open("w", newline="", encoding="utf-8") as file:
        file.write(
            f"# tungsten tube, 20 deg anode, {FILTER_AL_MM} mm Al; weight: share of the signal "
            f"of a {SCINTILLATOR_CSI_MM} mm CsI layer that integrates energy\n"
        )
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["tube_kv", "energy_kev", "weight"])
        for kv in TUBE_KV:
            for energy, weight in spectrum_bins(kv):
                writer.writerow([kv, f"{energy:.3f}", f"{weight:.6g}"])


if __name__ == "__main__":
    main()
