"""Added length of a flat screen with round holes: axisymmetric Laplace equation in the cell of one hole.

Holes of radius a in a screen of thickness t, open fraction sigma: the cell is a tube of the radius A = a / sqrt(sigma),
the usual round stand-in for a square or hexagonal cell. The inertance of one hole is

    rho ( (t + l) / (pi a^2) + L_out / (pi A^2) ),     l: the added length of both sides together,

L_out the length of the air outside. By symmetry the half z > 0 from the middle of the screen, an equipotential, is
enough. The outside, 3 A long, neglects e^(-23). Two problems give l from both sides (principles of Dirichlet and
Thomson): the potential, 0 in the middle of the hole and 1 far off, and the stream function r^2 chi,

    int ((2 chi + r chi_r)^2 + r^2 chi_z^2) r dA,

1 on the walls; chi is smooth at the axis, but 1/r^2 on the walls is only interpolated. The value is their mean, the
error half their distance.

Compared with (all from memory, all for both sides), x = a/A = sqrt(sigma):
    fok     (pi/2) a (1 - 1.4092 x + 0.33818 x^3 + 0.06793 x^5 - 0.02287 x^6 + 0.03015 x^7 - 0.01641 x^8), t = 0 (Fok 1941)
    common  16/(3 pi) a (1 - 1.13 X - 0.09 X^2 + 0.27 X^3), X = 2 a / pitch = 2 sqrt(sigma/pi) of a square lattice
    piston  8 a sum J1(j x)^2 / (j^3 x J0(j)^2), j the zeros of J1: a uniform velocity in the hole, derived below;
            no uniform velocity is the true one, so it lies above (Thomson), for any thickness
    thick   no closed form for x > 0; at x = 0 twice the flanged end, 2 * 0.8217 a.
"""
from graded_mesh import factors, graded, joined, rectangle
import numpy as np
import scipy.special as ss
from skfem import Basis, BilinearForm, ElementTriP2

from result_file import SOURCE, digits, write

OPEN_FRACTIONS = (0.02, 0.05, 0.1, 0.2, 0.4)
THICKNESSES = (0.0, 0.5, 2.0)
OUTSIDE = 3.0  # tube radii


@BilinearForm
def potential_energy(u, v, w):
    return (u.grad[0] * v.grad[0] + u.grad[1] * v.grad[1]) * w.x[0]


@BilinearForm
def stream_energy(u, v, w):
    r = w.x[0]
    return ((2 * u + r * u.grad[0]) * (2 * v + r * v.grad[0]) + r**2 * u.grad[1] * v.grad[1]) * r


def least(matrix, fixed, values):
    u = np.zeros(matrix.shape[0])
    u[fixed] = values
    free = np.setdiff1d(np.arange(u.size), fixed)
    u[free] = factors(matrix[free][:, free].tocsc()).solve(-(matrix @ u)[free])
    return u @ (matrix @ u)


def added_length(sigma, thickness, uniform):
    """From below and from above, in hole radii (a = 1)."""
    tube, start = 1 / np.sqrt(sigma), thickness / 2
    cells = 4
    outer = max(2, round((tube - 1) * 3))
    far = start + OUTSIDE * tube
    r = np.concatenate([np.linspace(0, 1, cells + 1), np.linspace(1, tube, outer + 1)[1:]])
    blocks = [rectangle(r, np.linspace(start, far, round(OUTSIDE * tube * 3) + 1))]
    if thickness:
        blocks.append(rectangle(r[:cells + 1], np.linspace(0, start, max(1, round(start * cells)) + 1)))
    mesh = graded(joined(*blocks), [(1.0, start)], 0.5, 26).refined(uniform)
    outside = mesh.boundary_facets()
    r, z = mesh.p[:, mesh.facets[:, outside]].mean(axis=1)
    middle, end = (z == 0) & (r < 1), np.abs(z - far) < 1e-9
    wall = ~middle & ~end & (r > 1e-9)
    basis = Basis(mesh, ElementTriP2(), intorder=7)
    low, high, walls = (basis.get_dofs(outside[f]).flatten() for f in (middle, end, wall))
    ends = np.concatenate([low, high])
    flux = least(potential_energy.assemble(basis).tocsc(), ends, np.isin(ends, high).astype(float))
    energy = least(stream_energy.assemble(basis).tocsc(), walls, 1 / basis.doflocs[0, walls]**2)
    rest = thickness + 2 * OUTSIDE * tube * sigma
    # resistance of the half: 1 / (2 pi flux) and energy / (2 pi); l = 2 pi a^2 resistance less the rest
    return 1 / flux - rest, energy - rest, int(basis.N)


def fok(x):
    return np.pi / 2 * np.polyval([-0.01641, 0.03015, -0.02287, 0.06793, 0, 0.33818, 0, -1.4092, 1], x)


def common(sigma):
    x = 2 * np.sqrt(sigma / np.pi)
    return 16 / (3 * np.pi) * (1 - 1.13 * x - 0.09 * x**2 + 0.27 * x**3)


def piston(x):
    """Velocity 1 in r < 1 of a tube of radius 1/x: p = rho w sum c_n J0(j x r) e^(-j x z), mean of sum c_n J0 over r < 1."""
    j = ss.jn_zeros(1, 20000)
    one_side = np.sum(4 * ss.j1(j * x)**2 / (j**3 * x * ss.j0(j)**2))
    return 2 * one_side


if __name__ == "__main__":
    values = []
    for thickness in THICKNESSES:
        for sigma in OPEN_FRACTIONS:
            coarse, fine = added_length(sigma, thickness, 1), added_length(sigma, thickness, 2)
            mean = [(m[0] + m[1]) / 2 for m in (coarse, fine)]
            row = {
                "open_fraction": sigma, "thickness_over_radius": thickness, "added_length_over_radius": digits(mean[1])[0],
                "from_below": digits(fine[0])[0], "from_above": digits(fine[1])[0],
                "error": abs(fine[1] - fine[0]) / 2, "finest_to_half_as_fine": abs(mean[1] - mean[0]), "unknowns": fine[2],
            }
            x = np.sqrt(sigma)
            for name, theory in (("fok", fok(x)), ("common", common(sigma)), ("piston", piston(x))):
                row[name] = digits(theory, 7)[0]
                row[f"relative_deviation_from_{name}"] = float(f"{mean[1] / theory - 1:.3g}")
            values.append(row)
    write(__file__, {
        "how": "Axisymmetric Laplace equation by finite elements in the round cell of one hole of a screen (tube of area hole / "
               "sigma), by the potential (from below) and by the stream function (from above): added length of both sides "
               "together, per hole radius a, beyond the thickness; rho (t + l) / (pi a^2) is the inertance of a hole.",
        "source": SOURCE,
        "parameters": {
            "hole_radius": 1.0, "outside_length_over_tube_radius": OUTSIDE,
            "fok": "(pi/2)(1 - 1.4092 x + 0.33818 x^3 + 0.06793 x^5 - 0.02287 x^6 + 0.03015 x^7 - 0.01641 x^8), x = sqrt(sigma), "
                   "thickness 0 (from memory)",
            "common": "16/(3 pi)(1 - 1.13 X - 0.09 X^2 + 0.27 X^3), X = 2 sqrt(sigma/pi) (from memory)",
            "piston": "uniform velocity in the hole, a bound from above (series, derived)",
        },
        "frequency_hz": [0.0],
        "values": values,
        "error": {"how": "half the distance of the two results by the value, largest of all screens",
                  "relative": max(v["error"] / v["added_length_over_radius"] for v in values),
                  "finest_to_half_as_fine": max(v["finest_to_half_as_fine"] / v["added_length_over_radius"] for v in values)},
        "check": {"thin_against_fok_relative": max(
            abs(v["relative_deviation_from_fok"]) for v in values if v["thickness_over_radius"] == 0)},
    })
