//! One channel over another from a recorded sweep, and means over frequency that know their noise.
//!
//! ```text
//! x̄ = Σ w_i·x_i/Σ w_i     w_i = min(1, Δf_i/resolution)/σ_i²     var x̄ = 1/Σ w_i
//! ```
//!
//! Points of the grid that lie closer than the resolution of the deconvolution share their noise, so that each counts
//! for its share only.

use super::super::channels;
use super::super::correction::Correction;
use super::super::{MeasureError, take};
use super::CalibrationError;
use crate::signal::deconvolve::{self, deconvolve, takes};
use crate::signal::sweep::Sweep;
use num_complex::Complex64;
use std::path::Path;

/// A channel whose loudest sample lies below this is dead, full scale = 1.
const DEAD: f64 = 1e-5;
/// Samples in flat tops from which a channel counts as clipped, as for captures.
const CLIPPED: usize = 12;
/// Least usable range of a calibration, as a ratio of its ends: three octaves.
const LEAST_RANGE: f64 = 8.0;

/// The second channel over the first.
#[derive(Debug, Clone)]
pub struct Pair {
    /// File, for messages.
    pub file: String,
    /// BLAKE3 digest of the file, hex.
    pub digest: String,
    /// What the file says that it was recorded from.
    pub device: Option<String>,
    /// Usable frequencies, ascending, Hz.
    pub frequency_hz: Vec<f64>,
    /// Ratio.
    pub ratio: Vec<Complex64>,
    /// √E|error|² of the ratio.
    pub noise_rms: Vec<f64>,
    /// Neighbours that lie closer share their noise, Hz.
    pub resolution_hz: f64,
    /// Signal over noise, dB.
    pub snr_db: f64,
}

/// Channels of a file, from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Channels {
    /// The one that is divided by.
    pub first: usize,
    /// The other.
    pub second: usize,
}

/// Reads a take and divides the second channel by the first, and by the card's own ratio where it is known.
///
/// # Errors
/// [`CalibrationError`] for a dead, clipped or noisy take, one without the sweep or with several, or with lost samples.
pub fn read(
    path: &Path,
    channels: Channels,
    sweep: &Sweep,
    card: Option<&Correction>,
) -> Result<Pair, CalibrationError> {
    let file = path.display().to_string();
    let wanted = [channels.second, channels.first];
    let data = channels::read(path, &file, &wanted, sweep.plan().stop_hz * 5.0)?;
    for (i, &channel) in wanted.iter().enumerate() {
        if data.peak[i] < DEAD {
            return Err(MeasureError::Dead {
                file,
                channel,
                role: ["second input", "first input"][i],
                peak_dbfs: -20.0 * data.peak[i].max(1e-12).log10(),
            }
            .into());
        }
        let samples = data.clipped(i);
        if samples >= CLIPPED {
            return Err(CalibrationError::Clipped {
                file,
                channel,
                samples,
            });
        }
    }
    let unfit = |why: String| CalibrationError::Unfit {
        file: file.clone(),
        why,
    };
    let length_s = data.sample[0].len() as f64 / data.rate_hz;
    if length_s > 1.9 * sweep.plan().duration_s {
        let found = takes(&data.sample[1], data.rate_hz, sweep);
        if found.len() > 1 {
            let starts: Vec<String> = found.iter().map(|s| take::clock_time(*s)).collect();
            return Err(unfit(format!(
                "holds {} sweeps (at {}); expected one: cut the file or record one",
                found.len(),
                starts.join(", ")
            )));
        }
    }
    let got = deconvolve(
        &deconvolve::Take {
            rate_hz: data.rate_hz,
            signal: &data.sample[0],
            reference: Some(&data.sample[1]),
        },
        sweep,
    )
    .map_err(|cause| MeasureError::Deconvolve {
        file: file.clone(),
        cause,
    })?;
    if let Some((at_s, lost_s)) = got.jump {
        return Err(unfit(format!(
            "the recording jumps near {at_s:.2} s by about {:.0} samples: record again with larger buffers",
            (lost_s * f64::from(data.sample_rate_hz)).abs()
        )));
    }
    let [low, high] = got.usable_hz;
    if high < LEAST_RANGE * low || low <= 0.0 {
        return Err(unfit(format!(
            "20 dB over the noise only from {low:.1} to {high:.1} Hz; expected three octaves at least: raise the level and record again"
        )));
    }
    let mut pair = Pair {
        file,
        digest: data.digest,
        device: data.device,
        frequency_hz: Vec::new(),
        ratio: Vec::new(),
        noise_rms: Vec::new(),
        resolution_hz: got.resolution_hz,
        snr_db: got.snr_db,
    };
    for (i, &f) in got.frequency_hz.iter().enumerate() {
        if low <= f && f <= high {
            let own = card.map_or(Complex64::new(1.0, 0.0), |c| c.at(f));
            pair.frequency_hz.push(f);
            pair.ratio.push(got.value[i] / own);
            pair.noise_rms.push(got.noise_rms[i] / own.norm());
        }
    }
    Ok(pair)
}

/// A weighted mean over frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mean {
    /// Mean.
    pub value: f64,
    /// Standard deviation of the mean by noise.
    pub sd: f64,
    /// Standard deviation of the single values around it.
    pub scatter: f64,
}

impl Pair {
    /// Weighted mean of numbers with their noise on this pair's grid, inside a range of frequency; `None` of nothing.
    #[must_use]
    pub fn mean(&self, value: &[f64], noise: &[f64], range_hz: [f64; 2]) -> Option<Mean> {
        let (mut weight, mut sum, mut square) = (0.0, 0.0, 0.0);
        for i in 0..self.frequency_hz.len().min(value.len()) {
            let f = self.frequency_hz[i];
            if !(range_hz[0]..=range_hz[1]).contains(&f) || !value[i].is_finite() {
                continue;
            }
            // Neighbours of the grid lie a 48th of an octave apart.
            let apart_hz = f * std::f64::consts::LN_2 / 48.0;
            let share = (apart_hz / self.resolution_hz).min(1.0);
            let sd = noise[i].max(1e-9 * value[i].abs()).max(1e-15);
            let w = share / (sd * sd);
            weight += w;
            sum += w * value[i];
            square += w * value[i] * value[i];
        }
        if weight <= 0.0 {
            return None;
        }
        let value = sum / weight;
        Some(Mean {
            value,
            sd: (1.0 / weight).sqrt(),
            scatter: (square / weight - value * value).max(0.0).sqrt(),
        })
    }

    /// From the lowest to the highest usable frequency, Hz.
    #[must_use]
    pub fn range_hz(&self) -> [f64; 2] {
        [self.frequency_hz.first(), self.frequency_hz.last()].map(|f| f.copied().unwrap_or(0.0))
    }
}
