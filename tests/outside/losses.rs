//! Wall loss of a uniform channel: propagation and characteristic impedance.

use super::table::source;
use super::{assert_close, assert_near, fed, printed_air, rows, table, table_air};
use bassay::air::Air;
use bassay::design::AirConditions;
use bassay::model::duct::DuctGeometry;
use bassay::model::tone::Tone;
use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

/// Γ (1/m) and Zc (Pa·s/m³) of a round tube, from the transfer matrix of a piece of it.
fn line(area_m2: f64, section: &str, length_m: f64, air: &Air, f: f64) -> (Complex64, Complex64) {
    let piece = fed(&format!(
        "[[duct]]\nname = \"d\"\nfrom = \"a\"\nto = \"outside\"\nlength_m = {length_m}\narea_m2 = [{area_m2:e}, {area_m2:e}]\n\
         profile = \"uniform\"\nsection = {section}\n"
    ));
    let t =
        DuctGeometry::<Complex64>::new(&piece.ducts[0], None).transfer(&Tone::new(air, TAU * f));
    // pp = cosh ΓL, pu = −Zc·sinh ΓL, up = −sinh ΓL/Zc.
    let gamma = t.pp.acosh() / length_m;
    let gamma = if gamma.re < 0.0 { -gamma } else { gamma };
    (gamma, (t.pu / t.up).sqrt())
}

/// Air of rows 5 to 7.
fn rows_air() -> Air {
    printed_air(343.2, 1.8206e-5, 1.4011)
}

/// DERIVED (row 5): Kirchhoff's wide tube, α = 2.964e-5·√f/a; the full solution is above it by 10 % at 5 mm and 10 Hz, 2.5 % at
/// 20 mm, 0.6 % at 80 mm. Half a printed digit of each excess.
#[test]
pub fn wide_tube() {
    source("PUBLISHED", "Kirchhoff 1868 (row 5, from memory)");
    for (a, excess, digit) in [
        (5e-3, 0.10, 0.01),
        (20e-3, 0.025, 0.001),
        (80e-3, 0.006, 0.0006),
    ] {
        let (gamma, _) = line(PI * a * a, "\"round\"", 0.5, &rows_air(), 10.0);
        let wide = 2.964e-5 * 10f64.sqrt() / a;
        super::assert_within(
            1.0 - wide / gamma.re,
            excess,
            digit,
            "of α",
            &format!(
                "attenuation at 10 Hz above the wide tube's, radius {} mm",
                a * 1e3
            ),
        );
    }
    // At a metre of radius nothing but the first term is left.
    let (gamma, _) = line(PI, "\"round\"", 0.5, &rows_air(), 10.0);
    assert_near(
        gamma.re,
        2.964e-5 * 10f64.sqrt(),
        1e-3,
        "attenuation at 10 Hz, radius 1 m, Np/m",
    );
}

/// PUBLISHED form, computed by another library (rows 6 and 7). Printed digits.
#[test]
pub fn full_loss() {
    source(
        "DERIVED",
        "Zwikker & Kosten 1949; Stinson 1991 (rows 6 and 7)",
    );
    let k = TAU * 100.0 / 343.2;
    let (gamma, zc) = line(PI * 25e-6, "\"round\"", 0.3, &rows_air(), 100.0);
    assert_near(
        gamma.re,
        0.061227,
        1e-5,
        "attenuation, radius 5 mm, 100 Hz, Np/m",
    );
    assert_near(
        gamma.im / k,
        1.03236,
        5e-6,
        "phase over ω/c, radius 5 mm, 100 Hz",
    );
    let normal = zc * (PI * 25e-6) / (1.2041 * 343.2);
    assert_close(
        normal,
        Complex64::new(1.01149, -0.01261),
        1e-5,
        "Zc over ρc/S, radius 5 mm, 100 Hz",
    );
    let (gamma, _) = line(PI * 0.25e-6, "\"round\"", 0.3, &rows_air(), 100.0);
    assert_near(
        gamma.re,
        0.85562,
        1e-5,
        "attenuation, radius 0.5 mm, 100 Hz, Np/m",
    );
    assert_near(
        gamma.im / k,
        1.30440,
        5e-6,
        "phase over ω/c, radius 0.5 mm, 100 Hz",
    );
}

/// CROSS: mpmath, 40 digits (`zwikker_kosten_round`, `slit`): Γ and Zc. 1e-9: the loss functions are within 1e-11, the root of a quotient loses some.
#[test]
pub fn round_and_slit_against_tables() {
    source("CROSS", "mpmath, 40 digits (zwikker_kosten_round, slit)");
    let air = table_air();
    // A channel as long as the thickness of its loss, so that cosh keeps its digits.
    for row in rows(&table("zwikker_kosten_round")["values"]) {
        let (a, f) = (row[0], row[1]);
        let (gamma, zc) = line(PI * a * a, "\"round\"", 0.2, &air, f);
        assert_close(
            gamma,
            Complex64::new(row[2], row[3]),
            1e-9,
            "round tubes, 2 to 80 mm: Γ, 1/m",
        );
        assert_close(
            zc,
            Complex64::new(row[4], row[5]),
            1e-9,
            "round tubes, 2 to 80 mm: Zc, Pa·s/m³",
        );
    }
    for row in rows(&table("slit")["values"]) {
        let (gap, f) = (row[0], row[1]);
        let section = format!("{{ shape = \"slit\", gap_m = {gap:e} }}");
        let (gamma, zc) = line(0.3 * gap, &section, 0.2, &air, f);
        assert_close(gamma, Complex64::new(row[2], row[3]), 1e-9, "slits: Γ, 1/m");
        assert_close(
            zc,
            Complex64::new(row[4], row[5]),
            1e-9,
            "slits: Zc, Pa·s/m³",
        );
    }
}

/// DERIVED: a square is a rectangle of one aspect; a very wide rectangle is the slit of its height. The correction of the two far walls is of first
/// order in height over width, 2·0.63·h/w at low frequency: 1.3e-4 at 1:10,000.
#[test]
pub fn wide_rectangle_is_a_slit() {
    source("DERIVED", "Stinson 1991, limit of a wide rectangle");
    let air = Air::at(&AirConditions::default());
    let (gap, width) = (3e-3, 30.0);
    for f in [5.0, 50.0, 500.0] {
        let slit = line(
            gap * width,
            &format!("{{ shape = \"slit\", gap_m = {gap} }}"),
            0.3,
            &air,
            f,
        );
        let wide = line(
            gap * width,
            &format!("{{ shape = \"rectangular\", width_m = {width} }}"),
            0.3,
            &air,
            f,
        );
        assert_close(
            wide.0,
            slit.0,
            2e-4,
            "rectangle 1 : 10 000, Γ against the slit",
        );
    }
}

/// DERIVED: hyperbolic horns, S = S0·(cosh x/x0 + T·sinh x/x0)² (Salmon 1946, row 14): R = √(1 − μ⁻²)/D, X = (T/μ)/D, D = 1 − (1 − T²)/μ². A chain of 120 cones of
/// the same end areas, ended by the closed form's own impedance further down. Cones replace the flare by chords, an error that falls with the square of their number.
#[test]
pub fn hyperbolic_horns() {
    source("DERIVED", "Salmon 1946 (row 14, from memory)");
    let air = super::lossless_air(1.2041, 343.2);
    let (s0, x0) = (0.01, 1.2);
    for (t, mu, want) in [
        (0.6, 1.5, Complex64::new(1.041647, 0.559006)),
        (1.0, 2.0, Complex64::new(0.866025, 0.5)),
    ] {
        let area = |x: f64| s0 * ((x / x0).cosh() + t * (x / x0).sinh()).powi(2);
        let omega = mu * 343.2 / x0;
        // p = e^(−jbx)/√S-form: with y = p·√S, y'' = (1/x0² − k²)y, so that z = jk/(jb + (√S)'/√S) times ρc/S.
        let k = omega / 343.2;
        let b = (k * k - 1.0 / (x0 * x0)).sqrt();
        let wave = |x: f64| {
            let g = ((x / x0).sinh() + t * (x / x0).cosh())
                / ((x / x0).cosh() + t * (x / x0).sinh())
                / x0;
            Complex64::new(0.0, k) / Complex64::new(g, b)
        };
        assert_close(
            wave(0.0),
            want,
            1e-6,
            &format!("hyperbolic horn T {t}, μ {mu}: closed form, as printed"),
        );
        let (pieces, length) = (120, 1.5);
        let step = length / f64::from(pieces);
        let mut body = String::new();
        for n in 0..pieces {
            let (from, to) = (f64::from(n) * step, f64::from(n + 1) * step);
            let from_name = if n == 0 {
                "a".to_string()
            } else {
                format!("n{n}")
            };
            body += &format!(
                "[[duct]]\nname = \"p{n}\"\nfrom = \"{from_name}\"\nto = \"n{}\"\nlength_m = {step:e}\narea_m2 = [{:e}, {:e}]\n\
                 profile = \"conical\"\nloss_factor = 0.0\n",
                n + 1,
                area(from),
                area(to)
            );
        }
        let end = wave(length);
        body += &format!(
            "[[resistor]]\nname = \"rest\"\nfrom = \"n{pieces}\"\nto = \"outside\"\narea_m2 = {:e}\nspecific_pa_s_per_m = {:e}\n\
             areal_mass_kg_per_m2 = {:e}\n",
            area(length),
            end.re * air.rho_c(),
            end.im * air.rho_c() / omega
        );
        let network = bassay::model::network::Network::in_air(&fed(&body), air).unwrap();
        let found = super::load(&network, omega / TAU, 1.0) * (s0 / air.rho_c());
        assert_close(
            found,
            want,
            1e-4,
            &format!("hyperbolic horn T {t}, μ {mu}: 120 cones"),
        );
    }
}
