//! Viscous resistances and the resistor that rises with particle velocity.

use super::table::source;
use super::{FEED, assert_close, assert_near, design, fed, load, table, table_air};
use bassay::air::Air;
use bassay::design::AirConditions;
use bassay::model::network::Network;
use num_complex::Complex64;
use std::f64::consts::{PI, SQRT_2, TAU};

fn slot_leak(length_m: f64, gap_m: f64, depth_m: f64) -> bassay::design::Design {
    fed(&format!(
        "[[leak]]\nname = \"seam\"\nat = \"a\"\nslot = {{ length_m = {length_m}, gap_m = {gap_m}, depth_m = {depth_m} }}\n"
    ))
}

/// CROSS: `slit_leak_static`, 203962.5 Pa·s/m³ for 300 × 0.4 mm, 18 mm deep, μ 1.813e-5. DERIVED: 12μ·depth/(length·gap³), and for 100 × 1 mm, 20 mm
/// deep, μ 1.8206e-5: 43694.4; inertance 6/5·ρ·depth/(length·gap) of the parabolic profile. To rounding and printed digits.
#[test]
pub fn slot_leak_is_plane_viscous_flow() {
    source("DERIVED", "Poiseuille, slot (row 25; slit_leak_static)");
    let network = Network::in_air(&slot_leak(0.3, 0.4e-3, 18e-3), table_air()).unwrap();
    let want = table("slit_leak_static")["resistance_pa_s_per_m3"]
        .as_f64()
        .unwrap();
    for f in [0.5, 20.0, 200.0] {
        let mass = 1.2 * 1.2041 * 18e-3 / (0.3 * 0.4e-3);
        let want = Complex64::new(want, TAU * f * mass);
        assert_close(
            load(&network, f, 1.0),
            want,
            1e-12,
            "slot leak 300 × 0.4 × 18 mm, Pa·s/m³",
        );
    }
    let air = Air {
        viscosity_pa_s: 1.8206e-5,
        ..table_air()
    };
    let network = Network::in_air(&slot_leak(0.1, 1e-3, 20e-3), air).unwrap();
    assert_near(
        load(&network, 20.0, 1.0).re,
        43694.4,
        2e-7,
        "slot leak 100 × 1 × 20 mm, Pa·s/m³",
    );
}

/// DERIVED: a narrow duct tends to the same viscous flow (Poiseuille): tube of 1 mm radius, 20 mm long, 8μl/(πa⁴) = 9.2722e5;
/// slot of 100 × 1 mm 43694.4 Pa·s/m³ with μ 1.8206e-5, and 6/5 of the slot's plug mass, 4/3 of the tube's. At 0.2 Hz
/// a²ωρ/μ is 0.083 and the tube's next term its square over 1152, 6e-6; half a printed digit is 5e-6.
#[test]
pub fn narrow_ducts_are_viscous() {
    source("DERIVED", "Poiseuille (row 25)");
    let air = Air {
        viscosity_pa_s: 1.8206e-5,
        ..table_air()
    };
    let duct = |area: f64, section: &str| {
        let body = format!(
            "[[duct]]\nname = \"d\"\nfrom = \"a\"\nto = \"outside\"\nlength_m = 0.02\narea_m2 = [{area:e}, {area:e}]\n\
             profile = \"uniform\"\nsection = {section}\n"
        );
        Network::in_air(&fed(&body), air).unwrap()
    };
    let f = 0.2;
    for (area, section, resistance, factor) in [
        (PI * 1e-6, "{ shape = \"round\" }", 9.2722e5, 4.0 / 3.0),
        (1e-4, "{ shape = \"slit\", gap_m = 1e-3 }", 43694.4, 1.2),
    ] {
        let z = load(&duct(area, section), f, 1.0);
        assert_near(
            z.re,
            resistance,
            1.5e-5,
            &format!("viscous resistance, {section}, Pa·s/m³"),
        );
        assert_near(
            z.im / (TAU * f),
            factor * 1.2041 * 0.02 / area,
            1e-3,
            &format!("viscous inertance, {section}, kg/m⁴"),
        );
    }
}

/// DERIVED: a rectangle of width w and height h holds 12μl/(w·h³·(1 − 0.630249·h/w)) for h ≪ w (Poiseuille; the tanh series to
/// first order, exact to 1e-4 at h/w = 0.1).
#[test]
pub fn narrow_rectangle_is_viscous() {
    source("DERIVED", "Poiseuille, rectangle");
    let air = table_air();
    let body = "[[duct]]\nname = \"d\"\nfrom = \"a\"\nto = \"outside\"\nlength_m = 0.02\narea_m2 = [1e-5, 1e-5]\n\
        profile = \"uniform\"\nsection = { shape = \"rectangular\", width_m = 0.01 }\n";
    let z = load(&Network::in_air(&fed(body), air).unwrap(), 0.2, 1.0);
    let want = 12.0 * 1.813e-5 * 0.02 / (0.01 * 1e-9 * (1.0 - 0.630249 * 0.1));
    assert_near(
        z.re,
        want,
        1e-4,
        "viscous resistance of a rectangle 10 × 1 mm, Pa·s/m³",
    );
}

/// DERIVED: a source behind a resistor that rises with velocity. q·|v|·v for a sine of peak V has the fundamental 8/(3π)·q·V·v,
/// because ∫|sin|³ over a period is 8/3 and its mean square fundamental 1/π of that. At the driver's resonance all is real: a source Q with admittance Y
/// into R = R0 + k·U with k = 8/(3π)·q·√2/S² (U RMS) gives Y·k·U² + (1 + Y·R0)·U = Q·e. The fixed point stops at 1e-11.
#[test]
pub fn resistor_that_rises_with_velocity() {
    source(
        "DERIVED",
        "quadratic equation of a source behind a rising resistor",
    );
    let (r0, q, area) = (50.0, 400.0, 2e-3);
    let design = design(&format!(
        "{FEED}[[resistor]]\nname = \"r\"\nfrom = \"a\"\nto = \"outside\"\narea_m2 = {area}\nspecific_pa_s_per_m = {r0}\n\
         quadratic_pa_s2_per_m2 = {q}\n"
    ));
    let network = Network::new(&design, &AirConditions::default()).unwrap();
    // FEED: Re 5 Ω, Bl 10 N/A, Mmd 0.01 kg, Cms 1e-3 m/N, Rms 1 kg/s, Sd 0.01 m², without inductance.
    let (re, bl, rms, sd) = (5.0, 10.0, 1.0, 0.01_f64);
    let resonance = 1.0 / (TAU * (0.01_f64 * 1e-3).sqrt());
    let y = sd * sd / (rms + bl * bl / re);
    let source = sd * bl / re / (rms + bl * bl / re);
    let k = 8.0 / (3.0 * PI) * q * SQRT_2 / (area * area);
    let b = 1.0 + y * r0 / area;
    let mut rise = Vec::new();
    for volts in [1e-6, 0.1, 2.83, 28.3] {
        let u = 2.0 * source * volts / (b + (b * b + 4.0 * y * k * source * volts).sqrt());
        let s = network.solve(resonance, volts);
        let found = s.resistor_flow[0] * volts;
        assert_close(
            found,
            Complex64::new(u, 0.0),
            1e-9,
            &format!("flow through a rising resistor at {volts} V, m³/s"),
        );
        let z = load(&network, resonance, volts);
        assert_close(
            z,
            Complex64::new(r0 / area + k * u, 0.0),
            1e-9,
            &format!("its resistance at {volts} V, Pa·s/m³"),
        );
        rise.push(z.re / (r0 / area));
    }
    // From the linear resistance to one that the velocity rules: the test sees both ends.
    assert!((rise[0] - 1.0).abs() < 1e-3 && rise[3] > 10.0, "{rise:?}");
}

/// DERIVED: the 8/(3π) by itself: mean of |sin|·sin·sin over half the mean of sin², midpoint rule, error below 1e-7.
#[test]
pub fn fundamental_of_a_quadratic_resistance() {
    source("DERIVED", "mean of |sin|³");
    let n = 20_000;
    let mean = (0..n)
        .map(|i| (PI * (f64::from(i) + 0.5) / f64::from(n)).sin().powi(3))
        .sum::<f64>()
        / f64::from(n);
    assert_near(mean / 0.5, 8.0 / (3.0 * PI), 1e-7, "fundamental of |v|·v");
}
