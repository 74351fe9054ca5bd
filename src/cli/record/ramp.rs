//! The quiet ramp of one capture: what was heard of each burst, and what it says about the whole sweep.
//!
//! ```text
//! E = Σ x²·dt − N·T        energy of a burst at the second input less that of the silence, N its power
//! scale² = E/(T_burst·mean of A²/2)        A: amplitude by the design, mean over log-frequency as a sweep spends its time
//! ```
//!
//! The scaled amplitudes and the silence give the SNR of the whole sweep ([`expected_snr`]). The voltage at the amplifier
//! follows from the first burst that the reference channel hears clearly.

use super::bench::Bench;
use crate::capture::background::{Expected, Silence, dbfs, expected, expected_snr, median_db};
use crate::capture::guide::What;
use crate::capture::level::{Aim, Heard, Step, next};
use crate::capture::safety::Name;
use crate::capture::wiring::Wiring;
use crate::cli::failure::Failure;
use crate::design::captures::SweepPlan;
use std::f64::consts::SQRT_2;

/// Duration of a burst, s.
const BURST_S: f64 = 1.0;
/// The loop-back and the stated gain of the output must agree within this, dB: a volume knob is set by eye.
const AGREES_DB: f64 = 3.0;
/// The reference channel hears a burst clearly if its peak is so many times its silence.
const CLEAR: f64 = 20.0;

/// The ramp of one capture.
pub(super) struct Ramp {
    aim: Aim,
    history: Vec<Heard>,
    silence: Vec<Silence>,
    sweep: SweepPlan,
    expected: Expected,
    volts_rms: f64,
    reference_v_per_unit: f64,
    rate_hz: f64,
    names: [&'static str; 2],
    /// RMS volts of a full-scale sine, as stated.
    stated_full_v: Option<f64>,
}

impl Ramp {
    /// A ramp that keeps to the bench's voltage.
    pub fn new(bench: &Bench, what: &What, silence: Vec<Silence>) -> Result<Self, Failure> {
        // The scale is measured: one pascal or volt a unit will do.
        let expected = expected(&bench.design, &bench.sweep, 1.0, what, &bench.around(), 1.0)
            .map_err(Failure::input)?;
        let usual = Aim::default();
        let highest = match bench.wiring.volts_rms(0.0) {
            Some(full) => 20.0 * (bench.volts_rms / full).log10(),
            None => 0.0,
        };
        Ok(Self {
            aim: Aim {
                wanted_snr_db: bench.wanted_snr_db,
                highest_dbfs: highest.min(0.0),
                highest_by: Some(Name::Voltage),
                ..usual
            },
            history: Vec::new(),
            silence,
            sweep: bench.sweep,
            expected,
            volts_rms: bench.volts_rms,
            reference_v_per_unit: bench.wiring.card.reference_v_per_unit.unwrap_or(1.0),
            rate_hz: bench.rate_hz(),
            names: Wiring::names(what),
            stated_full_v: bench.wiring.volts_rms(0.0),
        })
    }

    /// What to do next.
    pub fn next(&self) -> Step {
        next(&self.history, &self.aim)
    }

    /// A short sweep over the same band.
    pub fn burst(&self, level_dbfs: f64) -> SweepPlan {
        SweepPlan {
            duration_s: BURST_S,
            level_dbfs,
            fade_in_s: 0.1,
            fade_out_s: 0.02,
            silence_before_s: 0.05,
            silence_after_s: 0.5,
            ..self.sweep
        }
    }

    /// Takes in what was heard of a burst: reference or source first, microphone or load second.
    ///
    /// # Errors
    /// [`Failure`] for an input that stays the same whatever is played, and for an amplifier whose voltage is not the stated
    /// one: then no limit could be kept.
    pub fn heard(&mut self, level_dbfs: f64, channels: &[Vec<f32>]) -> Result<(), Failure> {
        for (name, x) in self.names.iter().zip(channels) {
            if x.windows(2).all(|w| w[0] == w[1]) {
                return Err(Failure::input(format!(
                    "the {name} input stays the same whatever is played: check cable, channel number and supply; nothing louder was played"
                )));
            }
        }
        let peaks: Vec<f64> = channels
            .iter()
            .zip(&self.silence)
            .map(|(x, s)| {
                x.iter()
                    .fold(0.0f64, |a, v| a.max((f64::from(*v) - s.offset).abs()))
            })
            .collect();
        let reference = peaks.first().copied().unwrap_or(0.0);
        let quiet = self.silence.first().map_or(0.0, |s| s.rms);
        if reference > CLEAR * quiet.max(1e-7) {
            let volts = reference * self.reference_v_per_unit / SQRT_2;
            if let Some(full) = self.stated_full_v {
                let stated = full * 10f64.powf(level_dbfs / 20.0);
                if (20.0 * (volts / stated).log10()).abs() > AGREES_DB {
                    return Err(Failure::input(format!(
                        "at {level_dbfs:.1} dBFS the amplifier gives {volts:.3} V by the loop-back and {stated:.3} V by output_v_per_unit, so that no limit could be kept: correct output_v_per_unit or reference_v_per_unit, or the amplifier's volume"
                    )));
                }
            }
            let highest = level_dbfs + 20.0 * (self.volts_rms / volts).log10();
            self.aim.highest_dbfs = self.aim.highest_dbfs.min(highest);
        }
        let snr_db = self.snr_db(channels);
        let signal = self.energy(channels);
        self.history.push(Heard {
            level_dbfs,
            peak_dbfs: dbfs(peaks.iter().copied().fold(0.0, f64::max)),
            signal_db: 10.0 * signal.max(1e-30).log10(),
            snr_db,
        });
        Ok(())
    }

    /// Energy of a burst at the second input, in units² times seconds; 0 where the silence holds as much.
    fn energy(&self, channels: &[Vec<f32>]) -> f64 {
        let (Some(x), Some(silence)) = (channels.get(1), self.silence.get(1)) else {
            return 0.0;
        };
        let sum: f64 = x
            .iter()
            .map(|v| (f64::from(*v) - silence.offset).powi(2))
            .sum();
        (sum / self.rate_hz - silence.rms.powi(2) * x.len() as f64 / self.rate_hz).max(0.0)
    }

    fn snr_db(&self, channels: &[Vec<f32>]) -> Option<f64> {
        let silence = self.silence.get(1)?;
        let energy = self.energy(channels);
        let duration = channels.get(1)?.len() as f64 / self.rate_hz;
        // As much as the silence itself varies says nothing.
        if energy < 0.5 * silence.rms.powi(2) * duration {
            return None;
        }
        let amplitude = &self.expected.amplitude;
        let mean = amplitude.iter().map(|a| 0.5 * a * a).sum::<f64>() / amplitude.len() as f64;
        let scaled = self
            .expected
            .louder_db(10.0 * (energy / (BURST_S * mean)).log10());
        let reference = channels.first().and_then(|x| {
            let peak = x.iter().fold(0.0f64, |a, v| a.max(f64::from(v.abs())));
            Some((self.silence.first()?, peak))
        });
        median_db(&expected_snr(silence, reference, &self.sweep, &scaled))
    }
}
