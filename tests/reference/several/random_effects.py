"""Reference values for src/several/random_effects.rs: python3 random_effects.py > random_effects.json

One set is published: thirteen trials of a vaccine (BCG against tuberculosis, 2x2 counts as tabled by Colditz et al. 1994,
J. Am. Med. Assoc. 271:698), the usual worked example of random-effects meta-analysis. Log risk ratios y and variances v follow
from the counts. The other set is made here: five units, three numbers, full covariances, one number not told by one unit.

The restricted likelihood is written out from its definition with the stacked covariance matrix and maximised by scipy's
L-BFGS-B and Nelder-Mead, which shares nothing with the scoring of the Rust code. numpy 1.26 or later, scipy 1.11 or later.
"""

import json
import math

import numpy as np
from scipy.optimize import brentq, minimize
from scipy.special import digamma

# tuberculosis and none among the treated, tuberculosis and none among the controls
BCG = [
    (4, 119, 11, 128),
    (6, 300, 29, 274),
    (3, 228, 11, 209),
    (62, 13536, 248, 12619),
    (33, 5036, 47, 5761),
    (180, 1361, 372, 1079),
    (8, 2537, 10, 619),
    (505, 87886, 499, 87892),
    (29, 7470, 45, 7232),
    (17, 1699, 65, 1600),
    (186, 50448, 141, 27197),
    (5, 2493, 3, 2338),
    (27, 16886, 29, 17825),
]


def restricted(t2, units):
    """-2 l as in (2), with everything stacked in one matrix; also the mean and its covariance."""
    rows = [len(u["numbers"]) for u in units]
    n, p = sum(rows), len(t2)
    v, x, y = np.zeros((n, n)), np.zeros((n, p)), np.zeros(n)
    at = 0
    for u, k in zip(units, rows):
        here = slice(at, at + k)
        v[here, here] = np.array(u["covariance"]) + np.diag([t2[j] for j in u["numbers"]])
        y[here] = u["estimate"]
        for i, j in enumerate(u["numbers"]):
            x[at + i, j] = 1.0
        at += k
    vi = np.linalg.inv(v)
    a = x.T @ vi @ x
    mean = np.linalg.solve(a, x.T @ vi @ y)
    r = y - x @ mean
    value = np.linalg.slogdet(v)[1] + np.linalg.slogdet(a)[1] + r @ vi @ r
    return value, mean, np.linalg.inv(a)


def best(units, p, fixed=None):
    """Maximum over t2 >= 0, with t2[fixed[0]] = fixed[1] if given."""
    free = [j for j in range(p) if fixed is None or j != fixed[0]]

    def full(part):
        t2 = np.zeros(p)
        t2[free] = part
        if fixed is not None:
            t2[fixed[0]] = fixed[1]
        return t2

    if not free:
        return full([]), restricted(full([]), units)[0]
    ends = []
    for start in (1e-4, 1e-2, 0.1, 1.0):
        first = minimize(
            lambda q: restricted(full(q), units)[0],
            [start] * len(free),
            method="L-BFGS-B",
            bounds=[(0, None)] * len(free),
        )
        again = minimize(
            lambda q: restricted(full(np.abs(q)), units)[0],
            first.x,
            method="Nelder-Mead",
            options={"xatol": 1e-12, "fatol": 1e-13, "maxiter": 20000, "maxfev": 20000},
        )
        ends.append((again.fun, list(np.abs(again.x))))
    value, part = min(ends)
    return full(part), value


def profile(units, p, j, t2, value, told):
    nu = told - 1
    allowed = 3.841458820694124 * nu * (math.log(nu / 2) - digamma(nu / 2))
    g = lambda s: best(units, p, (j, s))[1] - value - allowed
    low = 0.0 if g(0.0) <= 0 else brentq(g, 0.0, t2[j], xtol=1e-12, rtol=1e-7)
    far = max(t2[j], 1e-3)
    while g(far) < 0:
        far *= 4
    high = brentq(g, t2[j], far, xtol=1e-12, rtol=1e-7)
    return [math.sqrt(low), math.sqrt(high)]


def case(name, units, p):
    t2, value = best(units, p)
    _, mean, covariance = restricted(t2, units)
    told = [sum(j in u["numbers"] for u in units) for j in range(p)]
    return {
        "name": name,
        "units": units,
        "variance": list(t2),
        "mean": list(mean),
        "covariance": covariance.tolist(),
        "minus_two_log_likelihood": value,
        "spread": [profile(units, p, j, t2, value, told[j]) for j in range(p)],
    }


def bcg():
    units = []
    for a, b, c, d in BCG:
        units.append(
            {
                "numbers": [0],
                "estimate": [math.log(a / (a + b)) - math.log(c / (c + d))],
                "covariance": [[1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)]],
            }
        )
    return units


def made():
    rng = np.random.default_rng(20)
    spread = np.array([0.10, 0.02, 0.30])
    units = []
    for n in range(5):
        root = rng.normal(size=(3, 3)) * np.array([0.05, 0.02, 0.10])[:, None]
        s = root @ root.T + np.diag([1e-4, 1e-5, 1e-3])
        y = np.array([0.2, -0.1, 0.5]) + spread * rng.normal(size=3)
        y = y + rng.multivariate_normal(np.zeros(3), s)
        numbers = [0, 2] if n == 3 else [0, 1, 2]
        units.append(
            {
                "numbers": numbers,
                "estimate": [float(y[j]) for j in numbers],
                "covariance": [[float(s[i, j]) for j in numbers] for i in numbers],
            }
        )
    return units


print(json.dumps([case("bcg", bcg(), 1), case("made", made(), 3)], indent=1))
