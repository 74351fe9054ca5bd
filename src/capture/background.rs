//! What the inputs hear while nothing plays: noise by band, hum, offset, and inputs that look dead; and how far a sweep
//! will stand above it.
//!
//! ```text
//! S(f)   one-sided density of a Hann-windowed periodogram over the whole silence, mean taken off
//! band   √(Σ S·Δf) over a one-third octave; its standard deviation 4.34 dB/√(B·T/1.5)
//! SNR    B²·L·h/(3.516·S·f)      B: peak amplitude at the input, L = duration/ln(stop/start),
//!                                h: half width over which the deconvolution averages, Hz
//! ```
//!
//! The last line is what [`crate::signal::deconvolve`] will find: a sweep's spectrum is B·√(L/f)/2 (stationary phase), and a
//! polynomial of order 5 over M bins lets 225/(64·M) of their noise through. Whole, decaying room noise is assumed; hum is
//! kept in the bands, because a sweep that passes it is disturbed by it.
//!
//! References: Welch 1967 (window, density); Farina 2000 and Novak et al. 2015 (spectrum of the sweep).

use super::guide::What;
use super::safety::{Around, SafetyError};
use crate::design::Design;
use crate::design::captures::SweepPlan;
use crate::model::network::Network;
use crate::model::predict::REFERENCE_PA;
use crate::model::{ModelError, Observed};
use crate::signal::bands::third_octaves;
use crate::signal::grid::log_grid;
use realfft::RealFftPlanner;
use serde::Serialize;
use std::f64::consts::{SQRT_2, TAU};
use std::fmt;

/// Shortest silence that says anything, s.
pub const LEAST_S: f64 = 1.0;
/// Bands that are looked at, Hz; the upper end is cut at 0.45 of the sample rate.
const BAND_HZ: [f64; 2] = [4.5, 1_000.0];
/// A line counts as hum from this height over its surroundings on, dB.
const HUM_OVER_DB: f64 = 15.0;
/// Mains frequencies, Hz, and how far they may be off, as a fraction.
const MAINS_HZ: [f64; 2] = [50.0, 60.0];
const MAINS_OFF: f64 = 0.005;
/// Multiples of the mains that are looked for.
const MULTIPLES: u32 = 6;
/// No room is quieter within 5 to 500 Hz, and hardly a microphone, dB (common practice, no published source).
const QUIETEST_ROOM_DB: f64 = 15.0;
/// Offset that eats headroom, full scale = 1.
const OFFSET: f64 = 0.01;
/// An input whose noise is hum alone, by this much, looks open, dB.
const OPEN_DB: f64 = 30.0;
/// SNR from which a one-third octave is usable, dB (contract).
const USABLE_DB: f64 = 20.0;
/// What a polynomial of order 5 lets through of the noise of its bins, times their number: 225/64.
const THROUGH: f64 = 225.0 / 64.0;

/// Too little to judge.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum BackgroundError {
    /// The silence is too short.
    #[error(
        "{have_s:.2} s of silence were recorded; expected at least {LEAST_S} s on every channel"
    )]
    Short {
        /// There, s.
        have_s: f64,
    },
}

/// Noise in a one-third octave.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BandNoise {
    /// Exact midband, Hz.
    pub center_hz: f64,
    /// RMS, full scale = 1.
    pub rms: f64,
    /// Standard deviation of its level, dB.
    pub sd_db: f64,
    /// One-sided density, full scale²/Hz.
    #[serde(skip)]
    density: f64,
}

/// A line of the mains.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct HumLine {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Family: 50 or 60 Hz.
    pub mains_hz: f64,
    /// RMS, full scale = 1.
    pub rms: f64,
    /// Over its surroundings, dB.
    pub over_db: f64,
}

/// One channel while nothing plays.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Silence {
    /// Constant part, full scale = 1.
    pub offset: f64,
    /// RMS without it.
    pub rms: f64,
    /// Largest sample, offset included.
    pub peak: f64,
    /// All samples are the same number.
    pub constant: bool,
    /// By one-third octave, ascending.
    pub bands: Vec<BandNoise>,
    /// Lines of the mains, ascending.
    pub hum: Vec<HumLine>,
}

/// RMS over full scale in dB: 0 dB is a sine of peak 1.
#[must_use]
pub fn dbfs(rms: f64) -> f64 {
    20.0 * (SQRT_2 * rms.max(1e-12)).log10()
}

/// Looks at a few seconds of silence; channels in full scale, all at `rate_hz`.
///
/// # Errors
/// [`BackgroundError::Short`].
pub fn background(channels: &[Vec<f64>], rate_hz: f64) -> Result<Vec<Silence>, BackgroundError> {
    channels
        .iter()
        .map(|samples| {
            let have_s = samples.len() as f64 / rate_hz;
            if have_s >= LEAST_S {
                Ok(silence(samples, rate_hz))
            } else {
                Err(BackgroundError::Short { have_s })
            }
        })
        .collect()
}

fn silence(samples: &[f64], rate_hz: f64) -> Silence {
    let count = samples.len() as f64;
    let offset = samples.iter().sum::<f64>() / count;
    let square = samples.iter().map(|x| (x - offset).powi(2)).sum::<f64>() / count;
    let density = Density::of(samples, offset, rate_hz);
    let high_hz = BAND_HZ[1].min(0.45 * rate_hz);
    Silence {
        offset,
        rms: square.sqrt(),
        peak: samples.iter().fold(0.0, |a, x| a.max(x.abs())),
        constant: samples.windows(2).all(|w| w[0] == w[1]),
        bands: third_octaves(BAND_HZ[0], high_hz)
            .iter()
            .map(|band| {
                let power = density.power(band.low_hz, band.high_hz);
                let width_hz = band.high_hz - band.low_hz;
                let independent = width_hz * density.length_s / 1.5;
                BandNoise {
                    center_hz: band.center_hz,
                    rms: power.sqrt(),
                    sd_db: 10.0 / std::f64::consts::LN_10 / independent.sqrt(),
                    density: power / width_hz,
                }
            })
            .collect(),
        hum: density.hum(),
    }
}

/// One-sided density of a stretch.
struct Density {
    bin_hz: f64,
    length_s: f64,
    value: Vec<f64>,
}

impl Density {
    fn of(samples: &[f64], offset: f64, rate_hz: f64) -> Self {
        // Whole tenths of a second: a size that a fast transform likes, at every usual rate.
        let tenth = ((rate_hz / 10.0) as usize).max(1);
        let size = samples.len() / tenth * tenth;
        let mut energy = 0.0;
        let mut windowed: Vec<f64> = samples[..size]
            .iter()
            .enumerate()
            .map(|(i, x)| {
                let w = 0.5 - 0.5 * (TAU * (i as f64 + 0.5) / size as f64).cos();
                energy += w * w;
                (x - offset) * w
            })
            .collect();
        let transform = RealFftPlanner::<f64>::new().plan_fft_forward(size);
        let mut bins = transform.make_output_vec();
        // The lengths fit, because the plan made them.
        let done = transform.process(&mut windowed, &mut bins).is_ok();
        let scale = if done { 2.0 / (rate_hz * energy) } else { 0.0 };
        Self {
            bin_hz: rate_hz / size as f64,
            length_s: size as f64 / rate_hz,
            value: bins.iter().map(|b| scale * b.norm_sqr()).collect(),
        }
    }

    /// Power between two frequencies, bins at the edges in part.
    fn power(&self, low_hz: f64, high_hz: f64) -> f64 {
        let (low, high) = (low_hz / self.bin_hz, high_hz / self.bin_hz);
        let first = ((low - 0.5).ceil().max(0.0)) as usize;
        let last = ((high + 0.5).floor() as usize).min(self.value.len().saturating_sub(1));
        (first..=last)
            .map(|k| {
                let (from, to) = (k as f64 - 0.5, k as f64 + 0.5);
                self.value[k] * (to.min(high) - from.max(low)).max(0.0)
            })
            .sum::<f64>()
            * self.bin_hz
    }

    fn hum(&self) -> Vec<HumLine> {
        let mut list: Vec<HumLine> = Vec::new();
        for mains_hz in MAINS_HZ {
            for n in 1..=MULTIPLES {
                let line = self.line(mains_hz * f64::from(n), mains_hz);
                let known = |l: &HumLine| list.iter().any(|k| k.frequency_hz == l.frequency_hz);
                if let Some(line) = line.filter(|l| !known(l)) {
                    list.push(line);
                }
            }
        }
        list.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
        list
    }

    fn line(&self, near_hz: f64, mains_hz: f64) -> Option<HumLine> {
        let bin = |hz: f64| (hz / self.bin_hz).round() as usize;
        let reach = ((0.2 * near_hz / self.bin_hz) as usize).max(8);
        let (first, last) = (
            bin(near_hz * (1.0 - MAINS_OFF)).saturating_sub(1),
            bin(near_hz * (1.0 + MAINS_OFF)) + 1,
        );
        if first < reach || last + reach >= self.value.len() {
            return None;
        }
        let at = (first..=last).max_by(|&a, &b| self.value[a].total_cmp(&self.value[b]))?;
        let mut around = self.value[at - reach..=at + reach].to_vec();
        around.sort_by(f64::total_cmp);
        let floor = around[around.len() / 2].max(f64::MIN_POSITIVE);
        let over_db = 10.0 * (self.value[at] / floor).log10();
        // The main lobe of the window holds a line's whole power.
        let lobe: f64 = self.value[at - 2..=at + 2].iter().map(|v| v - floor).sum();
        (over_db > HUM_OVER_DB).then(|| HumLine {
            frequency_hz: at as f64 * self.bin_hz,
            mains_hz,
            rms: (lobe * self.bin_hz).max(0.0).sqrt(),
            over_db,
        })
    }
}

/// What is plugged into an input.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Plugged {
    /// Loop-back, source or load: silent while nothing plays.
    Line,
    /// A microphone; pascal for a sample of 1.0, if known.
    Microphone(Option<f64>),
}

/// Something about the silence that the operator should know.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub enum Remark {
    /// Every sample is the same: nothing is connected, or the channel is switched off.
    Dead,
    /// The same on a line input, which may be silent: cannot tell before sound plays.
    CannotTell,
    /// Less noise than any room has.
    NoRoom {
        /// Level within the bands, dB re 20 µPa.
        level_db: f64,
    },
    /// Hum and nothing else: an open input or a cable without shield.
    Open {
        /// Loudest line.
        line: HumLine,
    },
    /// Hum.
    Hum {
        /// Loudest line.
        line: HumLine,
    },
    /// A constant part.
    Offset {
        /// Full scale = 1.
        offset: f64,
    },
    /// Samples at full scale while nothing plays.
    Full,
}

impl fmt::Display for Remark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Dead => f.write_str(
                "dead: every sample is the same; check cable, channel and phantom power",
            ),
            Self::CannotTell => f.write_str(
                "every sample is the same: cannot tell before sound plays whether it is connected",
            ),
            Self::NoRoom { level_db } => write!(
                f,
                "{level_db:.0} dB, less than any room has: the microphone looks disconnected, or its sensitivity is wrong"
            ),
            Self::Open { line } => write!(
                f,
                "hum at {:.0} Hz and little else: the input looks open; check its cable",
                line.frequency_hz
            ),
            Self::Hum { line } => write!(
                f,
                "hum at {:.0} Hz, {:.0} dB re full scale, {:.0} dB over its surroundings: look for a ground loop, keep cables apart",
                line.frequency_hz,
                dbfs(line.rms),
                line.over_db
            ),
            Self::Offset { offset } => write!(
                f,
                "a constant {:.1} % of full scale: it eats headroom; check the input",
                100.0 * offset
            ),
            Self::Full => f.write_str(
                "at full scale while nothing plays: turn its gain down, check its cable",
            ),
        }
    }
}

impl Silence {
    /// RMS within bands between two frequencies, full scale = 1.
    #[must_use]
    pub fn rms_between(&self, low_hz: f64, high_hz: f64) -> f64 {
        let inside = self.bands.iter();
        let inside = inside.filter(|b| (low_hz..=high_hz).contains(&b.center_hz));
        inside.map(|b| b.rms * b.rms).sum::<f64>().sqrt()
    }

    /// What the operator should know.
    #[must_use]
    pub fn remarks(&self, plugged: Plugged) -> Vec<Remark> {
        let mut list = Vec::new();
        if self.peak >= 0.999 {
            list.push(Remark::Full);
        }
        if self.offset.abs() > OFFSET {
            list.push(Remark::Offset {
                offset: self.offset,
            });
        }
        if self.constant {
            list.push(match plugged {
                Plugged::Line => Remark::CannotTell,
                Plugged::Microphone(_) => Remark::Dead,
            });
            return list;
        }
        if let Plugged::Microphone(Some(pa_per_unit)) = plugged {
            let pa = self.rms_between(5.0, 500.0) * pa_per_unit;
            let level_db = 20.0 * (pa.max(1e-12) / REFERENCE_PA).log10();
            if level_db < QUIETEST_ROOM_DB {
                list.push(Remark::NoRoom { level_db });
            }
        }
        let loudest = self.hum.iter().max_by(|a, b| a.rms.total_cmp(&b.rms));
        if let Some(&line) = loudest {
            let hum: f64 = self.hum.iter().map(|l| l.rms * l.rms).sum();
            let rest = (self.rms * self.rms - hum).max(1e-30);
            list.push(if 10.0 * (hum / rest).log10() > OPEN_DB {
                Remark::Open { line }
            } else {
                Remark::Hum { line }
            });
        }
        list
    }
}

/// What a sweep will give at an input, by the design.
#[derive(Debug, Clone, PartialEq)]
pub struct Expected {
    /// Frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    /// Peak amplitude at the input of microphone or load, full scale = 1.
    pub amplitude: Vec<f64>,
}

impl Expected {
    /// Largest amplitude.
    #[must_use]
    pub fn peak(&self) -> f64 {
        self.amplitude.iter().fold(0.0, |a, x| a.max(*x))
    }

    /// The same sweep at another level.
    #[must_use]
    pub fn louder_db(&self, by_db: f64) -> Self {
        let gain = 10f64.powf(by_db / 20.0);
        Self {
            frequency_hz: self.frequency_hz.clone(),
            amplitude: self.amplitude.iter().map(|x| gain * x).collect(),
        }
    }
}

/// What a sweep of `volts_rms` will give at the input of microphone or load; `per_unit` is the pressure, Pa, or the voltage,
/// V, of a sample of 1.0.
///
/// # Errors
/// [`SafetyError`]: no such probe, or a design that cannot be simulated.
pub fn expected(
    design: &Design,
    sweep: &SweepPlan,
    volts_rms: f64,
    what: &What,
    around: &Around,
    per_unit: f64,
) -> Result<Expected, SafetyError> {
    let mut design = design.clone();
    let observed = match what {
        What::Impedance => {
            design.drive.source_ohm = around.reference_ohm;
            Observed::Impedance
        }
        What::Probe(name) => {
            let found = design.probes.iter().position(|p| p.name == *name);
            Observed::Probe(found.ok_or_else(|| SafetyError::Probe {
                probe: name.clone(),
                known: design.probes.iter().map(|p| p.name.clone()).collect(),
            })?)
        }
    };
    let network = Network::new(&design, &design.air)?;
    let frequency_hz = log_grid(sweep.start_hz, sweep.stop_hz, 48);
    let value = network.respond(&frequency_hz, &[observed], volts_rms);
    let amplitude: Vec<f64> = value[0]
        .iter()
        .map(|v| match observed {
            Observed::Impedance => (v / (v + around.reference_ohm)).norm(),
            Observed::Probe(_) => v.norm(),
        })
        .map(|v| SQRT_2 * volts_rms * v / per_unit)
        .collect();
    if let Some(i) = amplitude.iter().position(|a| !a.is_finite()) {
        let frequency_hz = frequency_hz[i];
        return Err(ModelError::NotFinite { frequency_hz }.into());
    }
    Ok(Expected {
        frequency_hz,
        amplitude,
    })
}

/// Expected signal over noise in a one-third octave.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BandSnr {
    /// Exact midband, Hz.
    pub center_hz: f64,
    /// Expected SNR, dB.
    pub snr_db: f64,
    /// Standard deviation, from that of the noise, dB.
    pub sd_db: f64,
}

impl BandSnr {
    /// Whether it is too near to the noise to be judged.
    #[must_use]
    pub fn is_too_near(&self) -> bool {
        self.snr_db < USABLE_DB
    }
}

/// Expected SNR of the sweep's response by one-third octave. `reference` is the silence of loop-back or source and the
/// sweep's peak amplitude there, where it is recorded.
#[must_use]
pub fn expected_snr(
    signal: &Silence,
    reference: Option<(&Silence, f64)>,
    sweep: &SweepPlan,
    expected: &Expected,
) -> Vec<BandSnr> {
    let rate_s = sweep.duration_s / (sweep.stop_hz / sweep.start_hz).ln();
    // What the deconvolution transforms, and the bins that it averages over.
    let tail_s = sweep.silence_after_s.clamp(2.0, 6.0);
    let bin_hz = 1.0 / (sweep.duration_s + tail_s);
    let noise = |density: f64, f: f64| {
        let half_hz = (f / 32.0).min(1.0).max(3.5 * bin_hz);
        THROUGH * density * f / (rate_s * half_hz)
    };
    third_octaves(sweep.start_hz, sweep.stop_hz)
        .iter()
        .filter_map(|band| {
            let find = |s: &Silence| {
                s.bands
                    .iter()
                    .find(|b| (b.center_hz / band.center_hz - 1.0).abs() < 1e-6)
                    .copied()
            };
            let own = find(signal)?;
            let other = match reference {
                Some((silence, amplitude)) => Some((find(silence)?, amplitude)),
                None => None,
            };
            let (mut power, mut floor, mut points) = (0.0, 0.0, 0);
            for (&f, &a) in expected.frequency_hz.iter().zip(&expected.amplitude) {
                if !(band.low_hz..band.high_hz).contains(&f) {
                    continue;
                }
                points += 1;
                power += a * a;
                floor += noise(own.density, f);
                if let Some((other, amplitude)) = other {
                    floor += noise(other.density, f) * (a / amplitude).powi(2);
                }
            }
            // A sliver of a band at the end of the sweep says nothing about it.
            (points >= 4).then(|| BandSnr {
                center_hz: band.center_hz,
                snr_db: 10.0 * (power / floor.max(1e-300)).log10(),
                sd_db: own.sd_db,
            })
        })
        .collect()
}

/// Median over the bands, dB; `None` without any.
#[must_use]
pub fn median_db(bands: &[BandSnr]) -> Option<f64> {
    let mut list: Vec<f64> = bands.iter().map(|b| b.snr_db).collect();
    list.sort_by(f64::total_cmp);
    let last = list.len().checked_sub(1)?;
    Some(0.5 * (list[last / 2] + list[list.len() / 2]))
}

#[cfg(test)]
#[path = "background_tests.rs"]
mod tests;
