"""Unflanged pipe by the integrals of Levine & Schwinger (1948), and Chebyshev coefficients for ka <= 3.6.

Prints ka, |R|, l/a; then the coefficients of -ln|R|/(ka)^2 and of l/a in T_n(2 ka/3.6 - 1).
"""
import numpy as np
from scipy.integrate import quad
from scipy.special import j1, y1, i1e, k1e

EDGE = 3.6


def log_r(ka):
    # x = ka sin t removes the root at the end
    # arctan(-J1/Y1), continued through Y1 = 0 and from 0 at x = 0.
    f = lambda t: np.arctan2(j1(ka * np.sin(t)), -y1(ka * np.sin(t)))
    v, _ = quad(lambda t: f(t) / (ka * np.sin(t)), 0, np.pi / 2, epsabs=1e-13, epsrel=1e-12, limit=400)
    return -2 * ka / np.pi * v


def length(ka):
    def f(t):
        x = ka * np.sin(t)
        return np.log(np.pi * j1(x) * np.hypot(j1(x), y1(x))) / x
    def g(u):
        # x = e^u
        x = np.exp(u)
        return np.log(1 / (2 * i1e(x) * k1e(x))) / np.sqrt(x * x + ka * ka)
    a, _ = quad(f, 0, np.pi / 2, epsabs=1e-13, epsrel=1e-11, limit=400)
    b, _ = quad(g, -45, 45, epsabs=1e-13, epsrel=1e-11, limit=800, points=[np.log(ka), 0.0])
    return (a + b) / np.pi


def main():
    for ka in (1e-3, 0.01, 0.1, 0.5, 1.0, 2.0, 3.0, 3.5, 3.6):
        print(ka, np.exp(log_r(ka)), length(ka))
    n = 40
    nodes = np.cos(np.pi * (np.arange(n) + 0.5) / n)
    ka = (nodes + 1) * EDGE / 2
    r = np.array([-log_r(x) / x**2 for x in ka])
    l = np.array([length(x) for x in ka])
    for name, values, keep in (("REFLECTION", r, 24), ("LENGTH", l, 18)):
        c = np.polynomial.chebyshev.chebfit(nodes, values, n - 1)
        between = np.linspace(0.01, EDGE, 60)
        fit = np.polynomial.chebyshev.chebval(2 * between / EDGE - 1, c[:keep])
        exact = [(-log_r(x) / x**2 if name == "REFLECTION" else length(x)) for x in between]
        print(name, "largest error between nodes", np.abs(fit - exact).max())
        print([float("%.12g" % v) for v in c[:keep]])


main()
