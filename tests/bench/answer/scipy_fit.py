"""The fit of one spectrum by scipy.optimize.least_squares; prints x and the seconds of one fit.

The file: ln A, r, H and repeats to begin with, then energy/pivot, counts and both end members of each channel.
"""
import sys
import time

import numpy as np
from scipy.optimize import least_squares

with open(sys.argv[1]) as file:
    log_amplitude, exponent, height, repeats = (float(word) for word in file.readline().split())
    e, y, low, high = np.loadtxt(file).T


def residuals(p):
    mu = np.exp(p[0] - p[1] * np.log(e)) + p[2] * ((1 - p[3]) * low + p[3] * high)
    mu = np.maximum(mu, 1e-9)
    log = np.log(np.where(y > 0, y, 1) / mu)
    d = 2 * (mu - y + np.where(y > 0, y * log, 0))
    return np.sign(mu - y) * np.sqrt(np.maximum(d, 0))


begin = time.perf_counter()
for _ in range(int(repeats)):
    fit = least_squares(residuals, [log_amplitude, exponent, height, 0.5], method="lm", x_scale=[1, 1, height, 1])
print(fit.x[3], (time.perf_counter() - begin) / repeats)
