"""Risks of wrong decisions about a toleranced quantity, by scipy's bivariate normal distribution.

x ~ N(mean, sd^2) is the true value of a unit, y = x + N(0, u^2) what is measured; the unit is good between good_low and
good_high. All risks are probabilities of rectangles of (x, y), so that this shares no formula with `production/guard.rs`, which
integrates over x. Run: python3 risks.py > risks.json (scipy 1.x).
"""
import itertools
import json

import numpy as np
from scipy.stats import multivariate_normal, norm

FAR = 40.0


def rectangle(dist, x, y):
    """P(x0 < X < x1, y0 < Y < y1) from the distribution function."""
    return (dist(x[1], y[1]) - dist(x[0], y[1]) - dist(x[1], y[0]) + dist(x[0], y[0]))


def row(mean, sd, u, good, limits, rule, factor):
    cov = [[sd * sd, sd * sd], [sd * sd, sd * sd + u * u]]
    mvn = multivariate_normal([mean, mean], cov, maxpts=10**6, abseps=1e-10, releps=1e-10)
    dist = lambda a, b: mvn.cdf([a, b])
    low, high = -FAR, FAR
    g = 0.0 if rule == "simple" else factor * u
    keep = (limits[0] - g, limits[1] + g)          # outside: fail
    accept = (limits[0] + g, limits[1] - g) if rule == "conformity" else keep
    bad = [(low, good[0]), (good[1], high)]
    p_good = norm.cdf((good[1] - mean) / sd) - norm.cdf((good[0] - mean) / sd)
    if accept[0] < accept[1]:
        pass_and_bad = sum(rectangle(dist, x, accept) for x in bad)
        sy = np.hypot(sd, u)
        p_pass = norm.cdf((accept[1] - mean) / sy) - norm.cdf((accept[0] - mean) / sy)
    else:
        pass_and_bad, p_pass = 0.0, 0.0
    fail_and_good = rectangle(dist, good, (low, keep[0])) + rectangle(dist, good, (keep[1], high))
    sy = np.hypot(sd, u)
    p_fail = 1 - (norm.cdf((keep[1] - mean) / sy) - norm.cdf((keep[0] - mean) / sy))
    return dict(mean=mean, sd=sd, u=u, good_low=good[0], good_high=good[1], low=limits[0], high=limits[1],
                rule=rule, factor=factor, good=p_good, pass_and_bad=pass_and_bad, fail_and_good=fail_and_good,
                unresolved=max(0.0, 1 - p_pass - p_fail))


def main():
    rows = []
    for (mean, sd), u, limits, rule in itertools.product(
        [(0.0, 0.5), (0.3, 0.5), (-0.8, 0.2)],
        [0.02, 0.15, 0.6],
        [(-1.0, 1.0), (-0.7, 0.9)],
        ["conformity", "non-conformity", "simple"],
    ):
        rows.append(row(mean, sd, u, (-1.0, 1.0), limits, rule, 1.65))
    print("[\n" + ",\n".join(json.dumps({k: (float(v) if not isinstance(v, str) else v) for k, v in r.items()}) for r in rows) + "\n]")


main()
