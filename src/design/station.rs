//! `station.toml`: a place where units are measured: its sound card, its calibrations, and how old they are.
//!
//! ```toml
//! format = "bassay-station/1"
//! name = "dome-bench"                # also the station's code in the production log
//!
//! [card]
//! input = "front pair"               # optional: names as `bassay devices` prints them, or a part that only one has
//! output = "front pair"
//! sample_rate_hz = 48000
//! inputs = 2                         # channels opened
//! outputs = 2
//! output_channel = 1
//! reference_channel = 1              # loop-back of the amplifier's voltage
//! microphone_channel = 2
//! source_channel = 1                 # impedance jig
//! load_channel = 2
//! output_v_per_unit = 28.3           # optional: peak volts at the amplifier for a full-scale 1.0
//! reference_v_per_unit = 40.0        # volts at the amplifier for 1.0 on the reference channel
//!
//! [loopback]                         # both inputs on one point
//! taken = 2026-03-01T09:00:00Z
//! serial = "card 0007"
//! valid_days = 180
//! gain_ratio = 1.0021                # microphone or load channel over reference or source channel
//! gain_ratio_sd = 0.0003
//! latency_frames = 1210              # optional, for people: start and end of a take are found, and nothing depends on it
//! latency_sd_frames = 11.5           # its spread from take to take
//! response = "bench-1-loopback.csv"  # optional: that ratio against frequency, over its value here
//! response_digest = "9f3c…"          # BLAKE3 of that file, hex: a file that was edited or exchanged is refused
//!
//! [jig]
//! taken = 2026-03-01T09:30:00Z
//! serial = "jig 2"
//! reference_ohm = 9.987
//! reference_sd_ohm = 0.004
//! lead_ohm = 0.052
//! lead_sd_ohm = 0.002
//! reference_power_w = 5.0            # optional: what the reference resistor bears; no sweep goes beyond it
//! gain_ratio = 1.0021                # load over source; the loop-back's if left out
//! gain_ratio_sd = 0.0002
//! resistors = 4                      # optional: how many known resistors it rests on, a short is one of them
//! chi_squared = 1.3                  # optional: how well they agree, with two degrees of freedom less
//! how = "2 resistors, short, equal-gain take"
//!
//! [microphone]
//! taken = 2026-03-01T09:45:00Z
//! serial = "mic 0412"
//! sensitivity_v_per_pa = 0.01240
//! microphone_v_per_unit = 1.0
//! sd_db = 0.15
//! max_peak_db = 130.0                # optional: highest peak level it bears, dB re 20 µPa; no sweep goes beyond it
//! correction = "mic-0412.txt"        # optional
//! calibrator = { serial = "cal 3", level_db = 94.0, frequency_hz = 1000.0 }    # optional
//!
//! [check]                            # what a station check compares with
//! resistor_ohm = 8.20
//! tolerance = 0.01                   # allowed deviation, as a fraction
//! every_hours = 24
//! ```
//!
//! Each calibration may have `device`, what its takes were recorded from as far as their files say: with it a calibration of the
//! virtual bench is known as one.

use jiff::Timestamp;
use serde::Serialize;
use std::path::PathBuf;

pub use super::station_read::{read, read_text, read_without_table};

/// What the label of the virtual bench begins with.
pub const VIRTUAL_BENCH: &str = "virtual bench";

/// The value of the `format` key.
pub const FORMAT: &str = "bassay-station/1";

/// For how long a calibration holds where the file does not say, days (common practice, no published source).
pub(super) const USUAL_VALID_DAYS: f64 = 365.0;
/// How often a station is checked where the file does not say, hours: once a working day.
pub(super) const USUAL_CHECK_HOURS: f64 = 24.0;
/// Standard deviation of a microphone's calibration where the file does not say, dB: a class 1 calibrator, 0.25 dB
/// as k = 2 (IEC 60942:2017, from memory).
pub(super) const USUAL_MICROPHONE_SD_DB: f64 = 0.125;
/// Relative difference of two gain ratios of one pair of channels above which they contradict each other.
const CONTRADICTS: f64 = 0.01;

/// A station.
#[derive(Debug, Clone, PartialEq)]
pub struct Station {
    /// Its code.
    pub name: String,
    /// The file.
    pub file: PathBuf,
    /// BLAKE3 digest of the file, hex.
    pub digest: String,
    /// Sound card.
    pub card: Card,
    /// Both channels of the card against each other.
    pub loopback: Option<Loopback>,
    /// Impedance jig.
    pub jig: Option<Jig>,
    /// Microphone.
    pub microphone: Option<Microphone>,
    /// What a station check compares with.
    pub check: Option<Check>,
}

/// The sound card and what its channels see. Channels count from 1.
#[derive(Debug, Clone, PartialEq)]
pub struct Card {
    /// Input device.
    pub input: Option<String>,
    /// Output device.
    pub output: Option<String>,
    /// Sample rate, Hz.
    pub sample_rate_hz: u32,
    /// Input channels opened.
    pub inputs: usize,
    /// Output channels opened.
    pub outputs: usize,
    /// Channel that plays.
    pub output_channel: usize,
    /// Loop-back of the amplifier's voltage.
    pub reference_channel: usize,
    /// Microphone.
    pub microphone_channel: usize,
    /// Voltage ahead of the jig's reference resistor.
    pub source_channel: usize,
    /// Voltage across the loudspeaker.
    pub load_channel: usize,
    /// Peak volts at the amplifier for a full-scale output, if known.
    pub output_v_per_unit: Option<f64>,
    /// Volts at the amplifier for 1.0 on the reference channel, if known.
    pub reference_v_per_unit: Option<f64>,
}

impl Default for Card {
    fn default() -> Self {
        Self {
            input: None,
            output: None,
            sample_rate_hz: 48_000,
            inputs: 2,
            outputs: 2,
            output_channel: 1,
            reference_channel: 1,
            microphone_channel: 2,
            source_channel: 1,
            load_channel: 2,
            output_v_per_unit: None,
            reference_v_per_unit: None,
        }
    }
}

/// When something was calibrated, and for how long that holds.
#[derive(Debug, Clone, PartialEq)]
pub struct Stamp {
    /// RFC 3339.
    pub taken: String,
    /// Serial number of what was calibrated.
    pub serial: Option<String>,
    /// How long it holds, days.
    pub valid_days: f64,
    /// What its takes were recorded from, if their files say.
    pub device: Option<String>,
}

/// Whether a device is the virtual bench.
#[must_use]
pub fn is_virtual(device: Option<&str>) -> bool {
    device.is_some_and(|d| d.starts_with(VIRTUAL_BENCH))
}

impl Stamp {
    /// Whether it is a calibration of the virtual bench.
    #[must_use]
    pub fn is_virtual(&self) -> bool {
        is_virtual(self.device.as_deref())
    }

    /// Age at a moment, days; negative if it was made later.
    #[must_use]
    pub fn age_days(&self, at: Timestamp) -> Option<f64> {
        let taken: Timestamp = self.taken.parse().ok()?;
        Some((at.as_second() - taken.as_second()) as f64 / 86_400.0)
    }
}

/// The card's two channels against each other.
#[derive(Debug, Clone, PartialEq)]
pub struct Loopback {
    /// When.
    pub stamp: Stamp,
    /// Microphone or load channel over reference or source channel.
    pub gain_ratio: f64,
    /// Its standard deviation.
    pub gain_ratio_sd: f64,
    /// From played to heard, frames, if it was noted. Nothing depends on it.
    pub latency_frames: Option<u32>,
    /// Its standard deviation from take to take, frames.
    pub latency_sd_frames: Option<f64>,
    /// File with that ratio against frequency (resolved path).
    pub response: Option<PathBuf>,
    /// BLAKE3 digest of that file, hex, if the station file states it.
    pub response_digest: Option<String>,
}

/// The impedance jig.
#[derive(Debug, Clone, PartialEq)]
pub struct Jig {
    /// When.
    pub stamp: Stamp,
    /// Reference resistor, Ω.
    pub reference_ohm: f64,
    /// Its standard deviation, Ω.
    pub reference_sd_ohm: f64,
    /// Power that the reference resistor bears, W, if stated.
    pub reference_power_w: Option<f64>,
    /// Lead resistance, Ω.
    pub lead_ohm: f64,
    /// Its standard deviation, Ω.
    pub lead_sd_ohm: f64,
    /// Load channel's gain over the source channel's; the loop-back's where the jig's own takes did not tell it.
    pub gain_ratio: f64,
    /// Its standard deviation; 0 where it is not known.
    pub gain_ratio_sd: f64,
    /// How many known resistors it rests on, if stated.
    pub resistors: Option<u32>,
    /// Sum of their squared residuals over the variances, if stated.
    pub chi_squared: Option<f64>,
    /// How it was found, in words.
    pub how: Option<String>,
}

/// The microphone with its preamplifier.
#[derive(Debug, Clone, PartialEq)]
pub struct Microphone {
    /// When.
    pub stamp: Stamp,
    /// Sensitivity, V/Pa.
    pub sensitivity_v_per_pa: f64,
    /// Volts for a full-scale 1.0.
    pub microphone_v_per_unit: f64,
    /// Standard deviation of the calibration, dB.
    pub sd_db: f64,
    /// Highest peak level that it bears, dB re 20 µPa, if stated.
    pub max_peak_db: Option<f64>,
    /// Its own response (resolved path).
    pub correction: Option<PathBuf>,
    /// The level calibrator that was used.
    pub calibrator: Option<Calibrator>,
}

/// A level calibrator.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibrator {
    /// Serial number.
    pub serial: Option<String>,
    /// Level, dB re 20 µPa.
    pub level_db: f64,
    /// Frequency, Hz.
    pub frequency_hz: f64,
}

/// What a station check compares with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Check {
    /// Known resistor, Ω.
    pub resistor_ohm: f64,
    /// Allowed deviation, as a fraction.
    pub tolerance: f64,
    /// How often, hours.
    pub every_hours: f64,
}

/// A part of the station that is calibrated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Part {
    /// The card's two channels against each other.
    Loopback,
    /// The impedance jig.
    Jig,
    /// The microphone with its preamplifier.
    Microphone,
}

impl Part {
    /// As a person calls it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Loopback => "loop-back",
            Self::Jig => "impedance jig",
            Self::Microphone => "microphone",
        }
    }

    /// The command that calibrates it.
    #[must_use]
    pub fn command(self) -> &'static str {
        match self {
            Self::Loopback => "loopback",
            Self::Jig => "jig",
            Self::Microphone => "microphone",
        }
    }
}

/// What is doubtful about a station's calibrations.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub enum Doubt {
    /// A part has never been calibrated.
    Missing {
        /// Which.
        part: Part,
    },
    /// A calibration is too old.
    Old {
        /// Which.
        part: Part,
        /// Age, days.
        age_days: f64,
        /// Holds for, days.
        valid_days: f64,
    },
    /// A calibration is younger than the measurement that uses it.
    Later {
        /// Which.
        part: Part,
    },
    /// When something was measured is not stated, so that no age can be told.
    NoTime,
    /// The table of the loop-back has no digest in the station file.
    Unsealed {
        /// Name of the table.
        table: String,
    },
    /// A calibration of the virtual bench, used for what was measured elsewhere.
    Virtual {
        /// Which.
        part: Part,
    },
    /// Two calibrations say different things about one pair of channels.
    Contradicts {
        /// Gain ratio by the loop-back.
        loopback: f64,
        /// Gain ratio by the jig.
        jig: f64,
    },
}

impl std::fmt::Display for Doubt {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Missing { part } => write!(
                f,
                "the station has no calibration of its {}: make one with `bassay station {}`",
                part.word(),
                part.command()
            ),
            Self::Old {
                part,
                age_days,
                valid_days,
            } => write!(
                f,
                "the station's {} was calibrated {age_days:.0} days before and that holds for {valid_days:.0}: do it again with `bassay station {}`",
                part.word(),
                part.command()
            ),
            Self::Later { part } => write!(
                f,
                "the station's {} was calibrated after this was measured: whether it held then cannot be told",
                part.word()
            ),
            Self::NoTime => write!(
                f,
                "when this was captured is not stated, so the age of the station's calibrations cannot be told: write taken = … into captures.toml"
            ),
            Self::Unsealed { table } => write!(
                f,
                "the station file has no digest of its loop-back's table {table}, so that a change of the table is not noticed: do it again with `bassay station loopback`"
            ),
            Self::Virtual { part } => write!(
                f,
                "the station's {} was calibrated on the virtual bench and says nothing of a real one: calibrate with `bassay station {}` from takes of this bench",
                part.word(),
                part.command()
            ),
            Self::Contradicts { loopback, jig } => write!(
                f,
                "the station's loop-back gives a gain ratio of {loopback:.4} and its impedance jig {jig:.4}: repeat both"
            ),
        }
    }
}

impl Doubt {
    /// The part it is about; `None` where it is about two.
    #[must_use]
    pub fn part(&self) -> Option<Part> {
        match self {
            Self::Missing { part }
            | Self::Old { part, .. }
            | Self::Later { part }
            | Self::Virtual { part } => Some(*part),
            Self::Unsealed { .. } => Some(Part::Loopback),
            Self::Contradicts { .. } | Self::NoTime => None,
        }
    }
}

impl Station {
    /// Each part with the stamp of its calibration, if it has one.
    #[must_use]
    pub fn stamps(&self) -> [(Part, Option<&Stamp>); 3] {
        [
            (Part::Loopback, self.loopback.as_ref().map(|l| &l.stamp)),
            (Part::Jig, self.jig.as_ref().map(|j| &j.stamp)),
            (Part::Microphone, self.microphone.as_ref().map(|m| &m.stamp)),
        ]
    }

    /// What is doubtful about its calibrations at a moment.
    #[must_use]
    pub fn doubts(&self, at: Timestamp) -> Vec<Doubt> {
        let mut list: Vec<Doubt> = self
            .stamps()
            .into_iter()
            .filter_map(|(part, stamp)| match stamp {
                None => Some(Doubt::Missing { part }),
                Some(stamp) => match stamp.age_days(at)? {
                    age_days if age_days > stamp.valid_days => Some(Doubt::Old {
                        part,
                        age_days,
                        valid_days: stamp.valid_days,
                    }),
                    age_days if age_days < 0.0 => Some(Doubt::Later { part }),
                    _ => None,
                },
            })
            .collect();
        if let Some(loopback) = &self.loopback
            && let (Some(table), None) = (&loopback.response, &loopback.response_digest)
        {
            list.push(Doubt::Unsealed {
                table: table.display().to_string(),
            });
        }
        if let (Some(loopback), Some(jig)) = (&self.loopback, &self.jig)
            && self.card.source_channel == self.card.reference_channel
            && self.card.load_channel == self.card.microphone_channel
            && (loopback.gain_ratio / jig.gain_ratio - 1.0).abs() > CONTRADICTS
        {
            list.push(Doubt::Contradicts {
                loopback: loopback.gain_ratio,
                jig: jig.gain_ratio,
            });
        }
        list
    }

    /// Parts that were calibrated on the virtual bench.
    #[must_use]
    pub fn virtual_parts(&self) -> Vec<Part> {
        self.stamps()
            .into_iter()
            .filter(|(_, stamp)| stamp.is_some_and(Stamp::is_virtual))
            .map(|(part, _)| part)
            .collect()
    }

    /// Age of the oldest calibration at a moment, days; `None` without any.
    #[must_use]
    pub fn oldest_days(&self, at: Timestamp) -> Option<f64> {
        self.stamps()
            .into_iter()
            .filter_map(|(_, stamp)| stamp?.age_days(at))
            .max_by(f64::total_cmp)
    }
}

#[cfg(test)]
#[path = "station_tests.rs"]
mod tests;
