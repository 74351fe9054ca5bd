//! How far the air moves the tuning: the resonances in the impedance and the level at 1 m on a cold day.
//!
//! The speed of sound follows the root of the absolute temperature, and with it every resonance of a channel; that of
//! the suspension's compliance does not. Both are seen here by solving the same design in other air.

use super::network::Network;
use super::predict::listening_point;
use super::{ModelError, Observed};
use crate::design::{AirConditions, Design};
use crate::signal::grid::log_grid;
use serde::Serialize;

/// A cold day indoors without heating, °C.
pub const COLD_C: f64 = 5.0;
/// Range in which resonances are looked for, Hz.
const RANGE_HZ: [f64; 2] = [5.0, 200.0];
/// Points per octave of the search.
const PER_OCTAVE: u32 = 96;
/// Peaks of |Z| to follow.
const MOST: usize = 4;

/// What another temperature does to a design.
#[derive(Debug, Clone, PartialEq, Serialize, serde::Deserialize)]
pub struct Weather {
    /// Temperature of the design or of the captures, °C.
    pub from_c: f64,
    /// The other temperature, °C.
    pub to_c: f64,
    /// Peaks of |Z| at the two temperatures, Hz, ascending.
    pub peaks_hz: Vec<[f64; 2]>,
    /// Largest change of the level at 1 m in the judged band, cold less warm; `None` without an opening.
    pub largest_change: Option<LevelChange>,
}

/// A change of level.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, serde::Deserialize)]
pub struct LevelChange {
    /// Change, dB.
    pub db: f64,
    /// Frequency, Hz.
    pub hz: f64,
}

impl Weather {
    /// What it says, in one or two sentences.
    #[must_use]
    pub fn words(&self) -> String {
        let moved: Vec<String> = self
            .peaks_hz
            .iter()
            .map(|[a, b]| format!("{a:.1} to {b:.1} Hz ({:+.1}\u{a0}%)", 100.0 * (b / a - 1.0)))
            .collect();
        let peaks = if moved.is_empty() {
            "no impedance peak stands out".to_string()
        } else {
            format!("the impedance peaks move from {}", moved.join(", "))
        };
        let level = self
            .largest_change
            .map_or(String::new(), |LevelChange { db, hz }| {
                format!("; the level at 1 m changes by up to {db:+.1} dB, at {hz:.0} Hz")
            });
        let text = format!(
            "At {:.0} °C instead of {:.1} °C {peaks}{level}.",
            self.to_c, self.from_c
        );
        // The sign of the other outputs.
        text.replace('-', "−")
    }
}

/// Compares a design in the given air with the same at [`COLD_C`].
///
/// # Errors
/// [`ModelError`] if the design cannot be simulated.
pub fn cold_day(design: &Design, air: &AirConditions) -> Result<Weather, ModelError> {
    let cold = AirConditions {
        temperature_c: COLD_C,
        ..*air
    };
    let grid = log_grid(RANGE_HZ[0], RANGE_HZ[1], PER_OCTAVE);
    let (warm_net, cold_net) = (Network::new(design, air)?, Network::new(design, &cold)?);
    let warm_peaks = peaks(&warm_net, &grid, design.drive.voltage_v);
    let cold_peaks = peaks(&cold_net, &grid, design.drive.voltage_v);
    // A peak moves by a few percent: its partner is the nearest one within a quarter of an octave.
    let peaks_hz = warm_peaks
        .iter()
        .filter_map(|&f| {
            cold_peaks
                .iter()
                .copied()
                .min_by(|a, b| (a / f).ln().abs().total_cmp(&(b / f).ln().abs()))
                .filter(|g| (g / f).ln().abs() < 0.17)
                .map(|g| [f, g])
        })
        .collect();
    let listener = listening_point(design);
    let band = design.target.map_or([20.0, 100.0], |t| t.band_hz);
    let level = |network: &Network, f: f64| {
        let s = network.solve(f, design.drive.voltage_v);
        20.0 * network.pressure_at(listener, &s).norm().log10()
    };
    let largest_change = log_grid(band[0], band[1], 24)
        .into_iter()
        .map(|hz| LevelChange {
            db: level(&cold_net, hz) - level(&warm_net, hz),
            hz,
        })
        .filter(|c| c.db.is_finite())
        .max_by(|a, b| a.db.abs().total_cmp(&b.db.abs()));
    Ok(Weather {
        from_c: air.temperature_c,
        to_c: COLD_C,
        peaks_hz,
        largest_change,
    })
}

/// The lowest peaks of |Z| that stand out by at least 5 %, with parabolic interpolation in log frequency.
fn peaks(network: &Network, grid: &[f64], drive_v: f64) -> Vec<f64> {
    let z: Vec<f64> = network
        .respond(grid, &[Observed::Impedance], drive_v)
        .remove(0)
        .iter()
        .map(|z| z.norm())
        .collect();
    let mut list = Vec::new();
    for i in 1..z.len().saturating_sub(1) {
        if !(z[i] > z[i - 1] && z[i] >= z[i + 1]) {
            continue;
        }
        // The valleys on both sides up to the next higher point.
        let left = z[..i]
            .iter()
            .rev()
            .take_while(|v| **v <= z[i])
            .fold(z[i], |a, b| a.min(*b));
        let right = z[i + 1..]
            .iter()
            .take_while(|v| **v <= z[i])
            .fold(z[i], |a, b| a.min(*b));
        if z[i] < 1.05 * left.max(right) {
            continue;
        }
        let (a, b, c) = (z[i - 1], z[i], z[i + 1]);
        let offset = 0.5 * (a - c) / (a - 2.0 * b + c);
        let step = (grid[i + 1] / grid[i]).ln();
        list.push(grid[i] * (offset * step).exp());
        if list.len() == MOST {
            break;
        }
    }
    list
}
