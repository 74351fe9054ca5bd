//! Infinite horns: a finite one that ends in the impedance of its own continuation.

use super::table::source;
use super::{FEED, assert_close, assert_near, design, load, lossless_air};
use bassay::model::network::Network;
use num_complex::Complex64;
use std::f64::consts::TAU;

/// Throat impedance over ρc/S0 of a horn that ends in a resistor with the mass of its continuation.
fn throat(
    profile: &str,
    areas_m2: [f64; 2],
    length_m: f64,
    end: Complex64,
    frequency_hz: f64,
) -> Complex64 {
    let air = lossless_air(1.2041, 343.2);
    let omega = TAU * frequency_hz;
    let horn = design(&format!(
        "{FEED}[[duct]]\nname = \"horn\"\nfrom = \"a\"\nto = \"m\"\nlength_m = {length_m:e}\narea_m2 = [{:e}, {:e}]\n\
         profile = \"{profile}\"\nloss_factor = 0.0\n[[resistor]]\nname = \"rest\"\nfrom = \"m\"\nto = \"outside\"\narea_m2 = {:e}\n\
         specific_pa_s_per_m = {:e}\nareal_mass_kg_per_m2 = {:e}\n",
        areas_m2[0],
        areas_m2[1],
        areas_m2[1],
        end.re * air.rho_c(),
        end.im * air.rho_c() / omega,
    ));
    let network = Network::in_air(&horn, air).unwrap();
    load(&network, frequency_hz, 1.0) * (areas_m2[0] / air.rho_c())
}

/// DERIVED: infinite exponential horn S0·e^(mx), fc = mc/4π (Webster 1919, from memory): √(1 − (fc/f)²) + j·fc/f anywhere along
/// it. At f/fc = 1.1: 0.416598 + j0.909091, at 2: 0.866025 + j0.5 (six digits). fc = 30 Hz at c = 343.2: m = 1.09846.
#[test]
pub fn infinite_exponential_horn() {
    source("DERIVED", "Webster 1919 (row 12)");
    let m = 4.0 * std::f64::consts::PI * 30.0 / 343.2;
    assert_near(m, 1.09846, 5e-6, "flare of a horn of 30 Hz cut-off, 1/m");
    for (over, want) in [
        (1.1, Complex64::new(0.416598, 0.909091)),
        (2.0, Complex64::new(0.866025, 0.5)),
    ] {
        let exact = Complex64::new((1.0_f64 - 1.0 / (over * over)).sqrt(), 1.0 / over);
        for length in [0.3, 1.5, 4.0] {
            let areas = [0.02, 0.02 * (m * length).exp()];
            let found = throat("exponential", areas, length, exact, 30.0 * over);
            assert_close(
                found,
                want,
                1e-6,
                &format!("exponential horn at {over} fc, printed"),
            );
            assert_close(
                found,
                exact,
                1e-11,
                &format!("exponential horn at {over} fc"),
            );
        }
    }
}

/// DERIVED: infinite cone, jkr/(1 + jkr) at the distance r from its apex: kr 0.5: 0.2 + j0.4; 1: 0.5 + j0.5; 2: 0.8 + j0.4.
/// To rounding.
#[test]
pub fn infinite_cone() {
    source("DERIVED", "spherical wave (row 13)");
    let at = |kr: f64| Complex64::new(0.0, kr) / Complex64::new(1.0, kr);
    for (kr, want) in [
        (0.5, Complex64::new(0.2, 0.4)),
        (1.0, Complex64::new(0.5, 0.5)),
        (2.0, Complex64::new(0.8, 0.4)),
    ] {
        let (f, c) = (80.0, 343.2);
        let k = TAU * f / c;
        let near = kr / k;
        for length in [0.2, 1.0, 3.0] {
            let far = near + length;
            let areas = [0.01, 0.01 * (far / near) * (far / near)];
            let found = throat("conical", areas, length, at(k * far), f);
            assert_close(found, want, 1e-11, &format!("cone at kr {kr}"));
        }
    }
}

/// DERIVED: a parabolic horn, area linear in x from its apex: p = J0(kx) − jY0(kx) = H0⁽²⁾(kx), so that an infinite one has
/// the throat impedance of that wave. The Magnus steps of a parabolic duct are good for what is asserted: their
/// error falls with their fourth power and is stated as below 1e-6.
#[test]
pub fn infinite_parabolic_horn() {
    source("DERIVED", "cylindrical wave, Hankel functions");
    // dp/dx = −jωρ·U/S: U = −S·k·H0'(kx)/(jωρ) = S·k·H1(kx)/(jωρ), so z = p·S/(ρc·U) = j·H0(kx)/H1(kx).
    let z = |x: f64| {
        let hankel = |j: f64, y: f64| Complex64::new(j, -y);
        Complex64::i() * hankel(libm::j0(x), libm::y0(x)) / hankel(libm::j1(x), libm::y1(x))
    };
    let f = 80.0;
    let k = TAU * f / 343.2;
    for (near, length) in [(0.3, 0.5), (0.5, 1.5), (1.0, 3.0)] {
        let far = near + length;
        let found = throat(
            "parabolic",
            [0.01, 0.01 * far / near],
            length,
            z(k * far),
            f,
        );
        assert_close(
            found,
            z(k * near),
            1e-6,
            &format!("parabolic horn {near} m from its apex"),
        );
    }
}
