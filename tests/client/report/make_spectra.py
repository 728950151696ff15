"""Spectra as another program might write them, made with numpy alone: no line here is shared with Creel.

Usage: make_spectra.py FOLDER SEED
Writes into FOLDER: fe2.msa (DATATYPE XY), fe3.csv (semicolons), film.h5 (/entry/data/counts with the attribute
`axes`), film.msa (DATATYPE Y, keV), and the low loss of each as *-low.msa / *-low.csv. Electrons are counted
(Poisson). Prints x and t/lambda of the film.

Model: background A E^-3; each end member two lines (Lorentzian core-hole width with a Gaussian, summed
numerically) over two steps 2:1; L3 at 707.8 and 709.5 eV (P. A. van Aken, B. Liebscher, V. J. Styrsa, Phys. Chem.
Minerals 25, 323 (1998)); plural scattering by a Poisson series over a plasmon of 22 eV.
"""
import sys

import h5py
import numpy as np

folder, seed = sys.argv[1], int(sys.argv[2])
random = np.random.default_rng(seed)
STEP = 0.25
FINE = np.arange(560, 900, STEP)
RESOLUTION = 0.8 / 2.3548  # eV


def gauss(e, at, sigma):
    return np.exp(-0.5 * ((e - at) / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi))


def low_loss(t):
    e = np.arange(-20, 280, STEP)
    plasmon = np.where(e > 0, e * 22 * 14 / ((e**2 - 22**2) ** 2 + (e * 14) ** 2), 0)
    plasmon /= plasmon.sum()
    single = np.zeros_like(e)
    single[np.argmin(abs(e))] = 1  # zero loss before broadening
    total, order, zero = single * np.exp(-t), single.copy(), np.argmin(abs(e))
    for n in range(1, 8):
        order = np.convolve(order, plasmon)[zero:zero + len(e)]
        total += np.exp(-t) * t**n / np.prod(np.arange(1, n + 1)) * order
    kernel = gauss(np.arange(-5, 5 + STEP, STEP), 0, RESOLUTION)
    return e, np.convolve(total, kernel / kernel.sum(), mode="same")


def edge(l3, ratio):
    e = FINE
    lorentz = lambda at, w: (w / 2 / np.pi) / ((e - at) ** 2 + (w / 2) ** 2)
    steps = 0.010 * ((2 / 3) * (e > l3) + (1 / 3) * (e > l3 + 13.0)) * (e / 708.0) ** -3
    lines = 0.16 * lorentz(l3, 1.6) + 0.16 / ratio * lorentz(l3 + 13.0, 2.2)
    # lines begin at the onset: the far Lorentzian tails are not there in a real edge
    return np.where(e > l3 - 6, lines, 0) + steps


def core(x, t, amount, electrons):
    single = amount * ((1 - x) * edge(707.8, 4.3) + x * edge(709.5, 5.6))
    e, j = low_loss(t)
    zero = np.argmin(abs(e))
    plural = np.convolve(single, j)[zero:zero + len(FINE)]  # resolution and plasmons at once
    return FINE, random.poisson(electrons * (plural + 4.0e-2 * (FINE / 700.0) ** -3.0)).astype(float)


def write_msa(path, e, y, kind, kev=False):
    scale = 1e-3 if kev else 1
    with open(path, "w", newline="") as file:
        put = lambda *words: file.write("".join(words) + "\r\n")
        put("#FORMAT      : EMSA/MAS Spectral Data File")
        put("#VERSION     : 1.0")
        put("#TITLE       : made by another program")
        put("#DATE        : 12-MAR-2026")
        put("#TIME        : 10:05")
        put("#OWNER       : unknown")
        put(f"#NPOINTS     : {len(y)}")
        put(f"#NCOLUMNS    : {4 if kind == 'Y' else 1}")
        put(f"#XUNITS      : {'keV' if kev else 'eV'}")
        put("#YUNITS      : counts")
        put(f"#DATATYPE    : {kind}")
        put(f"#XPERCHAN    : {(e[1] - e[0]) * scale:.8g}")
        put(f"#OFFSET      : {e[0] * scale:.8g}")
        put("#SPECTRUM    : Spectral data starts here")
        if kind == "XY":
            for a, b in zip(e, y):
                put(f"{a * scale:.8g}, {b:.8g}")
        else:
            for i in range(0, len(y), 4):
                put(", ".join(f"{b:.8g}" for b in y[i:i + 4]))
        put("#ENDOFDATA   :")


def write_csv(path, e, y):
    with open(path, "w") as file:
        file.write("# counted electrons\nenergy;counts\n")
        for a, b in zip(e, y):
            file.write(f"{a:.6f};{b:.8g}\n")


X, T = 0.35, 0.6
fe2, fe3, film = core(0, 0.3, 1.0, 4e6), core(1, 0.4, 1.1, 4e6), core(X, T, 0.8, 2e6)
write_msa(f"{folder}/fe2.msa", *fe2, "XY")
write_csv(f"{folder}/fe3.csv", *fe3)
write_msa(f"{folder}/film.msa", *film, "Y", kev=True)
with h5py.File(f"{folder}/film.h5", "w") as file:
    data = file.create_group("entry/data")
    data.attrs["NX_class"] = "NXdata"
    data.attrs["signal"] = "counts"
    data.attrs["axes"] = "energy"
    data["counts"] = film[1]
    data["energy"] = film[0]
for name, t, write in (("fe2", 0.3, write_csv), ("fe3", 0.4, write_csv), ("film", T, None)):
    e, j = low_loss(t)
    y = random.poisson(1e7 * np.maximum(j, 0)).astype(float)
    write_csv(f"{folder}/{name}-low.csv", e + 0.3, y)  # the zero loss is not at zero
print(X, T)
