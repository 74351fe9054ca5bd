"""Boundary-layer ratios by mpmath, 60 digits; prints src/special/loss_table.rs."""
from mpmath import mp, mpf, mpc, sqrt, besselj, tan
mp.dps = 60
# Neither the power series' edge (22) nor the edges of the asymptotic tiers are left out.
S = ["0.001", "0.03", "0.5", "0.999", "1.001", "2", "3.22318", "6", "10", "16", "20", "21.99", "22.01", "28",
     "32.2318", "39.9", "40.1", "60", "99", "101", "250", "399", "401", "1160"]
print("// Made by tests/reference/loss_functions.py.\nconst TABLE: [[f64; 9]; %d] = [" % len(S))
for s in S:
    z = mpf(s) * sqrt(mpc(0, -1))
    if mpf(s) > 200:
        mp.dps = 60 + int(mpf(s))
    f = 2 * besselj(1, z) / (z * besselj(0, z))
    g = tan(z) / z
    row = [mpf(s)]
    for v in (f, f / (1 - f), g, g / (1 - g)):
        row += [v.real, v.imag]
    print("    [" + ", ".join(repr(float(v)) for v in row) + "],")
print("];")
