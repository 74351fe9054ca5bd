//! Stretches of a capture that do not follow from anything: a truck that passed during the sweep, a rattle, hum.
//!
//! With C the covariance of a series (noise and model discrepancy) and r its residuals under the best model, the residual of point i
//! against what all other points say is
//!
//! ```text
//! e_i = (C⁻¹r)_i / (C⁻¹)_ii      with standard deviation (C⁻¹)_ii^(−1/2)
//! ```
//!
//! Points that stand out by more than `STANDS_OUT` standard deviations, with their neighbours as far as those stand out by
//! `FRINGE`, form a stretch. There the noise variance is raised by e², so that the stretch says little, and everything is fitted
//! again. That is kept if the evidence grows by more than what a stretch costs, so that a fault which the model knows is not mistaken for a
//! disturbance.
//!
//! Looking with the fitted discrepancy alone would hide a large disturbance, which widens it; the usual one is used where it is
//! smaller. A door that slams can spoil a whole take: then all of it loses weight.
//!
//! Reference: leave-one-out residuals of a Gaussian process, Rasmussen & Williams 2006, section 5.4.2 (from memory).

use super::residual::{Comparison, Evaluated};
use super::whiten::{Kernel, Whitener};

/// Standard deviations beyond which a point stands out: by chance in one of 150,000 points.
const STANDS_OUT: f64 = 4.5;
/// Neighbours belong to a stretch from here on.
const FRINGE: f64 = 2.5;
/// Neighbours farther away than this (ln f) do not: a sixth of an octave.
const REACH: f64 = 0.116;
/// Discrepancy of a model that fits.
const USUAL: (f64, f64) = (0.01, 0.3);
/// Discrepancy, nepers, from which the best model explains a capture so badly that the sound one is looked at, too: 0.26 dB.
pub const BADLY: f64 = 0.03;
/// Logarithm of the prior odds of a disturbed stretch.
pub const COST: f64 = -4.6;

/// A disturbed stretch of one series.
#[derive(Debug, Clone, PartialEq)]
pub struct Stretch {
    /// Index of the series.
    pub series: usize,
    /// Points.
    pub points: std::ops::Range<usize>,
    /// Lowest frequency, Hz.
    pub low_hz: f64,
    /// Highest frequency, Hz.
    pub high_hz: f64,
    /// Largest deviation, standard deviations.
    pub deviation: f64,
    /// Largest deviation, nepers or radians.
    pub size: f64,
    /// Variance to be added to each point: the square of the largest deviation near it; empty where stretches were joined.
    pub extra: Vec<f64>,
}

/// Misfit, nepers (0.3 dB), from which a capture can contradict the others, and how many times that of the next worst it is then.
const CONTRADICTS: (f64, f64) = (0.0345, 4.0);
/// Share of a capture's points beyond which its stretches are no disturbances: the model does not follow it.
const LOST: f64 = 0.5;

/// How far the best model misses each series, nepers: the size of the discrepancy, and where most of a series lost its weight
/// the RMS of what is left of all of it.
#[must_use]
pub fn misfits(
    comparison: &Comparison,
    evaluated: &Evaluated,
    kernels: &[Kernel],
    disturbed: &[Stretch],
) -> Vec<f64> {
    let one = |n: usize| {
        let points = comparison.series[n].x.len();
        let lost: usize = disturbed
            .iter()
            .filter(|d| d.series == n)
            .map(|d| d.points.len())
            .sum();
        if lost as f64 <= LOST * points as f64 {
            return kernels[n].sigma;
        }
        let sum: f64 = evaluated.residual[n][0].iter().map(|r| r * r).sum();
        (sum / points as f64).sqrt().max(kernels[n].sigma)
    };
    (0..kernels.len()).map(one).collect()
}

/// The series that the best model fits far worse than all others, of three or more: it was captured of something else.
#[must_use]
pub fn contradicting(misfits: &[f64]) -> Option<usize> {
    let mut order: Vec<usize> = (0..misfits.len()).collect();
    order.sort_by(|&a, &b| misfits[b].total_cmp(&misfits[a]));
    let [worst, next, _, ..] = order[..] else {
        return None;
    };
    let [most, others] = [worst, next].map(|n| misfits[n]);
    (most > CONTRADICTS.0 && most > CONTRADICTS.1 * others).then_some(worst)
}

/// Disturbed stretches of all series under the best model.
#[must_use]
pub fn stretches(
    comparison: &Comparison,
    evaluated: &Evaluated,
    kernels: &[Kernel],
) -> Vec<Stretch> {
    let mut list = Vec::new();
    for (n, (s, parts)) in comparison
        .series
        .iter()
        .zip(&evaluated.residual)
        .enumerate()
    {
        let kernel = if kernels[n].sigma > USUAL.0 {
            Kernel::exponential(USUAL.0, USUAL.1)
        } else {
            kernels[n]
        };
        let Ok(whitener) = Whitener::new(&s.x, &s.variance, &kernel) else {
            continue;
        };
        let points = s.x.len();
        let mut score = vec![0.0_f64; points];
        let mut size = vec![0.0_f64; points];
        let used = if s.has_phase { 2 } else { 1 };
        let whitened: Vec<Vec<f64>> = parts
            .iter()
            .take(used)
            .map(|r| {
                let mut w = r.clone();
                whitener.apply(&mut w);
                w
            })
            .collect();
        for i in 0..points {
            let mut unit = vec![0.0; points];
            unit[i] = 1.0;
            whitener.apply(&mut unit);
            let precision: f64 = unit.iter().map(|v| v * v).sum();
            for w in &whitened {
                let e = unit.iter().zip(w).map(|(a, b)| a * b).sum::<f64>() / precision;
                let z = e.abs() * precision.sqrt();
                if z > score[i] {
                    score[i] = z;
                    size[i] = e.abs();
                }
            }
        }
        let found = grouped(&s.x, &score);
        list.extend(found.into_iter().map(|points| {
            Stretch {
                series: n,
                low_hz: s.x[points.start].exp(),
                high_hz: s.x[points.end - 1].exp(),
                deviation: score[points.clone()].iter().copied().fold(0.0, f64::max),
                size: size[points.clone()].iter().copied().fold(0.0, f64::max),
                extra: points
                    .clone()
                    .map(|i| {
                        let near = |k: &usize| (s.x[*k] - s.x[i]).abs() <= 0.5 * REACH;
                        let most = points
                            .clone()
                            .filter(near)
                            .map(|k| size[k])
                            .fold(0.0, f64::max);
                        most * most
                    })
                    .collect(),
                points,
            }
        }));
    }
    list
}

/// Runs of points that stand out, with their fringes.
fn grouped(x: &[f64], score: &[f64]) -> Vec<std::ops::Range<usize>> {
    let mut list: Vec<std::ops::Range<usize>> = Vec::new();
    for i in (0..x.len()).filter(|&i| score[i] > STANDS_OUT) {
        let grow = |step: i64| -> usize {
            let mut end = i;
            let mut last = i;
            let mut at = i as i64 + step;
            while let Some(&place) = usize::try_from(at).ok().and_then(|a| x.get(a)) {
                if (place - x[last]).abs() > REACH {
                    break;
                }
                if score[at as usize] > FRINGE {
                    end = at as usize;
                    last = at as usize;
                }
                at += step;
            }
            end
        };
        let (from, to) = (grow(-1), grow(1) + 1);
        match list.last_mut() {
            Some(last) if last.end >= from => last.end = last.end.max(to),
            _ => list.push(from..to),
        }
    }
    list
}

/// Stretches of one series that touch, joined.
#[must_use]
pub fn joined(mut stretches: Vec<Stretch>) -> Vec<Stretch> {
    stretches.sort_by_key(|s| (s.series, s.points.start));
    let mut list: Vec<Stretch> = Vec::new();
    for s in stretches {
        match list.last_mut() {
            Some(last) if last.series == s.series && (s.low_hz / last.high_hz).ln() <= REACH => {
                last.points.end = last.points.end.max(s.points.end);
                last.high_hz = last.high_hz.max(s.high_hz);
                last.deviation = last.deviation.max(s.deviation);
                last.size = last.size.max(s.size);
                last.extra.clear();
            }
            _ => list.push(s),
        }
    }
    list
}

/// The comparison with less weight on the stretches.
#[must_use]
pub fn with_less_weight(comparison: &Comparison, stretches: &[Stretch]) -> Comparison {
    let mut lighter = comparison.clone();
    for s in stretches {
        let variance = &mut lighter.series[s.series].variance[s.points.clone()];
        for (v, extra) in variance.iter_mut().zip(&s.extra) {
            *v += extra;
        }
    }
    lighter
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_takes_its_fringes_and_nothing_beyond_a_quiet_gap() {
        let x: Vec<f64> = (0..40).map(|i| f64::from(i) * 0.0144).collect();
        let mut score = vec![1.0; 40];
        score[10] = 5.0;
        score[11] = 3.0;
        score[14] = 2.6;
        score[30] = 2.9;
        let first = grouped(&x, &score);
        assert_eq!((first.len(), &first[0]), (1, &(10..15)));
        score[29] = 6.0;
        assert_eq!(grouped(&x, &score), [10..15, 29..31]);
        assert!(grouped(&x, &[1.0; 40]).is_empty());
    }
}
