//! What follows from a design without solving it: driver parameters, volumes, path length, side channels.
//!
//! ```text
//! fs = 1/(2π√(Mms·Cms))   Qms = 2πfs·Mms/Rms   Qes = 2πfs·Mms·Re/Bl²   Qts = Qms·Qes/(Qms+Qes)
//! Vas = ρc²·Sd²·Cms        η0 = ρ·Bl²·Sd²/(2πc·Re·Mms²)
//! quarter wave  f = c/(4L)     mass-controlled corner  f_M = Bl²/(2π·Re·Mms)
//! ```
//!
//! References: Small 1972, JAES 20:383; the mass corner: common practice, no published source.

use crate::air::Air;
use crate::design::{CLOSED, Design, Duct, OUTSIDE, Section};
use serde::Serialize;
use std::collections::{BTreeMap, HashSet};
use std::f64::consts::TAU;

/// Derived figures of a design.
#[derive(Debug, Clone, Serialize)]
pub struct Facts {
    /// Air.
    pub air: Air,
    /// Driver with its free-air load.
    pub driver: DriverFacts,
    /// How many drivers there are.
    pub drivers: usize,
    /// Near-field probes: (name, highest frequency at which they follow the opening within 1 dB, Hz).
    pub near_hz: Vec<(String, f64)>,
    /// What a cold day does; `None` where the design cannot be simulated.
    pub weather: Option<super::weather::Weather>,
    /// Chambers, litres: (name, litres).
    pub volumes_l: Vec<(String, f64)>,
    /// Volume of all ducts, litres.
    pub ducts_l: f64,
    /// Path length from the driver's front or rear to each opening, m: (opening, length), where there is one.
    pub paths_m: Vec<(String, f64)>,
    /// Side channels with a closed end: (duct, quarter-wave frequency, Hz), of the written length.
    pub quarter_wave_hz: Vec<(String, f64)>,
    /// The same with an end correction of [`SIDE_MOUTH`] times the width where none is written.
    pub quarter_wave_with_end_hz: Vec<(String, f64)>,
    /// Resistors: (name, acoustic resistance Pa·s/m³, ρc/S of the duct that it faces, ratio).
    pub resistors: Vec<(String, f64, f64, f64)>,
}

/// Small-signal figures of the driver.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct DriverFacts {
    /// Force factor, N/A.
    pub bl_n_per_a: f64,
    /// Mass without air load, kg.
    pub mmd_kg: f64,
    /// Compliance, m/N.
    pub cms_m_per_n: f64,
    /// Mechanical resistance, kg/s.
    pub rms_kg_per_s: f64,
    /// Coil resistance at its temperature, Ω.
    pub warm_re_ohm: f64,
    /// Mass with free-air load, kg.
    pub mms_kg: f64,
    /// Resonance, Hz.
    pub fs_hz: f64,
    /// Mechanical Q.
    pub qms: f64,
    /// Electrical Q.
    pub qes: f64,
    /// Total Q.
    pub qts: f64,
    /// Equivalent volume, m³.
    pub vas_m3: f64,
    /// Mass-controlled corner of the driver in a horn, Hz.
    pub mass_corner_hz: f64,
    /// Half-space reference efficiency.
    pub efficiency: f64,
}

/// The derived figures.
#[must_use]
pub fn facts(design: &Design) -> Facts {
    let air = Air::at(&design.air);
    let reference = Air::at(&crate::design::AirConditions::default());
    let driver = &design.driver;
    let (bl, mass, cms, rms) = driver.mechanical(reference.bulk_pa());
    let load = super::driver::air_load(
        num_complex::Complex64::new(driver.sd_m2, 0.0),
        reference.density_kg_per_m3,
    )
    .re;
    let mms = if driver.mass_has_air_load() {
        mass
    } else {
        mass + load
    };
    let omega = (mms * cms).sqrt().recip();
    let (qms, qes) = (omega * mms / rms, omega * mms * driver.re_ohm / (bl * bl));
    let rho_c = air.density_kg_per_m3 * air.speed_m_per_s;
    let network = super::network::Network::new(design, &design.air).ok();
    Facts {
        driver: DriverFacts {
            bl_n_per_a: bl,
            mmd_kg: mms - load,
            cms_m_per_n: cms,
            rms_kg_per_s: rms,
            warm_re_ohm: driver.re_ohm * driver.warmth(),
            mms_kg: mms,
            fs_hz: omega / TAU,
            qms,
            qes,
            qts: qms * qes / (qms + qes),
            vas_m3: reference.bulk_pa() * driver.sd_m2 * driver.sd_m2 * cms,
            mass_corner_hz: bl * bl / (TAU * driver.re_ohm * mms),
            efficiency: reference.density_kg_per_m3 * (bl * driver.sd_m2 / mms).powi(2)
                / (TAU * reference.speed_m_per_s * driver.re_ohm),
        },
        drivers: driver.count(),
        near_hz: network.as_ref().map_or_else(Vec::new, |n| {
            let probes = design.probes.iter().enumerate();
            probes
                .filter_map(|(i, p)| Some((p.name.clone(), n.near_field_limit_hz(i)?)))
                .collect()
        }),
        weather: super::weather::cold_day(design, &design.air).ok(),
        volumes_l: design
            .chambers
            .iter()
            .map(|c| (c.name.clone(), c.volume_m3 * 1e3))
            .collect(),
        ducts_l: design.ducts.iter().map(|d| volume_m3(d) * 1e3).sum(),
        paths_m: paths(design),
        quarter_wave_hz: design
            .ducts
            .iter()
            .filter(|d| d.to == CLOSED || d.from == CLOSED)
            .map(|d| (d.name.clone(), air.speed_m_per_s / (4.0 * d.length_m)))
            .collect(),
        quarter_wave_with_end_hz: design
            .ducts
            .iter()
            .filter(|d| d.to == CLOSED || d.from == CLOSED)
            .map(|d| {
                let length_m = d.length_m + side_mouth_m(d);
                (d.name.clone(), air.speed_m_per_s / (4.0 * length_m))
            })
            .collect(),
        resistors: design
            .resistors
            .iter()
            .map(|r| {
                let facing = design
                    .ducts
                    .iter()
                    .filter_map(|d| {
                        let touches = |j: &String| {
                            j != OUTSIDE && j != CLOSED && (*j == r.to || *j == r.from)
                        };
                        if touches(&d.from) {
                            Some((d.to == CLOSED, d.area_m2[0]))
                        } else if touches(&d.to) {
                            Some((d.from == CLOSED, d.area_m2[1]))
                        } else {
                            None
                        }
                    })
                    .max_by_key(|&(closed, _)| closed)
                    .map(|(_, area)| area)
                    .or(r.area_m2)
                    .unwrap_or(f64::NAN);
                let value = r.acoustic_pa_s_per_m3();
                (
                    r.name.clone(),
                    value,
                    rho_c / facing,
                    value * facing / rho_c,
                )
            })
            .collect(),
        air,
    }
}

/// End correction of the mouth of a channel at the side of another, over its width: finite elements of a branch 0.6 as
/// wide as the channel is high, `tests/reference/fe/side_branch.py`.
pub const SIDE_MOUTH: f64 = 0.26;

/// End correction at the open end of a closed duct, m: as written, or [`SIDE_MOUTH`] times its width.
fn side_mouth_m(duct: &Duct) -> f64 {
    let open = usize::from(duct.from == CLOSED);
    let written = duct.end_correction_m[open];
    if written != 0.0 {
        return written;
    }
    let area = duct.area_m2[open];
    SIDE_MOUTH
        * match duct.section {
            Section::Round => area.sqrt(),
            Section::Rectangular { width_m } => area / width_m,
            Section::Slit { gap_m } => gap_m,
        }
}

/// Volume of a duct, m³, exact for each profile.
#[must_use]
pub fn volume_m3(duct: &Duct) -> f64 {
    use crate::design::Profile;
    let [a, b] = duct.area_m2;
    let mean = match duct.profile {
        Profile::Uniform => a,
        Profile::Conical => (a + (a * b).sqrt() + b) / 3.0,
        Profile::Parabolic => 0.5 * (a + b),
        Profile::Exponential if (b / a - 1.0).abs() < 1e-9 => a,
        Profile::Exponential => (b - a) / (b / a).ln(),
    };
    mean * duct.length_m
}

/// Shortest way through ducts from the driver to each opening.
fn paths(design: &Design) -> Vec<(String, f64)> {
    let mut edges: BTreeMap<&str, Vec<(&str, f64)>> = BTreeMap::new();
    for duct in &design.ducts {
        edges
            .entry(&duct.from)
            .or_default()
            .push((&duct.to, duct.length_m));
        edges
            .entry(&duct.to)
            .or_default()
            .push((&duct.from, duct.length_m));
    }
    let mut best: BTreeMap<&str, f64> = BTreeMap::new();
    let mut open: Vec<(&str, f64)> = vec![(&design.driver.front, 0.0), (&design.driver.rear, 0.0)];
    let mut done: HashSet<&str> = HashSet::new();
    while let Some(next) = (0..open.len()).min_by(|&a, &b| open[a].1.total_cmp(&open[b].1)) {
        let (at, length) = open.swap_remove(next);
        if at == OUTSIDE || at == CLOSED || !done.insert(at) {
            continue;
        }
        best.insert(at, length);
        for &(to, more) in edges.get(at).map_or(&[][..], Vec::as_slice) {
            if !done.contains(to) {
                open.push((to, length + more));
            }
        }
    }
    design
        .openings
        .iter()
        .filter_map(|o| best.get(o.at.as_str()).map(|l| (o.name.clone(), *l)))
        .collect()
}
