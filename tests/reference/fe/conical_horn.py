"""Straight-sided cone, throat driven, mouth in an infinite rigid flange: axisymmetric Helmholtz equation.

    int (grad p . grad q - k^2 p q) r dA - int_sphere dp/dn q r ds = j w rho u0 int_throat q r ds,   u0 = 1/(pi r0^2)

e^(+jwt), lossless. Mouth at z = 0, horn at z < 0, air in front inside a hemisphere of radius R. The
coordinates of the mesh are (r - r_mouth, z): its smallest cells lie at the edge of the mouth, where they need the digits.
On the sphere p = sum p_n h_n(kR) P_n(cos theta), n even (the flange is a plane of symmetry), h_n the spherical Hankel
function of the second kind, so that dp/dn is known exactly mode by mode (Dirichlet to Neumann), and the pressure
outside the sphere follows from the same sum. Volume velocity of the mouth: from the balance of the volume of the
horn, U = 1 - j w / (rho c^2) int_horn p dV, which is the flux that the weak form itself conserves.
"""
import one_thread  # noqa: F401, before numpy
import numpy as np
import scipy.sparse as sp
import scipy.special as ss
from skfem import Basis, BilinearForm, ElementTriP2, FacetBasis, LinearForm, MeshTri, MeshTri2

from graded_mesh import factors, graded, joined, rectangle
from result_file import SOURCE, complex_list, digits, largest_relative, write

RHO, C = 1.2041, 343.2
R_THROAT, R_MOUTH, LENGTH = 0.05, 0.20, 0.60
ACROSS = 4  # cells from axis to wall on the first mesh; a whole number of rings of this size makes the hemisphere
MODES = np.arange(0, 41, 2)
FREQUENCY_HZ = np.array(digits(np.geomspace(20, 300, 41), 8))
FAR_M = 1.0


def quarter_disc(rings, spacing):
    """Rings of triangles round the origin in r >= 0, z >= 0, two sectors of 45 degrees."""
    number, points = {}, []

    def node(i, j):  # ring i, place j of 0..2i
        if (i, j) not in number:
            number[i, j] = len(points)
            angle = j / (2 * i) * np.pi / 2 if i else 0.0
            points.append((i * spacing * np.cos(angle), i * spacing * np.sin(angle)))
        return number[i, j]

    cells = []
    for i in range(1, rings + 1):
        for sector in (0, 1):
            out, into = sector * i, sector * (i - 1)
            for j in range(i):
                cells.append((node(i, out + j), node(i, out + j + 1), node(i - 1, into + j)))
                if j < i - 1:
                    cells.append((node(i - 1, into + j), node(i, out + j + 1), node(i - 1, into + j + 1)))
    return MeshTri(np.array(points).T.round(15), np.array(cells).T)


def build(rings, uniform, throat_radius):
    """Quadratic mesh; its outer boundary nodes lie on the sphere of radius rings * R_MOUTH / ACROSS."""
    spacing = R_MOUTH / ACROSS
    box = rectangle(np.linspace(0, 1, ACROSS + 1), np.linspace(-LENGTH, 0, 13))
    s, z = box.p
    horn = MeshTri(np.array([s * (R_MOUTH + (R_MOUTH - throat_radius) * z / LENGTH), z]), box.t)
    mesh = joined(horn, quarter_disc(rings, spacing)).translated((-R_MOUTH, 0.0))
    mesh = graded(mesh, [(0.0, 0.0)], 1.5 * spacing, 14)
    mesh = graded(mesh, [(throat_radius - R_MOUTH, -LENGTH)], 1.0 * spacing, 4)
    mesh = mesh.refined(uniform)
    sphere = mesh.facets_satisfying(lambda x: np.minimum(x[0] + R_MOUTH, x[1]) > 1e-9, boundaries_only=True)
    radius = rings * spacing

    def on_sphere(points, ix):
        points = points.copy()
        scale = radius / np.hypot(points[0, ix] + R_MOUTH, points[1, ix])
        points[:, ix] = (points[0, ix] + R_MOUTH) * scale - R_MOUTH, points[1, ix] * scale
        return points

    mesh = MeshTri(on_sphere(mesh.p, np.unique(mesh.facets[:, sphere])), mesh.t)
    mesh2 = MeshTri2.from_mesh(mesh)
    nodes = np.unique(Basis(mesh2, ElementTriP2(), intorder=2).get_dofs(sphere).flatten())
    return MeshTri2(on_sphere(mesh2.doflocs, nodes), mesh2.t), sphere, radius


@BilinearForm
def stiffness(p, q, w):
    return (p.grad[0] * q.grad[0] + p.grad[1] * q.grad[1]) * (w.x[0] + R_MOUTH)


@BilinearForm
def mass(p, q, w):
    return p * q * (w.x[0] + R_MOUTH)


@LinearForm
def weight(q, w):
    return q * (w.x[0] + R_MOUTH)


def hankel2(n, x):
    return ss.spherical_jn(n, x) - 1j * ss.spherical_yn(n, x)


def hankel2_slope(n, x):
    return ss.spherical_jn(n, x, True) - 1j * ss.spherical_yn(n, x, True)


def solve(rings, uniform, throat_radius=R_THROAT, frequency_hz=FREQUENCY_HZ):
    mesh, sphere, radius = build(rings, uniform, throat_radius)
    element = ElementTriP2()
    basis = Basis(mesh, element, intorder=6)
    k_matrix, m_matrix = stiffness.assemble(basis).tocsc(), mass.assemble(basis).tocsc()
    throat_facets = mesh.facets_satisfying(lambda x: np.isclose(x[1], -LENGTH), boundaries_only=True)
    mouth_facets = mesh.facets_satisfying(lambda x: np.isclose(x[1], 0) & (x[0] < 0))
    mouth_facets = np.setdiff1d(mouth_facets, mesh.boundary_facets())
    throat_basis = FacetBasis(mesh, element, facets=throat_facets, intorder=6)
    throat = weight.assemble(throat_basis)
    mouth = weight.assemble(FacetBasis(mesh, element, facets=mouth_facets, intorder=6))
    volume = weight.assemble(Basis(mesh, element, intorder=6, elements=mesh.elements_satisfying(lambda x: x[1] < 0)))
    sphere_basis = FacetBasis(mesh, element, facets=sphere, intorder=12)
    modes = []
    for n in MODES:
        form = LinearForm(lambda q, w, n=n: q * ss.eval_legendre(n, w.x[1] / radius) * (w.x[0] + R_MOUTH))
        modes.append(form.assemble(sphere_basis) / radius**2)
    modes = sp.csc_matrix(np.array(modes).T)
    centre = np.argmin(np.hypot(basis.doflocs[0] + R_MOUTH, basis.doflocs[1]))
    # velocity of the mouth plane, seen from the horn, for the independent Rayleigh integral
    side = FacetBasis(mesh, element, facets=mouth_facets, intorder=6)

    rows = {name: [] for name in ("throat_pressure", "mouth_pressure", "mouth_volume_velocity", "mouth_centre_pressure",
                                  "pressure_1_m", "rayleigh_1_m")}
    balance = 0.0
    for f in frequency_hz:
        w = 2 * np.pi * f
        k = w / C
        h = hankel2(MODES, k * radius)
        slope = k * hankel2_slope(MODES, k * radius) / h
        outside = modes @ sp.diags(radius**2 * (2 * MODES + 1) * slope) @ modes.T
        load = 1j * w * RHO / (np.pi * throat_radius**2) * throat
        p = factors((k_matrix - k**2 * m_matrix - outside).tocsc()).solve(load.astype(complex))
        flow = 1 - 1j * w / (RHO * C**2) * 2 * np.pi * (volume @ p)
        p_n = (2 * MODES + 1) * (modes.T @ p)
        rows["throat_pressure"].append(throat @ p / throat.sum())
        rows["mouth_pressure"].append(mouth @ p / mouth.sum())
        rows["mouth_volume_velocity"].append(flow)
        rows["mouth_centre_pressure"].append(p[centre])
        rows["pressure_1_m"].append(np.sum(p_n * hankel2(MODES, k * FAR_M) / h))
        velocity = np.array(side.interpolate(p.real).grad[1] + 1j * side.interpolate(p.imag).grad[1]) / (-1j * w * RHO)
        r = side.global_coordinates()[0] + R_MOUTH
        d = np.hypot(r, FAR_M)
        rows["rayleigh_1_m"].append(1j * w * RHO * np.sum(velocity * np.exp(-1j * k * d) / d * r * side.dx))
        # radiated power through the sphere against the power put in at the throat
        out = np.sum(np.abs(p_n)**2 / (2 * MODES + 1) * np.imag(-slope)) * np.pi * radius**2 / (w * RHO)
        balance = max(balance, abs(out / (0.5 * rows["throat_pressure"][-1].real) - 1))
    areas = abs(2 * np.pi * throat.sum() / (np.pi * throat_radius**2) - 1), abs(modes[:, 0].sum() - 1)
    return {name: np.array(v) for name, v in rows.items()}, int(basis.N), balance, areas


def flanged_end_over_radius():
    """The same program for a cylinder at 1 Hz: length correction of the flanged end, by radius."""
    k = 2 * np.pi / C
    z = solve(8, 2, R_MOUTH, [1.0])[0]["throat_pressure"][0]
    tangent = z * np.pi * R_MOUTH**2 / (1j * RHO * C)
    return float((np.arctan(tangent).real / k - LENGTH) / R_MOUTH)


if __name__ == "__main__":
    import sys
    import time
    QUANTITIES = ("throat_pressure", "mouth_pressure", "mouth_volume_velocity", "mouth_centre_pressure", "pressure_1_m")
    meshes = []
    for uniform in (0, 1, 2):
        t = time.time()
        meshes.append(solve(8, uniform))
        print(meshes[-1][1:], f"{time.time() - t:.0f} s", file=sys.stderr)
    first, second, third = (m[0] for m in meshes)
    near = solve(6, 2)
    print(near[1:], file=sys.stderr)
    write(__file__, {
        "how": "Axisymmetric Helmholtz equation by finite elements: straight cone, uniform velocity at the throat of unit "
               "volume velocity, mouth in an infinite rigid flange, hemisphere of air closed by the exact Dirichlet-to-"
               "Neumann expansion in even Legendre modes, e^(+jwt), no loss.",
        "source": SOURCE,
        "parameters": {
            "density_kg_per_m3": RHO, "speed_of_sound_m_per_s": C, "throat_radius_m": R_THROAT, "mouth_radius_m": R_MOUTH,
            "axial_length_m": LENGTH, "throat_volume_velocity_m3_per_s": 1.0, "distance_m": FAR_M,
            "hemisphere_radius_m": 8 * R_MOUTH / ACROSS, "highest_mode": int(MODES[-1]), "unknowns": [m[1] for m in meshes],
            "throat_pressure_pa": "mean over the throat; with unit volume velocity the input impedance, Pa s/m3",
            "mouth_pressure_pa": "mean over the plane mouth", "mouth_centre_pressure_pa": "r = 0 in the mouth plane",
            "pressure_1_m_pa": "on the axis, 1 m in front of the mouth plane",
        },
        "frequency_hz": FREQUENCY_HZ.tolist(),
        "throat_pressure_pa": complex_list(third["throat_pressure"]),
        "mouth_pressure_pa": complex_list(third["mouth_pressure"]),
        "mouth_volume_velocity_m3_per_s": complex_list(third["mouth_volume_velocity"]),
        "mouth_centre_pressure_pa": complex_list(third["mouth_centre_pressure"]),
        "pressure_1_m_pa": complex_list(third["pressure_1_m"]),
        "error": {
            "how": "largest relative difference of the complex value over the frequencies; values are those of the finest mesh",
            "finest_to_half_as_fine": {q: largest_relative(third[q], second[q]) for q in QUANTITIES},
            "half_to_quarter": {q: largest_relative(second[q], first[q]) for q in QUANTITIES},
            "hemisphere_0_4_to_0_3_m": {q: largest_relative(third[q], near[0][q]) for q in QUANTITIES},
        },
        "check": {
            "cylinder_end_correction_over_radius_at_1_hz": flanged_end_over_radius(),
            "flanged_end_correction_literature_from_memory": "0.8216 (Norris & Sheng 1989) to 0.8217 (Nomura 1960)",
            "power_radiated_to_power_in": meshes[2][2],
            "rayleigh_integral_of_mouth_velocity_at_1_m": largest_relative(third["pressure_1_m"], third["rayleigh_1_m"]),
            "rayleigh_remark": "relative difference; the velocity is the derivative of the pressure, singular at the "
                               "edge, and so the coarser of the two",
        },
    })
