//! From a capture set to measured responses: reads the WAV files, deconvolves them and says what it found.
//!
//! Every response is given on one logarithmic grid, `1000·2^(n/48)` Hz, with its own noise.

pub mod calibration;
pub mod channels;
pub mod correction;
pub mod curve;
pub mod repeats;
mod scaled;
pub mod take;
pub mod warning_text;

pub use take::{MeasureError, load};

use crate::signal::grid;
use num_complex::Complex64;
use serde::{Deserialize, Serialize};

/// What was measured.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub enum Observation {
    /// Driving-point impedance at the driver's terminals, Ω.
    Impedance,
    /// Pressure at a probe over amplifier voltage, Pa/V (or an unknown constant times it).
    Pressure {
        /// The probe's name.
        probe: String,
    },
}

impl Observation {
    /// `impedance` or the probe's name.
    #[must_use]
    pub fn label(&self) -> &str {
        match self {
            Self::Impedance => "impedance",
            Self::Pressure { probe } => probe,
        }
    }
}

/// One measured response.
#[derive(Debug, Clone)]
pub struct Response {
    /// What was measured.
    pub observation: Observation,
    /// Grid frequencies inside the swept band, ascending, Hz: `1000·2^(n/48)`.
    pub frequency_hz: Vec<f64>,
    /// Ω, or Pa/V, or arbitrary unit (see `absolute`).
    pub value: Vec<Complex64>,
    /// √E|error|² of `value` from noise, same unit.
    pub noise_rms: Vec<f64>,
    /// Standard deviation of the calibration's relative error (reference resistor, level), smooth in frequency.
    pub calibration_relative: f64,
    /// Frequency resolution of the window that cut the impulse response, Hz: neighbours that lie closer share
    /// their noise.
    pub resolution_hz: f64,
    /// Whether the level counts; `false`: it is a free gain.
    pub absolute: bool,
    /// Whether time zero is known (a reference channel); `false`: the delay is free.
    pub timed: bool,
    /// Whether the phase was measured; `false`: only the magnitude counts.
    pub has_phase: bool,
    /// RMS voltage at the amplifier during the capture, V, where it is known.
    pub drive_v: Option<f64>,
    /// Resistance between that voltage and the terminals where it is not the design's: the jig's reference and leads, Ω.
    pub ahead_ohm: Option<f64>,
    /// What was found about the take.
    pub take: Take,
    /// Harmonics 2 to 5, as far as the sample rate allows; empty for curves.
    pub harmonics: Vec<Harmonic>,
    /// Impulse response (band-limited), empty for curves.
    pub impulse: Impulse,
}

/// A band-limited impulse response.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Impulse {
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// Index of time zero.
    pub zero: usize,
    /// Samples.
    pub sample: Vec<f64>,
}

/// One harmonic of the sweep against the fundamental's frequency.
#[derive(Debug, Clone, Serialize)]
pub struct Harmonic {
    /// Order, 2 to 5.
    pub order: usize,
    /// Frequency of the fundamental, Hz.
    pub frequency_hz: Vec<f64>,
    /// Level over the fundamental's at the same excitation frequency, dB.
    pub level_db: Vec<f64>,
    /// Noise floor on the same scale, dB.
    pub floor_db: Vec<f64>,
}

/// What was found about one take.
#[derive(Debug, Clone, Serialize)]
pub struct Take {
    /// File as written in `captures.toml`.
    pub file: String,
    /// BLAKE3 digest (hex) of the file.
    pub digest: String,
    /// Sample rate, Hz; 0 for a curve.
    pub sample_rate_hz: u32,
    /// Linear response over noise floor, one-third octaves, median over the usable band, dB.
    pub snr_db: f64,
    /// SNR per one-third octave: (exact midband Hz, dB).
    pub snr_bands: Vec<(f64, f64)>,
    /// Whether any used channel was clipped.
    pub clipped: bool,
    /// Recorder's clock against the player's, positive where the recorder is fast, ppm.
    pub drift_ppm: f64,
    /// Standard deviation of `drift_ppm`; `None` where it cannot be told.
    pub drift_sd_ppm: Option<f64>,
    /// +1 or −1.
    pub polarity: i8,
    /// Where the SNR exceeds 20 dB in every one-third octave, Hz.
    pub usable_hz: [f64; 2],
    /// Start of the sweep in the file, s.
    pub start_s: f64,
    /// The silence from which its noise was read; `None` for a curve.
    pub silence: Option<Silence>,
    /// All takes that were averaged or dropped; empty where there was one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub repeats: Vec<Repeat>,
    /// Doubtful but usable.
    pub warnings: Vec<TakeWarning>,
}

/// A silence from which the noise of a take was read.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Silence {
    /// Its start in the file, s.
    pub from_s: f64,
    /// Its end in the file, s.
    pub to_s: f64,
    /// How much of the silence was left out, because it held more than noise, s.
    pub left_out_s: f64,
}

/// One of several takes of the same thing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Repeat {
    /// File as written in `captures.toml`.
    pub file: String,
    /// BLAKE3 digest (hex) of the file.
    pub digest: String,
    /// Start of the sweep in the file, s.
    pub start_s: f64,
    /// Whether it counts.
    pub used: bool,
}

/// A doubtful but usable take. Rendered in one place, with the remedy.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub enum TakeWarning {
    /// Samples at full scale: channel and how many.
    Clipped {
        /// Channel, from 1.
        channel: usize,
        /// Number of samples.
        samples: usize,
    },
    /// Mains hum above the noise around it.
    Hum {
        /// Frequency, Hz.
        frequency_hz: f64,
        /// Level over its surroundings, dB.
        over_db: f64,
    },
    /// The capture is inverted.
    Inverted,
    /// Clock drift was corrected.
    DriftCorrected {
        /// ppm.
        ppm: f64,
    },
    /// Little signal over noise: band edges in which it is usable are narrower than the sweep.
    Noisy {
        /// Usable from, Hz.
        low_hz: f64,
        /// Usable to, Hz.
        high_hz: f64,
    },
    /// A stretch of the recording jumped in phase: lost or repeated samples.
    LostSamples {
        /// Time in the file, s.
        at_s: f64,
        /// Estimated samples (negative: repeated).
        samples: i64,
    },
    /// The file ends before the response has decayed.
    ShortTail {
        /// Available, s.
        tail_s: f64,
    },
    /// A repeat differs from the others and was left out.
    RepeatDropped {
        /// Its file.
        file: String,
        /// Start of its sweep in the file, s.
        start_s: f64,
        /// Band where it differs most, Hz.
        center_hz: f64,
        /// By how much, dB.
        difference_db: f64,
    },
    /// Repeats differ by more than their noise, and it cannot be told which is wrong.
    RepeatsDisagree {
        /// Band where they differ most, Hz.
        center_hz: f64,
        /// By how much, dB.
        difference_db: f64,
    },
}

impl Response {
    /// A response that no file holds: calibrated, with time zero and phase, usable all over.
    #[must_use]
    pub fn made(
        observation: Observation,
        frequency_hz: &[f64],
        value: Vec<Complex64>,
        noise_over_value: f64,
    ) -> Self {
        let ends = [frequency_hz.first(), frequency_hz.last()].map(|f| f.copied().unwrap_or(1.0));
        Self {
            observation,
            frequency_hz: frequency_hz.to_vec(),
            noise_rms: value.iter().map(|v| v.norm() * noise_over_value).collect(),
            value,
            calibration_relative: take::CALIBRATOR,
            resolution_hz: 0.01,
            absolute: true,
            timed: true,
            has_phase: true,
            drive_v: None,
            ahead_ohm: None,
            take: Take {
                file: "made".to_string(),
                digest: String::new(),
                sample_rate_hz: 0,
                snr_db: -20.0 * noise_over_value.log10(),
                snr_bands: Vec::new(),
                clipped: false,
                drift_ppm: 0.0,
                drift_sd_ppm: None,
                polarity: 1,
                usable_hz: ends,
                start_s: 0.0,
                silence: None,
                repeats: Vec::new(),
                warnings: Vec::new(),
            },
            harmonics: Vec::new(),
            impulse: Impulse::default(),
        }
    }

    /// Bins of the grid for a band, for callers that build their own response.
    #[must_use]
    pub fn grid(low_hz: f64, high_hz: f64) -> Vec<f64> {
        grid::log_grid(low_hz, high_hz, 48)
    }
}
