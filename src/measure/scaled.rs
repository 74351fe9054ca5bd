//! From the channels of one take to a scaled response.
//!
//! Pressure: H = microphone/reference, Pa per volt with both scales known; without a reference channel per unit of
//! the sweep, and per volt where `drive_v` tells the RMS voltage that stands for the sweep's peak, √2·drive_v.
//! Impedance: see [`crate::signal::impedance`]. A recorder's high-pass cancels between two channels of one file and
//! is divided out only where the sweep itself is the reference.

use super::channels::Channels;
use super::correction::Correction;
use super::take::{CALIBRATOR, MeasureError};
use super::{Harmonic, Impulse, Observation, Response, Silence, Take, TakeWarning};
use crate::design::captures::{Capture, CaptureKind};
use crate::signal::deconvolve::{self, Deconvolved, deconvolve};
use crate::signal::impedance::{Known, impedance};
use crate::signal::sweep::Sweep;
use num_complex::Complex64;

/// Least silence behind the sweep, s.
const LEAST_TAIL_S: f64 = 0.5;

/// The channels that a capture needs, the loop-back or source last where there is one.
pub(super) fn channels_of(kind: &CaptureKind) -> Vec<usize> {
    match kind {
        CaptureKind::Impedance {
            source_channel,
            load_channel,
            ..
        } => vec![*load_channel, *source_channel],
        CaptureKind::Pressure {
            reference_channel,
            microphone_channel,
            ..
        } => std::iter::once(*microphone_channel)
            .chain(*reference_channel)
            .collect(),
    }
}

/// Reads a correction file.
pub(super) fn correction(path: &std::path::Path) -> Result<Correction, MeasureError> {
    Correction::read(path).map_err(|e| MeasureError::Curve {
        file: path.display().to_string(),
        cause: e.to_string(),
    })
}

/// Deconvolves one take and scales it. `card` is the card's second channel over its first.
pub(super) fn response_of(
    capture: &Capture,
    data: &Channels,
    sweep: &Sweep,
    card: Option<&Correction>,
) -> Result<Response, MeasureError> {
    let wanted = channels_of(&capture.kind);
    match &capture.kind {
        CaptureKind::Impedance {
            source_channel,
            load_channel,
            reference_ohm,
            lead_ohm,
            gain_ratio,
        } => {
            alive(capture, data, &wanted, &["load", "source"])?;
            let mut got = run(capture, data, 0, Some(1), sweep)?;
            without_card(&mut got, card);
            let gain: f64 = *gain_ratio;
            // A passive load cannot carry more than the source.
            let above = got.value.iter().filter(|h| h.norm() / gain > 1.02).count();
            if 2 * above > got.value.len() {
                return Err(MeasureError::Swapped {
                    file: capture.file.clone(),
                    first: *source_channel,
                    second: *load_channel,
                    why: "the load carries more voltage than the source",
                    keys: "source_channel and load_channel",
                });
            }
            let mut response = response(capture, data, &wanted, &got, Observation::Impedance, 1.0);
            let mut calibration = 0.0_f64;
            let own = &capture.calibration;
            let usual = Known::default();
            let known = Known {
                reference: own.reference_relative.unwrap_or(usual.reference),
                gain: own.gain_relative.unwrap_or(usual.gain),
                lead_ohm: own.lead_sd_ohm.unwrap_or(usual.lead_ohm),
            };
            for (i, h) in got.value.iter().enumerate() {
                let (z, noise, relative) = impedance(
                    h / gain,
                    got.noise_rms[i] / gain,
                    *reference_ohm,
                    *lead_ohm,
                    &known,
                );
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
            alive(capture, data, &wanted, &["microphone", "reference"])?;
            let reference = reference_channel.map(|_| 1);
            let mut got = run(capture, data, 0, reference, sweep)?;
            if reference.is_some() {
                without_card(&mut got, card);
            }
            if let Some(channel) = reference_channel {
                swapped(capture, data, sweep, *channel, *microphone_channel)?;
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
            let mut response = response(capture, data, &wanted, &got, observation, factor);
            response.absolute = pascal.is_some() && volts.is_some();
            // A relative deviation of ln(10)/20 is 1 dB.
            let of_station = capture.calibration.microphone_sd_db;
            response.calibration_relative =
                of_station.map_or(CALIBRATOR, |sd_db| sd_db * std::f64::consts::LN_10 / 20.0);
            response.timed = reference_channel.is_some();
            response.drive_v = match reference_channel {
                Some(_) => Some(data.peak[1] * reference_v_per_unit / std::f64::consts::SQRT_2),
                None => capture.drive_v,
            };
            let correction = correction
                .as_ref()
                .map(|path| self::correction(path))
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

/// Divides out how the card's channels differ over frequency.
fn without_card(got: &mut Deconvolved, card: Option<&Correction>) {
    let Some(card) = card else {
        return;
    };
    for i in 0..got.value.len() {
        let own = card.at(got.frequency_hz[i]);
        got.value[i] /= own;
        got.noise_rms[i] /= own.norm();
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
    for (index, &channel) in wanted.iter().enumerate() {
        let samples = data.clipped(index);
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
    warnings.extend(noisy(&got.frequency_hz, got.usable_hz));
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
            silence: Some(Silence {
                from_s: got.silence_s[0],
                to_s: got.silence_s[1],
                left_out_s: got.silence_left_out_s,
            }),
            repeats: Vec::new(),
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
/// The warning of a response that is usable in less than the sweep: a third of it missing at an end.
pub(super) fn noisy(frequency_hz: &[f64], usable_hz: [f64; 2]) -> Option<TakeWarning> {
    let (low, high) = (*frequency_hz.first()?, *frequency_hz.last()?);
    (usable_hz[0] > low * 1.3 || usable_hz[1] < high / 1.3).then_some(TakeWarning::Noisy {
        low_hz: usable_hz[0],
        high_hz: usable_hz[1],
    })
}
