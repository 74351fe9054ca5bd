//! The simulation through its public interface against closed forms and other programs.
//!
//! One file per idea. Each expected number is tagged: PUBLISHED (source), DERIVED (a closed form, worked out in the
//! test), CROSS (another program, see the `how` of the table in `tests/reference/reference.json`).
//!
//! The load that a driver feels is read as p/(Sd·v) from the solution: what the network does to the cone,
//! whatever the cone.

#![allow(clippy::unwrap_used)]
// Published values are written as they were printed.
#![allow(clippy::approx_constant)]

mod air;
mod bore;
mod boxes;
mod circuit;
mod coil;
mod driver;
mod finite;
mod horns;
mod limits;
mod losses;
mod measuring;
mod openings;
mod page;
mod porous;
mod production;
mod radiating;
mod recording;
mod resistances;
mod table;
mod tables;
mod tubes;

use bassay::air::Air;
use bassay::design::{AirConditions, Design, read::read_text};
use bassay::model::network::{Network, Solution};
use num_complex::Complex64;
use std::path::Path;
use table::{Measure, check, check_complex};

/// A design from the body of its file.
fn design(body: &str) -> Design {
    let text = format!("format = \"bassay-design/1\"\nname = \"test\"\n{body}");
    read_text(&text, Path::new("test.toml")).unwrap_or_else(|e| panic!("{e}\n{text}"))
}

/// A driver that feeds the junction `a`; nothing about it matters to the load that it feels.
const FEED: &str = "[drive]\nvoltage_v = 1.0\nsource_ohm = 0.0\n[driver]\nre_ohm = 5.0\nbl_n_per_a = 10.0\n\
    mmd_kg = 0.01\ncms_m_per_n = 1e-3\nrms_kg_per_s = 1.0\nsd_m2 = 0.01\nle_h = 0.0\nfront = \"a\"\nrear = \"outside\"\n";

/// A design whose driver feeds the junction `a`.
fn fed(body: &str) -> Design {
    design(&format!("{FEED}{body}"))
}

/// Air of stated density and speed without heat conduction at the walls (γ = 1 takes it away).
fn lossless_air(density_kg_per_m3: f64, speed_m_per_s: f64) -> Air {
    Air {
        density_kg_per_m3,
        speed_m_per_s,
        gamma: 1.0,
        ..Air::at(&AirConditions::default())
    }
}

/// Air of 1.2041 kg/m³ and a Prandtl number of 0.71.
fn printed_air(speed_m_per_s: f64, viscosity_pa_s: f64, gamma: f64) -> Air {
    let heat_capacity_j_per_kg_k = 1005.0;
    Air {
        density_kg_per_m3: 1.2041,
        speed_m_per_s,
        viscosity_pa_s,
        conductivity_w_per_m_k: viscosity_pa_s * heat_capacity_j_per_kg_k / 0.71,
        heat_capacity_j_per_kg_k,
        gamma,
    }
}

/// Air of the tables.
fn table_air() -> Air {
    printed_air(343.21, 1.813e-5, 1.4016)
}

/// The air that another program says it used.
fn air_of(entry: &serde_json::Value) -> Air {
    let number = |key: &str| entry[key].as_f64().unwrap();
    Air {
        density_kg_per_m3: number("rho"),
        speed_m_per_s: number("c"),
        viscosity_pa_s: number("mu"),
        conductivity_w_per_m_k: number("kappa"),
        heat_capacity_j_per_kg_k: number("Cp"),
        gamma: number("gamma"),
    }
}

/// One entry of `reference.json`.
fn table(name: &str) -> serde_json::Value {
    let text = std::fs::read_to_string("tests/reference/reference.json").unwrap();
    let all: serde_json::Value = serde_json::from_str(&text).unwrap();
    all[name].clone()
}

/// The rows of an entry.
fn rows(entry: &serde_json::Value) -> Vec<Vec<f64>> {
    serde_json::from_value(entry.clone()).unwrap()
}

/// Pressure of a named junction, Pa/V.
fn pressure(network: &Network, solution: &Solution, junction: &str) -> Complex64 {
    let n = network.junctions().iter().position(|j| j == junction);
    solution.pressure[n.unwrap()]
}

/// Acoustic impedance that the driver feels at `a`, Pa·s/m³.
fn load(network: &Network, frequency_hz: f64, drive_v: f64) -> Complex64 {
    let solution = network.solve(frequency_hz, drive_v);
    pressure(network, &solution, "a") / (solution.cone_velocity[0] * network.design().driver.sd_m2)
}

/// Asserts a relative agreement of complex numbers.
fn assert_close(found: Complex64, expected: Complex64, relative: f64, what: &str) {
    check_complex(what, found, expected, relative, Measure::Relative);
}

/// Asserts a relative agreement.
fn assert_near(found: f64, expected: f64, relative: f64, what: &str) {
    check(what, found, expected, relative, Measure::Relative);
}

/// Asserts an agreement within an amount in a unit.
fn assert_within(found: f64, expected: f64, allowed: f64, unit: &'static str, what: &str) {
    check(what, found, expected, allowed, Measure::Absolute(unit));
}

/// Where `value` changes its sign between `low` and `high`, by bisection to the last digit.
fn crossing(mut low: f64, mut high: f64, value: impl Fn(f64) -> f64) -> f64 {
    let sign = value(low).signum();
    assert!(
        sign != value(high).signum(),
        "no change of sign between {low} and {high}"
    );
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if value(middle).signum() == sign {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// 20·lg.
fn db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}
