//! The takes of a capture set: reads each file, finds the sweeps in it, deconvolves and scales them.
//!
//! Each take gives Pa per volt or Ω; takes of one thing are averaged.

use super::channels::{self, Channels};
use super::correction::Correction;
use super::{Response, curve, repeats, scaled};
use crate::design::captures::{Capture, CaptureSet};
use crate::signal::deconvolve::{DeconvolveError, takes};
use crate::signal::sweep::{Sweep, SweepError};
use crate::signal::wav::WavError;
use rayon::prelude::*;

/// Harmonics up to this order are kept as far as the rate allows.
const ORDERS: f64 = 5.0;
/// Relative standard uncertainty of a level that a class 1 calibrator sets: 0.25 dB as k = 2 (IEC 60942:2017, from
/// memory).
pub const CALIBRATOR: f64 = 0.0145;
/// A capture that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum MeasureError {
    /// The file cannot be opened.
    #[error("{file}: cannot be read: {cause}")]
    Open {
        /// File as written.
        file: String,
        /// Why.
        cause: String,
    },
    /// The file is not what it should be.
    #[error("{file}: {cause}")]
    Wav {
        /// File as written.
        file: String,
        /// What is wrong.
        cause: WavError,
    },
    /// A channel number is too high.
    #[error(
        "{file}: channel {channel} is asked for and the file has {channels}; correct the channel number in captures.toml"
    )]
    NoChannel {
        /// File as written.
        file: String,
        /// Asked for, from 1.
        channel: usize,
        /// There.
        channels: usize,
    },
    /// A channel is silent.
    #[error(
        "{file}: channel {channel} ({role}) is dead: its loudest sample is {peak_dbfs:.0} dB below full scale; check cable, phantom supply and channel number, and record again"
    )]
    Dead {
        /// File as written.
        file: String,
        /// Channel, from 1.
        channel: usize,
        /// What it should hold.
        role: &'static str,
        /// Level of the loudest sample below full scale, dB.
        peak_dbfs: f64,
    },
    /// Two channels are swapped.
    #[error(
        "{file}: channels {first} and {second} look swapped ({why}); exchange {keys} in captures.toml"
    )]
    Swapped {
        /// File as written.
        file: String,
        /// Channel, from 1.
        first: usize,
        /// Channel, from 1.
        second: usize,
        /// What shows it.
        why: &'static str,
        /// Keys to exchange.
        keys: &'static str,
    },
    /// The sweep cannot be evaluated.
    #[error("[sweep] {0}")]
    Sweep(#[from] SweepError),
    /// There are WAV captures and no sweep.
    #[error("[sweep] is missing; expected the sweep as it was played")]
    NoSweep,
    /// The sweep is not in the file.
    #[error("{file}: {cause}")]
    Deconvolve {
        /// File as written.
        file: String,
        /// Why.
        cause: DeconvolveError,
    },
    /// A file holds several sweeps, and several captures name it.
    #[error(
        "{file}: holds {} sweeps (at {}), and several captures name it; write take = 1 to {} beside each",
        starts.len(), starts.join(", "), starts.len()
    )]
    SeveralTakes {
        /// File as written.
        file: String,
        /// Where they begin, as a person reads it.
        starts: Vec<String>,
    },
    /// A file holds fewer sweeps than asked for.
    #[error(
        "{file}: take = {take} is asked for and the file holds {count} sweeps ({}); correct take",
        starts.join(", ")
    )]
    NoTake {
        /// File as written.
        file: String,
        /// Asked for, from 1.
        take: usize,
        /// There.
        count: usize,
        /// Where they begin.
        starts: Vec<String>,
    },
    /// A curve or correction file is wrong.
    #[error("{file}: {cause}")]
    Curve {
        /// File as written.
        file: String,
        /// What is wrong.
        cause: String,
    },
}

/// Reads and deconvolves every capture and curve of a set, in file order.
///
/// A file that only one capture names and that holds several sweeps holds repeats. Repeats are averaged ([`super::repeats`]).
///
/// # Errors
/// [`MeasureError`] of the first file that cannot be used.
pub fn load(
    set: &CaptureSet,
    progress: &mut dyn FnMut(&str),
) -> Result<Vec<Response>, MeasureError> {
    let sweep = set.sweep.map(Sweep::new).transpose()?;
    for c in &set.captures {
        progress(&format!("reading {}", c.file));
    }
    let card = card_response(set)?;
    let mut list: Vec<Response> = set
        .captures
        .par_iter()
        .map(|c| {
            let shared = set.captures.iter().filter(|o| o.path == c.path).count() > 1;
            capture(
                c,
                &sweep.ok_or(MeasureError::NoSweep)?,
                card.as_ref(),
                shared,
            )
        })
        .collect::<Result<_, _>>()?;
    for c in &set.curves {
        progress(&format!("reading {}", c.file));
        list.push(curve::to_response(c)?);
    }
    Ok(list)
}

/// The card's second channel over its first, by the station's loop-back.
fn card_response(set: &CaptureSet) -> Result<Option<Correction>, MeasureError> {
    let path = set
        .station
        .as_ref()
        .and_then(|s| s.loopback.as_ref()?.response.as_ref());
    path.map(|path| scaled::correction(path)).transpose()
}

fn capture(
    capture: &Capture,
    sweep: &Sweep,
    card: Option<&Correction>,
    shared: bool,
) -> Result<Response, MeasureError> {
    let wanted = scaled::channels_of(&capture.kind);
    let highest = sweep.plan().stop_hz * ORDERS;
    let mut list = Vec::new();
    let first = (capture.file.clone(), capture.path.clone());
    for (file, path) in std::iter::once(&first).chain(&capture.repeats) {
        let data = channels::read(path, file, &wanted, highest)?;
        let one = Capture {
            file: file.clone(),
            path: path.clone(),
            ..capture.clone()
        };
        for (part, offset_s) in parts(&one, data, sweep, shared)? {
            let mut response = scaled::response_of(&one, &part, sweep, card)?;
            response.take.start_s += offset_s;
            if let Some(silence) = &mut response.take.silence {
                silence.from_s += offset_s;
                silence.to_s += offset_s;
            }
            list.push(response);
        }
    }
    Ok(repeats::average(list))
}

/// The takes of a file that count for this capture, each with the time at which its part of the file begins, s.
fn parts(
    capture: &Capture,
    data: Channels,
    sweep: &Sweep,
    shared: bool,
) -> Result<Vec<(Channels, f64)>, MeasureError> {
    let duration_s = sweep.plan().duration_s;
    let length_s = data.sample[0].len() as f64 / data.rate_hz;
    if length_s < 1.9 * duration_s && capture.take.is_none_or(|take| take == 1) {
        return Ok(vec![(data, 0.0)]);
    }
    // The loop-back shows a sweep best; without one the microphone must do.
    let guide = data.sample.last().unwrap_or(&data.sample[0]);
    let starts = takes(guide, data.rate_hz, sweep);
    let file = capture.file.clone();
    let told = || starts.iter().map(|s| clock_time(*s)).collect();
    if let Some(take) = capture.take
        && take > starts.len()
    {
        return Err(MeasureError::NoTake {
            file,
            take,
            count: starts.len(),
            starts: told(),
        });
    }
    // One or none: the deconvolution says what it finds, or that it finds nothing.
    if starts.len() < 2 {
        return Ok(vec![(data, 0.0)]);
    }
    if shared && capture.take.is_none() {
        return Err(MeasureError::SeveralTakes {
            file,
            starts: told(),
        });
    }
    let wanted = match capture.take {
        Some(take) => take - 1..take,
        None => 0..starts.len(),
    };
    Ok(wanted
        .map(|n| {
            // Half of the pause belongs to each of its neighbours.
            let middle = |a: f64, b: f64| 0.5 * (a + duration_s + b);
            let from = n
                .checked_sub(1)
                .map_or(0.0, |before| middle(starts[before], starts[n]));
            let to = starts
                .get(n + 1)
                .map_or(length_s, |after| middle(starts[n], *after));
            (data.part(from, to), from)
        })
        .collect())
}

/// `1:05.3`: minutes and seconds in a file.
#[must_use]
pub fn clock_time(s: f64) -> String {
    let minutes = (s / 60.0).floor();
    format!("{minutes:.0}:{:04.1}", s - 60.0 * minutes)
}
