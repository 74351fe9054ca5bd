//! What must hold for every cabinet: reciprocity, passivity, balance of volume velocity and of power, scaling,
//! freedom of notation, and that a divided duct is the whole one. Random cabinets, 200 per property; `PROPTEST_CASES` raises it.
//! The seed is fixed and nothing is written into the source tree.
//!
//! All expectations are DERIVED: linear passive reciprocal networks, and the wave equation's freedom of scale.

#![allow(clippy::unwrap_used)]

mod balance;
mod random;
mod sameness;

use bassay::design::{AirConditions, Wiring};
use bassay::model::duct::DuctGeometry;
use bassay::model::network::Network;
use bassay::model::tone::Tone;
use num_complex::Complex64;
use proptest::prelude::*;
use proptest::test_runner::{Config, RngSeed};
use random::{Kind, frequency_hz, recipe};
use std::f64::consts::TAU;

/// 200 cases unless the environment says otherwise, one fixed seed, nothing kept on disk.
fn config() -> Config {
    let cases = std::env::var("PROPTEST_CASES")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(200);
    Config {
        cases,
        failure_persistence: None,
        rng_seed: RngSeed::Fixed(20),
        ..Config::default()
    }
}

/// Rounding of a solve, relative: the unit roundoff times how many times the largest admittance of an element exceeds
/// that of the junction which yields least (short wide ducts between small volumes at a few hertz: up to 1e9), times 1e5:
/// 100 for the number of operations, 1000 for terms that cancel inside an element.
fn rounding(network: &Network, frequency_hz: f64) -> f64 {
    let at = Tone::new(network.air(), TAU * frequency_hz);
    let design = network.design();
    let ducts = design.ducts.iter().map(|d| {
        DuctGeometry::<Complex64>::new(d, None)
            .transfer(&at)
            .pu
            .inv()
            .norm()
    });
    let resistors = design
        .resistors
        .iter()
        .map(|r| bassay::model::lumped::resistor::<Complex64>(r, &at, 0.0, None).norm());
    // The mass of an opening is that of a layer of at least 0.3·√S.
    let mass = 0.3 * at.density_kg_per_m3 * at.omega_rad_per_s;
    let openings = design.openings.iter().map(|o| o.area_m2.sqrt() / mass);
    let leaks = design
        .leaks
        .iter()
        .map(|l| bassay::model::lumped::leak::<Complex64>(l, &at, None).norm());
    let numbers = bassay::model::driver::DriverNumbers::<Complex64>::new(
        &design.driver,
        design.drive.source_ohm,
        1.2,
        1.4e5,
        None,
    );
    let port = numbers.port(TAU * frequency_hz);
    let cones = [port.admittance.norm(), port.apart.norm()];
    let most = ducts
        .chain(resistors)
        .chain(openings)
        .chain(leaks)
        .chain(cones)
        .fold(0.0, f64::max);
    let highest = (0..network.junctions().len())
        .map(|a| network.driving_point(a, frequency_hz).norm())
        .fold(0.0, f64::max);
    1e5 * f64::EPSILON * (1.0 + most * highest)
}

/// The impedance matrix with the driver's source off, `[into][at]`.
fn impedances(network: &Network, frequency_hz: f64) -> Vec<Vec<Complex64>> {
    let n = network.junctions().len();
    (0..n)
        .map(|a| {
            (0..n)
                .map(|b| network.transfer_impedance(a, b, frequency_hz))
                .collect()
        })
        .collect()
}

proptest! {
    #![proptest_config(config())]

    /// Pressure at b for a volume velocity into a is that at a for the same into b. Rounding is that of the larger driving point.
    #[test]
    fn reciprocity(recipe in recipe(), f in frequency_hz()) {
        let network = Network::new(&recipe.design(Kind::Every), &AirConditions::default()).unwrap();
        let z = impedances(&network, f);
        let rounding = rounding(&network, f);
        for a in 0..z.len() {
            prop_assert!((network.driving_point(a, f) - z[a][a]).norm() == 0.0);
            for b in 0..a {
                let scale = (z[a][a].norm() * z[b][b].norm()).sqrt().max(z[a][b].norm());
                prop_assert!((z[a][b] - z[b][a]).norm() <= rounding * scale, "{a} {b}: {} {}", z[a][b], z[b][a]);
            }
        }
    }

    /// No junction gives power to whoever feeds it, nor do all of them together, whatever the phases; nor do the terminals.
    #[test]
    fn passivity(recipe in recipe(), f in frequency_hz(), turns in prop::collection::vec(0.0..TAU, 8)) {
        let design = recipe.design(Kind::Every);
        let network = Network::new(&design, &AirConditions::default()).unwrap();
        let z = impedances(&network, f);
        let rounding = rounding(&network, f);
        for (a, row) in z.iter().enumerate() {
            prop_assert!(row[a].re >= -rounding * row[a].norm(), "junction {a}: {}", row[a]);
        }
        // Volume velocities of the size that gives equal pressure at each driving point.
        let u: Vec<Complex64> = z.iter().enumerate().map(|(a, row)| Complex64::from_polar(row[a].norm().recip().sqrt(), turns[a])).collect();
        let mut power = 0.0;
        let mut size = 0.0;
        for (a, row) in z.iter().enumerate() {
            for (b, z) in row.iter().enumerate() {
                let part = u[b].conj() * z * u[a];
                power += part.re;
                size += part.norm();
            }
        }
        prop_assert!(power >= -rounding * size, "{power} of {size}");
        // The coils' resistance is the least that the terminals show.
        let count = design.driver.count() as f64;
        let coils = design.driver.re_ohm * design.driver.warmth() * match design.driver.wiring {
            Wiring::Parallel => count.recip(),
            Wiring::Series => count,
        };
        let at_terminals = network.solve(f, 2.83).impedance;
        prop_assert!(at_terminals.re >= coils - rounding * at_terminals.norm(), "{at_terminals}");
    }
}
