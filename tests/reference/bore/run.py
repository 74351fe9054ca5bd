"""Input impedance of bores with wall loss from a wind-instrument acoustics library: writes bore.json beside itself.

    pip install openwind; python3 tests/reference/bore/run.py

Finite elements of high order, full visco-thermal loss by Bessel functions (Zwikker & Kosten), plane waves, rigid or zero-pressure end.
The discretisation error is the difference between two orders.
"""
import json
import os

import numpy as np
import openwind
from openwind import ImpedanceComputation

HERE = os.path.dirname(os.path.abspath(__file__))
F = np.unique(np.concatenate([np.geomspace(20.0, 500.0, 150), np.linspace(20.0, 500.0, 51)])).round(4)
BORES = {
    "cylinder_10mm": [[0.0, 1.5, 0.010, 0.010, "linear"]],
    "cylinder_4mm": [[0.0, 0.6, 0.004, 0.004, "linear"]],
    "cone": [[0.0, 1.2, 0.005, 0.05, "linear"]],
    "bell": [[0.0, 0.8, 0.02, 0.02, "linear"], [0.8, 1.5, 0.02, 0.15, "exponential"]],
}
ENDS = {"closed": "closed", "open": "perfectly_open"}


def impedance(bore, end, order, length):
    got = ImpedanceComputation(
        F, bore, temperature=20.0, humidity=0.5, losses="bessel", radiation_category=end, l_ele=length, order=order,
        spherical_waves=False, discontinuity_mass=False, nondim=True, compute_method="FEM")
    return got, np.asarray(got.impedance)


document = {"how": __doc__.split("\n\n")[2].replace("\n", " "), "source": f"openwind {openwind.__version__}",
            "frequency_hz": list(F), "bores": {}}
for name, bore in BORES.items():
    for end, word in ENDS.items():
        got, z = impedance(bore, word, 10, 0.02)
        _, rough = impedance(bore, word, 6, 0.04)
        document["bores"][f"{name}_{end}"] = {
            "pieces": bore, "error": float(np.max(np.abs(rough / z - 1))),
            "re": [float(f"{v:.9g}") for v in z.real], "im": [float(f"{v:.9g}") for v in z.imag]}
        print(name, end, "error", document["bores"][f"{name}_{end}"]["error"])
# The air of the computation itself, which is the same for all bores.
pipe = next(iter(got._ImpedanceComputation__instru_physics.netlist.pipes.values()))[0]
names = ("rho", "c", "mu", "kappa", "Cp", "gamma")
document["air"] = {name: float(v) for name, v in zip(names, pipe.get_physics().get_coefs(0, *names))}
print(document["air"])
json.dump(document, open(os.path.join(HERE, "bore.json"), "w"))
