//! Several takes of one thing: their mean, weighted with their noise, without those that something spoiled.
//!
//! ```text
//! v = Σ w_k·v_k/Σ w_k,   w_k = 1/σ_k²          1/σ² = Σ 1/σ_k²        two takes of one noise: 3.01 dB less of it
//! d_k(band) = mean over the band of ln(v_k/m),  m the median of the takes in level and in phase
//! ```
//!
//! A take whose d_k is larger in some one-third octave than noise and a usual bench explain is left out, the worst first, as long as two
//! remain that agree. Of two that disagree it cannot be told which is wrong: both count, with a noise that holds their
//! difference. Where time zero is not known, the takes are first laid on the first one by a delay.
//!
//! Reference: weighted mean and its variance, JCGM 100:2008, F.1.2.4 and 4.2.3 (from memory).

use super::scaled::noisy;
use super::{Repeat, Response, TakeWarning};
use crate::signal::bands::third_octaves;
use num_complex::Complex64;
use std::f64::consts::TAU;

/// What a warming coil or a nudged microphone changes between two takes, nepers (0.3 dB; common practice, no
/// published source).
const BENCH: f64 = 0.035;
/// Standard deviations of noise that are added to it.
const NOISE_SD: f64 = 4.0;
/// SNR from which a one-third octave is usable, dB (contract).
const USABLE_DB: f64 = 20.0;
/// dB per neper.
const DB: f64 = 8.685_889_638_065_037;

/// The mean of several takes; one is given back as it is. The list must not be empty: an empty one gives nothing to
/// average and is a mistake of the caller, for which the first element stands.
#[must_use]
pub fn average(mut list: Vec<Response>) -> Response {
    let mut used = vec![true; list.len()];
    if list.len() < 2 || list.iter().any(|r| r.frequency_hz != list[0].frequency_hz) {
        return list.swap_remove(0);
    }
    if !list[0].timed {
        lay_on_first(&mut list);
    }
    let mut warnings = Vec::new();
    loop {
        let kept: Vec<usize> = (0..list.len()).filter(|&k| used[k]).collect();
        let Some(worst) = worst(&list, &kept) else {
            break;
        };
        if kept.len() < 3 {
            warnings.push(TakeWarning::RepeatsDisagree {
                center_hz: worst.center_hz,
                // Both lie half of it from their mean.
                difference_db: 2.0 * worst.difference_db,
            });
            break;
        }
        used[worst.take] = false;
        let take = &list[worst.take].take;
        warnings.push(TakeWarning::RepeatDropped {
            file: take.file.clone(),
            start_s: take.start_s,
            center_hz: worst.center_hz,
            difference_db: worst.difference_db,
        });
    }
    mean(list, &used, warnings)
}

/// Turns each response by the delay that lays it best on the first.
fn lay_on_first(list: &mut [Response]) {
    let (first, rest) = list.split_at_mut(1);
    for r in rest {
        // Slope of the phase of the ratio, in steps of frequency small enough not to wrap.
        let ratio: Vec<Complex64> = r
            .value
            .iter()
            .zip(&first[0].value)
            .map(|(a, b)| a / b)
            .collect();
        let highest = r.frequency_hz.last().copied().unwrap_or(1.0);
        let score = |tau: f64| -> f64 {
            let turned = ratio.iter().zip(&r.frequency_hz).map(|(q, f)| {
                (q / q.norm().max(f64::MIN_POSITIVE)) * Complex64::cis(TAU * f * tau)
            });
            turned.sum::<Complex64>().re
        };
        // The start of a sweep is found within a sample or two of the reduced rate: less than a period.
        let step = 1.0 / (32.0 * highest);
        let coarse = (-64..=64)
            .map(|n| f64::from(n) * step)
            .max_by(|a, b| score(*a).total_cmp(&score(*b)))
            .unwrap_or(0.0);
        let (l, m, h) = (score(coarse - step), score(coarse), score(coarse + step));
        let bend = l - 2.0 * m + h;
        let tau = coarse
            + if bend < 0.0 {
                0.5 * step * (l - h) / bend
            } else {
                0.0
            };
        for (v, f) in r.value.iter_mut().zip(&r.frequency_hz) {
            *v *= Complex64::cis(TAU * f * tau);
        }
    }
}

struct Worst {
    take: usize,
    center_hz: f64,
    difference_db: f64,
    over: f64,
}

/// The take that is farthest from the others, in what noise and bench explain; `None` if none is farther.
fn worst(list: &[Response], kept: &[usize]) -> Option<Worst> {
    let frequency_hz = &list[0].frequency_hz;
    let middle: Vec<Complex64> = (0..frequency_hz.len())
        .map(|i| {
            // Level and phase against the first of them, so that the phase does not wrap.
            let base = list[kept[0]].value[i];
            let mut ln: Vec<Complex64> = kept
                .iter()
                .map(|&k| (list[k].value[i] / base).ln())
                .collect();
            ln.sort_by(|a, b| a.re.total_cmp(&b.re));
            let re = median(ln.iter().map(|l| l.re).collect());
            let im = median(ln.iter().map(|l| l.im).collect());
            base * Complex64::new(re, im).exp()
        })
        .collect();
    let [low, high] = usable(list, kept);
    let mut found: Option<Worst> = None;
    for band in third_octaves(low, high) {
        let inside: Vec<usize> = (0..frequency_hz.len())
            .filter(|&i| (band.low_hz..band.high_hz).contains(&frequency_hz[i]))
            .collect();
        if inside.is_empty() {
            continue;
        }
        let count = inside.len() as f64;
        for &k in kept {
            let r = &list[k];
            let apart = inside
                .iter()
                .map(|&i| (r.value[i] / middle[i]).ln())
                .sum::<Complex64>()
                .norm()
                / count;
            // Neighbours share their noise: the mean of a band is taken for no better than one point. The median carries
            // noise too, never more than a take of its own.
            let noise = |r: &Response| {
                let sum = inside
                    .iter()
                    .map(|&i| (r.noise_rms[i] / r.value[i].norm()).powi(2))
                    .sum::<f64>();
                sum / count
            };
            let others = kept.iter().map(|&k| noise(&list[k])).sum::<f64>() / kept.len() as f64;
            let expected = BENCH + NOISE_SD * (noise(r) + others).sqrt();
            let over = apart / expected;
            if over > 1.0 && found.as_ref().is_none_or(|w| over > w.over) {
                found = Some(Worst {
                    take: k,
                    center_hz: band.nominal_hz,
                    difference_db: apart * DB,
                    over,
                });
            }
        }
    }
    found
}

fn median(mut x: Vec<f64>) -> f64 {
    x.sort_by(f64::total_cmp);
    let n = x.len();
    0.5 * (x[(n - 1) / 2] + x[n / 2])
}

/// Where any of the takes is usable: what one hears well enough, the mean hears better.
fn usable(list: &[Response], kept: &[usize]) -> [f64; 2] {
    kept.iter()
        .map(|&k| list[k].take.usable_hz)
        .reduce(|a, b| [a[0].min(b[0]), a[1].max(b[1])])
        .unwrap_or([0.0, 0.0])
}

/// The weighted mean of the used takes.
fn mean(mut list: Vec<Response>, used: &[bool], warnings: Vec<TakeWarning>) -> Response {
    let kept: Vec<usize> = (0..list.len()).filter(|&k| used[k]).collect();
    let disagree = warnings
        .iter()
        .any(|w| matches!(w, TakeWarning::RepeatsDisagree { .. }));
    let points = list[0].frequency_hz.len();
    let mut value = Vec::with_capacity(points);
    let mut noise_rms = Vec::with_capacity(points);
    for i in 0..points {
        let weight: Vec<f64> = kept
            .iter()
            .map(|&k| {
                1.0 / list[k].noise_rms[i]
                    .max(1e-12 * list[k].value[i].norm())
                    .powi(2)
            })
            .collect();
        let total: f64 = weight.iter().sum();
        let v: Complex64 = kept
            .iter()
            .zip(&weight)
            .map(|(&k, w)| list[k].value[i] * w)
            .sum::<Complex64>()
            / total;
        let mut variance = 1.0 / total;
        if disagree {
            let count = kept.len() as f64;
            let scatter = kept
                .iter()
                .map(|&k| (list[k].value[i] - v).norm_sqr())
                .sum::<f64>()
                / (count * (count - 1.0));
            variance = variance.max(scatter);
        }
        value.push(v);
        noise_rms.push(variance.sqrt());
    }
    let repeats: Vec<Repeat> = list
        .iter()
        .zip(used)
        .map(|(r, used)| Repeat {
            file: r.take.file.clone(),
            digest: r.take.digest.clone(),
            start_s: r.take.start_s,
            used: *used,
        })
        .collect();
    let mut told = Vec::new();
    for &k in &kept {
        for w in &list[k].take.warnings {
            // Where the mean is usable is told once, below.
            if !told.contains(w) && !matches!(w, TakeWarning::Noisy { .. }) {
                told.push(w.clone());
            }
        }
    }
    told.extend(warnings);
    let snr_bands: Vec<(f64, f64)> = list[0]
        .take
        .snr_bands
        .iter()
        .enumerate()
        .map(|(b, &(center, _))| {
            let power: f64 = kept
                .iter()
                .filter_map(|&k| list[k].take.snr_bands.get(b))
                .map(|(_, db)| 10f64.powf(db / 10.0))
                .sum();
            (center, 10.0 * power.log10())
        })
        .collect();
    let usable_hz = usable(&list, &kept);
    told.extend(noisy(&list[kept[0]].frequency_hz, usable_hz));
    let inside: Vec<f64> = snr_bands
        .iter()
        .filter(|(c, db)| usable_hz[0] <= *c && *c <= usable_hz[1] && *db >= USABLE_DB)
        .map(|(_, db)| *db)
        .collect();
    let count = kept.len() as f64;
    let drift_ppm = kept.iter().map(|&k| list[k].take.drift_ppm).sum::<f64>() / count;
    let clipped = kept.iter().any(|&k| list[k].take.clipped);
    let mut first = list.swap_remove(kept[0]);
    if !inside.is_empty() {
        first.take.snr_db = median(inside);
    }
    // What is told of several takes, each in the same words, is told once.
    told.dedup();
    first.value = value;
    first.noise_rms = noise_rms;
    first.take.snr_bands = snr_bands;
    first.take.usable_hz = usable_hz;
    first.take.drift_ppm = drift_ppm;
    first.take.clipped = clipped;
    first.take.warnings = told;
    first.take.repeats = repeats;
    first
}

#[cfg(test)]
#[path = "repeats_tests.rs"]
mod tests;
