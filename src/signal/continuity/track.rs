//! The phase of a recorded sweep against the ideal one, window by window.

use crate::signal::deconvolve::solve3;
use crate::signal::sweep::Sweep;
use std::f64::consts::TAU;

/// Shortest window, s.
const SHORTEST_S: f64 = 0.004;
/// Most windows of a sweep, about: longer sweeps get longer windows.
const MOST: f64 = 8000.0;
/// Periods of the start frequency after which a coupling capacitor has settled: what a high-pass of 2 Hz rings after the onset
/// has fallen to a tenth by then, at 5 Hz.
const SETTLED: f64 = 1.25;
/// Windows for each length of one.
const OVERLAP: f64 = 4.0;

/// One window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Window {
    /// Its middle, s after the start of the sweep.
    pub(super) time_s: f64,
    /// What the sweep plays there, Hz.
    pub(super) frequency_hz: f64,
    /// Phase of the recording less that of the ideal sweep, rad, without turns between neighbours.
    pub(super) phase_rad: f64,
    /// Standard deviation by what the fit leaves, rad.
    pub(super) sd_rad: f64,
}

/// All windows of a sweep that begins at `start_s`.
pub(super) fn windows(signal: &[f64], rate_hz: f64, start_s: f64, sweep: &Sweep) -> Vec<Window> {
    let plan = sweep.plan();
    let mut list: Vec<Window> = Vec::new();
    let mut time_s = 0.5 / plan.start_hz;
    let settled_s = SETTLED / plan.start_hz;
    loop {
        let frequency_hz = plan.start_hz * (time_s / sweep.rate_s()).exp();
        let length_s = (1.0 / frequency_hz)
            .max(SHORTEST_S)
            .max(OVERLAP * plan.duration_s / MOST);
        // The fade-out is left out: frames lost before it would carry its end, where nothing is left to fit, into the windows.
        if time_s + 0.5 * length_s > plan.duration_s - plan.fade_out_s {
            return list;
        }
        let from = ((start_s + time_s - 0.5 * length_s) * rate_hz)
            .ceil()
            .max(0.0) as usize;
        let to = (((start_s + time_s + 0.5 * length_s) * rate_hz).floor() as usize)
            .min(signal.len().saturating_sub(1));
        let fitted = if time_s < settled_s {
            None
        } else {
            fit(signal, from, to, rate_hz, start_s, sweep)
        };
        if let Some((raw, sd_rad)) = fitted {
            let before = list.last().map_or(0.0, |w| w.phase_rad);
            list.push(Window {
                time_s,
                frequency_hz,
                phase_rad: raw - TAU * ((raw - before) / TAU).round(),
                sd_rad,
            });
        }
        time_s += length_s / OVERLAP;
    }
}

/// Phase and its standard deviation by least squares of a·sin φ + b·cos φ + c.
fn fit(
    signal: &[f64],
    from: usize,
    to: usize,
    rate_hz: f64,
    start_s: f64,
    sweep: &Sweep,
) -> Option<(f64, f64)> {
    let mut normal = [[0.0; 3]; 3];
    let mut right = [0.0; 3];
    let mut energy = 0.0;
    for (n, &x) in signal.iter().enumerate().take(to + 1).skip(from) {
        let time_s = n as f64 / rate_hz - start_s;
        let (sin, cos) = sweep.phase_rad(time_s).sin_cos();
        let size = sweep.envelope(time_s);
        let basis = [size * sin, size * cos, sweep.peak()];
        for i in 0..3 {
            for j in 0..3 {
                normal[i][j] += basis[i] * basis[j];
            }
            right[i] += basis[i] * x;
        }
        energy += x * x;
    }
    let count = (to + 1).saturating_sub(from);
    if count < 6 {
        return None;
    }
    let (solved, _) = solve3(normal, right);
    let [a, b, _] = solved;
    let explained: f64 = solved.iter().zip(&right).map(|(s, r)| s * r).sum();
    let size = a.hypot(b);
    if size.is_nan() || size <= 0.0 {
        return None;
    }
    let rest = (energy - explained).max(1e-14 * energy) / (count - 3) as f64;
    // Both quadratures carry half of the window's energy.
    let mean = 0.5 * (normal[0][0] + normal[1][1]);
    let sd = (rest / mean.max(f64::MIN_POSITIVE)).sqrt() / size;
    Some((b.atan2(a), sd))
}
