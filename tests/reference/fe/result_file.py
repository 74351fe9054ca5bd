"""Writing of the reference files, and the discretisation error from successive mesh refinements."""
import json
import pathlib
import sys

import numpy as np
import scipy
import skfem

SOURCE = (
    f"scikit-fem {skfem.__version__}, numpy {np.__version__}, scipy {scipy.__version__}; "
    "second-order triangles (P2), direct sparse solver"
)


def digits(values, n=10):
    return [float(f"{v:.{n}g}") for v in np.atleast_1d(values)]


def complex_list(values):
    return {"re": digits(np.real(values)), "im": digits(np.imag(values))}


def largest_relative(finer, coarser):
    """Largest |finer - coarser| / |finer| of two lists of values."""
    return float(np.max(np.abs(np.asarray(finer) - coarser) / np.abs(finer)))


def write(script, content):
    """NAME.json beside NAME.py, one key a line, each list on one line."""
    path = pathlib.Path(script).with_suffix(".json")
    lines = []
    for key, value in content.items():
        if isinstance(value, dict):
            inner = ",\n".join(f"  {json.dumps(k)}: {json.dumps(v)}" for k, v in value.items())
            lines.append(f" {json.dumps(key)}: {{\n{inner}\n }}")
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            inner = ",\n".join("  " + json.dumps(v) for v in value)
            lines.append(f" {json.dumps(key)}: [\n{inner}\n ]")
        else:
            lines.append(f" {json.dumps(key)}: {json.dumps(value)}")
    path.write_text("{\n" + ",\n".join(lines) + "\n}\n")
    print(path, path.stat().st_size, "bytes", file=sys.stderr)
