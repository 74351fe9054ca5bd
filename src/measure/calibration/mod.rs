//! Calibrations of a station from recorded takes: loop-back, impedance jig, microphone.

pub mod jig;
pub mod loopback;
pub mod microphone;
pub mod pair;

use super::MeasureError;

/// A take that cannot calibrate anything.
#[derive(Debug, thiserror::Error)]
pub enum CalibrationError {
    /// The file cannot be measured with.
    #[error(transparent)]
    Measure(#[from] MeasureError),
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
