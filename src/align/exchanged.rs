//! Two captures of sound that were taken for each other: labels, channels or files that changed places.
//!
//! Settled once, as the polarity is, against the cabinet as designed. With d(c, p) the RMS over frequency of the level difference, in
//! dB, between capture c and what the design gives at probe p, captures a and b of probes A and B are exchanged if
//!
//! ```text
//! min(d(a, A), d(b, B)) > APART      max(d(a, B), d(b, A)) < min(d(a, A), d(b, B))/TIMES
//! ```
//!
//! No fault of a build does that: it would have to make the sound at each of two places that of the other. Where one level is
//! free, both are compared in shape alone. Limits are judgement («common practice, no published source»).

use super::residual::{Bench, Comparison};
use super::search::AlignError;
use crate::design::Design;
use crate::measure::{Observation, Response};
use crate::model::Observed;
use num_complex::Complex64;

/// Least difference, dB, that both captures have as they are labelled.
const APART_DB: f64 = 3.0;
/// How many times smaller the differences are the other way round.
const TIMES: f64 = 4.0;

/// Finds exchanged captures and gives each the other's probe. Returns pairs of indices of responses.
///
/// # Errors
/// [`AlignError`] if the design cannot be simulated.
pub(super) fn settle_exchanged(
    design: &Design,
    bench: Bench,
    responses: &mut [Response],
) -> Result<Vec<[usize; 2]>, AlignError> {
    let comparison = Comparison::new(design, bench, responses);
    let probe = |n: usize| match comparison.series[n].observed {
        Observed::Probe(i) => Some(i),
        _ => None,
    };
    let sound: Vec<usize> = (0..comparison.series.len())
        .filter(|&n| probe(n).is_some() && !comparison.series[n].x.is_empty())
        .collect();
    let mut pairs = Vec::new();
    if sound.len() < 2 {
        return Ok(pairs);
    }
    // What each capture would be at each probe that was captured.
    let mut at_probe: Vec<Vec<Vec<Complex64>>> = Vec::new();
    for &other in &sound {
        let mut moved = comparison.clone();
        for &n in &sound {
            moved.series[n].observed = comparison.series[other].observed;
        }
        at_probe.push(moved.simulate(design, &bench.air)?);
    }
    let difference = |capture: usize, place: usize, level: bool| {
        let s = &comparison.series[sound[capture]];
        let db: Vec<f64> = s
            .measured
            .iter()
            .zip(&at_probe[place][sound[capture]])
            .map(|(m, v)| 20.0 * (m.norm() / v.norm()).log10())
            .collect();
        let count = db.len().max(1) as f64;
        let mean = if level {
            0.0
        } else {
            db.iter().sum::<f64>() / count
        };
        (db.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / count).sqrt()
    };
    let mut free: Vec<usize> = (0..sound.len()).collect();
    loop {
        let mut best: Option<(f64, [usize; 2])> = None;
        for (i, &a) in free.iter().enumerate() {
            for &b in &free[i + 1..] {
                let level =
                    [a, b].map(|c| responses[comparison.series[sound[c]].response].absolute);
                let level = level[0] && level[1];
                let now = difference(a, a, level).min(difference(b, b, level));
                let then = difference(a, b, level).max(difference(b, a, level));
                let gained = now / then.max(1e-9);
                if now > APART_DB && gained > TIMES && best.is_none_or(|(most, _)| gained > most) {
                    best = Some((gained, [a, b]));
                }
            }
        }
        let Some((_, pair)) = best else {
            break;
        };
        free.retain(|c| !pair.contains(c));
        pairs.push(pair.map(|c| comparison.series[sound[c]].response));
    }
    for &[a, b] in &pairs {
        let [first, second] = [a, b].map(|n| responses[n].observation.clone());
        responses[a].observation = second;
        responses[b].observation = first;
    }
    debug_assert!(
        pairs
            .iter()
            .flatten()
            .all(|&n| matches!(responses[n].observation, Observation::Pressure { .. }))
    );
    Ok(pairs)
}
