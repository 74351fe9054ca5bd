"""Closed and vented boxes in a general-purpose circuit simulator: writes circuit.json beside itself.

    apt-get install ngspice; python3 tests/reference/circuit/run.py

Impedance analogy: voltage is pressure, current is volume velocity; force and velocity in the mechanical loop. The coil
and the cone are coupled by controlled sources, so that no transformer is needed. Each frequency is an AC analysis of its
own, printed with 13 digits.
"""
import json
import os
import re
import subprocess
import tempfile

HERE = os.path.dirname(os.path.abspath(__file__))
RHO, C = 1.2041, 343.2
DRIVER = dict(source=0.10, re=5.6, bl=19.0, mmd=0.150, cms=1.5e-4, rms=4.0, sd=0.0520)
FREQUENCIES = [float(f"{8.0 * (300.0 / 8.0) ** (n / 29.0):.6g}") for n in range(30)]


def driver(n, top, bottom, rear, coil, sign=1):
    """One driver between the electrical nodes top and bottom; front at zero pressure, rear at a node."""
    d = DRIVER
    a, b = (f"i{n}", bottom)
    bl = sign * d["bl"]
    return f"""
Vi{n} {top} {a}a 0
Re{n} {a}a {a}b {d['re']}
{coil(n, a + 'b', a + 'c')}
Hb{n} {a}c {b} Vm{n} {bl}
Hf{n} m{n}a 0 Vi{n} {bl}
Vm{n} m{n}a m{n}b 0
Lm{n} m{n}b m{n}c {d['mmd']}
Cm{n} m{n}c m{n}d {d['cms']}
Rm{n} m{n}d m{n}e {d['rms']}
Ep{n} m{n}e 0 0 {rear} {d['sd']}
Fu{n} {rear} 0 Vm{n} {d['sd']}
"""


def plain(n, a, b):
    return f"Le{n} {a} {b} 1.1e-3"


def eddy(n, a, b):
    return f"Le{n} {a} x{n} 0.6e-3\nL2{n} x{n} {b} 1.5e-3\nR2{n} x{n} {b} 3.0"


def box(name, volume):
    return f"Cb{name} {name} 0 {volume / (RHO * C * C):.15e}\n"


def port(name, more=""):
    mass = RHO * 0.25 / 0.0100
    return f"Rl{name} {name} 0 2.0e6\nVp{name} {name} q{name} 0\nLp{name} q{name} r{name} {mass:.15e}\nRp{name} r{name} 0 300\n"


HEAD = f"V1 n0 0 AC 1\nRs n0 t {DRIVER['source']}\n"
CASES = {
    "closed": (HEAD + driver(1, "t", "0", "b", plain) + box("b", 0.055), [1], ["b"], []),
    "vented": (HEAD + driver(1, "t", "0", "b", plain) + box("b", 0.120) + port("b"), [1], ["b"], ["b"]),
    "vented_two_parallel_eddy": (
        HEAD + driver(1, "t", "0", "b", eddy) + driver(2, "t", "0", "b", eddy) + box("b", 0.120) + port("b"),
        [1, 2], ["b"], ["b"]),
    "two_in_series_reversed": (
        HEAD + driver(1, "t", "s", "b", plain) + driver(2, "s", "0", "d", plain, -1) + box("b", 0.055) + box("d", 0.030),
        [1, 2], ["b", "d"], []),
}


def run(netlist, drivers, boxes, ports):
    wanted = ["v(t)", "i(v1)"] + [f"i(vm{n})" for n in drivers] + [f"v({b})" for b in boxes] + [f"i(vp{p})" for p in ports]
    lines = ["* bassay reference", netlist, ".control", "set numdgt=13", "set width=300"]
    for f in FREQUENCIES:
        lines.append(f"ac lin 1 {f!r} {f!r}")
        lines += [f"print {w}" for w in wanted]
    lines += ["quit", ".endc", ".end", ""]
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "a.cir")
        open(path, "w").write("\n".join(lines))
        out = subprocess.run(["ngspice", "-b", path], capture_output=True, text=True).stdout
    found = re.findall(r"^([vi]\(\w+\)) = ([-+.\deE]+),([-+.\deE]+)", out, re.M)
    assert len(found) == len(wanted) * len(FREQUENCIES), (len(found), out[-2000:])
    rows = []
    for k in range(len(FREQUENCIES)):
        part = found[k * len(wanted):(k + 1) * len(wanted)]
        value = {name: complex(float(re_), float(im)) for name, re_, im in part}
        current = -value["i(v1)"]
        row = [value["v(t)"] / current] + [value[w] for w in wanted[2:]]
        rows.append([FREQUENCIES[k]] + [x for z in row for x in (z.real, z.imag)])
    return ["Z_ohm"] + [f"velocity_{n}_m_per_s" for n in drivers] + [f"pressure_{b}_pa" for b in boxes] + [
        f"port_{p}_m3_per_s" for p in ports], rows


version = re.search(r"ngspice-\S+", subprocess.run(["ngspice", "--version"], capture_output=True, text=True).stdout).group(0)
document = {
    "how": "AC analysis per 1 V at the source, one frequency at a time; rows are [Hz, re, im of each column]. " + __doc__.split("\n\n")[2].replace("\n", " "),
    "source": version,
    "parameters": {"rho": RHO, "c": C, **DRIVER, "leak": 2.0e6, "port_area": 0.01, "port_length": 0.25, "port_resistance": 300},
    "cases": {},
}
for name, (netlist, *rest) in CASES.items():
    columns, rows = run(netlist, *rest)
    document["cases"][name] = {"columns": columns, "values": rows}
json.dump(document, open(os.path.join(HERE, "circuit.json"), "w"), indent=1)
print({k: v["values"][10] for k, v in document["cases"].items()})
