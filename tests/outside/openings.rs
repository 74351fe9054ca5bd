//! Openings: the piston's load on a driver, near and far pressure, volume displacement.

use super::table::source;
use super::table::{Measure, check_complex};
use super::{assert_close, assert_near, assert_within, db, design, load, lossless_air};
use bassay::design::AirConditions;
use bassay::model::Observed;
use bassay::model::network::Network;
use bassay::model::predict::predict;
use num_complex::Complex64;
use std::f64::consts::{PI, SQRT_2, TAU};

/// A cone of the given radius seen from outside in half space, and what is added.
pub fn cone(radius_m: f64, more: &str) -> bassay::design::Design {
    let area = PI * radius_m * radius_m;
    design(&format!(
        "[drive]\nvoltage_v = 2.83\nsource_ohm = 0.0\n[driver]\nre_ohm = 5.0\nbl_n_per_a = 10.0\nmmd_kg = 0.05\n\
         cms_m_per_n = 1e-3\nrms_kg_per_s = 1.0\nsd_m2 = {area:e}\nle_h = 0.0\nfront = \"a\"\nrear = \"outside\"\n\
         [[opening]]\nname = \"cone\"\nat = \"a\"\narea_m2 = {area:e}\n{more}"
    ))
}

/// DERIVED: piston in an infinite baffle, 1 − J1(2ka)/ka + j·H1(2ka)/ka (Rayleigh; Beranek), computed by another library
/// to seven decimals. Half of the last digit.
#[test]
pub fn piston_in_a_baffle() {
    source("DERIVED", "Rayleigh; Beranek (row 10)");
    let air = lossless_air(1.2041, 343.2);
    let radius = 0.15;
    let network = Network::in_air(&cone(radius, ""), air).unwrap();
    for (ka, r, x) in [
        (0.1, 0.0049917, 0.0846565),
        (0.5, 0.1198988, 0.3969147),
        (1.0, 0.4232752, 0.6467637),
        (2.0, 1.0330217, 0.5348633),
    ] {
        let f = ka / radius * 343.2 / TAU;
        let z = load(&network, f, 1.0) * (PI * radius * radius / air.rho_c());
        let what = format!("piston in a flange, ka {ka}");
        check_complex(
            &what,
            z,
            Complex64::new(r, x),
            8e-8,
            Measure::Absolute("of ρc"),
        );
    }
}

/// DERIVED: the same at low frequency: resistance (ka)²/2, mass of a layer of 8/(3π)·a = 0.8488264·a. At ka = 0.001 the next
/// terms are 1e-7 and 2e-7 of them; 1e-6 shows that no digits are lost there.
#[test]
pub fn piston_at_low_frequency() {
    source("DERIVED", "piston at low frequency (row 11)");
    let air = lossless_air(1.2041, 343.2);
    let radius = 0.15;
    let network = Network::in_air(&cone(radius, ""), air).unwrap();
    let ka = 1e-3;
    let z = load(&network, ka / radius * 343.2 / TAU, 1.0) * (PI * radius * radius / air.rho_c());
    assert_near(
        z.im / ka,
        0.8488264,
        1e-6,
        "added length of a piston over its radius",
    );
    // The real part is 1700 times smaller than the imaginary part, and is what rounding leaves of a quotient.
    assert_near(z.re / (ka * ka), 0.5, 1e-6, "resistance over (ka)²");
}

/// PUBLISHED: Keele 1974, JAES 22:154: near over far pressure tends to 2r/a, 26.02 dB for a = 0.1 m at 1 m; −1 dB at 0.1154·a in front of the
/// cone. DERIVED: towards higher frequency the ratio falls with sin(ka/2)/(ka/2): −0.365 dB at ka = 1 (10950/D Hz, D in cm,
/// c = 344), −0.947 dB at 1.6. Half of the last digit; ka = 1e-3 stands for none, where the next term is 4e-8.
#[test]
pub fn near_and_far() {
    source("PUBLISHED", "Keele 1974, JAES 22:154 (row 22)");
    let probes = "[[probe]]\nname = \"near\"\nnear = \"cone\"\ndistance_m = 0.0\n\
        [[probe]]\nname = \"off\"\nnear = \"cone\"\ndistance_m = 0.01154\n\
        [[probe]]\nname = \"far\"\nposition_m = [1.0, 0.0, 0.0]\n";
    let network = Network::in_air(&cone(0.1, probes), lossless_air(1.2041, 344.0)).unwrap();
    let heard = |f: f64| -> Vec<f64> {
        let all: Vec<Observed> = (0..3).map(Observed::Probe).collect();
        network
            .respond(&[f], &all, 1.0)
            .iter()
            .map(|p| p[0].norm())
            .collect()
    };
    let f_of = |ka: f64| ka / 0.1 * 344.0 / TAU;
    let low = heard(f_of(1e-3));
    let ratio = db(low[0] / low[2]);
    assert_within(ratio, 26.02, 0.005, "dB", "near over far, 0.1 m at 1 m, dB");
    assert_within(
        ratio,
        db(2.0 / 0.1),
        1e-5,
        "dB",
        "the same against 2r/a, dB",
    );
    assert_within(
        db(low[1] / low[0]),
        -1.0,
        2e-3,
        "dB",
        "near field 0.1154 a in front, dB",
    );
    assert_near(f_of(1.0), 10950.0 / 20.0, 1e-4, "frequency of ka 1, Hz");
    for (ka, want) in [(1.0, -0.365), (1.6, -0.947)] {
        let p = heard(f_of(ka));
        let found = db(p[0] / p[2]) - ratio;
        assert_within(
            found,
            want,
            6e-4,
            "dB",
            &format!("near field at ka {ka}, dB"),
        );
    }
}

/// DERIVED: a monopole in half space, p = ρ·ω²·V/(2πr): 1 Pa (94 dB, strictly 93.98) at 1 m needs 207.70 cm³ peak at
/// 30 Hz and 51.92 at 60 Hz with ρ = 1.2041 kg/m³. Half of the last digit.
#[test]
pub fn volume_displacement_for_a_level() {
    source("DERIVED", "monopole (row 43)");
    let network = Network::in_air(&cone(0.1, ""), lossless_air(1.2041, 343.2)).unwrap();
    for (f, want) in [(30.0, 207.70), (60.0, 51.92)] {
        let s = network.solve(f, 1.0);
        let pascal = network.pressure_at([1.0, 0.0, 0.0], &s).norm();
        let volume = s.opening_flow[0].norm() * SQRT_2 / s.omega_rad_per_s / pascal * 1e6;
        assert_within(
            volume,
            want,
            0.006,
            "cm³",
            &format!("volume displacement for 1 Pa at 1 m, {f} Hz, cm³"),
        );
    }
}

/// DERIVED, common practice, no published source: half the frequency at the same level takes four times the volume
/// displacement (12.041 dB). From the predicted displacement and level at 1 m of a whole cabinet; to rounding.
#[test]
pub fn half_the_frequency_takes_four_times_the_displacement() {
    source(
        "DERIVED",
        "common practice, no published source; monopole (row 43)",
    );
    let design = cone(0.1, "");
    let p = predict(&design, &AirConditions::default(), &[30.0, 60.0]).unwrap();
    let per_pascal = |i: usize| p.displacement_mm[i] / 10f64.powf(p.level_1m_db[i] / 20.0);
    assert_near(
        per_pascal(0) / per_pascal(1),
        4.0,
        1e-12,
        "displacement at half the frequency over that at the frequency",
    );
    let more = db(per_pascal(0) / per_pascal(1));
    assert_within(more, 12.041, 5e-4, "dB", "the same, dB");
    // The level is that of the same monopole.
    let s = Network::new(&design, &AirConditions::default()).unwrap();
    let rho = s.air().density_kg_per_m3;
    let omega = TAU * 30.0;
    let pascal = rho * omega * omega * PI * 0.01 * p.displacement_mm[0] * 1e-3 / SQRT_2 / TAU;
    assert_within(
        p.level_1m_db[0],
        db(pascal / 20e-6),
        1e-9,
        "dB",
        "level of a cone as a monopole, dB",
    );
}

/// DERIVED: an opening radiates |U|²·R into half space; a sphere around it hears p = ρωU/(2πr) everywhere at low
/// frequency, so that both powers agree: R = ρω²/(2πc). The next term of R is (ka)²/6, 2e-8 at the radius and frequency used.
#[test]
pub fn radiated_power_is_what_passes_a_sphere() {
    source("DERIVED", "power through a hemisphere");
    let air = lossless_air(1.2041, 343.2);
    let radius = 0.01;
    let network = Network::in_air(&cone(radius, ""), air).unwrap();
    let f = 2.0;
    let s = network.solve(f, 1.0);
    let power = (s.pressure[0] * s.opening_flow[0].conj()).re;
    let p = network.pressure_at([0.0, 3.0, 4.0], &s);
    let through = p.norm_sqr() / air.rho_c() * TAU * 25.0;
    assert_near(
        power,
        through,
        1e-6,
        "power into an opening over that through a hemisphere, W/V²",
    );
}

/// DERIVED: two equal openings far from everything else load each other by jωρ·e^(−jkr)/(2πr). Driven in common, each feels its own
/// load and that of the other.
#[test]
pub fn two_openings_load_each_other() {
    source("DERIVED", "two monopoles");
    let air = lossless_air(1.2041, 343.2);
    let (radius, apart) = (0.1, 0.5);
    let area = PI * radius * radius;
    let more = format!(
        "[[opening]]\nname = \"other\"\nat = \"a\"\narea_m2 = {area:e}\nposition_m = [0.0, {apart}, 0.0]\n"
    );
    let one = Network::in_air(&cone(radius, ""), air).unwrap();
    let two = Network::in_air(&cone(radius, &more), air).unwrap();
    for f in [20.0, 100.0, 400.0] {
        let (omega, k) = (TAU * f, TAU * f / 343.2);
        let mutual = Complex64::from_polar(omega * 1.2041 / (TAU * apart), PI / 2.0 - k * apart);
        // Half of the volume velocity leaves through each.
        let want = (load(&one, f, 1.0) + mutual) / 2.0;
        assert_close(
            load(&two, f, 1.0),
            want,
            1e-12,
            "load of two openings that hear each other",
        );
    }
}
