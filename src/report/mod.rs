//! What people read: charts, the self-contained page, the summary in the terminal and tables as CSV.
//!
//! Nothing here computes acoustics: it shows a [`crate::verify::result::Result`] and the curves behind it.

pub mod csv;
pub mod damping;
#[cfg(test)]
pub(crate) mod example;
pub mod gauge;
pub mod inspection;
pub mod limits;
pub mod number;
mod page;
pub mod pareto;
pub mod plan;
pub mod plot;
pub mod prediction;
pub mod several;
pub mod spread;
pub mod text;
pub mod trend;
pub mod verification;
pub mod words;
pub mod yields;

pub use page::{Certificate, History, certificate, damping_page, history_page, page};
pub use plot::{Chart, chart_to_files};
pub use verification::observation_curves;

use crate::files::FileError;
use crate::verify::result::Result as Outcome;

/// A picture or a file that could not be made.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The picture would be empty or too large.
    #[error(
        "a picture of {width} × {height} pixels cannot be made: each side must be 1 to {largest} pixels"
    )]
    Size {
        /// Wanted width, pixels.
        width: u32,
        /// Wanted height, pixels.
        height: u32,
        /// Largest side, pixels.
        largest: u32,
    },
    /// Drawing or encoding failed.
    #[error("the picture could not be drawn: {cause}")]
    Picture {
        /// Why.
        cause: String,
    },
    /// A file could not be written.
    #[error(transparent)]
    File(#[from] FileError),
}

/// What a curve is a level of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// |Z|: levels are dB re 1 Ω.
    Impedance,
    /// Sound pressure: levels are dB re 20 µPa at the drive voltage, or relative where the level is free.
    Pressure,
}

/// Measured, designed and aligned response of one observation on one frequency axis.
///
/// A list may be empty (there is no such curve) or hold NaN (no value there).
#[derive(Debug, Clone)]
pub struct ObservationCurves {
    /// `impedance` or the probe's name.
    pub label: String,
    /// What the levels are.
    pub quantity: Quantity,
    /// Whether the level is known; `false`: the microphone's gain was fitted and only the shape counts.
    pub absolute: bool,
    /// Frequencies, ascending, Hz.
    pub frequency_hz: Vec<f64>,
    /// Measured level, dB.
    pub measured_db: Vec<f64>,
    /// Measured phase, degrees.
    pub measured_deg: Vec<f64>,
    /// Level of the model as designed, dB.
    pub designed_db: Vec<f64>,
    /// Phase of the model as designed, degrees.
    pub designed_deg: Vec<f64>,
    /// Level of the model after the fit, dB.
    pub aligned_db: Vec<f64>,
    /// Phase of the model after the fit, degrees.
    pub aligned_deg: Vec<f64>,
    /// Expanded uncertainty (k = 2) of the measured level, dB.
    pub uncertainty_db: Vec<f64>,
    /// Where the measurement counts, Hz.
    pub usable_hz: [f64; 2],
    /// Up to where a near-field reading follows its opening, Hz.
    pub near_to_hz: Option<f64>,
}

impl ObservationCurves {
    /// An observation without curves.
    #[must_use]
    pub fn new(label: &str, quantity: Quantity) -> Self {
        Self {
            label: label.to_owned(),
            quantity,
            absolute: true,
            frequency_hz: Vec::new(),
            measured_db: Vec::new(),
            measured_deg: Vec::new(),
            designed_db: Vec::new(),
            designed_deg: Vec::new(),
            aligned_db: Vec::new(),
            aligned_deg: Vec::new(),
            uncertainty_db: Vec::new(),
            usable_hz: [f64::NAN; 2],
            near_to_hz: None,
        }
    }
}

/// A further picture with its heading and a sentence.
#[derive(Debug, Clone)]
pub struct Figure {
    /// What is seen and what follows from it; may be empty.
    pub caption: String,
    /// The picture.
    pub chart: Chart,
}

/// Everything that the page shows.
#[derive(Debug, Clone, Copy)]
pub struct ReportInput<'a> {
    /// The result.
    pub result: &'a Outcome,
    /// Curves by observation.
    pub curves: &'a [ObservationCurves],
    /// Further pictures (distortion, impulse responses).
    pub figures: &'a [Figure],
    /// When the page was made, as it is to be shown; empty: left out.
    pub made: &'a str,
}
