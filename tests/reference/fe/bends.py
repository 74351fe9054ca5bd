"""Added inertance of bends of a plane channel against its centre line: Laplace's equation, potential flow.

The inertance per metre of depth is rho l / h; the added length is l less the centre line. Channel height h = 1, straight
legs of 4 h on both sides (what they neglect falls as e^(-2 pi 4)). Two problems give l from both sides (the principles of
Dirichlet and Thomson): the potential, 0 and 1 at the two ends, h / l <= int |grad phi|^2 dA, and the stream function,
0 and 1 on the two walls, l / h <= int |grad psi|^2 dA. The value is their mean, the error half their distance.

Mitred: sharp inner and outer corner, centre line h inside the corner square. Closed form by conformal mapping (from
memory, as the resistance of a corner square): 1 - (2/pi) ln 2 = 0.558729 squares, so -(2/pi) ln 2 = -0.441271 h.
Rings: (pi/2) / ln(ro/ri) is the ring alone with its end planes as equipotentials. Joined to straight legs these planes
are no equipotentials, which only adds: the closed form of the ring alone is a lower bound.
"""
from graded_mesh import factors, graded, joined, rectangle
import numpy as np
from skfem import Basis, ElementTriP2, MeshTri2
from skfem.models.poisson import laplace

from result_file import SOURCE, digits, write

LEG = 4.0
INNER_RADII = (0.25, 0.5, 1.0)


def energy(basis, low, high):
    """Least int |grad u|^2 dA of the functions with u = 0 on the facets `low`, 1 on `high`."""
    matrix = laplace.assemble(basis).tocsc()
    zero, one = (basis.get_dofs(facets).flatten() for facets in (low, high))
    u = np.zeros(basis.N)
    u[one] = 1.0
    free = np.setdiff1d(np.arange(basis.N), np.concatenate([zero, one]))
    u[free] = factors(matrix[free][:, free].tocsc()).solve(-(matrix @ u)[free])
    return u @ (matrix @ u)


def added_length(mesh, ends, walls, centre_line):
    """From below and from above, in channel heights."""
    basis = Basis(mesh, ElementTriP2(), intorder=6)
    return 1 / energy(basis, *ends) - centre_line, energy(basis, *walls) - centre_line, int(basis.N)


def mitred(uniform):
    """Corner square 0..1 x 0..1, legs to x = -LEG and to y = -LEG; inner corner at the origin."""
    fine, coarse = np.linspace(0, 1, 5), np.linspace(-LEG, 0, 17)
    mesh = joined(rectangle(fine, fine), rectangle(coarse, fine), rectangle(fine, coarse))
    mesh = graded(mesh, [(0.0, 0.0)], 0.4, 20).refined(uniform)
    outside = mesh.boundary_facets()
    x, y = mesh.p[:, mesh.facets[:, outside]].mean(axis=1)
    ends = outside[x == -LEG], outside[y == -LEG]
    outer = (y == 1) | (x == 1)
    walls = outside[~outer & (x > -LEG) & (y > -LEG)], outside[outer]
    return added_length(mesh, ends, walls, 2 * LEG + 1)


def ring(inner, uniform, leg=LEG):
    """Along s: leg, quarter ring 0 < s < 2 of centre line pi/2 (inner + 1/2), leg; quadratic cells on mapped nodes."""
    straight = [np.linspace(-leg, 0, 17)[:-1], np.linspace(2, 2 + leg, 17)[1:]] if leg else [[], []]
    s = np.concatenate([straight[0], np.linspace(0, 2, 13), straight[1]])
    mesh = graded(rectangle(s, np.linspace(0, 1, 5)), [(0.0, 0.0), (2.0, 0.0)], 0.4, 6).refined(uniform)
    outside = mesh.boundary_facets()
    s, t = mesh.p[:, mesh.facets[:, outside]].mean(axis=1)
    ends = outside[s == -leg], outside[s == 2 + leg]
    walls = outside[t == 0], outside[t == 1]

    def place(x):
        angle = np.clip(x[0], 0, 2) * np.pi / 4
        radius = inner + x[1]
        return np.array([radius * np.sin(angle) + np.minimum(x[0], 0), radius * np.cos(angle) - np.maximum(x[0] - 2, 0)])

    flat = MeshTri2.from_mesh(mesh)
    mapped = MeshTri2(place(flat.doflocs), flat.t)
    return added_length(mapped, ends, walls, 2 * leg + np.pi / 2 * (inner + 0.5))


def result(name, solve, theory, theory_is, **parameters):
    coarse, fine = solve(1), solve(2)
    mean = [(m[0] + m[1]) / 2 for m in (coarse, fine)]
    return {
        "bend": name, **parameters, "added_length_over_height": digits(mean[1])[0],
        "from_below": digits(fine[0])[0], "from_above": digits(fine[1])[0],
        "error": abs(fine[1] - fine[0]) / 2, "finest_to_half_as_fine": abs(mean[1] - mean[0]), "unknowns": fine[2],
        "closed_form": digits(theory)[0], "closed_form_is": theory_is,
        "deviation_from_closed_form": float(f"{mean[1] - theory:.3g}"),
    }


if __name__ == "__main__":
    values = [result("mitred", mitred, -2 / np.pi * np.log(2), "-(2/pi) ln 2, exact")]
    check = {}
    for inner in INNER_RADII:
        alone = np.pi / 2 / np.log((inner + 1) / inner) - np.pi / 2 * (inner + 0.5)
        values.append(result("quarter ring", lambda u: ring(inner, u), alone, "ring alone, a lower bound",
                             inner_radius_over_height=inner))
        check[f"ring_alone_{inner}_against_closed_form"] = float(np.mean(ring(inner, 2, 0.0)[:2])) - alone
    write(__file__, {
        "how": "Laplace's equation by finite elements in a plane channel of height h with a 90 degree bend between straight "
               "legs, by the potential (from below) and by the stream function (from above): length that the bend's inertance "
               "adds to the centre line, per h; rho times it, over h, is the inertance per metre of depth.",
        "source": SOURCE,
        "parameters": {"height": 1.0, "leg_over_height": LEG, "angle_degrees": 90,
                       "mitred_centre_line_in_corner_over_height": 1.0},
        "frequency_hz": [0.0],
        "values": values,
        "error": {"how": "half the distance of the two bounds, in channel heights, largest of all bends",
                  "added_length_over_height": max(v["error"] for v in values),
                  "finest_to_half_as_fine": max(v["finest_to_half_as_fine"] for v in values)},
        "check": check,
    })
