//! The coil, and several drivers.

use super::table::source;
use super::{assert_close, assert_near, design, fed, lossless_air, pressure};
use bassay::design::{AirConditions, Design};
use bassay::model::network::Network;
use num_complex::Complex64;
use std::f64::consts::TAU;

fn driver(more: &str, body: &str) -> Design {
    design(&format!(
        "[drive]\nvoltage_v = 2.83\nsource_ohm = 0.4\n[driver]\nre_ohm = 5.6\nbl_n_per_a = 11.0\nmmd_kg = 0.03\n\
         cms_m_per_n = 4e-4\nrms_kg_per_s = 2.5\nsd_m2 = 0.035\nle_h = 0.0\nfront = \"f\"\nrear = \"r\"\n{more}{body}"
    ))
}

const BOXES: &str = "[[chamber]]\nname = \"front\"\nat = \"f\"\nvolume_m3 = 0.02\n[[chamber]]\nname = \"rear\"\nat = \"r\"\nvolume_m3 = 0.05\n";

fn impedance(design: &Design, f: f64) -> Complex64 {
    Network::new(design, &AirConditions::default())
        .unwrap()
        .solve(f, 1.0)
        .impedance
}

/// PUBLISHED: Leach 2002; Wright 1990 (row 23, from memory): Z = K·(jω)ⁿ, phase 90n°: n = 0.65: 58.5°. The difference of the terminals' impedance with and without is the coil's part alone, as the
/// motional part does not depend on the coil.
#[test]
pub fn semi_inductance() {
    source(
        "PUBLISHED",
        "Leach 2002, JAES 50:442; Wright 1990 (row 23, from memory)",
    );
    let with = driver("semi_k_ohm_s_n = 0.05\nsemi_n = 0.65\n", BOXES);
    let none = driver("", BOXES);
    for f in [100.0, 1000.0] {
        let coil = impedance(&with, f) - impedance(&none, f);
        assert_near(
            coil.arg().to_degrees(),
            58.5,
            1e-9,
            "phase of a semi-inductance of 0.65, degrees",
        );
        assert_near(
            coil.norm(),
            0.05 * (TAU * f).powf(0.65),
            1e-9,
            &format!("its magnitude at {f} Hz, Ω"),
        );
    }
    source(
        "DERIVED",
        "n = 1 is an inductance, n = 0.5 the skin effect at 45°",
    );
    let pure = driver("semi_k_ohm_s_n = 1e-3\nsemi_n = 1.0\n", BOXES);
    let coil = impedance(&pure, 200.0) - impedance(&none, 200.0);
    assert_close(
        coil,
        Complex64::new(0.0, TAU * 200.0 * 1e-3),
        1e-9,
        "semi-inductance of n = 1, Ω",
    );
    source("PUBLISHED", "Thorborg & Unruh 2008 (L2 ∥ R2, from memory)");
    let eddy = driver("l2_h = 1e-3\nr2_ohm = 4.0\n", BOXES);
    let coil = impedance(&eddy, 500.0) - impedance(&none, 500.0);
    let s = Complex64::new(0.0, TAU * 500.0 * 1e-3);
    assert_close(coil, s * 4.0 / (s + 4.0), 1e-9, "L2 ∥ R2 at 500 Hz, Ω");
}

/// PUBLISHED: IEC 60028 (from memory): annealed copper, 0.00393 per kelvin at 20 °C: 1.3144 times at 100 °C.
#[test]
pub fn warm_coil() {
    source("PUBLISHED", "IEC 60028 (from memory)");
    let cold = driver("coil_temperature_c = 20.0\n", BOXES);
    let warm = driver("coil_temperature_c = 100.0\n", BOXES);
    let low = |d: &Design| impedance(d, 0.01).re;
    // At 0.01 Hz the motional part is 1e-6 of the coil's.
    assert_near(
        low(&warm) / low(&cold),
        1.3144,
        1e-5,
        "Re at 100 °C over that at 20 °C",
    );
}

/// DERIVED: N equal drivers on the same junctions, parallel: one with N·Sd, N·Mmd, Cms/N, N·Rms, Re/N and the same Bl; in series: N·Re, N·Bl. Beside each other in equal boxes of their own they are
/// the same again. To rounding.
#[test]
pub fn equal_drivers_are_one_larger() {
    source("DERIVED", "equivalent driver of N equal ones");
    let also = "[[driver.also]]\nfront = \"f\"\nrear = \"r\"\n[[driver.also]]\nfront = \"f\"\nrear = \"r\"\n";
    for (word, re, bl) in [("parallel", 5.6 / 3.0, 11.0), ("series", 5.6 * 3.0, 33.0)] {
        let three = driver(&format!("wiring = \"{word}\"\n{also}"), BOXES);
        let one = design(&format!(
            "[drive]\nvoltage_v = 2.83\nsource_ohm = 0.4\n[driver]\nre_ohm = {re}\nbl_n_per_a = {bl}\nmmd_kg = 0.09\n\
             cms_m_per_n = {}\nrms_kg_per_s = 7.5\nsd_m2 = 0.105\nle_h = 0.0\nfront = \"f\"\nrear = \"r\"\n{BOXES}",
            4e-4 / 3.0
        ));
        for f in [15.0, 45.0, 150.0] {
            assert_close(
                impedance(&three, f),
                impedance(&one, f),
                1e-11,
                &format!("impedance of three drivers, {word}"),
            );
            let n = |d: &Design| {
                let network = Network::new(d, &AirConditions::default()).unwrap();
                let s = network.solve(f, 1.0);
                pressure(&network, &s, "r")
            };
            assert_close(
                n(&three),
                n(&one),
                1e-11,
                &format!("box pressure of three drivers, {word}"),
            );
        }
    }
}

/// DERIVED: two drivers face to face into a tight volume between them, one with its leads exchanged, act as one of twice the moving mass and half the
/// compliance with the electrical side in parallel: the air between moves with them. The volume's own compression is 1e-5 of the cone's stiffness.
#[test]
pub fn opposed_drivers() {
    source("DERIVED", "two cones that move as one");
    let body = "[[chamber]]\nname = \"between\"\nat = \"f\"\nvolume_m3 = 1e-8\n[[chamber]]\nname = \"rear\"\nat = \"r\"\nvolume_m3 = 0.05\n";
    let pair = driver(
        "[[driver.also]]\nfront = \"f\"\nrear = \"outside\"\nreversed = true\n",
        body,
    );
    let one = design(
        "[drive]\nvoltage_v = 2.83\nsource_ohm = 0.4\n[driver]\nre_ohm = 2.8\nbl_n_per_a = 11.0\nmmd_kg = 0.06\n\
         cms_m_per_n = 2e-4\nrms_kg_per_s = 5.0\nsd_m2 = 0.035\nle_h = 0.0\nfront = \"outside\"\nrear = \"r\"\n\
         [[chamber]]\nname = \"rear\"\nat = \"r\"\nvolume_m3 = 0.05\n",
    );
    let air = lossless_air(1.2041, 343.2);
    for f in [15.0, 45.0, 100.0] {
        let z = |d: &Design| Network::in_air(d, air).unwrap().solve(f, 1.0).impedance;
        assert_close(z(&pair), z(&one), 2e-3, "impedance of two opposed drivers");
    }
}

/// DERIVED: a limp cloth of areal mass m moves with the air, Z = 1/(1/R + S/(jωm)); one that is held has the mass of the air in its pores in series. To rounding.
#[test]
pub fn cloths_with_mass() {
    source("DERIVED", "mass beside or behind a resistance");
    for (limp, word) in [(true, "limp"), (false, "held")] {
        let body = format!(
            "[[resistor]]\nname = \"r\"\nfrom = \"a\"\nto = \"outside\"\narea_m2 = 0.02\nspecific_pa_s_per_m = 400.0\n\
             areal_mass_kg_per_m2 = 0.2\nlimp = {limp}\n"
        );
        let network = Network::new(&fed(&body), &AirConditions::default()).unwrap();
        for f in [20.0, 60.0] {
            let (r, m) = (400.0 / 0.02, Complex64::new(0.0, TAU * f * 0.2 / 0.02));
            let want = if limp { r * m / (r + m) } else { r + m };
            assert_close(
                super::load(&network, f, 1.0),
                want,
                1e-12,
                &format!("{word} cloth of 0.2 kg/m², Pa·s/m³"),
            );
        }
    }
}

/// DERIVED: a cone whose rear is closed cannot move: the terminals show Re + jωLe, and nothing sounds.
#[test]
pub fn held_cone() {
    source("DERIVED", "blocked impedance, Re + jωLe");
    let held = design(
        "[drive]\nvoltage_v = 2.83\nsource_ohm = 0.4\n[driver]\nre_ohm = 5.6\nbl_n_per_a = 11.0\nmmd_kg = 0.03\n\
         cms_m_per_n = 4e-4\nrms_kg_per_s = 2.5\nsd_m2 = 0.035\nle_h = 1e-3\nfront = \"f\"\nrear = \"closed\"\n\
         [[chamber]]\nname = \"c\"\nat = \"f\"\nvolume_m3 = 0.02\n",
    );
    let network = Network::new(&held, &AirConditions::default()).unwrap();
    for f in [10.0, 40.0, 160.0] {
        let s = network.solve(f, 1.0);
        let want = Complex64::new(5.6, TAU * f * 1e-3);
        assert_close(s.impedance, want, 1e-12, "impedance of a held cone, Ω");
        assert_eq!(s.cone_velocity[0].norm() + s.pressure[0].norm(), 0.0);
    }
}
