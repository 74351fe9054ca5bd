//! Calibrations of a station from recorded takes: loop-back, impedance jig, microphone.

pub mod jig;
pub mod loopback;
pub mod microphone;
pub mod pair;

use super::MeasureError;
use crate::signal::deconvolve::DeconvolveError;

/// A take that cannot calibrate anything.
#[derive(Debug, thiserror::Error)]
pub enum CalibrationError {
    /// The file cannot be measured with.
    #[error(transparent)]
    Measure(MeasureError),
    /// Samples at a channel's ceiling.
    #[error(
        "{file}: channel {channel} is clipped ({samples} samples at its ceiling): lower its gain and record again"
    )]
    Clipped {
        /// File.
        file: String,
        /// Channel, from 1.
        channel: usize,
        /// Samples.
        samples: usize,
    },
    /// The take cannot be used, in words with the remedy.
    #[error("{file}: {why}")]
    Unfit {
        /// File.
        file: String,
        /// What was found, what was expected, what to do.
        why: String,
    },
    /// Members of a set say different things.
    #[error(
        "the takes contradict each other (chi-squared {chi_squared:.1} with {freedom} degrees of freedom, chance {chance:.1e}): {who}; nothing was written"
    )]
    Contradiction {
        /// Sum of squared residuals over their variances.
        chi_squared: f64,
        /// Degrees of freedom.
        freedom: usize,
        /// Probability of as much or more by chance.
        chance: f64,
        /// Which member, as far as it can be told.
        who: String,
    },
    /// A set from which nothing follows.
    #[error("{0}")]
    Set(String),
}

/// What a person gave here is a WAV file, a station file and the sweep's options, so that the message speaks of those.
impl From<MeasureError> for CalibrationError {
    fn from(error: MeasureError) -> Self {
        match error {
            MeasureError::NoChannel {
                file,
                channel,
                channels,
            } => Self::Unfit {
                file,
                why: format!(
                    "has {channels} channels, and channel {channel} is asked for; correct the channels in [card] of the station file, or record all of them"
                ),
            },
            MeasureError::Deconvolve { file, cause } => Self::Unfit {
                file,
                why: without_sweep(&cause),
            },
            other => Self::Measure(other),
        }
    }
}

/// Why the sweep of the options is not in a recording.
fn without_sweep(cause: &DeconvolveError) -> String {
    match cause {
        DeconvolveError::Short { have_s, need_s } => format!(
            "lasts {have_s:.2} s and the sweep {need_s:.2} s; expected the whole sweep: record again, or give --duration-s as it was played"
        ),
        DeconvolveError::Duration {
            recorded_s,
            stated_s,
        } => format!(
            "the recorded sweep lasts {recorded_s:.4} s and --duration-s says {stated_s:.4} s; clocks differ by less: give --duration-s as it was played, or correct the sample rates"
        ),
        DeconvolveError::NoSweep {
            start_hz,
            stop_hz,
            duration_s,
            hint,
        } => format!(
            "no sweep from {start_hz} to {stop_hz} Hz in {duration_s} s was found in the recording{hint}; give --start-hz, --stop-hz and --duration-s as it was played, and look at the channels in [card] of the station file"
        ),
    }
}
