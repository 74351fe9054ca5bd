"""Added length of a flat screen with parallel slits: Laplace's equation in a half cell, potential flow.

Slits of width d and pitch b, open fraction sigma = d/b, thickness t. The inertance of one pitch per metre of depth is

    rho ( (t + l) / d + L_out / b ),     l: the added length of both sides together,

L_out the length of the air outside. By symmetry a quarter of the cell is enough: 0 < y < b/2, and x > 0 from the middle
of the screen, which is an equipotential. The outside, 1.5 b long, neglects e^(-6 pi). Two problems give l from both
sides (principles of Dirichlet and Thomson): the potential, 0 in the slit's middle and 1 far off, and the stream function,
0 on the slit's axis and 1 on the walls. The value is their mean, the error half their distance.

Closed forms (conformal mapping, from memory): t = 0, l/d = (2/pi) ln(1 / sin(pi sigma / 2)); t large, two steps of a plane
channel, l/d = (1/pi) ((sigma^2 + 1)/sigma ln((1 + sigma)/(1 - sigma)) - 2 ln(4 sigma / (1 - sigma^2))).
"""
from graded_mesh import graded, joined, rectangle
import numpy as np
from skfem import Basis, ElementTriP2

from bends import energy
from result_file import SOURCE, digits, write

OPEN_FRACTIONS = (0.05, 0.1, 0.2, 0.5)
THICKNESSES = (0.0, 0.5, 2.0)


def added_length(sigma, thickness, uniform):
    """From below and from above, in slit widths (d = 1)."""
    pitch, start = 1 / sigma, thickness / 2
    across = {0.05: 1, 0.1: 1, 0.2: 2, 0.5: 4}[sigma]  # cells over half a slit on the first mesh
    cell = 0.5 / across
    far = start + 1.5 * pitch
    y = np.linspace(0, pitch / 2, round(pitch / 2 / cell) + 1)
    blocks = [rectangle(np.linspace(start, far, round(1.5 * pitch / cell) + 1), y)]
    if thickness:
        blocks.append(rectangle(np.linspace(0, start, max(1, round(start / cell)) + 1), y[:across + 1]))
    mesh = graded(joined(*blocks), [(start, 0.5)], 1.5 * cell, 26).refined(uniform)
    outside = mesh.boundary_facets()
    x, y = mesh.p[:, mesh.facets[:, outside]].mean(axis=1)
    ends = outside[(x == 0) & (y < 0.5)], outside[x == x.max()]
    axis = y == 0
    walls = outside[axis], outside[~axis & (x < far - 1e-9) & ~((x == 0) & (y < 0.5))]
    basis = Basis(mesh, ElementTriP2())
    rest = thickness + 2 * 1.5  # (t/2) / (d/2) and 1.5 b / (b/2): what the quarter has without the added length
    return 1 / energy(basis, *ends) - rest, energy(basis, *walls) - rest, int(basis.N)


if __name__ == "__main__":
    values = []
    for thickness in THICKNESSES:
        for sigma in OPEN_FRACTIONS:
            coarse, fine = added_length(sigma, thickness, 1), added_length(sigma, thickness, 2)
            mean = [(m[0] + m[1]) / 2 for m in (coarse, fine)]
            row = {
                "open_fraction": sigma, "thickness_over_width": thickness, "added_length_over_width": digits(mean[1])[0],
                "from_below": digits(fine[0])[0], "from_above": digits(fine[1])[0],
                "error": abs(fine[1] - fine[0]) / 2, "finest_to_half_as_fine": abs(mean[1] - mean[0]), "unknowns": fine[2],
            }
            theory = 2 / np.pi * np.log(1 / np.sin(np.pi * sigma / 2))
            row["thin_closed_form"] = digits(theory)[0]
            row["relative_deviation_from_thin"] = float(f"{mean[1] / theory - 1:.3g}")
            thick = ((sigma**2 + 1) / sigma * np.log((1 + sigma) / (1 - sigma))
                     - 2 * np.log(4 * sigma / (1 - sigma**2))) / np.pi
            row["thick_closed_form"] = digits(thick)[0]
            row["relative_deviation_from_thick"] = float(f"{mean[1] / thick - 1:.3g}")
            values.append(row)
    write(__file__, {
        "how": "Laplace's equation by finite elements in a quarter of the cell of a flat screen of parallel slits, by the "
               "potential (from below) and by the stream function (from above): added length of both sides together, per slit "
               "width d, beyond the thickness; rho (t + l) / d is the inertance of a slit per metre of depth.",
        "source": SOURCE,
        "parameters": {"slit_width": 1.0, "outside_length_over_pitch": 1.5,
                       "thin_closed_form": "(2/pi) ln(1/sin(pi sigma/2)), exact for thickness 0",
                       "thick_closed_form": "(1/pi) ((s^2+1)/s ln((1+s)/(1-s)) - 2 ln(4s/(1-s^2))), s = sigma, the "
                                            "limit of great thickness"},
        "frequency_hz": [0.0],
        "values": values,
        "error": {"how": "half the distance of the two bounds by the value, largest of all screens",
                  "relative": max(v["error"] / v["added_length_over_width"] for v in values),
                  "finest_to_half_as_fine": max(v["finest_to_half_as_fine"] / v["added_length_over_width"] for v in values)},
        "check": {"thin_against_closed_form_relative": max(
            abs(v["relative_deviation_from_thin"]) for v in values if v["thickness_over_width"] == 0)},
    })
