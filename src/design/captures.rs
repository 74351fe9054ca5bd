//! The captures of one unit: which WAV files were recorded and what each channel saw (`captures.toml`).

use super::station::{Doubt, Part, Station, VIRTUAL_BENCH, is_virtual};
use super::{AirConditions, Spread};
use jiff::Timestamp;
use std::path::PathBuf;

/// One measured unit as read from `captures.toml`.
#[derive(Debug, Clone, PartialEq)]
pub struct CaptureSet {
    /// Serial number.
    pub unit: String,
    /// The design file, resolved against the folder of `captures.toml`.
    pub design: PathBuf,
    /// When taken (RFC 3339 text), if stated.
    pub taken: Option<String>,
    /// What made captures that no real unit did, as the file states it.
    pub rehearsed: Option<String>,
    /// Temperature, °C, if stated; replaces the design's.
    pub temperature_c: Option<f64>,
    /// Static pressure, kPa, if stated.
    pub pressure_kpa: Option<f64>,
    /// Relative humidity, percent, if stated.
    pub humidity_pct: Option<f64>,
    /// The sweep as played; present whenever there is a WAV capture.
    pub sweep: Option<SweepPlan>,
    /// WAV captures.
    pub captures: Vec<Capture>,
    /// Values measured on this unit: prior centre and spread.
    pub built: Vec<Built>,
    /// Responses measured elsewhere.
    pub curves: Vec<CurveFile>,
    /// Where it was measured, if the file names a station.
    pub station: Option<Station>,
    /// The captures file itself.
    pub file: PathBuf,
    /// BLAKE3 digest (hex) of the captures file's bytes.
    pub digest: String,
}

impl CaptureSet {
    /// What made the captures, where no real unit did: a rehearsal, or the virtual bench.
    #[must_use]
    pub fn unreal(&self) -> Option<&str> {
        let recorded = self.captures.iter().filter_map(|c| c.recorded.as_ref());
        let mut devices = recorded.map(|r| r.device.as_str());
        let bench = devices.find(|d| d.starts_with(VIRTUAL_BENCH));
        self.rehearsed.as_deref().or(bench)
    }

    /// The air during the captures: the stated values, the design's where none is stated.
    #[must_use]
    pub fn air(&self, design: AirConditions) -> AirConditions {
        AirConditions {
            temperature_c: self.temperature_c.unwrap_or(design.temperature_c),
            pressure_kpa: self.pressure_kpa.unwrap_or(design.pressure_kpa),
            humidity_pct: self.humidity_pct.unwrap_or(design.humidity_pct),
        }
    }

    /// What is doubtful about the station's calibrations, of the parts that the captures use, each judged at the time of
    /// the capture; every doubt once. Empty where no station is named.
    #[must_use]
    pub fn doubts(&self) -> Vec<Doubt> {
        let Some(station) = &self.station else {
            return Vec::new();
        };
        let mut list: Vec<Doubt> = Vec::new();
        for capture in &self.captures {
            let foreign = match capture.kind {
                CaptureKind::Impedance { .. } => Part::Microphone,
                CaptureKind::Pressure { .. } => Part::Jig,
            };
            let own = capture.recorded.as_ref().map(|r| r.at.as_str());
            let at: Option<Timestamp> = own.or(self.taken.as_deref()).and_then(|t| t.parse().ok());
            // What was never calibrated is so at any time.
            let found = match at {
                Some(at) => station.doubts(at),
                None => station
                    .doubts(Timestamp::UNIX_EPOCH)
                    .into_iter()
                    .filter(|d| {
                        matches!(
                            d,
                            Doubt::Missing { .. }
                                | Doubt::Contradicts { .. }
                                | Doubt::Unsealed { .. }
                        )
                    })
                    .chain([Doubt::NoTime])
                    .collect(),
            };
            let device = capture.recorded.as_ref().map(|r| r.device.as_str());
            let parts = if is_virtual(device) {
                Vec::new()
            } else {
                station.virtual_parts()
            };
            let unreal = parts.into_iter().map(|part| Doubt::Virtual { part });
            for doubt in found
                .into_iter()
                .chain(unreal)
                .filter(|d| d.part() != Some(foreign))
            {
                let told = list.iter().any(|d| {
                    std::mem::discriminant(d) == std::mem::discriminant(&doubt)
                        && d.part() == doubt.part()
                });
                if !told {
                    list.push(doubt);
                }
            }
        }
        list
    }
}

/// A logarithmic sweep as played.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SweepPlan {
    /// Start frequency, Hz.
    pub start_hz: f64,
    /// Stop frequency, Hz.
    pub stop_hz: f64,
    /// Duration, s.
    pub duration_s: f64,
    /// Sample rate, Hz.
    pub sample_rate_hz: u32,
    /// Peak level, dB re full scale (≤ 0).
    pub level_dbfs: f64,
    /// Raised-cosine fade at the start, s.
    pub fade_in_s: f64,
    /// Raised-cosine fade at the end, s.
    pub fade_out_s: f64,
    /// Silence ahead, s.
    pub silence_before_s: f64,
    /// Silence behind, s.
    pub silence_after_s: f64,
    /// Phase-synchronous form (Novak et al. 2015).
    pub synchronized: bool,
}

impl Default for SweepPlan {
    fn default() -> Self {
        Self {
            start_hz: 5.0,
            stop_hz: 500.0,
            duration_s: 8.0,
            sample_rate_hz: 48_000,
            level_dbfs: -6.0,
            fade_in_s: 0.1,
            fade_out_s: 0.02,
            silence_before_s: 0.5,
            silence_after_s: 2.0,
            synchronized: true,
        }
    }
}

/// One WAV capture.
#[derive(Debug, Clone, PartialEq)]
pub struct Capture {
    /// Path as written in the file (for reports).
    pub file: String,
    /// Path resolved against the folder of `captures.toml`.
    pub path: PathBuf,
    /// What the channels saw.
    pub kind: CaptureKind,
    /// RMS voltage during this capture, V, where no channel tells it.
    pub drive_v: Option<f64>,
    /// Corner of a first-order high-pass in the recorder, Hz.
    pub ac_coupling_hz: Option<f64>,
    /// More takes of the same thing: (as written, resolved).
    pub repeats: Vec<(String, PathBuf)>,
    /// How closely the station's calibrations hold that this capture uses.
    pub calibration: CaptureCalibration,
    /// Which sweep of a file that holds several, from 1.
    pub take: Option<usize>,
    /// How it was recorded, where this program did it.
    pub recorded: Option<Recorded>,
}

/// Standard deviations of what a capture takes from its station; `None` where it states the value itself or the station
/// does not know.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct CaptureCalibration {
    /// Of the reference resistor, as a fraction.
    pub reference_relative: Option<f64>,
    /// Of the ratio of gains, as a fraction.
    pub gain_relative: Option<f64>,
    /// Of the lead resistance, Ω.
    pub lead_sd_ohm: Option<f64>,
    /// Of the microphone's sensitivity, dB.
    pub microphone_sd_db: Option<f64>,
}

/// How a capture was recorded. The device's channels are given in the order of the file's.
#[derive(Debug, Clone, PartialEq)]
pub struct Recorded {
    /// When, RFC 3339.
    pub at: String,
    /// Sound card.
    pub device: String,
    /// Sample rate, Hz.
    pub sample_rate_hz: u32,
    /// Peak level of the sweep as played, dB re full scale.
    pub level_dbfs: f64,
    /// Channel of the device that played.
    pub output_channel: usize,
    /// Channels of the device that the file's channels come from.
    pub input_channels: Vec<usize>,
    /// BLAKE3 digest of the station file, hex, if there was one.
    pub station: Option<String>,
    /// Program and version.
    pub software: String,
}

/// What a capture's channels saw. Channels count from 1.
#[derive(Debug, Clone, PartialEq)]
pub enum CaptureKind {
    /// Two-channel impedance jig.
    Impedance {
        /// Voltage ahead of the reference resistor.
        source_channel: usize,
        /// Voltage across the loudspeaker.
        load_channel: usize,
        /// Reference resistor, Ω.
        reference_ohm: f64,
        /// Lead resistance, subtracted from Z, Ω.
        lead_ohm: f64,
        /// Load channel's gain over the source channel's.
        gain_ratio: f64,
    },
    /// Microphone at a probe.
    Pressure {
        /// Probe name of the design.
        probe: String,
        /// Loop-back of the drive voltage; `None`: the sweep itself is the reference.
        reference_channel: Option<usize>,
        /// Microphone.
        microphone_channel: usize,
        /// How the microphone channel is scaled to Pa.
        scale: MicrophoneScale,
        /// Volts at the terminals for a full-scale 1.0 on the reference channel.
        reference_v_per_unit: f64,
        /// Correction file of the microphone (resolved path).
        correction: Option<PathBuf>,
    },
}

/// How a microphone channel is scaled to Pa.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum MicrophoneScale {
    /// `sensitivity_v_per_pa` and `microphone_v_per_unit`.
    Sensitivity {
        /// V/Pa.
        sensitivity_v_per_pa: f64,
        /// Volts for a full-scale 1.0.
        microphone_v_per_unit: f64,
    },
    /// Level of a full-scale sine (peak 1.0), dB re 20 µPa RMS.
    FullScale {
        /// dB.
        full_scale_db: f64,
    },
    /// Not known: level is a free gain.
    Unknown,
}

impl MicrophoneScale {
    /// Pascal for a sample value of 1.0, `None` if unknown.
    #[must_use]
    pub fn pa_per_unit(self) -> Option<f64> {
        match self {
            Self::Sensitivity {
                sensitivity_v_per_pa,
                microphone_v_per_unit,
            } => Some(microphone_v_per_unit / sensitivity_v_per_pa),
            Self::FullScale { full_scale_db } => {
                Some(20e-6 * 10f64.powf(full_scale_db / 20.0) * std::f64::consts::SQRT_2)
            }
            Self::Unknown => None,
        }
    }
}

/// `[built]`: a value measured on this unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Built {
    /// Parameter path (no `*`).
    pub path: String,
    /// Value, SI.
    pub value: f64,
    /// Standard deviation, SI (absolute).
    pub spread: Spread,
}

/// `[[curve]]`: a response measured elsewhere.
#[derive(Debug, Clone, PartialEq)]
pub struct CurveFile {
    /// Path as written.
    pub file: String,
    /// Resolved path.
    pub path: PathBuf,
    /// `None`: impedance in Ω; `Some(probe)`: pressure at a probe.
    pub probe: Option<String>,
    /// RMS voltage at which a pressure curve was taken, if stated (`drive_v`).
    pub drive_v: Option<f64>,
}
