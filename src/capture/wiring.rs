//! Which channel sees what, and how it is scaled: from a station file, from options, or from the virtual bench.

use super::guide::What;
use crate::design::captures::{CaptureKind, MicrophoneScale};
use crate::design::station::{Card, Station};
use std::path::PathBuf;

/// The bench as it is wired and calibrated.
#[derive(Debug, Clone, PartialEq)]
pub struct Wiring {
    /// Devices, rate and channels.
    pub card: Card,
    /// Reference resistor of the jig, Ω, if known.
    pub reference_ohm: Option<f64>,
    /// Power that it bears, W, if stated.
    pub reference_power_w: Option<f64>,
    /// Lead resistance, Ω.
    pub lead_ohm: f64,
    /// Load channel's gain over the source channel's.
    pub gain_ratio: f64,
    /// How the microphone channel is scaled.
    pub scale: MicrophoneScale,
    /// Highest peak level that the microphone bears, dB re 20 µPa, if stated.
    pub microphone_peak_db: Option<f64>,
    /// The microphone's own response.
    pub correction: Option<PathBuf>,
}

impl Wiring {
    /// As a station file says.
    #[must_use]
    pub fn of(station: &Station) -> Self {
        let jig = station.jig.as_ref();
        let microphone = station.microphone.as_ref();
        Self {
            card: station.card.clone(),
            reference_ohm: jig.map(|j| j.reference_ohm),
            reference_power_w: jig.and_then(|j| j.reference_power_w),
            lead_ohm: jig.map_or(0.0, |j| j.lead_ohm.max(0.0)),
            gain_ratio: jig.map_or(1.0, |j| j.gain_ratio),
            scale: microphone.map_or(MicrophoneScale::Unknown, |m| MicrophoneScale::Sensitivity {
                sensitivity_v_per_pa: m.sensitivity_v_per_pa,
                microphone_v_per_unit: m.microphone_v_per_unit,
            }),
            microphone_peak_db: microphone.and_then(|m| m.max_peak_db),
            correction: microphone.and_then(|m| m.correction.clone()),
        }
    }

    /// Nothing known but the usual channels.
    #[must_use]
    pub fn bare() -> Self {
        Self {
            card: Card::default(),
            reference_ohm: None,
            reference_power_w: None,
            lead_ohm: 0.0,
            gain_ratio: 1.0,
            scale: MicrophoneScale::Unknown,
            microphone_peak_db: None,
            correction: None,
        }
    }

    /// The device's channels that a capture keeps, in the order of its file: the voltage first, what answers it second.
    #[must_use]
    pub fn keep(&self, what: &What) -> [usize; 2] {
        match what {
            What::Impedance => [self.card.source_channel, self.card.load_channel],
            What::Probe(_) => [self.card.reference_channel, self.card.microphone_channel],
        }
    }

    /// Names of those channels.
    #[must_use]
    pub fn names(what: &What) -> [&'static str; 2] {
        match what {
            What::Impedance => ["source", "load"],
            What::Probe(_) => ["reference", "microphone"],
        }
    }

    /// What `captures.toml` says of a capture's file; `None` for an impedance whose reference resistor nobody stated.
    #[must_use]
    pub fn kind(&self, what: &What) -> Option<CaptureKind> {
        Some(match what {
            What::Impedance => CaptureKind::Impedance {
                source_channel: 1,
                load_channel: 2,
                reference_ohm: self.reference_ohm?,
                lead_ohm: self.lead_ohm,
                gain_ratio: self.gain_ratio,
            },
            What::Probe(probe) => CaptureKind::Pressure {
                probe: probe.clone(),
                reference_channel: Some(1),
                microphone_channel: 2,
                scale: self.scale,
                reference_v_per_unit: self.card.reference_v_per_unit.unwrap_or(1.0),
                correction: self.correction.clone(),
            },
        })
    }

    /// RMS volts at the amplifier for a sine whose peak is 1.0 at the output, if known.
    #[must_use]
    pub fn volts_rms(&self, level_dbfs: f64) -> Option<f64> {
        self.card
            .output_v_per_unit
            .map(|v| v * 10f64.powf(level_dbfs / 20.0) / std::f64::consts::SQRT_2)
    }
}
