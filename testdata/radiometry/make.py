#!/usr/bin/env python3
"""Reference values of the radiometry tests: Planck's law integrated numerically over 8 to 14 um.

requirements: numpy==2.4.6 scipy==1.17.1
Run in this folder: python3 make.py        writes apparent.csv and planck_curve.csv
                    python3 make.py --fit  prints the constants of the Sakuma-Hattori equation in radiometry/band.rs,
                                           its errors, and those of the fourth-power law

Constants: CODATA 2018, second radiation constant c2 = h c / k = 14387.768775 um K.
"""
import csv
import sys

import numpy as np
from scipy.integrate import quad
from scipy.optimize import brentq, least_squares

C2 = 14387.768775


def radiance(t_k):
    """Band radiance 8 to 14 um of a black body, up to the constant 2 h c^2."""
    return quad(lambda um: um**-5 / np.expm1(C2 / (um * t_k)), 8.0, 14.0, epsabs=0, epsrel=1e-12)[0]


def temperature(signal):
    return brentq(lambda t: radiance(t) - signal, 50.0, 1500.0, xtol=1e-9)


def apparent(t_c, emissivity, reflected_c, transmission, air_c):
    k = 273.15
    signal = transmission * (emissivity * radiance(t_c + k) + (1 - emissivity) * radiance(reflected_c + k))
    return temperature(signal + (1 - transmission) * radiance(air_c + k)) - k


def write():
    with open("apparent.csv", "w", newline="") as f:
        out = csv.writer(f, lineterminator="\n")
        out.writerow(["object_c", "emissivity", "reflected_c", "transmission", "air_c", "apparent_c"])
        for t in (-20.0, 10.0, 35.0, 60.0, 90.0, 150.0, 200.0):
            for emissivity, reflected in ((1.0, 20.0), (0.95, 20.0), (0.85, -20.0), (0.85, -50.0), (0.7, 5.0)):
                for transmission, air in ((1.0, 20.0), (0.97, 30.0), (0.90, 15.0)):
                    value = apparent(t, emissivity, reflected, transmission, air)
                    out.writerow([t, emissivity, reflected, transmission, air, f"{value:.6f}"])
    # A camera with a calibration curve: counts = r / (exp(b / T) - f) + o, emissivity and reflection mixed in counts.
    r, b, f_, o = 500000.0, 1428.0, 1.0, 4000.0
    curve = lambda t_c: r / (np.exp(b / (t_c + 273.15)) - f_)
    with open("planck_curve.csv", "w", newline="") as f:
        out = csv.writer(f, lineterminator="\n")
        out.writerow(["r", "b", "f", "o", "object_c", "emissivity", "reflected_c", "counts"])
        for t in (-20.0, 20.0, 60.0, 120.0):
            for emissivity, reflected in ((1.0, 20.0), (0.85, -30.0)):
                signal = emissivity * curve(t) + (1 - emissivity) * curve(reflected) + o
                out.writerow([r, b, f_, o, t, emissivity, reflected, f"{signal:.6f}"])


def fit():
    t = np.arange(213.15, 473.65, 1.0)
    s = np.array([radiance(x) for x in t])
    slope = np.gradient(s, t)
    law = lambda p, t: np.exp(p[0]) / np.expm1(C2 / (p[1] * t + p[2]))
    start = [np.log(s[100] * np.expm1(C2 / (9.4 * t[100] + 180))), 9.4, 180.0]
    best = least_squares(lambda p: (law(p, t) - s) / slope, start, x_scale=np.abs(start), xtol=1e-15, ftol=1e-15, gtol=1e-15)
    print("A, B:", *(repr(float(x)) for x in best.x[1:]))
    print("largest error -60 to 200 C, K:", np.abs(best.fun).max())
    for t_c in (250.0, 300.0):
        error = (law(best.x, t_c + 273.15) - radiance(t_c + 273.15)) / (radiance(t_c + 273.65) - radiance(t_c + 272.65))
        print(f"error at {t_c} C, K:", error)
    print("fourth-power law, emissivity 0.85, true less found, K:")
    for reflected in (-20.0, -50.0):
        for t_c in (20.0, 40.0, 60.0, 100.0):
            kelvin = apparent(t_c, 0.85, reflected, 1.0, 20.0) + 273.15
            fourth = ((kelvin**4 - 0.15 * (reflected + 273.15) ** 4) / 0.85) ** 0.25 - 273.15
            celsius = (kelvin - 273.15 - 0.15 * reflected) / 0.85
            print(f"  reflected {reflected}, object {t_c}: fourth power {fourth - t_c:+.2f}, in Celsius {celsius - t_c:+.2f}")


if __name__ == "__main__":
    fit() if "--fit" in sys.argv else write()
