"""Writes lookback.json: what general libraries (numpy, scipy) give for the figures of src/production.

python3 -m venv v && v/bin/pip install numpy scipy && v/bin/python make.py > lookback.json

Run lengths of the weighted average: Brook & Evans's Markov chain of 801 cells with a dense solve, extrapolated from 401 by the
square of the cell; nothing of the Rust code's integral is used. Capability: noncentral t by scipy, and the centred bound by
adaptive quadrature. Gauge study: sums of squares by least squares on dummy variables (sequential), which is another way
than means of cells. The data of the gauge study are those that the AIAG handbook prints (10 parts, 3 people, 3 trials), from memory.
"""
import json
import numpy as np
import scipy.integrate as si
import scipy.optimize as so
import scipy.special as sp
import scipy.stats as st


def chain(lam, reach, shift, cells):
    half = reach * np.sqrt(lam / (2 - lam))
    edge = np.linspace(-half, half, cells + 1)
    mid = 0.5 * (edge[1:] + edge[:-1])
    z = (edge[None, :] - (1 - lam) * mid[:, None]) / lam - shift
    q = np.diff(st.norm.cdf(z), axis=1)
    arl = np.linalg.solve(np.eye(cells) - q, np.ones(cells))
    return arl[cells // 2]


def ewma(lam, reach, shift):
    a, b = chain(lam, reach, shift, 401), chain(lam, reach, shift, 801)
    return b + (b - a) / ((801 / 401) ** 2 - 1)


def distance(k, n, side):
    """By scipy's noncentral t where it gives a number (it gives none far out), searched from where it does."""
    f = lambda z, want: st.nct.cdf(np.sqrt(n) * k, n - 1, np.sqrt(n) * z) - want
    ends = []
    for want in (1 - side, side):
        step = 0.05 * (1 if want < 0.5 else -1)
        z = k
        while f(z, want) * f(z + step, want) > 0:
            z += step
        ends.append(so.brentq(f, *sorted((z, z + step)), args=(want,), xtol=1e-12))
    return ends


def centred(found, n, side):
    nu = n - 1
    def larger(cpk):
        def g(u):
            w = np.sqrt(u / nu)
            return st.chi2.pdf(u, nu) * max(0.0, 2 * st.norm.cdf(np.sqrt(n) * 3 * (cpk - found * w)) - 1)
        top = nu * (cpk / found) ** 2
        return si.quad(g, 0, top, limit=400, epsabs=1e-11)[0]
    return so.brentq(lambda c: 1 - larger(c) - side, found * 0.5, found * 4, xtol=1e-11)


DATA = """
0.29 -0.56 1.34 0.47 -0.80 0.02 0.59 -0.31 2.26 -1.36
0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25
0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31
0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68
0.25 -1.22 0.94 1.03 -1.20 0.22 0.55 0.08 2.12 -1.62
0.07 -0.68 1.34 0.20 -1.28 0.06 0.83 -0.34 2.19 -1.50
0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49
-0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77
-0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16
"""


def gauge():
    y = np.array([[float(x) for x in line.split()] for line in DATA.strip().splitlines()])
    rows = [(part, i // 3, i % 3, y[i, part]) for i in range(9) for part in range(10)]
    value = np.array([r[3] for r in rows])
    def dummy(keys):
        levels = sorted(set(keys))
        return np.array([[1.0 if k == l else 0.0 for l in levels] for k in keys])
    blocks = [np.ones((90, 1)), dummy([r[0] for r in rows]), dummy([r[1] for r in rows]),
              dummy([(r[0], r[1]) for r in rows])]
    rss, left = [], []
    x = np.zeros((90, 0))
    for b in blocks:
        x = np.hstack([x, b])
        fit = x @ np.linalg.lstsq(x, value, rcond=None)[0]
        rss.append(float(((value - fit) ** 2).sum()))
        left.append(90 - np.linalg.matrix_rank(x))
    ss = [rss[0] - rss[1], rss[1] - rss[2], rss[2] - rss[3], rss[3]]
    df = [int(left[0] - left[1]), int(left[1] - left[2]), int(left[2] - left[3]), int(left[3])]
    ms = [s / d for s, d in zip(ss, df)]
    return {"value": [[[float(y[3 * o + t, p]) for t in range(3)] for o in range(3)] for p in range(10)],
            "sum_squares": ss, "degrees": df, "mean_squares": ms,
            "interaction_chance": float(st.f.sf(ms[2] / ms[3], df[2], df[3]))}


out = {
    "how": __doc__.strip().splitlines()[0] + f" numpy {np.__version__}, scipy {__import__('scipy').__version__}",
    "beta": [{"a": a, "b": b, "x": x, "value": float(sp.betainc(a, b, x))}
             for a, b, x in [(2.5, 0.5, 0.3), (0.5, 40, 0.01), (4e4, 6e4, 0.401), (3, 7, 0.9), (1e5, 2, 0.99995)]],
    "f_quantile": [{"over": a, "under": b, "p": p, "value": float(st.f.ppf(p, a, b))}
                   for a, b, p in [(18, 60, 0.975), (2, 18, 0.025), (1, 4, 0.9973), (9, 2, 0.975), (1, 99, 0.9999)]],
    "share": [{"found": k, "tried": n, "confidence": c,
               "low": float(st.beta.ppf((1 - c) / 2, k, n - k + 1)) if k else 0.0,
               "high": float(st.beta.ppf((1 + c) / 2, k + 1, n - k)) if k < n else 1.0}
              for k, n, c in [(4, 20, 0.9), (0, 30, 0.95), (30, 30, 0.95), (187, 200, 0.95), (1, 1, 0.95), (99000, 100000, 0.95)]],
    "ewma": [{"lambda": l, "reach": r, "shift": s, "mean": float(ewma(l, r, s))}
             for l, r in [(0.1, 2.814), (0.1, 2.7), (0.25, 2.998), (0.4, 3.054), (0.05, 2.615)] for s in [0, 0.25, 0.5, 1, 2, 3]],
    "distance": [{"k": k, "n": n, "side": s, "ends": [float(v) for v in distance(k, n, s)]}
                 for k, n, s in [(4.0, 25, 0.025), (3.0, 100, 0.05), (1.0, 5, 0.025), (-0.5, 12, 0.025), (5.0, 300, 0.005)]],
    "centred": [{"cpk": c, "n": n, "side": s, "high": float(centred(c, n, s))}
                for c, n, s in [(1.333, 25, 0.025), (1.0, 100, 0.025), (0.6, 10, 0.025)]],
    "gauge": gauge(),
}
print(json.dumps(out, indent=1))
