//! What is wrong with a take, told while the cabinet still stands there.
//!
//! The take is compared with the design it is meant for (its sign, and whether another probe fits it much better) and with an
//! earlier take of the same kind. A cabinet that differs from its design is no fault of a take: only signs and
//! gross confusions are judged here, the rest is the business of `verify`.
//!
//! ```text
//! d_i = 20·lg|M_i/S_i|,  shape = standard deviation of d_i over the usable band      (a free level drops out)
//! sign = sign of Re Σ (M_i/S_i)/|M_i/S_i|·e^(jω_i·τ) at the delay τ where its magnitude is largest
//! ```

use crate::design::{AirConditions, Design};
use crate::measure::{Observation, Response, TakeWarning, warning_text};
use crate::model::network::Network;
use crate::model::{ModelError, Observed};
use crate::signal::bands::{ThirdOctave, third_octaves};
use crate::verify::bands::{self, Reach};
use num_complex::Complex64;
use std::f64::consts::TAU;
use std::fmt;

/// Least signal over noise in a one-third octave of the judged band for it to be judged at all, dB (contract: usable).
const USABLE_DB: f64 = 20.0;
/// Difference between two takes of one thing that a warming coil or a nudged microphone makes, dB (common practice, no
/// published source).
const REPEATS_WITHIN_DB: f64 = 0.3;
/// Standard deviations of noise that are added to it.
const NOISE_SD: f64 = 3.0;
/// A take is held for one of another probe where that fits its shape this many times better, and its own not within this, dB
/// (judgement: a faulty cabinet rarely moves its own response by more).
const CONFUSED: (f64, f64) = (3.0, 4.0);
/// Largest delay of a microphone that is looked for, s: six metres and the card's own.
const LONGEST_DELAY_S: f64 = 0.02;
/// Share of the points that must agree about a sign.
const AGREE: f64 = 0.6;

/// What is to be done about a remark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Weight {
    /// Good to know.
    Note,
    /// Look before going on.
    Look,
    /// Record again.
    Again,
}

/// Something about a take that the operator should know at once.
#[derive(Debug, Clone, PartialEq)]
pub enum Remark {
    /// Found in the recording itself.
    Take(TakeWarning),
    /// Bands of the judged band that are too near to the noise to be judged.
    TooQuiet {
        /// Midbands, Hz.
        center_hz: Vec<f64>,
        /// The worst of them, dB.
        least_db: f64,
    },
    /// Bands of the judged band that the sweep does not cover.
    Unswept {
        /// Midbands, Hz.
        center_hz: Vec<f64>,
        /// What it covers, Hz.
        swept_hz: [f64; 2],
    },
    /// Less signal over noise than wanted.
    Quieter {
        /// Median over the usable band, dB.
        snr_db: f64,
        /// Wanted, dB.
        wanted_db: f64,
    },
    /// Upside down against the design.
    Inverted,
    /// Another probe fits much better.
    Elsewhere {
        /// That probe, or `impedance`.
        place: String,
        /// How far its shape is from the take, dB.
        there_db: f64,
        /// How far the intended one is, dB.
        here_db: f64,
    },
    /// Differs from the take before it.
    NotRepeated {
        /// Band of the largest difference, Hz.
        center_hz: f64,
        /// This take less that one, dB.
        difference_db: f64,
        /// What noise and a usual bench explain, dB.
        expected_db: f64,
    },
}

impl Remark {
    /// What is to be done about it.
    #[must_use]
    pub fn weight(&self) -> Weight {
        match self {
            Self::Take(
                TakeWarning::Clipped { .. }
                | TakeWarning::LostSamples { .. }
                | TakeWarning::ShortTail { .. },
            )
            | Self::TooQuiet { .. }
            | Self::NotRepeated { .. } => Weight::Again,
            Self::Take(TakeWarning::Inverted)
            | Self::Inverted
            | Self::Elsewhere { .. }
            | Self::Unswept { .. }
            | Self::Take(TakeWarning::Hum { .. }) => Weight::Look,
            Self::Quieter { .. } | Self::Take(_) => Weight::Note,
        }
    }
}

impl fmt::Display for Remark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Take(warning) => f.write_str(&warning_text::text(warning)),
            Self::TooQuiet {
                center_hz,
                least_db,
            } => {
                write!(
                    f,
                    "too near to the noise at {} Hz (worst {least_db:.0} dB, {USABLE_DB:.0} dB needed without a gap): play louder or longer, or wait for quiet",
                    midbands(center_hz)
                )
            }
            Self::Unswept {
                center_hz,
                swept_hz: [low, high],
            } => write!(
                f,
                "the target's bands at {} Hz cannot be judged, because the sweep goes from {low:.0} to {high:.0} Hz: begin a set with another --start-hz or --stop-hz",
                midbands(center_hz)
            ),
            Self::Quieter { snr_db, wanted_db } => write!(
                f,
                "{snr_db:.0} dB over the noise, {wanted_db:.0} dB were wanted: intervals will be wider"
            ),
            Self::Inverted => f.write_str(
                "upside down against the design: check the leads of microphone and driver, or the driver is wired inverted",
            ),
            Self::Elsewhere {
                place,
                there_db,
                here_db,
            } => write!(
                f,
                "looks like {place} (shape within {there_db:.1} dB, {here_db:.1} dB here): check where the microphone stands and which cables are plugged"
            ),
            Self::NotRepeated {
                center_hz,
                difference_db,
                expected_db,
            } => write!(
                f,
                "{difference_db:+.2} dB against the take before at {center_hz:.0} Hz, {expected_db:.2} dB would be usual: something moved, or something was heard; record again"
            ),
        }
    }
}

fn midbands(center_hz: &[f64]) -> String {
    let list: Vec<String> = center_hz.iter().map(|c| format!("{c}")).collect();
    list.join(", ")
}

/// Judges a take that was just made. `earlier` is a take of the same thing before it.
///
/// # Errors
/// [`ModelError`] if the design cannot be simulated.
pub fn judge(
    design: &Design,
    air: &AirConditions,
    response: &Response,
    earlier: Option<&Response>,
    wanted_snr_db: f64,
) -> Result<Vec<Remark>, ModelError> {
    let mut remarks: Vec<Remark> = response
        .take
        .warnings
        .iter()
        .filter(|w| !matches!(w, TakeWarning::Noisy { .. }))
        .cloned()
        .map(Remark::Take)
        .collect();
    remarks.extend(noise(design, response, wanted_snr_db));
    let usable = usable(response);
    // Fewer points say nothing about a shape.
    if usable.len() >= 48 {
        remarks.extend(against_design(design, air, response, &usable)?);
    }
    remarks.extend(earlier.and_then(|before| against_earlier(response, before)));
    remarks.sort_by_key(|r| std::cmp::Reverse(r.weight()));
    Ok(remarks)
}

/// What keeps bands of the target from being judged, by the rule that `verify` has ([`bands::reach`]).
fn noise(design: &Design, response: &Response, wanted_db: f64) -> Vec<Remark> {
    let (Some(&low), Some(&high)) = (response.frequency_hz.first(), response.frequency_hz.last())
    else {
        return Vec::new();
    };
    let [from, to] = design.target.map_or([low, high], |t| t.band_hz);
    let all = bands::judged_bands(design, low.min(from), high.max(to));
    let reached = |wanted: Reach| -> Vec<&ThirdOctave> {
        all.iter()
            .filter(|band| bands::reach(response, band) == wanted)
            .collect()
    };
    let center = |list: &[&ThirdOctave]| list.iter().map(|b| b.nominal_hz).collect();
    let mut remarks = Vec::new();
    let poor = reached(Reach::Quiet);
    if !poor.is_empty() {
        let levels = poor.iter().map(|b| bands::snr_db(response, b));
        remarks.push(Remark::TooQuiet {
            center_hz: center(&poor),
            least_db: levels.fold(f64::INFINITY, f64::min),
        });
    } else if response.take.snr_db < wanted_db {
        remarks.push(Remark::Quieter {
            snr_db: response.take.snr_db,
            wanted_db,
        });
    }
    let beyond = reached(Reach::Unswept);
    // Without a target nothing was asked for beyond the sweep.
    if design.target.is_some() && !beyond.is_empty() {
        remarks.push(Remark::Unswept {
            center_hz: center(&beyond),
            swept_hz: [low, high],
        });
    }
    remarks
}

/// Points of the response inside its usable band.
fn usable(response: &Response) -> Vec<usize> {
    let [low, high] = response.take.usable_hz;
    (0..response.frequency_hz.len())
        .filter(|&i| (low..=high).contains(&response.frequency_hz[i]))
        .filter(|&i| response.value[i].norm() > 0.0)
        .collect()
}

fn against_design(
    design: &Design,
    air: &AirConditions,
    response: &Response,
    usable: &[usize],
) -> Result<Vec<Remark>, ModelError> {
    let network = Network::new(design, air)?;
    let frequency_hz: Vec<f64> = usable.iter().map(|&i| response.frequency_hz[i]).collect();
    let mut places: Vec<(Observed, &str)> = vec![(Observed::Impedance, "impedance")];
    places.extend(
        design
            .probes
            .iter()
            .enumerate()
            .map(|(i, p)| (Observed::Probe(i), p.name.as_str())),
    );
    let observed: Vec<Observed> = places.iter().map(|p| p.0).collect();
    let drive_v = response.drive_v.unwrap_or(design.drive.voltage_v);
    let simulated = network.respond(&frequency_hz, &observed, drive_v);
    let label = response.observation.label();
    let Some(own) = places.iter().position(|p| p.1 == label) else {
        return Ok(Vec::new());
    };
    let ratio: Vec<Vec<Complex64>> = simulated
        .iter()
        .map(|s| {
            let pairs = usable.iter().zip(s);
            pairs.map(|(&i, s)| response.value[i] / s).collect()
        })
        .collect();
    let mut remarks = Vec::new();
    let here_db = shape_db(&ratio[own]);
    let best = ratio
        .iter()
        .enumerate()
        .map(|(n, r)| (n, shape_db(r)))
        .filter(|(_, db)| db.is_finite())
        .min_by(|a, b| a.1.total_cmp(&b.1));
    if let Some((n, there_db)) = best
        && n != own
        && here_db > CONFUSED.1
        && here_db > CONFUSED.0 * there_db
    {
        remarks.push(Remark::Elsewhere {
            place: places[n].1.to_string(),
            there_db,
            here_db,
        });
    } else if matches!(response.observation, Observation::Pressure { .. })
        && response.has_phase
        && sign(&frequency_hz, &ratio[own]) == Some(-1)
    {
        remarks.push(Remark::Inverted);
    }
    Ok(remarks)
}

/// Standard deviation of the level of a ratio, dB.
fn shape_db(ratio: &[Complex64]) -> f64 {
    let level: Vec<f64> = ratio.iter().map(|r| 20.0 * r.norm().log10()).collect();
    let count = level.len() as f64;
    let mean = level.iter().sum::<f64>() / count;
    (level.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / count).sqrt()
}

/// Whether a ratio is about +1 or −1 but for a delay; `None` where its phase is neither.
fn sign(frequency_hz: &[f64], ratio: &[Complex64]) -> Option<i8> {
    let unit: Vec<Complex64> = ratio.iter().map(|r| r / r.norm()).collect();
    let highest = frequency_hz.iter().copied().fold(1.0, f64::max);
    // A sixteenth of the shortest period.
    let step_s = 1.0 / (16.0 * highest);
    let steps = (LONGEST_DELAY_S / step_s).ceil() as i64;
    let sum = (-steps..=steps)
        .map(|n| {
            let tau = n as f64 * step_s;
            unit.iter()
                .zip(frequency_hz)
                .map(|(u, f)| (u * Complex64::cis(TAU * f * tau)).re)
                .sum::<f64>()
        })
        .max_by(|a, b| a.abs().total_cmp(&b.abs()))?;
    match sum / unit.len() as f64 {
        s if s > AGREE => Some(1),
        s if s < -AGREE => Some(-1),
        _ => None,
    }
}

/// Differs by more than noise and bench from an earlier take, in the band where it is worst.
fn against_earlier(now: &Response, before: &Response) -> Option<Remark> {
    if now.frequency_hz != before.frequency_hz {
        return None;
    }
    let [low, high] = [
        now.take.usable_hz[0].max(before.take.usable_hz[0]),
        now.take.usable_hz[1].min(before.take.usable_hz[1]),
    ];
    third_octaves(low, high)
        .iter()
        .filter(|b| b.low_hz >= low && b.high_hz <= high)
        .filter_map(|band| {
            let inside: Vec<usize> = (0..now.frequency_hz.len())
                .filter(|&i| (band.low_hz..band.high_hz).contains(&now.frequency_hz[i]))
                .collect();
            let count = inside.len() as f64;
            let difference_db = inside
                .iter()
                .map(|&i| 20.0 * (now.value[i].norm() / before.value[i].norm()).log10())
                .sum::<f64>()
                / count;
            // Neighbours share their noise, so that the mean of a band is taken for no better than one point.
            let relative = |r: &Response| {
                inside
                    .iter()
                    .map(|&i| (r.noise_rms[i] / r.value[i].norm()).powi(2))
                    .sum::<f64>()
                    / (2.0 * count)
            };
            let noise_db = 8.685_889_638 * (relative(now) + relative(before)).sqrt();
            let expected_db = REPEATS_WITHIN_DB + NOISE_SD * noise_db;
            (difference_db.abs() > expected_db).then_some((
                difference_db.abs() / expected_db,
                Remark::NotRepeated {
                    center_hz: band.nominal_hz,
                    difference_db,
                    expected_db,
                },
            ))
        })
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, remark)| remark)
}

#[cfg(test)]
#[path = "judge_tests.rs"]
mod tests;
