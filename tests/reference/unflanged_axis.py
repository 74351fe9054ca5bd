"""Static potential on the axis of an unflanged pipe, per mouth velocity and radius, by Wiener-Hopf:

phi(z) = 1/2 int_0^inf J1(y) e^(-y z)/(y L+(y)) dy,  ln L+(y) = (y/pi) int_0^inf ln(2 I1 K1)(t)/(t^2 + y^2) dt.

Same factorisation as Levine & Schwinger (1948), k -> 0. Prints z, phi, the fit of src/model/radiation.
"""
import numpy as np
import scipy.integrate as si
import scipy.special as sp
from scipy.interpolate import CubicSpline

nodes = np.exp(np.linspace(-9, 7, 400))


def ll(t):
    return np.log(2 * sp.i1e(t) * sp.k1e(t))


def l_plus(y):
    f = lambda u: ll(y * np.exp(u)) / (2 * np.cosh(u))
    v, _ = si.quad(f, -40, 40, epsabs=1e-13, epsrel=1e-11, limit=500, points=[0, -np.log(y)] if y > 0 else [0])
    return np.exp(v / np.pi)


lp = np.array([l_plus(y) for y in nodes])
spline = CubicSpline(np.log(nodes), np.log(lp))


def inv(y):
    return np.exp(-spline(np.log(np.clip(y, nodes[0], None))))


def phi(z):
    # damped: sum between zeros with averaging
    if z > 0.02:
        v, _ = si.quad(lambda y: sp.j1(y) / y * np.exp(-y * z) * inv(y), 1e-9, 40 / z, limit=4000, epsabs=1e-11)
        return v / 2
    edges = np.concatenate([[1e-9], sp.jn_zeros(1, 120)])
    parts = [si.quad(lambda y: sp.j1(y) / y * np.exp(-y * z) * inv(y), a, b, epsabs=1e-13)[0] for a, b in zip(edges, edges[1:])]
    s = np.cumsum(parts)
    for _ in range(25):
        s = (s[1:] + s[:-1]) / 2
    return s[-1] / 2


l = 0.612701
zs = np.array([0, 0.01, 0.03, 0.06, .1, .15, .2, .3, .4, .5, .7, 1, 1.4, 2, 3, 5, 8, 15])
ph = np.array([phi(z) for z in zs])
r = np.sqrt(1 + zs**2)
base = 0.5 * (r - zs) + l / 2 * (1 - zs / r)
rest = ph - base
cols = np.array([r**-3, zs * r**-5, (2*zs**2-1)* r**-5, r**-7, zs*r**-7]).T
for use in ([0], [0, 1], [0, 1, 3],[0,1,3,4]):
    c, *_ = np.linalg.lstsq(cols[:, use] / ph[:, None], rest / ph, rcond=None)
    fit = base + cols[:, use] @ c
    print(use, c, "largest relative error", np.abs(fit / ph - 1).max())
for a in zip(zs, ph, base, fit):
    print(*("%.6f" % x for x in a))
