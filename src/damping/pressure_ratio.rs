//! The ratio of the sound pressures at two places in a tube, from the captures.
//!
//! ```text
//! H_n    = p_second/p_first of one capture, microphone A first, B second
//! H_s    = the same with the microphones exchanged
//! H      = √(H_n·H_s)                    (ISO 10534-2:1998, 7.5.2, from memory): gain and phase of both drop out
//! u²(ln H) = (u²(ln H_n) + u²(ln H_s))/4  from noise
//! ```
//!
//! Each pressure is deconvolved against the loop-back where there is one, else against the sweep itself: a microphone in a
//! standing wave is no reference, for it may stand in a node. One microphone that hears both places in turn, with a
//! loop-back, needs no exchange.

use crate::design::coupon::{Coupon, CouponCapture};
use crate::measure::MeasureError;
use crate::measure::channels::{self, Channels};
use crate::signal::deconvolve::{Deconvolved, Take, deconvolve};
use crate::signal::sweep::{Sweep, SweepError};
use num_complex::Complex64;
use std::f64::consts::TAU;

/// A ratio that cannot be formed.
#[derive(Debug, thiserror::Error)]
pub enum RatioError {
    /// A capture cannot be used.
    #[error(transparent)]
    Measure(#[from] MeasureError),
    /// The sweep cannot be evaluated.
    #[error("[sweep] {0}")]
    Sweep(#[from] SweepError),
}

/// The ratio of the two pressures over frequency.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Ratio {
    /// Frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    /// Second over first pressure.
    pub value: Vec<Complex64>,
    /// √E|error|² over |value|, from noise.
    pub noise: Vec<f64>,
    /// Whether gain and phase of the microphones dropped out.
    pub calibrated: bool,
}

/// Pressure at one place, on an absolute time scale of its file.
struct Heard {
    value: Vec<Complex64>,
    noise: Vec<f64>,
}

fn heard(got: &Deconvolved) -> Heard {
    let shift = |f: f64| Complex64::new(0.0, -TAU * f * got.start_s).exp();
    Heard {
        value: got
            .value
            .iter()
            .zip(&got.frequency_hz)
            .map(|(v, &f)| v * shift(f))
            .collect(),
        noise: got
            .value
            .iter()
            .zip(&got.noise_rms)
            .map(|(v, n)| n / v.norm().max(f64::MIN_POSITIVE))
            .collect(),
    }
}

/// What one capture heard at the first and at the second place.
struct Capture {
    frequency_hz: Vec<f64>,
    places: [Option<(usize, Heard)>; 2],
}

fn read(
    capture: &CouponCapture,
    sweep: &Sweep,
    warnings: &mut Vec<String>,
) -> Result<Capture, MeasureError> {
    let places = [capture.first_channel, capture.second_channel];
    let mut wanted: Vec<usize> = places.iter().flatten().copied().collect();
    wanted.extend(capture.reference_channel);
    let data: Channels = channels::read(
        &capture.path,
        &capture.file,
        &wanted,
        2.0 * sweep.plan().stop_hz,
    )?;
    for (n, &channel) in wanted.iter().enumerate() {
        if data.peak[n] < 1e-5 {
            return Err(MeasureError::Dead {
                file: capture.file.clone(),
                channel,
                role: if Some(channel) == capture.reference_channel {
                    "reference"
                } else {
                    "microphone"
                },
                peak_dbfs: -20.0 * data.peak[n].max(1e-12).log10(),
            });
        }
        if data.clipped(n) >= 12 {
            warnings.push(format!(
                "{}: channel {channel} is clipped; record again with less gain",
                capture.file
            ));
        }
    }
    let reference = capture
        .reference_channel
        .map(|_| data.sample[wanted.len() - 1].as_slice());
    let mut frequency_hz = Vec::new();
    let mut found = [None, None];
    let mut n = 0;
    for (place, channel) in found.iter_mut().zip(places) {
        let Some(channel) = channel else { continue };
        let take = Take {
            rate_hz: data.rate_hz,
            signal: &data.sample[n],
            reference,
        };
        n += 1;
        let got = deconvolve(&take, sweep).map_err(|cause| MeasureError::Deconvolve {
            file: capture.file.clone(),
            cause,
        })?;
        *place = Some((channel, heard(&got)));
        frequency_hz = got.frequency_hz;
    }
    Ok(Capture {
        frequency_hz,
        places: found,
    })
}

/// Channels of the first and the second place, second over first, relative noise.
type Channelled = ((usize, usize), Vec<Complex64>, Vec<f64>);

/// Second over first, with relative noise.
fn quotient(second: &Heard, first: &Heard) -> (Vec<Complex64>, Vec<f64>) {
    (
        second
            .value
            .iter()
            .zip(&first.value)
            .map(|(b, a)| b / a)
            .collect(),
        second
            .noise
            .iter()
            .zip(&first.noise)
            .map(|(b, a)| b.hypot(*a))
            .collect(),
    )
}

/// Reads the captures and forms the ratio.
///
/// # Errors
/// [`RatioError`] for a capture that cannot be used.
pub fn ratio(coupon: &Coupon, warnings: &mut Vec<String>) -> Result<Ratio, RatioError> {
    let sweep = Sweep::new(coupon.sweep)?;
    let mut captures = Vec::with_capacity(coupon.captures.len());
    for capture in &coupon.captures {
        captures.push(read(capture, &sweep, warnings)?);
    }
    let frequency_hz = captures
        .first()
        .map(|c| c.frequency_hz.clone())
        .unwrap_or_default();
    let mut ratios: Vec<Channelled> = Vec::new();
    for capture in &captures {
        if let [Some((a, first)), Some((b, second))] = &capture.places {
            let (value, noise) = quotient(second, first);
            ratios.push(((*a, *b), value, noise));
        }
    }
    // One microphone, first here and then there, with a common loop-back.
    let alone = |place: usize| {
        captures
            .iter()
            .filter(move |c| c.places[1 - place].is_none())
            .filter_map(move |c| c.places[place].as_ref())
    };
    let mut moved = false;
    for (a, first) in alone(0) {
        for (b, second) in alone(1) {
            let (value, noise) = quotient(second, first);
            moved |= a == b;
            ratios.push(((*a, *b), value, noise));
        }
    }
    let exchanged = |n: usize| {
        let (a, b) = ratios[n].0;
        ratios.iter().position(|r| r.0 == (b, a))
    };
    // Every ratio that has its counterpart with the microphones exchanged, else those of one moved microphone, else all.
    let paired: Vec<(usize, usize)> = (0..ratios.len())
        .filter(|&n| ratios[n].0.0 < ratios[n].0.1)
        .filter_map(|n| exchanged(n).map(|m| (n, m)))
        .collect();
    let calibrated = !paired.is_empty() || moved;
    let chosen: Vec<Vec<usize>> = if !paired.is_empty() {
        paired.iter().map(|&(n, m)| vec![n, m]).collect()
    } else {
        (0..ratios.len())
            .filter(|&n| !moved || ratios[n].0.0 == ratios[n].0.1)
            .map(|n| vec![n])
            .collect()
    };
    let count = chosen.iter().map(Vec::len).sum::<usize>().max(1) as f64;
    let mut value = Vec::with_capacity(frequency_hz.len());
    let mut noise = Vec::with_capacity(frequency_hz.len());
    for i in 0..frequency_hz.len() {
        let mut sum = Complex64::default();
        let mut variance = 0.0;
        for group in &chosen {
            let mut product = Complex64::new(1.0, 0.0);
            for &n in group {
                product *= ratios[n].1[i];
                variance += ratios[n].2[i].powi(2);
            }
            let mut mean = if group.len() == 2 {
                product.sqrt()
            } else {
                product
            };
            // Of the two roots the one within 90° of the ratio as read: microphones differ by far less.
            if group.len() == 2 && (mean * ratios[group[0]].1[i].conj()).re < 0.0 {
                mean = -mean;
            }
            sum += mean;
        }
        value.push(sum / chosen.len().max(1) as f64);
        noise.push(variance.sqrt() / count);
    }
    Ok(Ratio {
        frequency_hz,
        value,
        noise,
        calibrated,
    })
}
