//! How far the drive may rise before something gives way.
//!
//! ```text
//! displacement  √2·|v|/ω ≤ xmax        each cone
//! power         |i|²·Re ≤ power        each coil, Re at its temperature
//! voltage       V ≤ max_voltage        current  |i| ≤ max_current      amplifier
//! velocity      |U|/S ≤ max_velocity   a resistor, an opening
//! ```
//!
//! All RMS but the displacement. Where a resistor rises with level the network is solved anew at the drive that was
//! found, until it no longer moves.

use super::network::{Network, Solution};
use crate::design::Design;
use serde::{Serialize, Serializer};
use std::borrow::Cow;
use std::f64::consts::SQRT_2;

/// What limits the output.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Limit {
    /// `xmax_m`.
    Displacement,
    /// `power_w`.
    Power,
    /// `max_voltage_v`.
    Voltage,
    /// `max_current_a`.
    Current,
    /// `max_velocity_m_per_s` of the resistor of this name.
    Resistor(String),
    /// `max_velocity_m_per_s` of the opening of this name.
    Opening(String),
    /// The design states none.
    Unstated,
}

impl Limit {
    /// The words for people.
    #[must_use]
    pub fn word(&self) -> Cow<'static, str> {
        match self {
            Self::Displacement => "displacement".into(),
            Self::Power => "power".into(),
            Self::Voltage => "voltage".into(),
            Self::Current => "current".into(),
            Self::Resistor(name) => format!("velocity in resistor {name}").into(),
            Self::Opening(name) => format!("velocity in opening {name}").into(),
            Self::Unstated => "no limit stated".into(),
        }
    }
}

impl Serialize for Limit {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Unstated => serializer.serialize_str("unstated"),
            other => serializer.serialize_str(&other.word()),
        }
    }
}

/// The limits that a design states, in a fixed order.
#[must_use]
pub fn stated(design: &Design) -> Vec<Limit> {
    let mut list = Vec::new();
    let mut push = |there: bool, limit: Limit| {
        if there {
            list.push(limit);
        }
    };
    push(design.driver.xmax_m.is_some(), Limit::Displacement);
    push(design.driver.power_w.is_some(), Limit::Power);
    push(design.drive.max_voltage_v.is_some(), Limit::Voltage);
    push(design.drive.max_current_a.is_some(), Limit::Current);
    for r in &design.resistors {
        let there = r.max_velocity_m_per_s.is_some() && r.area_m2.is_some();
        push(there, Limit::Resistor(r.name.clone()));
    }
    for o in &design.openings {
        push(
            o.max_velocity_m_per_s.is_some(),
            Limit::Opening(o.name.clone()),
        );
    }
    list
}

/// Largest displacement of any cone, m peak.
#[must_use]
pub fn displacement_m(s: &Solution, drive_v: f64) -> f64 {
    let fastest = largest(s.cone_velocity.iter().map(|v| v.norm()));
    SQRT_2 * fastest * drive_v / s.omega_rad_per_s
}

fn largest(values: impl Iterator<Item = f64>) -> f64 {
    values.fold(0.0, f64::max)
}

/// Factor by which the drive may rise until the limit holds; NaN where the design does not state it.
fn gain(design: &Design, s: &Solution, drive_v: f64, limit: &Limit) -> f64 {
    let (allowed, actual) = match limit {
        Limit::Displacement => (design.driver.xmax_m, displacement_m(s, drive_v)),
        Limit::Power => {
            let current = largest(s.coil_current.iter().map(|i| i.norm())) * drive_v;
            let hot = design.driver.re_ohm * design.driver.warmth();
            (
                design.driver.power_w.map(f64::sqrt),
                current * hot.max(0.0).sqrt(),
            )
        }
        Limit::Voltage => (design.drive.max_voltage_v, drive_v),
        Limit::Current => (design.drive.max_current_a, s.current.norm() * drive_v),
        Limit::Resistor(name) => {
            let found = design.resistors.iter().position(|r| r.name == *name);
            let velocity = found.and_then(|i| {
                let area = design.resistors[i].area_m2?;
                Some(s.resistor_flow[i].norm() * drive_v / area)
            });
            (
                found.and_then(|i| design.resistors[i].max_velocity_m_per_s),
                velocity.unwrap_or(f64::NAN),
            )
        }
        Limit::Opening(name) => {
            let found = design.openings.iter().position(|o| o.name == *name);
            let velocity =
                found.map(|i| s.opening_flow[i].norm() * drive_v / design.openings[i].area_m2);
            (
                found.and_then(|i| design.openings[i].max_velocity_m_per_s),
                velocity.unwrap_or(f64::NAN),
            )
        }
        Limit::Unstated => (None, f64::NAN),
    };
    allowed.map_or(f64::NAN, |allowed| allowed / actual)
}

/// The solution at the drive at which a limit just holds, and that drive, V RMS. `start` is solved at `start_v`.
#[must_use]
pub fn at_limit(
    network: &Network,
    start: &Solution,
    start_v: f64,
    frequency_hz: f64,
    limit: &Limit,
) -> (Solution, f64) {
    let design = network.design();
    let mut drive_v = start_v * gain(design, start, start_v, limit);
    if !network.is_nonlinear() || !drive_v.is_finite() {
        return (start.clone(), drive_v);
    }
    let mut solution = network.solve(frequency_hz, drive_v);
    // Every observed quantity grows with the drive, only not in proportion, so that the correction shrinks.
    for _ in 0..40 {
        let factor = gain(design, &solution, drive_v, limit);
        if (factor - 1.0).abs() < 1e-6 || !factor.is_finite() {
            break;
        }
        drive_v *= factor;
        solution = network.solve(frequency_hz, drive_v);
    }
    (solution, drive_v)
}
