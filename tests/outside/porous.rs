//! Fills, linings, plates: flow-resistive materials.

use super::table::source;
use super::{assert_close, assert_near, assert_within, fed, load, lossless_air};
use bassay::air::Air;
use bassay::design::{AirConditions, Holes, Plate, PorousModel};
use bassay::model::network::Network;
use bassay::model::plate::{shared, slot_length_per_gap, specific_impedance};
use bassay::model::porous::{compliance_factor, miki, surface_impedance};
use bassay::model::tone::Tone;
use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

fn tone(f: f64) -> Tone {
    Tone::new(&Air::at(&AirConditions::default()), TAU * f)
}

fn real(x: f64) -> Complex64 {
    Complex64::new(x, 0.0)
}

/// PUBLISHED: Miki 1990 at f/σ = 0.05 (row 28): Zc/ρc 1.46410 − j0.71134, k/k0 1.69613 − j1.01700. Printed digits.
#[test]
pub fn fit_of_miki() {
    source("PUBLISHED", "Miki 1990 (row 28)");
    let at = tone(100.0);
    let (zc, gamma) = miki(&at, real(2000.0));
    assert_close(
        zc / at.rho_c(),
        Complex64::new(1.46410, -0.71134),
        5e-6,
        "Zc/ρc at f/σ 0.05",
    );
    let k = gamma / Complex64::new(0.0, at.wave_number());
    assert_close(
        k,
        Complex64::new(1.69613, -1.01700),
        5e-6,
        "k/k0 at f/σ 0.05",
    );
    // The older fit of the same kind of data: they agree as well as such data do.
    source("PUBLISHED", "Delany & Bazley 1970 (row 29, from memory)");
    assert_close(
        zc / at.rho_c(),
        Complex64::new(1.47511, -0.68050),
        0.03,
        "Zc/ρc against the older fit",
    );
    assert_close(
        k,
        Complex64::new(1.69919, -1.00596),
        0.03,
        "k/k0 against the older fit",
    );
}

/// DERIVED: Johnson–Champoux–Allard: at low frequency a fill is isothermal, its compliance φ·γ of the empty volume's, and a layer's surface
/// impedance is a third of its flow resistance with its isothermal spring (Allard & Atalla 2009, from memory).
#[test]
pub fn slow_fill_is_isothermal() {
    source("DERIVED", "isothermal limit, φ·γ");
    let at = tone(0.01);
    let model = PorousModel::JohnsonChampouxAllard;
    let factor = compliance_factor(&at, model, real(5000.0), real(1.0));
    assert_near(
        factor.re,
        0.98 * at.gamma,
        1e-4,
        "compliance of a filled volume over the empty one, 0.01 Hz",
    );
    source("DERIVED", "σt/3 in series with the isothermal spring");
    let (sigma, t) = (8000.0, 0.03);
    let z = surface_impedance(&at, model, real(sigma), real(t), None);
    let spring = at.bulk_pa / (at.gamma * 0.98 * t * at.omega_rad_per_s);
    assert_near(
        z.im,
        -spring,
        1e-4,
        "reactance of a layer of 30 mm, 0.01 Hz, Pa·s/m",
    );
    // The heat exchange lags by (γ − 1)/γ·ω/ω_t with ω_t = σφ/(4·Pr·ρ), which is a resistance behind the spring.
    let at = tone(5.0);
    let z = surface_impedance(&at, model, real(sigma), real(t), None);
    let rate = sigma * 0.98 / (4.0 * at.prandtl * at.density_kg_per_m3);
    let heat = at.bulk_pa * (at.gamma - 1.0) / (0.98 * at.gamma * at.gamma * rate * t);
    // The next terms are of the size ω/ω_t, 0.014.
    assert_near(
        z.re,
        sigma * t / 3.0 + heat,
        0.02,
        "resistance of a layer of 30 mm, flow and heat, 5 Hz, Pa·s/m",
    );
}

/// DERIVED: a duct whose walls are a cloth of r before air of depth d: locally reacting, per length the admittance P/(r + ρc/(j·tan kd)) beside that of the air. The transfer
/// matrix of the closed form; to rounding.
#[test]
pub fn cloth_before_air() {
    source("DERIVED", "locally reacting wall, r − jρc·cot kd");
    let air = lossless_air(1.2041, 343.2);
    let (r, d, width, height, length) = (300.0, 0.05, 0.3, 0.08, 0.7);
    let network = Network::in_air(
        &fed(&format!(
            "[[duct]]\nname = \"d\"\nfrom = \"a\"\nto = \"closed\"\nlength_m = {length}\narea_m2 = [{0:e}, {0:e}]\nprofile = \"uniform\"\n\
             section = {{ shape = \"rectangular\", width_m = {width} }}\nloss_factor = 0.0\n\
             lining = {{ specific_pa_s_per_m = {r}, air_gap_m = {d} }}\n",
            width * height
        )),
        air,
    )
    .unwrap();
    for f in [20.0, 70.0, 200.0] {
        let (omega, area) = (TAU * f, width * height);
        let k = omega / 343.2;
        let wall = r - Complex64::i() * air.rho_c() / (k * d).tan();
        let series = Complex64::new(0.0, omega * 1.2041 / area);
        let shunt =
            Complex64::new(0.0, omega * area / air.bulk_pa()) + 2.0 * (width + height) / wall;
        let gamma = (series * shunt).sqrt();
        let want = (series / shunt).sqrt() / (gamma * length).tanh();
        assert_close(
            load(&network, f, 1.0),
            want,
            1e-10,
            "duct lined with cloth before 50 mm of air",
        );
    }
}

fn plate(holes: Holes, thickness_m: f64, open_fraction: f64) -> Plate {
    Plate {
        holes,
        thickness_m,
        open_fraction,
        discharge: 0.61,
    }
}

/// DERIVED: a thick plate of narrow holes is so many Poiseuille tubes (row 25): tube of 1 mm radius, 20 mm, 9.2722e5 Pa·s/m³ with μ 1.8206e-5, and the flow towards it 3πa/8 more of length
/// (Sampson; Dagan 1982), slots 43694.4 and 8g/(3π) more (Hasimoto 1958). At 0.2 Hz; next terms 1e-4.
#[test]
pub fn plates_in_slow_flow() {
    source(
        "DERIVED",
        "Poiseuille; Sampson 1891, Hasimoto 1958 (row 25; ends from memory)",
    );
    let air = Air {
        viscosity_pa_s: 1.8206e-5,
        ..Air::at(&AirConditions::default())
    };
    let at = Tone::new(&air, TAU * 0.05);
    let (a, t, open) = (1e-3, 20e-3, 0.1);
    let round = plate(
        Holes::Round {
            diameter_m: 2.0 * a,
        },
        t,
        open,
    );
    let z = specific_impedance::<Complex64>(&round, &at, None);
    // Per hole: over the open fraction, times the hole's area.
    let per_hole = z.re * open / (PI * a * a);
    assert_near(
        per_hole,
        9.2722e5 * (1.0 + 3.0 * PI * a / (8.0 * t)),
        2e-4,
        "one hole of 1 mm radius in 20 mm, Pa·s/m³",
    );
    let (g, width) = (1e-3, 0.1);
    let slots = plate(Holes::Slots { gap_m: g }, t, open);
    let z = specific_impedance::<Complex64>(&slots, &at, None);
    let per_slot = z.re * open / (g * width);
    assert_near(
        per_slot,
        43694.4 * (1.0 + 8.0 * g / (3.0 * PI * t)),
        2e-4,
        "one slot of 1 × 100 mm in 20 mm, Pa·s/m³",
    );
    // What the design says of the plate, in air of the same viscosity.
    for (plate, words) in [(&round, "holes"), (&slots, "slots")] {
        let z = specific_impedance::<Complex64>(plate, &at, None);
        let what = format!("steady figure of a plate of {words}, Pa·s/m");
        assert_near(plate.steady_pa_s_per_m(), z.re, 2e-4, &what);
    }
}

/// PUBLISHED: in wide holes at higher frequency the plate is the mass of t + 2·(8/(3π))·a per hole, and its resistance that of a hole longer by its diameter, √(8μρω)·(1 + t/d)
/// (Ingard 1953, from memory). 5 %: the thickness of the boundary layer over the radius, 0.02, in both.
#[test]
pub fn plates_of_wide_holes() {
    source("PUBLISHED", "Ingard 1953, JASA 25:1037 (from memory)");
    let at = tone(500.0);
    let (d, t, open) = (0.02, 0.01, 1e-4);
    let wide = plate(Holes::Round { diameter_m: d }, t, open);
    let z = specific_impedance::<Complex64>(&wide, &at, None) * open;
    let mass = t + 16.0 / (3.0 * PI) * 0.5 * d;
    assert_near(
        z.im / (at.omega_rad_per_s * at.density_kg_per_m3),
        mass,
        0.05,
        "moving length of a wide hole, m",
    );
    let r = (8.0 * at.viscosity_pa_s * at.density_kg_per_m3 * at.omega_rad_per_s).sqrt()
        * (1.0 + t / d);
    assert_near(z.re, r, 0.05, "resistance of a wide hole, Pa·s/m");
}

/// PUBLISHED: Ingard & Ising 1967 (row 26): quasi-steady, 4/(3πCd²)·ρ·u0 for a sine of peak u0 in the hole; Cd 0.61: 1.1406·ρ·u0.
#[test]
pub fn orifice_at_high_level() {
    source("PUBLISHED", "Ingard & Ising 1967 (row 26)");
    let open = 1e-3;
    let hole = plate(Holes::Round { diameter_m: 0.01 }, 0.002, open);
    // 8/(3π)·q·V over the face, V = σ·u0, is R over the face; σ times it is that of the hole.
    let rho = 1.2;
    let per_hole = 8.0 / (3.0 * PI) * hole.rise_pa_s2_per_m2(rho) * open * open / rho;
    assert_near(per_hole, 1.1406, 5e-5, "resistance over ρ·u0");
}

/// PUBLISHED: what neighbours take from the end correction: Fok 1941, against 1 − 1.13ξ − 0.09ξ² + 0.27ξ³ with ξ = d/b for a square pattern (Allard & Atalla 2009; both from memory): within
/// 6 % up to σ = 0.2, as the cells are round in the one and square in the other. And the slots' closed form at its series 1 + ln.
#[test]
pub fn neighbours_share_their_ends() {
    source(
        "PUBLISHED",
        "Fok 1941 against a fit for square patterns (from memory)",
    );
    for open in [0.01, 0.05, 0.1, 0.2] {
        let xi = 2.0 * (open / PI).sqrt();
        let fit = 1.0 - 1.13 * xi - 0.09 * xi * xi + 0.27 * xi * xi * xi;
        assert_within(
            shared(real(open)).re,
            fit,
            0.06,
            "",
            &format!("share of the end correction, open fraction {open}"),
        );
    }
    source("DERIVED", "(2/π)·ln(1/sin(πσ/2))");
    for open in [0.02_f64, 0.2, 0.5] {
        let want = 2.0 / PI * (1.0 / (PI * open / 2.0).sin()).ln();
        assert_near(
            slot_length_per_gap(real(open)).re,
            want,
            1e-12,
            &format!("added length of slots over the gap, open fraction {open}"),
        );
    }
}
