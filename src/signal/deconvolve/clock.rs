//! The recorded reference against the ideal sweep: delay, drift of the clocks, polarity, lost or repeated samples.

use super::{inverse, quick_size, spectrum};
use crate::signal::sweep::Sweep;
use num_complex::Complex64;
use realfft::RealFftPlanner;
use std::f64::consts::TAU;

/// What the reference tells of the clocks.
pub(super) struct Clock {
    pub drift_ppm: f64,
    pub drift_sd_ppm: f64,
    pub polarity: i8,
    pub jump_s: Option<f64>,
}

/// The recorded reference against the ideal sweep: delay, drift, polarity, jumps.
///
/// arg(X/S) = −2πf·(t0 + δ·t_f): the frequency f was played at t_f = L·ln(f/f1).
pub(super) fn clock(
    x: &[Complex64],
    s: &[Complex64],
    sweep: &Sweep,
    bin_hz: f64,
    low_hz: f64,
    high_hz: f64,
    rate: f64,
) -> Clock {
    let from = (low_hz.max(15.0) / bin_hz).ceil() as usize;
    let to = (high_hz / bin_hz).floor() as usize;
    let ratio: Vec<Complex64> = (from..=to).map(|k| x[k] / s[k]).collect();
    // The mean direction at the bottom tells the polarity, before the delay turns it.
    let bottom: Complex64 = ratio
        .iter()
        .take(ratio.len() / 20 + 1)
        .map(|r| r / r.norm())
        .sum();
    let polarity: i8 = if bottom.re < 0.0 { -1 } else { 1 };
    let mut rows = Vec::with_capacity(ratio.len());
    let mut phase = 0.0;
    for (n, r) in ratio.iter().enumerate() {
        let raw = (r * f64::from(polarity)).arg();
        phase = if n == 0 {
            raw
        } else {
            raw - TAU * ((raw - phase) / TAU).round()
        };
        let f = (from + n) as f64 * bin_hz;
        rows.push((f, sweep.time_s(f), phase));
    }
    // φ = c − 2πf·(t0 + δ·t_f); c takes up whole turns that were lost at a jump.
    let fit = |rows: &[(f64, f64, f64)]| {
        let mut normal = [[0.0; 3]; 3];
        let mut right = [0.0; 3];
        for &(f, t, p) in rows {
            let basis = [1.0, -TAU * f, -TAU * f * t];
            for i in 0..3 {
                for j in 0..3 {
                    normal[i][j] += basis[i] * basis[j];
                }
                right[i] += basis[i] * p;
            }
        }
        let (solved, unit) = solve3(normal, right);
        let rest: f64 = rows
            .iter()
            .map(|&(f, t, p)| (p - solved[0] + TAU * f * (solved[1] + solved[2] * t)).powi(2))
            .sum();
        (solved[1], solved[2], rest, unit)
    };
    let (_, slope, rest, unit) = fit(&rows);
    let scatter = (rest / rows.len().max(4) as f64).sqrt();
    // A step in the delay: the split that lowers the sum of squares most.
    let mut jump_s = None;
    let step = (rows.len() / 60).max(1);
    let mut best = (rest * 0.2, 0);
    for split in (step * 3..rows.len().saturating_sub(step * 3)).step_by(step) {
        let sum = fit(&rows[..split]).2 + fit(&rows[split..]).2;
        if sum < best.0 {
            best = (sum, split);
        }
    }
    if best.1 > 0 {
        let (a, b) = (fit(&rows[..best.1]), fit(&rows[best.1..]));
        let t = rows[best.1].1;
        let size = (b.0 + b.1 * t) - (a.0 + a.1 * t);
        if (size * rate).abs() > 0.5 {
            jump_s = Some(t);
        }
    }
    Clock {
        drift_ppm: slope * 1e6,
        drift_sd_ppm: (unit * scatter * 1e6).max(0.05),
        polarity,
        jump_s,
    }
}

/// Solves three normal equations; also the square root of the last diagonal entry of the inverse.
pub(in crate::signal) fn solve3(a: [[f64; 3]; 3], b: [f64; 3]) -> ([f64; 3], f64) {
    let minor = |r: [usize; 2], c: [usize; 2]| {
        a[r[0]][c[0]] * a[r[1]][c[1]] - a[r[0]][c[1]] * a[r[1]][c[0]]
    };
    let others = [[1, 2], [0, 2], [0, 1]];
    let mut adjugate = [[0.0; 3]; 3];
    for i in 0..3 {
        for j in 0..3 {
            let sign = if (i + j) % 2 == 0 { 1.0 } else { -1.0 };
            adjugate[j][i] = sign * minor(others[i], others[j]);
        }
    }
    let det: f64 = (0..3).map(|j| a[0][j] * adjugate[j][0]).sum();
    let det = if det.abs() < f64::MIN_POSITIVE {
        f64::MIN_POSITIVE
    } else {
        det
    };
    let solved = [0, 1, 2].map(|i| (0..3).map(|j| adjugate[i][j] * b[j]).sum::<f64>() / det);
    (solved, (adjugate[2][2] / det).abs().sqrt())
}

/// How much later (s, negative: earlier) the recording runs ahead of a jump than behind it: the time that was lost.
///
/// `start_s` is where the sweep seemed to begin, `jump_s` when in the sweep the jump was seen, to a few tenths of a
/// second. The part well ahead and the part well behind are each found by the matched filter of their own stretch.
pub(super) fn lost_s(
    planner: &mut RealFftPlanner<f64>,
    signal: &[f64],
    sweep: &Sweep,
    start_s: f64,
    jump_s: f64,
    rate_hz: f64,
) -> f64 {
    let duration = sweep.plan().duration_s;
    let clear = 0.4_f64.min(0.2 * jump_s.min(duration - jump_s));
    let size = quick_size(2 * signal.len());
    let recorded = spectrum(planner, signal, size);
    let mut lag = |from_s: f64, to_s: f64| {
        let ideal: Vec<f64> = (0..signal.len())
            .map(|n| {
                let t = n as f64 / rate_hz - start_s;
                if (from_s..to_s).contains(&t) {
                    sweep.at(t)
                } else {
                    0.0
                }
            })
            .collect();
        let other = spectrum(planner, &ideal, size);
        let product = recorded
            .iter()
            .zip(&other)
            .map(|(a, b)| a * b.conj())
            .collect();
        let out = inverse(planner, product, size);
        let at = |k: i64| out[k.rem_euclid(size as i64) as usize].abs();
        let reach = (0.5 * rate_hz) as i64;
        let best = (-reach..=reach)
            .max_by(|&a, &b| at(a).total_cmp(&at(b)))
            .unwrap_or(0);
        best as f64 / rate_hz
    };
    lag(0.0, jump_s - clear) - lag(jump_s + clear, duration)
}
