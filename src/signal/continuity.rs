//! Whether a recorded reference is the sweep without a gap: lost or repeated frames, and the drift of two clocks.
//!
//! In windows of one period (at least 4 ms) the recording is fitted by `a·sin φ + b·cos φ + c`, where φ is the phase of the
//! ideal sweep. What is left of the phase, θ, is smooth in ln f for every analogue path:
//!
//! ```text
//! delay τ, clock fast by δ     θ = −2πf·(τ + δ·t)
//! N frames lost at f_s         θ jumps by 2πf·N/rate for all f > f_s, whole turns aside
//! ```
//!
//! Because a logarithmic sweep that is cut by N frames is the same sweep with a delay, the jump has a height at f_s and a slope
//! behind it: where the height is a whole number of turns, the slope tells. Around every window a cubic in ln f is fitted
//! without and with a jump and a slope that begin there, at two widths: ±16 windows for the height, ±0.3 octaves for the
//! slope. A jump counts where it lowers the sum of squares by more than noise and the curvature of an analogue path can.
//!
//! The smallest jump of delay that is found is about `least(f)/(2πf)`: at 48 kHz some hundred frames at 5 Hz and one frame
//! at 300 Hz. Frames that are lost in the first two periods, in the fade-out, or in the silence are not seen here. A step that is filled up with silence does not shift the phase: runs of exact zeros are looked for as well.
//!
//! References: Farina 2000, AES 108th Convention (the sweep). The thresholds are our own and stand at their constants.

mod track;

use super::decimate::{Decimator, factor_for};
use super::deconvolve::find;
use super::sweep::Sweep;
use realfft::RealFftPlanner;
use std::f64::consts::TAU;
use std::fmt;
use track::{Window, windows};

/// How far a loop-back must stand out of the matched filter's output (as in `deconvolve`).
const STANDS_OUT: f64 = 25.0;
/// Windows on each side of a place for the narrow test.
const SIDE: usize = 16;
/// Windows that a jump in the middle of one touches, on each side: four windows cover a period.
const TOUCHED: usize = 2;
/// Width of the wide test on each side, octaves.
const WIDE_OCTAVES: f64 = 0.3;
/// Fewest windows on a side.
const FEWEST: usize = 3;
/// Phase that a sound path may jump by, rad: rounding, hum, a meter that is switched.
const LEAST_RAD: f64 = 0.03;
/// Curvature of a sound path: what a cubic over ±o octaves leaves of the phase of a second-order high-pass of Q = 0.7 is of
/// the order of (o·ln 2/0.79)⁴, 0.79 rad being how far its poles lie off the frequency axis; half of it, rad.
const CURVED_RAD: f64 = 0.5;
/// Standard deviations of the noise that a jump must exceed: some ten thousand places are looked at.
const NOISE_SD: f64 = 8.0;
/// Windows that share samples: their noise counts once.
const SHARED: f64 = 4.0;
/// Difference of two clocks that moves the windows noticeably, and the largest that is tried.
const SLOW_CLOCK: f64 = 1e-4;
const FAST_CLOCK: f64 = 2e-3;
/// Parts of the upper three octaves, each of which is left out once for the standard deviation of the drift.
const PARTS: usize = 8;
/// The drift is stated no better than this, ppm: rounding of single precision.
const LEAST_DRIFT_SD_PPM: f64 = 0.05;
/// Where the drift is known no better than this, ppm, the windows do not follow the sweep at all.
const MOST_DRIFT_SD_PPM: f64 = 100.0;
/// Windows among which the best split is looked for.
const MOST_SPLITS: usize = 160;
/// A window that fits the sweep no better than this, rad, holds none of it.
const EMPTY_RAD: f64 = 0.1;
/// Run of exact zeros within the sweep that is a gap, s: a sine passes zero much faster, also at 16 bits.
const ZEROS_S: f64 = 0.0015;

/// Frames that are missing, or too many.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Where in the recording, s.
    pub at_s: f64,
    /// What the sweep played there, Hz.
    pub frequency_hz: f64,
    /// How many frames: positive lost, negative repeated or inserted.
    pub frames: f64,
    /// The frames were replaced by silence, and the time was kept.
    pub silent: bool,
}

impl fmt::Display for Step {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let count = self.frames.abs().round().max(1.0);
        let what = if self.silent {
            "replaced by silence"
        } else if self.frames > 0.0 {
            "lost"
        } else {
            "repeated or inserted"
        };
        write!(
            f,
            "about {count:.0} frames were {what} {:.2} s after the start, near {:.1} Hz, and the sound system did not say so",
            self.at_s, self.frequency_hz
        )
    }
}

/// What a recorded reference tells.
#[derive(Debug, Clone, PartialEq)]
pub struct Continuity {
    /// Where the sweep begins, s after the start of the recording.
    pub start_s: f64,
    /// How much faster the recorder's clock is than the player's, parts per million.
    pub drift_ppm: f64,
    /// Standard deviation of it.
    pub drift_sd_ppm: f64,
    /// Lost or repeated frames, the plainest first.
    pub steps: Vec<Step>,
    /// Smallest step that would have been found: (Hz, frames), about three for each octave.
    pub smallest: Vec<(f64, f64)>,
}

/// A reference that does not tell.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum ContinuityError {
    /// The sweep is not in it.
    #[error(
        "the reference channel does not hold the sweep: check the loop-back cable and the channel map"
    )]
    NoSweep,
    /// It ends before the sweep does.
    #[error(
        "the reference channel ends {missing_s:.2} s before the sweep does: frames were lost, or the card is slower than any known one"
    )]
    Short {
        /// What is missing, s.
        missing_s: f64,
    },
    /// Too much noise on it.
    #[error(
        "the reference channel is too noisy near {frequency_hz:.0} Hz to tell whether frames were lost: raise its gain or check its cable"
    )]
    TooNoisy {
        /// Where, Hz.
        frequency_hz: f64,
    },
}

/// Where the sweep begins in a recorded reference, s; `None` if it is not there.
#[must_use]
pub fn start(reference: &[f32], rate_hz: f64, sweep: &Sweep) -> Option<f64> {
    let (reduced, reduced_hz) = reduce(reference, rate_hz, sweep, 1.0);
    let (at, stands_out) = find(&mut RealFftPlanner::new(), &reduced, sweep, reduced_hz);
    (stands_out >= STANDS_OUT).then_some(at / reduced_hz)
}

/// The lowest rate at which `over` times the highest frequency of the sweep is kept.
fn reduce(reference: &[f32], rate_hz: f64, sweep: &Sweep, over: f64) -> (Vec<f64>, f64) {
    let factor = factor_for(rate_hz, over * sweep.plan().stop_hz);
    let mut decimator = Decimator::new(factor);
    decimator.push(reference.iter().map(|&v| f64::from(v)));
    (decimator.finish(), rate_hz / factor as f64)
}

/// Looks through a recorded reference.
///
/// # Errors
/// [`ContinuityError`].
pub fn examine(
    reference: &[f32],
    rate_hz: f64,
    sweep: &Sweep,
) -> Result<Continuity, ContinuityError> {
    let first = examine_at(reference, rate_hz, sweep)?;
    let drift = first.drift_ppm * 1e-6;
    if drift.abs() < SLOW_CLOCK || drift.abs() > FAST_CLOCK {
        return Ok(first);
    }
    // Two clocks far apart move the windows off their place, and the drift is no longer in proportion to the phase. At the
    // recorder's own pace a sound path has no step left, while lost frames stay lost.
    let second = examine_at(reference, rate_hz * (1.0 + drift), sweep)?;
    let better = second.steps.len() < first.steps.len();
    if better || (first.steps.is_empty() && second.steps.is_empty()) {
        return Ok(Continuity {
            drift_ppm: 1e6 * ((1.0 + drift) * (1.0 + second.drift_ppm * 1e-6) - 1.0),
            ..second
        });
    }
    Ok(first)
}

fn examine_at(
    reference: &[f32],
    rate_hz: f64,
    sweep: &Sweep,
) -> Result<Continuity, ContinuityError> {
    let start_s = start(reference, rate_hz, sweep).ok_or(ContinuityError::NoSweep)?;
    let missing_s = start_s + sweep.plan().duration_s - reference.len() as f64 / rate_hz;
    if missing_s > 0.0 {
        return Err(ContinuityError::Short { missing_s });
    }
    let (reduced, reduced_hz) = reduce(reference, rate_hz, sweep, 4.0);
    let mut list = windows(&reduced, reduced_hz, start_s, sweep);
    // Windows behind the end of a shortened sweep hold nothing that could be compared.
    let end = cut_short(&list).map(|k| list[k]);
    if let Some(end) = end {
        list.retain(|w| w.time_s < end.time_s);
    }
    let mut found: Vec<Place> = Vec::new();
    let mut smallest: Vec<(f64, f64)> = Vec::new();
    let mut noisy = Vec::new();
    let mut poor = 0;
    for k in 0..list.len() {
        let Some(place) = test(&list, k) else {
            continue;
        };
        let hz = list[k].frequency_hz;
        if place.quiet > 1.0 {
            noisy.push(hz);
        }
        poor += usize::from(place.least > 1.0);
        let frames = place.least / (TAU * hz) * rate_hz;
        match smallest.last_mut() {
            Some(last) if hz < last.0 * 1.26 => last.1 = last.1.max(frames),
            _ => smallest.push((hz, frames)),
        }
        if place.jump > place.least {
            found.push(place);
        }
    }
    let (drift_ppm, drift_sd_ppm) = drift(&list);
    // Lost frames alone make the drift uncertain and some windows poor; without any found, nothing explains that.
    let mut gaps = silence(reference, rate_hz, start_s, sweep);
    if found.is_empty()
        && gaps.is_empty()
        && let Some(end) = end
    {
        gaps.push(Step {
            at_s: start_s + end.time_s,
            frequency_hz: end.frequency_hz,
            // At least so many: what would have followed is not there to tell.
            frames: (sweep.plan().duration_s - end.time_s) * rate_hz,
            silent: false,
        });
    }
    let nothing = found.is_empty() && gaps.is_empty();
    let astray = nothing && (poor * 3 > list.len() || drift_sd_ppm > MOST_DRIFT_SD_PPM);
    if noisy.len() * 10 > list.len() || smallest.is_empty() || drift_sd_ppm.is_nan() || astray {
        return Err(ContinuityError::TooNoisy {
            frequency_hz: noisy.first().copied().unwrap_or(sweep.plan().start_hz),
        });
    }
    let mut steps: Vec<Step> = plainest(found, &list)
        .into_iter()
        .map(|k| split(&list, k))
        .map(|k| Step {
            at_s: start_s + list[k].time_s,
            frequency_hz: list[k].frequency_hz,
            frames: lost_s(&list, k) * rate_hz,
            silent: false,
        })
        .collect();
    steps.extend(gaps);
    Ok(Continuity {
        start_s,
        drift_ppm,
        drift_sd_ppm,
        steps,
        smallest,
    })
}

/// What the tests say of one window.
#[derive(Debug, Clone, Copy)]
struct Place {
    window: usize,
    /// Equivalent jump, rad.
    jump: f64,
    /// What a jump must exceed, rad.
    least: f64,
    /// The same by the median of the noise: a few windows beyond a shortened sweep's end do not make it noisy.
    quiet: f64,
}

/// Windows beside `k`, nearest first, at most `SIDE`, evenly over `octaves` or one by one.
fn beside(list: &[Window], k: usize, up: bool, octaves: Option<f64>) -> Vec<usize> {
    let reach = if up {
        (list.len() - 1).saturating_sub(k)
    } else {
        k
    };
    let near = |n: usize| {
        let other = if up { k + n } else { k - n };
        let apart = (list[other].frequency_hz / list[k].frequency_hz).log2();
        octaves.is_none_or(|o| apart.abs() <= o)
    };
    let last = match octaves {
        None => reach.min(TOUCHED + SIDE),
        // The windows' frequencies rise, so that the farthest one within reach is found by halving.
        Some(_) => {
            let (mut low, mut high) = (0, reach);
            while low < high {
                let middle = (low + high).div_ceil(2);
                if near(middle) {
                    low = middle;
                } else {
                    high = middle - 1;
                }
            }
            low
        }
    };
    let there = last.saturating_sub(TOUCHED);
    let count = there.min(SIDE);
    (1..=count)
        .map(|n| {
            let n = TOUCHED + n * there / count;
            if up { k + n } else { k - n }
        })
        .collect()
}

/// The windows of both sides, and the columns 1, u, u², u³, jump, slope over them, u = ln(f/f_k) over its largest magnitude.
fn columns(list: &[Window], k: usize, octaves: Option<f64>) -> Option<(Vec<usize>, [Vec<f64>; 6])> {
    let below = beside(list, k, false, octaves);
    let above = beside(list, k, true, octaves);
    if below.len() < FEWEST || above.len() < FEWEST || below.len() + above.len() < 8 {
        return None;
    }
    let all: Vec<usize> = below.into_iter().chain(above).collect();
    let apart = |&n: &usize| (list[n].frequency_hz / list[k].frequency_hz).ln();
    let most = all.iter().map(|n| apart(n).abs()).fold(0.0, f64::max);
    let u: Vec<f64> = all.iter().map(|n| apart(n) / most).collect();
    let column = |f: &dyn Fn(f64) -> f64| u.iter().map(|&u| f(u)).collect();
    let columns = [
        column(&|_| 1.0),
        column(&|u| u),
        column(&|u| u * u),
        column(&|u| u * u * u),
        column(&|u| f64::from(u8::from(u > 0.0))),
        column(&|u| u.max(0.0)),
    ];
    Some((all, columns))
}

/// The wider of both tests' answers: how large a jump at window `k` is, over what it must exceed.
fn test(list: &[Window], k: usize) -> Option<Place> {
    [None, Some(WIDE_OCTAVES)]
        .into_iter()
        .filter_map(|octaves| {
            let (all, columns) = columns(list, k, octaves)?;
            let mut rest: Vec<f64> = all.iter().map(|&n| list[n].phase_rad).collect();
            let mut basis: Vec<Vec<f64>> = Vec::new();
            for column in &columns[..4] {
                project(&mut basis, column, &mut rest);
            }
            let (jump, norm) = project(&mut basis, &columns[4], &mut rest)?;
            let slope = project(&mut basis, &columns[5], &mut rest).map_or(0.0, |p| p.0);
            let mut noises: Vec<f64> = all.iter().map(|&n| list[n].sd_rad.powi(2)).collect();
            let noise = noises.iter().sum::<f64>() / noises.len() as f64;
            noises.sort_by(f64::total_cmp);
            let middle = noises[noises.len() / 2];
            let ends = all.iter().map(|&n| list[n].frequency_hz.log2());
            let (low, high) = ends.fold((f64::MAX, f64::MIN), |(a, b), f| (a.min(f), b.max(f)));
            let width = 0.5 * (high - low) * std::f64::consts::LN_2 / 0.79;
            let above = |noise: f64| {
                LEAST_RAD + CURVED_RAD * width.powi(4) + NOISE_SD * (SHARED * noise).sqrt() / norm
            };
            Some(Place {
                window: k,
                jump: jump.hypot(slope) / norm,
                least: above(noise),
                quiet: above(middle),
            })
        })
        .max_by(|a, b| (a.jump / a.least).total_cmp(&(b.jump / b.least)))
}

/// Takes a column's part that the basis lacks out of `rest` and adds it to the basis: (amount, length of that part).
fn project(basis: &mut Vec<Vec<f64>>, column: &[f64], rest: &mut [f64]) -> Option<(f64, f64)> {
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    let mut own = column.to_vec();
    // Twice, so that rounding leaves nothing of the basis in it.
    for _ in 0..2 {
        for other in &*basis {
            let part = dot(other, &own);
            own.iter_mut().zip(other).for_each(|(x, q)| *x -= part * q);
        }
    }
    let norm = dot(&own, &own).sqrt();
    if norm < 1e-9 * dot(column, column).sqrt().max(f64::MIN_POSITIVE) {
        return None;
    }
    own.iter_mut().for_each(|x| *x /= norm);
    let amount = dot(&own, rest);
    rest.iter_mut()
        .zip(&own)
        .for_each(|(r, q)| *r -= amount * q);
    basis.push(own);
    Some((amount, norm))
}

/// The coefficient of the last column in the least-squares fit of all.
fn last_coefficient(columns: &[&Vec<f64>], value: &[f64]) -> Option<f64> {
    let mut rest = value.to_vec();
    let mut basis = Vec::new();
    let mut last = None;
    for column in columns {
        last = project(&mut basis, column, &mut rest);
    }
    last.map(|(amount, norm)| amount / norm)
}

/// The plainest places, one for each jump: what lies within reach of a plainer one is that same jump.
fn plainest(mut found: Vec<Place>, list: &[Window]) -> Vec<usize> {
    found.sort_by(|a, b| (b.jump / b.least).total_cmp(&(a.jump / a.least)));
    let mut kept: Vec<usize> = Vec::new();
    for place in found {
        let far = |&other: &usize| {
            let apart = (list[place.window].frequency_hz / list[other].frequency_hz).log2();
            apart.abs() > 2.0 * WIDE_OCTAVES && place.window.abs_diff(other) > 2 * (SIDE + TOUCHED)
        };
        if kept.iter().all(far) {
            kept.push(place.window);
        }
    }
    kept
}

/// The window near `k` at which the step lies: the places that `test` finds plain lie all around a large one. For each split of
/// the windows around, a cubic with a jump and a slope there is fitted to all but those that the step would run through; the
/// least mean square that is left tells.
fn split(list: &[Window], k: usize) -> usize {
    let apart = |n: usize| (list[n].frequency_hz / list[k].frequency_hz).log2();
    let near: Vec<usize> = (0..list.len())
        .filter(|&n| apart(n).abs() <= 2.0 * WIDE_OCTAVES)
        .collect();
    let step = near.len().div_ceil(MOST_SPLITS).max(1);
    let set: Vec<usize> = near.iter().copied().step_by(step).collect();
    let left = |at: usize| -> f64 {
        let used: Vec<usize> = set
            .iter()
            .copied()
            .filter(|n| n.abs_diff(at) > TOUCHED)
            .collect();
        let u: Vec<f64> = used.iter().map(|&n| apart(n)).collect();
        let here = apart(at);
        let mut rest: Vec<f64> = used.iter().map(|&n| list[n].phase_rad).collect();
        let mut basis = Vec::new();
        for power in 0..4 {
            let column: Vec<f64> = u.iter().map(|u| u.powi(power)).collect();
            project(&mut basis, &column, &mut rest);
        }
        let above = |f: &dyn Fn(f64) -> f64| -> Vec<f64> {
            u.iter()
                .map(|u| if *u > here { f(u - here) } else { 0.0 })
                .collect()
        };
        project(&mut basis, &above(&|_| 1.0), &mut rest);
        project(&mut basis, &above(&|x| x), &mut rest);
        let free = used.len().saturating_sub(basis.len()).max(1);
        rest.iter().map(|r| r * r).sum::<f64>() / free as f64
    };
    let inner = FEWEST..set.len().saturating_sub(FEWEST);
    let best = inner
        .map(|i| (set[i], left(set[i])))
        .min_by(|a, b| a.1.total_cmp(&b.1));
    best.map_or(k, |(at, _)| at)
}

/// Where the sweep stops although its time is not over: the first of the windows at its end that hold none. A loss so near the
/// end leaves nothing behind it to be tested.
fn cut_short(list: &[Window]) -> Option<usize> {
    let holds = |w: &Window| w.sd_rad <= EMPTY_RAD;
    let last = list.iter().rposition(holds)?;
    let empty = list.len() - 1 - last;
    // Windows of which half holds some of the sweep still follow it.
    (empty >= FEWEST && last > list.len() / 2).then_some(last + 1)
}

/// The time that is lost at window `k`, s: its slope tells the whole turns, its height the rest.
fn lost_s(list: &[Window], k: usize) -> f64 {
    // Right after the beginning there are too few windows below; a little further up the step is the same.
    (k..list.len().min(k + 2 * FEWEST))
        .find_map(|k| lost_at(list, k))
        .unwrap_or(0.0)
}

fn lost_at(list: &[Window], k: usize) -> Option<f64> {
    let octaves = WIDE_OCTAVES
        .max((list[(k + SIDE).min(list.len() - 1)].frequency_hz / list[k].frequency_hz).log2());
    let (all, [one, u, square, _, jump, _]) = columns(list, k, Some(octaves))?;
    let phase: Vec<f64> = all.iter().map(|&n| list[n].phase_rad).collect();
    let hz = list[k].frequency_hz;
    let slope: Vec<f64> = all
        .iter()
        .map(|&n| TAU * (list[n].frequency_hz - hz).max(0.0))
        .collect();
    let coarse_s = last_coefficient(&[&one, &u, &square, &jump, &slope], &phase)?;
    let Some(height) = last_coefficient(&[&one, &u, &square, &slope, &jump], &phase) else {
        return Some(coarse_s);
    };
    let turns = (coarse_s * hz - height / TAU).round();
    Some((height / TAU + turns) / hz)
}

/// Runs of exact zeros where the sweep is loud.
fn silence(reference: &[f32], rate_hz: f64, start_s: f64, sweep: &Sweep) -> Vec<Step> {
    let plan = sweep.plan();
    let longest = (ZEROS_S * rate_hz).ceil() as usize;
    let mut steps = Vec::new();
    let mut run = 0;
    for (n, &value) in reference.iter().enumerate() {
        if value == 0.0 {
            run += 1;
            continue;
        }
        if run >= longest {
            let at_s = (n as f64 - 0.5 * run as f64) / rate_hz;
            let time_s = at_s - start_s;
            let margin_s = 0.5 * run as f64 / rate_hz;
            let inside = time_s - margin_s > plan.fade_in_s
                && time_s + margin_s < plan.duration_s - plan.fade_out_s;
            if inside {
                steps.push(Step {
                    at_s,
                    frequency_hz: plan.start_hz * (time_s / sweep.rate_s()).exp(),
                    frames: run as f64,
                    silent: true,
                });
            }
        }
        run = 0;
    }
    steps
}

/// Drift of the clocks and its standard deviation, parts per million, from the upper three octaves: below, the phase of
/// an analogue path is more than a delay. What the fit leaves is smooth, so that its scatter says too little: the deviation is
/// the jackknife's, with one part of the windows left out at a time (Quenouille 1956, Tukey 1958; from memory).
fn drift(list: &[Window]) -> (f64, f64) {
    let top = list.last().map_or(0.0, |w| w.frequency_hz);
    let used: Vec<&Window> = list
        .iter()
        .filter(|w| w.frequency_hz >= top / 8.0)
        .collect();
    let all = drift_of(&used, top);
    let parts: Option<Vec<f64>> = (0..PARTS)
        .map(|part| {
            let left: Vec<&Window> = used
                .iter()
                .enumerate()
                .filter(|(i, _)| i * PARTS / used.len().max(1) != part)
                .map(|(_, w)| *w)
                .collect();
            drift_of(&left, top)
        })
        .collect();
    let (Some(ppm), Some(parts)) = (all, parts) else {
        return (0.0, f64::INFINITY);
    };
    let count = PARTS as f64;
    let mean = parts.iter().sum::<f64>() / count;
    let squares: f64 = parts.iter().map(|p| (p - mean).powi(2)).sum();
    let sd = ((count - 1.0) / count * squares).sqrt();
    (ppm, sd.max(LEAST_DRIFT_SD_PPM))
}

fn drift_of(used: &[&Window], top: f64) -> Option<f64> {
    let column = |f: &dyn Fn(&Window) -> f64| used.iter().map(|w| f(w)).collect::<Vec<f64>>();
    let phase = column(&|w| w.phase_rad);
    let columns = [
        column(&|_| 1.0),
        column(&|w| w.frequency_hz / top),
        column(&|w| top / w.frequency_hz),
        column(&|w| (top / w.frequency_hz).powi(3)),
        column(&|w| -TAU * w.frequency_hz * w.time_s * 1e-6),
    ];
    let columns: Vec<&Vec<f64>> = columns.iter().collect();
    last_coefficient(&columns, &phase)
}

#[cfg(test)]
#[path = "continuity_tests.rs"]
mod tests;
