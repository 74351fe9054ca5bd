//! All the sweeps in one long recording.
//!
//! The matched filter of [`super::find`] runs over the recording in overlapping blocks, so that the transforms stay as small as a few
//! sweeps. Two sweeps cannot overlap: of peaks nearer than a sweep's duration the highest counts, which also takes out the
//! peaks of harmonics, L·ln n ahead. A peak counts if it stands out from the filter's output around it.

use super::{Sweep, inverse, quick_size, spectrum};
use num_complex::Complex64;
use realfft::RealFftPlanner;

/// Peak over RMS around it from which a sweep was found: noise alone reaches 4.7 in 150,000 samples (expected largest of as many
/// normal values), a resonant cabinet ten and more.
const STANDS_OUT: f64 = 7.0;
/// A sweep may be this much quieter than the loudest of the recording.
const QUIETEST: f64 = 1e-3;

/// Where each sweep begins, s, ascending. Cut-off sweeps at either end are left out.
#[must_use]
pub fn takes(signal: &[f64], rate_hz: f64, sweep: &Sweep) -> Vec<f64> {
    let duration_s = sweep.plan().duration_s;
    let length = (duration_s * rate_hz).ceil() as usize + 1;
    let last_start = signal.len() as f64 - 0.98 * duration_s * rate_hz;
    if last_start <= 0.0 {
        return Vec::new();
    }
    let out = matched(signal, rate_hz, sweep, length);
    // Sums of squares up to each sample, for the RMS around a peak.
    let mut sum = Vec::with_capacity(out.len() + 1);
    sum.push(0.0);
    for v in &out {
        sum.push(sum[sum.len() - 1] + v * v);
    }
    let around = |at: usize| {
        let (from, to) = (at.saturating_sub(length), (at + 2 * length).min(out.len()));
        ((sum[to] - sum[from]) / (to - from) as f64).sqrt()
    };
    let mut peaks: Vec<usize> = (0..out.len())
        .filter(|&n| {
            let here = out[n].abs();
            let left = n.checked_sub(1).map_or(0.0, |m| out[m].abs());
            let right = out.get(n + 1).map_or(0.0, |v| v.abs());
            here > left && here >= right && here > STANDS_OUT * around(n)
        })
        .collect();
    peaks.sort_by(|&a, &b| out[b].abs().total_cmp(&out[a].abs()));
    let loudest = peaks.first().map_or(0.0, |&n| out[n].abs());
    let mut found: Vec<usize> = Vec::new();
    for at in peaks {
        if out[at].abs() > QUIETEST * loudest && found.iter().all(|f| f.abs_diff(at) >= length - 1)
        {
            found.push(at);
        }
    }
    found.sort_unstable();
    found
        .into_iter()
        .filter(|&at| at as f64 <= last_start)
        .map(|at| at as f64 / rate_hz)
        .collect()
}

/// The whitened matched filter's output for every start.
fn matched(signal: &[f64], rate_hz: f64, sweep: &Sweep, length: usize) -> Vec<f64> {
    let mut planner = RealFftPlanner::new();
    let ideal: Vec<f64> = (0..length).map(|n| sweep.at(n as f64 / rate_hz)).collect();
    let size = quick_size(4 * length);
    let b = spectrum(&mut planner, &ideal, size);
    let largest = b.iter().map(|v| v.norm_sqr()).fold(0.0, f64::max);
    let filter: Vec<Complex64> = b
        .iter()
        .map(|b| b.conj() / (b.norm_sqr() + 1e-4 * largest))
        .collect();
    // Whitening spreads the filter beyond the sweep's own length; half a sweep more on both sides holds what matters.
    let (lead, step) = (length / 2, size - 2 * length);
    let mut out = Vec::with_capacity(signal.len());
    let mut from = 0usize;
    while from < signal.len() {
        let (begin, pad) = match from.checked_sub(lead) {
            Some(begin) => (begin, 0),
            None => (0, lead - from),
        };
        let end = (from + size - lead).min(signal.len());
        let mut block = vec![0.0; pad];
        block.extend_from_slice(&signal[begin..end]);
        let bins = spectrum(&mut planner, &block, size)
            .iter()
            .zip(&filter)
            .map(|(a, f)| a * f)
            .collect();
        let shifted = inverse(&mut planner, bins, size);
        let count = step.min(signal.len() - from);
        out.extend_from_slice(&shifted[lead..lead + count]);
        from += step;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::design::captures::SweepPlan;

    /// DERIVED: sweeps laid at known places, at levels 30 dB apart, in noise, inverted, with an echo, are found there; a cut-off
    /// one and a recording without any are not.
    #[test]
    fn every_whole_sweep_is_found_where_it_was_laid() {
        let rate = 3000.0;
        let plan = SweepPlan {
            duration_s: 2.0,
            stop_hz: 400.0,
            sample_rate_hz: 48_000,
            ..SweepPlan::default()
        };
        let sweep = Sweep::new(plan).unwrap();
        let mut seed = 1u64;
        let mut noise = || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (seed >> 33) as f64 / 2f64.powi(30) - 1.0
        };
        let mut signal: Vec<f64> = (0..(60.0 * rate) as usize)
            .map(|_| 1e-4 * noise())
            .collect();
        assert_eq!(takes(&signal, rate, &sweep), [0.0; 0]);
        let laid = [
            (1.25, 0.5),
            (4.0, -0.02),
            (20.5, 0.3),
            (41.1, 0.016),
            (59.0, 0.5),
        ];
        for (start_s, gain) in laid {
            let first = (start_s * rate) as usize;
            let late = (0.013 * rate) as usize;
            for n in 0..(2.0 * rate) as usize {
                for (at, part) in [(first + n, 1.0), (first + n + late, 0.5)] {
                    if let Some(sample) = signal.get_mut(at) {
                        *sample += part * gain * sweep.at(n as f64 / rate);
                    }
                }
            }
        }
        let found = takes(&signal, rate, &sweep);
        assert_eq!(found.len(), 4, "{found:?}");
        for (have, (want, _)) in found.iter().zip(laid) {
            // One sample.
            assert!((have - want).abs() < 1.5 / rate, "{have} {want}");
        }
    }
}
