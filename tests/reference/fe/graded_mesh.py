"""Triangle meshes from rectangular blocks, graded geometrically towards corners where the flow is singular.

Near a corner of air angle alpha the pressure behaves as d^(pi/alpha). Cells within reach / 2^k of the corner
are halved `levels` times, so that the cell size is proportional to the distance d, down to reach / 2^levels;
a uniform refinement afterwards then converges with the full order of the elements.
"""
import one_thread  # noqa: F401, before numpy
import numpy as np
import scipy.sparse.linalg as sl
from skfem import MeshTri


def rectangle(x, y):
    """Triangles on the tensor grid of the ascending lists x, y."""
    return MeshTri.init_tensor(np.asarray(x, float), np.asarray(y, float))


def joined(*blocks):
    """One mesh of blocks that share the points of their common sides."""
    p = np.hstack([m.p for m in blocks])
    starts = np.cumsum([0] + [m.p.shape[1] for m in blocks])
    t = np.hstack([m.t + s for m, s in zip(blocks, starts)])
    _, first, back = np.unique(np.round(p, 9), axis=1, return_index=True, return_inverse=True)
    return MeshTri(np.ascontiguousarray(p[:, first]), np.sort(back.ravel()[t], axis=0))


def graded(mesh, corners, reach, levels):
    """Halve the cells around each corner, `levels` times, each time within half the distance."""
    for level in range(levels):
        centre = mesh.p[:, mesh.t].mean(axis=1)
        near = np.zeros(mesh.t.shape[1], bool)
        for corner in corners:
            d = np.hypot(centre[0] - corner[0], centre[1] - corner[1])
            near |= d < reach / 2.0**level
        mesh = mesh.refined(np.nonzero(near)[0])
    return mesh


def factors(matrix):
    """Sparse factors of a symmetric matrix: the ordering that keeps them small."""
    return sl.splu(matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.01, options={"SymmetricMode": True})
