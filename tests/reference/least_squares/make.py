#!/usr/bin/env python3
"""A driver's impedance fitted by a general-purpose library: what tests/least_squares_reference.rs compares with.

    Z = Re + jw*Le + Re/Qes * s/(1 + s/Qms + s^2),    s = j*f/fs

Coordinates: theta = ln(Re, fs, Qms, Qes, Le). Residual: level and phase, ln|Zm/Z| and arg(Zm/Z), each a series over
x = ln f with the covariance

    C = K + diag(v) + B*B',    K = sigma^2*exp(-|dx|/l)  or  sigma^2*(1 + a)*exp(-a), a = sqrt(3)*|dx|/l

as a full matrix, whitened by its Cholesky factor. Normal priors are further residuals (theta - c)/s. Nothing here
knows bassay: scipy.optimize.least_squares with its "trf" and "lm" methods, numpy for the matrices.

    python3 make.py      writes least_squares.json beside itself

numpy, scipy (versions are noted in the file).
"""

import json
import pathlib

import numpy as np
import scipy
from scipy.linalg import cholesky, lstsq, solve_triangular
from scipy.optimize import least_squares

NAMES = ["re_ohm", "fs_hz", "qms", "qes", "le_h"]
TRUTH = np.log([5.6, 34.0, 5.2, 0.42, 1.1e-3])


def impedance(theta, f):
    """Z and its derivatives by theta."""
    re, fs, qms, qes, le = np.exp(theta)
    s = 1j * f / fs
    d = 1 + s / qms + s * s
    coil = 2j * np.pi * f * le
    motion = re / qes * s / d
    z = re + coil + motion
    dz = np.stack(
        [
            re + motion,
            # ds/dln fs = -s
            -motion * (1 - s * s) / d,
            motion * (s / qms) / d,
            -motion,
            coil,
        ],
        axis=1,
    )
    return z, dz


def covariance(x, kind, sigma, length, variance, columns):
    gap = np.abs(x[:, None] - x[None, :]) / length
    if kind == "exponential":
        k = sigma**2 * np.exp(-gap)
    else:
        a = np.sqrt(3) * gap
        k = sigma**2 * (1 + a) * np.exp(-a)
    return k + np.diag(variance) + columns.T @ columns


def make(name, kind, seed, sigma, length, calibration, priors):
    rng = np.random.default_rng(seed)
    f = 8.0 * 2 ** (np.arange(0, 140) / 24)
    x = np.log(f)
    # Noise: 0.3 % in the middle, five times as much at the ends.
    variance = (0.003 * (1 + 4 * ((x - x.mean()) / (x[-1] - x.mean())) ** 2)) ** 2
    columns = np.array([np.full(len(x), calibration[0]), calibration[1] * (x - x.mean())])
    c = covariance(x, kind, sigma, length, variance, columns)
    lower = cholesky(c, lower=True)
    drawn = np.array([lower @ rng.standard_normal(len(x)) for _ in range(2)])
    z0, _ = impedance(TRUTH, f)
    measured = z0 * np.exp(drawn[0] + 1j * drawn[1])
    # What is stored is what is fitted: ten digits.
    re, im = (np.array([float(f"{v:.10g}") for v in part]) for part in (measured.real, measured.imag))
    measured = re + 1j * im
    f = np.array([float(f"{v:.10g}") for v in f])
    variance = np.array([float(f"{v:.10g}") for v in variance])
    x = np.log(f)
    columns = np.array([np.full(len(x), calibration[0]), calibration[1] * (x - np.mean(np.log(f)))])
    c = covariance(x, kind, sigma, length, variance, columns)
    lower = cholesky(c, lower=True)
    centre = np.array([p[0] for p in priors])
    precision = np.array([0.0 if p[1] is None else 1 / p[1] for p in priors])

    def residuals(theta):
        ratio = np.log(measured / impedance(theta, f)[0])
        rows = [solve_triangular(lower, part, lower=True) for part in (ratio.real, ratio.imag)]
        return np.concatenate([*rows, (theta - centre) * precision])

    def jacobian(theta):
        z, dz = impedance(theta, f)
        slope = -dz / z[:, None]
        rows = [solve_triangular(lower, part, lower=True) for part in (slope.real, slope.imag)]
        return np.vstack([*rows, np.diag(precision)])

    start = TRUTH + np.array([0.1, -0.25, 0.4, -0.3, 0.3])
    found = {
        method: least_squares(
            residuals, start, jacobian, method=method, x_scale="jac", ftol=1e-14, xtol=1e-14, gtol=1e-14
        )
        for method in ("trf", "lm")
    }
    # Both stop where the cost (about 140) no longer changes in its last digit: some 1e-7 of a standard deviation from
    # the minimum. Gauss-Newton steps, which look at the gradient, take the rest.
    best = found["trf"].x
    for _ in range(4):
        best = best - lstsq(jacobian(best), residuals(best))[0]
    hessian = jacobian(best).T @ jacobian(best)
    inverse = np.linalg.inv(hessian)
    sd = np.sqrt(np.diag(inverse))
    apart = {method: float(np.max(np.abs(fit.x - best) / sd)) for method, fit in found.items()}
    assert max(apart.values()) < 1e-6, apart
    # The derivatives are right: central differences of the residuals.
    step = 1e-6
    for j in range(5):
        e = np.zeros(5)
        e[j] = step
        slope = (residuals(best + e) - residuals(best - e)) / (2 * step)
        assert np.max(np.abs(slope - jacobian(best)[:, j])) < 1e-6 * np.max(np.abs(slope))
    log_det = 2 * np.sum(np.log(np.diag(lower)))
    n = 2 * len(f)
    data_cost = 0.5 * float(np.sum(residuals(best)[:n] ** 2))
    return {
        "name": name,
        "kernel": kind,
        "sigma": sigma,
        "length": length,
        "calibration": calibration,
        "prior": [{"centre": p[0], "sd": p[1]} for p in priors],
        "start": start.tolist(),
        "frequency_hz": f.tolist(),
        "re_ohm": re.tolist(),
        "im_ohm": im.tolist(),
        "variance": variance.tolist(),
        "theta": best.tolist(),
        "sd": sd.tolist(),
        "correlation": (inverse / np.outer(sd, sd)).tolist(),
        "cost": 0.5 * float(np.sum(residuals(best) ** 2)),
        "negative_log_likelihood": data_cost + log_det + 0.5 * n * np.log(2 * np.pi),
        "methods_off_in_sd": apart,
    }


def main():
    flat = (0.0, None)
    tight = [(float(np.log(5.5)), 0.02), flat, flat, flat, (float(np.log(1.0e-3)), 0.10)]
    cases = [
        make("no priors, exponential discrepancy", "exponential", 1, 0.02, 0.3, [0.0, 0.0], [flat] * 5),
        make("two priors, exponential discrepancy", "exponential", 2, 0.02, 0.3, [0.0, 0.0], tight),
        make("two priors, smooth discrepancy, calibration", "matern32", 3, 0.015, 0.5, [0.01, 0.004], tight),
    ]
    out = {
        "how": "tests/reference/least_squares/make.py",
        "numpy": np.__version__,
        "scipy": scipy.__version__,
        "parameters": NAMES,
        "cases": cases,
    }
    path = pathlib.Path(__file__).with_name("least_squares.json")
    path.write_text(json.dumps(out, indent=1) + "\n")
    for case in cases:
        print(case["name"], np.exp(case["theta"]), case["sd"], case["cost"], case["negative_log_likelihood"], case["methods_off_in_sd"])


if __name__ == "__main__":
    main()
