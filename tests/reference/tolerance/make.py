#!/usr/bin/env python3
"""Tolerance factors from outside: what tests/tolerance_factors.rs compares with.

Published tables, as transcribed in the tests of the general statistics package `toleranceinterval` 1.0.3 (MIT licence;
C. Jekel, J. Ludlow):
    one-sided, normal      Montgomery & Runger 2018, Applied Statistics and Probability for Engineers, table XII
    two-sided, normal      ISO 16269-6:2014, annex F (last digit rounded up; m samples of n with a common deviation)
    two-sided, normal      Meeker, Hahn & Escobar 2017, Statistical Intervals, tables J.5a and J.5b
    order statistics       Meeker, Hahn & Escobar 2017, table J.11
Computed here by scipy and mpmath:
    one-sided factors by the noncentral t distribution (scipy.stats.nct)
    two-sided factors by the integral over the mean (scipy.integrate.quad, scipy.stats.chi2)
    the incomplete gamma function (mpmath, 30 digits)

    pip install --target /tmp/ti --no-deps toleranceinterval==1.0.3
    PYTHONPATH=/tmp/ti python3 make.py      writes tolerance.json beside itself
"""

import json
import math
import pathlib

import mpmath
import numpy as np
import scipy
from scipy import integrate, optimize, stats
from tests import (
    test_oneside_nonparmetric,
    test_oneside_normal,
    test_twoside_normal_factor_iso,
    test_twoside_normal_factor_mhe,
)


def number(value):
    return None if np.isnan(value) else float(value)


def one_sided_published():
    case = test_oneside_normal.TestEverything
    return [
        {"n": int(n), "content": float(p), "confidence": float(g), "factor": float(k)}
        for n, row in zip(case.sample_sizes, case.K)
        for p, g, k in zip(case.P, case.G, row)
    ]


def iso_annex_f():
    rows = []
    for table in range(1, 10):
        case = getattr(test_twoside_normal_factor_iso, f"TestIsoF{table}")
        for n, row in zip(case.sample_size, case.factor_k5):
            if np.isfinite(n):
                rows += [
                    {
                        "table": f"F.{table}",
                        "n": int(n),
                        "samples": int(m),
                        "content": case.coverage,
                        "confidence": case.confidence,
                        "factor": float(k),
                    }
                    for m, k in zip(case.number_of_samples, row)
                ]
    return rows


def meeker_two_sided():
    rows = []
    for table in "ab":
        case = getattr(test_twoside_normal_factor_mhe, f"TestMeekerHahnEscobarJ5{table}")
        for n, row in zip(case.sample_size, case.factor_g):
            if np.isfinite(n):
                rows += [
                    {"n": int(n), "content": float(p), "confidence": float(g), "factor": float(k)}
                    for p, g, k in zip(case.coverage, case.confidence, row)
                ]
    return rows


def order_statistics():
    case = test_oneside_nonparmetric.TestEverything
    # The file holds the table's entries less one.
    return [
        {"n": int(n), "content": float(p), "confidence": float(g), "rank": None if np.isnan(k) else int(k) + 1}
        for n, row in zip(case.sample_sizes, case.K)
        for p, g, k in zip(case.P, case.G, row)
    ]


def one_sided(n, p, g):
    return float(stats.nct.ppf(g, n - 1, math.sqrt(n) * stats.norm.ppf(p)) / math.sqrt(n))


def two_sided(n, p, g):
    nu = n - 1

    def radius(x):
        def excess(r):
            return stats.norm.cdf(x + r) - stats.norm.cdf(x - r) - p

        return optimize.brentq(excess, 1e-12, abs(x) + 12, xtol=1e-15, rtol=1e-14)

    def confidence(k):
        def integrand(y):
            r = radius(y / math.sqrt(n))
            return 2 * stats.norm.pdf(y) * stats.chi2.sf(nu * r * r / (k * k), nu)

        return integrate.quad(integrand, 0, 9, epsabs=1e-13, epsrel=1e-12, limit=400)[0]

    guess = stats.norm.ppf((1 + p) / 2) * math.sqrt((1 + 1 / n) * nu / stats.chi2.ppf(1 - g, nu))
    return float(
        optimize.brentq(lambda k: confidence(k) - g, 0.7 * guess, 1.4 * guess, xtol=1e-11, rtol=1e-12)
    )


def gamma_tail():
    mpmath.mp.dps = 30
    rows = []
    for a in [0.5, 1.0, 2.5, 7.0, 30.0, 499.5, 5000.0]:
        for z in [-4.0, -1.0, -0.01, 0.0, 0.5, 3.0, 6.0]:
            x = a * max(1 + z / math.sqrt(2 * a), 0.001)
            q = mpmath.gammainc(mpmath.mpf(a), mpmath.mpf(x), mpmath.inf, regularized=True)
            rows.append({"a": a, "x": x, "tail": float(q)})
    return rows


def main():
    grid = [(2, 0.9, 0.9), (2, 0.99, 0.99), (3, 0.95, 0.95), (5, 0.9973, 0.95), (8, 0.99, 0.9), (10, 0.95, 0.95)]
    grid += [(12, 0.9, 0.5), (20, 0.99, 0.99), (30, 0.95, 0.9), (43, 0.9, 0.99), (100, 0.999, 0.95), (1000, 0.95, 0.99)]

    def rows(factor, cases):
        return [{"n": n, "content": p, "confidence": g, "factor": factor(n, p, g)} for n, p, g in cases]

    out = {
        "how": "tests/reference/tolerance/make.py",
        "scipy": scipy.__version__,
        "mpmath": mpmath.__version__,
        "one_sided_published": one_sided_published(),
        "iso_16269_6_annex_f": iso_annex_f(),
        "two_sided_published": meeker_two_sided(),
        "order_statistics": order_statistics(),
        "one_sided": rows(one_sided, grid + [(5000, 0.99, 0.95)]),
        "two_sided": rows(two_sided, grid),
        "gamma_tail": gamma_tail(),
    }
    # One row a line.
    parts = []
    for key, value in out.items():
        if isinstance(value, list):
            lines = ",\n  ".join(json.dumps(row, separators=(",", ":")) for row in value)
            parts.append(f' "{key}": [\n  {lines}\n ]')
        else:
            parts.append(f' "{key}": {json.dumps(value)}')
    text = "{\n" + ",\n".join(parts) + "\n}\n"
    json.loads(text)
    pathlib.Path(__file__).with_name("tolerance.json").write_text(text)


if __name__ == "__main__":
    main()
