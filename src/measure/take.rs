//! The takes of a capture set: reads each file, deconvolves it and scales it.
//!
//! Pressure: H = microphone/reference, Pa per volt with both scales known; without a reference channel per unit of
//! the sweep, and per volt where `drive_v` tells the RMS voltage that stands for the sweep's peak, √2·drive_v.
//! Impedance: see [`crate::signal::impedance`]. A recorder's high-pass cancels between two channels of one file and
//! is divided out only where the sweep itself is the reference.

use super::channels::{self, Channels};
use super::correction::Correction;
use super::{Harmonic, Impulse, Observation, Response, Take, TakeWarning, curve};
use crate::design::captures::{Capture, CaptureKind, CaptureSet};
use crate::signal::deconvolve::{self, DeconvolveError, Deconvolved, deconvolve};
use crate::signal::impedance::impedance;
use crate::signal::sweep::{Sweep, SweepError};
use crate::signal::wav::WavError;
use num_complex::Complex64;
use rayon::prelude::*;

/// Harmonics up to this order are kept as far as the rate allows.
const ORDERS: f64 = 5.0;
/// Relative standard uncertainty of a level that a class 1 calibrator sets: 0.25 dB as k = 2 (IEC 60942:2017, from
/// memory).
pub const CALIBRATOR: f64 = 0.0145;
/// Least silence behind the sweep, s.
const LEAST_TAIL_S: f64 = 0.5;

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
    let mut list: Vec<Response> = set
        .captures
        .par_iter()
        .map(|c| capture(c, &sweep.ok_or(MeasureError::NoSweep)?))
        .collect::<Result<_, _>>()?;
    for c in &set.curves {
        progress(&format!("reading {}", c.file));
        list.push(curve::to_response(c)?);
    }
    Ok(list)
}

fn capture(capture: &Capture, sweep: &Sweep) -> Result<Response, MeasureError> {
    let highest = sweep.plan().stop_hz * ORDERS;
    match &capture.kind {
        CaptureKind::Impedance {
            source_channel,
            load_channel,
            reference_ohm,
            lead_ohm,
            gain_ratio,
        } => {
            let wanted = [*source_channel, *load_channel];
            let data = channels::read(&capture.path, &capture.file, &wanted, highest)?;
            alive(capture, &data, &wanted, &["source", "load"])?;
            let got = run(capture, &data, 1, Some(0), sweep)?;
            let gain: f64 = *gain_ratio;
            // A passive load cannot carry more than the source.
            let above = got.value.iter().filter(|h| h.norm() / gain > 1.02).count();
            if 2 * above > got.value.len() {
                return Err(MeasureError::Swapped {
                    file: capture.file.clone(),
                    first: wanted[0],
                    second: wanted[1],
                    why: "the load carries more voltage than the source",
                    keys: "source_channel and load_channel",
                });
            }
            let mut response = response(capture, &data, &wanted, &got, Observation::Impedance, 1.0);
            let mut calibration = 0.0_f64;
            for (i, h) in got.value.iter().enumerate() {
                let (z, noise, relative) =
                    impedance(h / gain, got.noise_rms[i] / gain, *reference_ohm, *lead_ohm);
                response.value[i] = z;
                response.noise_rms[i] = noise;
                calibration += relative * relative / got.value.len() as f64;
            }
            response.calibration_relative = calibration.sqrt();
            response.absolute = true;
            response.timed = true;
            response.ahead_ohm = Some(reference_ohm + lead_ohm);
            response.impulse = Impulse::default();
            Ok(response)
        }
        CaptureKind::Pressure {
            probe,
            reference_channel,
            microphone_channel,
            scale,
            reference_v_per_unit,
            correction,
        } => {
            let mut wanted = vec![*microphone_channel];
            let mut roles = vec!["microphone"];
            if let Some(channel) = reference_channel {
                wanted.push(*channel);
                roles.push("reference");
            }
            let data = channels::read(&capture.path, &capture.file, &wanted, highest)?;
            alive(capture, &data, &wanted, &roles)?;
            let reference = reference_channel.map(|_| 1);
            let got = run(capture, &data, 0, reference, sweep)?;
            if let Some(channel) = reference_channel {
                swapped(capture, &data, sweep, *channel, *microphone_channel)?;
            }
            let observation = Observation::Pressure {
                probe: probe.clone(),
            };
            // Volts at the amplifier for 1.0 of the reference.
            let volts = match (reference_channel, capture.drive_v) {
                (Some(_), _) => Some(*reference_v_per_unit),
                (None, Some(rms)) => Some(rms * std::f64::consts::SQRT_2 / sweep.peak()),
                (None, None) => None,
            };
            let pascal = scale.pa_per_unit();
            let factor = pascal.unwrap_or(1.0) / volts.unwrap_or(1.0);
            let mut response = response(capture, &data, &wanted, &got, observation, factor);
            response.absolute = pascal.is_some() && volts.is_some();
            response.calibration_relative = CALIBRATOR;
            response.timed = reference_channel.is_some();
            response.drive_v = match reference_channel {
                Some(_) => Some(data.peak[1] * reference_v_per_unit / std::f64::consts::SQRT_2),
                None => capture.drive_v,
            };
            let correction = correction
                .as_ref()
                .map(|path| {
                    Correction::read(path).map_err(|e| MeasureError::Curve {
                        file: path.display().to_string(),
                        cause: e.to_string(),
                    })
                })
                .transpose()?;
            for (i, &f) in got.frequency_hz.iter().enumerate() {
                let mut own = correction
                    .as_ref()
                    .map_or(Complex64::new(1.0, 0.0), |c| c.at(f));
                if let (None, Some(corner)) = (reference_channel, capture.ac_coupling_hz) {
                    // First-order high-pass: jf/(f_c + jf).
                    own *= Complex64::new(0.0, f) / Complex64::new(corner, f);
                }
                response.value[i] /= own;
                response.noise_rms[i] /= own.norm();
            }
            Ok(response)
        }
    }
}

fn alive(
    capture: &Capture,
    data: &Channels,
    wanted: &[usize],
    roles: &[&'static str],
) -> Result<(), MeasureError> {
    for ((&channel, &role), &peak) in wanted.iter().zip(roles).zip(&data.peak) {
        if peak < 1e-5 {
            return Err(MeasureError::Dead {
                file: capture.file.clone(),
                channel,
                role,
                peak_dbfs: -20.0 * peak.max(1e-12).log10(),
            });
        }
    }
    Ok(())
}

fn run(
    capture: &Capture,
    data: &Channels,
    signal: usize,
    reference: Option<usize>,
    sweep: &Sweep,
) -> Result<Deconvolved, MeasureError> {
    let take = deconvolve::Take {
        rate_hz: data.rate_hz,
        signal: &data.sample[signal],
        reference: reference.map(|i| data.sample[i].as_slice()),
    };
    deconvolve(&take, sweep).map_err(|cause| MeasureError::Deconvolve {
        file: capture.file.clone(),
        cause,
    })
}

/// The reference is an electrical copy of the sweep: flat against it. Where the other channel is flat instead, the
/// two are swapped.
fn swapped(
    capture: &Capture,
    data: &Channels,
    sweep: &Sweep,
    reference: usize,
    microphone: usize,
) -> Result<(), MeasureError> {
    let unevenness = |i: usize| -> Option<f64> {
        let take = deconvolve::Take {
            rate_hz: data.rate_hz,
            signal: &data.sample[i],
            reference: None,
        };
        let got = deconvolve(&take, sweep).ok()?;
        let levels: Vec<f64> = got
            .value
            .iter()
            .map(|v| 20.0 * v.norm().max(1e-300).log10())
            .collect();
        let mean = levels.iter().sum::<f64>() / levels.len().max(1) as f64;
        Some(
            (levels.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / levels.len().max(1) as f64)
                .sqrt(),
        )
    };
    let Some(of_reference) = unevenness(1).filter(|u| *u > 0.9) else {
        return Ok(());
    };
    if let Some(of_microphone) = unevenness(0)
        && of_microphone < 1.0
        && of_reference > 3.0 * of_microphone.max(0.3)
    {
        return Err(MeasureError::Swapped {
            file: capture.file.clone(),
            first: reference,
            second: microphone,
            why: "the microphone channel is as flat as a loop-back and the reference channel is not",
            keys: "reference_channel and microphone_channel",
        });
    }
    Ok(())
}

fn response(
    capture: &Capture,
    data: &Channels,
    wanted: &[usize],
    got: &Deconvolved,
    observation: Observation,
    factor: f64,
) -> Response {
    let mut warnings = Vec::new();
    for (&channel, &samples) in wanted.iter().zip(&data.clipped) {
        // A few samples may touch the ceiling by chance.
        if samples >= 12 {
            warnings.push(TakeWarning::Clipped { channel, samples });
        }
    }
    let clipped = !warnings.is_empty();
    if got.polarity < 0 {
        warnings.push(TakeWarning::Inverted);
    }
    if let Some((frequency_hz, over_db)) = got.hum {
        warnings.push(TakeWarning::Hum {
            frequency_hz,
            over_db,
        });
    }
    if let Some((at_s, lost_s)) = got.jump {
        let samples = (lost_s * f64::from(data.sample_rate_hz)).round() as i64;
        warnings.push(TakeWarning::LostSamples { at_s, samples });
    }
    let swept = [
        got.frequency_hz.first().copied(),
        got.frequency_hz.last().copied(),
    ];
    if let [Some(low), Some(high)] = swept
        && (got.usable_hz[0] > low * 1.3 || got.usable_hz[1] < high / 1.3)
    {
        warnings.push(TakeWarning::Noisy {
            low_hz: got.usable_hz[0],
            high_hz: got.usable_hz[1],
        });
    }
    if got.tail_s < LEAST_TAIL_S {
        warnings.push(TakeWarning::ShortTail { tail_s: got.tail_s });
    }
    let (sample, rate_hz, zero) = &got.impulse;
    Response {
        observation,
        frequency_hz: got.frequency_hz.clone(),
        value: got.value.iter().map(|v| v * factor).collect(),
        noise_rms: got.noise_rms.iter().map(|n| n * factor).collect(),
        calibration_relative: CALIBRATOR,
        resolution_hz: got.resolution_hz,
        absolute: false,
        timed: false,
        has_phase: true,
        drive_v: capture.drive_v,
        ahead_ohm: None,
        take: Take {
            file: capture.file.clone(),
            digest: data.digest.clone(),
            sample_rate_hz: data.sample_rate_hz,
            snr_db: got.snr_db,
            snr_bands: got.snr_bands.clone(),
            clipped,
            drift_ppm: got.drift_ppm.unwrap_or(0.0),
            drift_sd_ppm: got.drift_sd_ppm,
            polarity: got.polarity,
            usable_hz: got.usable_hz,
            start_s: got.start_s,
            warnings,
        },
        harmonics: got
            .harmonics
            .iter()
            .map(|h| Harmonic {
                order: h.order,
                frequency_hz: h.frequency_hz.clone(),
                level_db: h.level_db.clone(),
                floor_db: h.floor_db.clone(),
            })
            .collect(),
        impulse: Impulse {
            rate_hz: *rate_hz,
            zero: *zero,
            sample: sample.iter().map(|v| v * factor).collect(),
        },
    }
}
