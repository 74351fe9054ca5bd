//! From a recorded sweep to a frequency response with a known noise floor.
//!
//! With Y the spectrum of the take and X that of the reference (the recorded loop-back, or the sweep itself)
//!
//! ```text
//! H_k = Y_k/X_k                        in the swept band, bins of 1/T, T the length of the segment
//! H(f) = value at f of the complex polynomial of order 5 that fits H_k·e^(jω_kτ) around f best
//! var H(f) = c(f)·N·σ²(f)/|X(f)|²      c: share of the noise that the fit lets through
//! ```
//!
//! τ is the main delay, taken out before the fit and put back after it. A fit over up to ±1 Hz averages the noise of
//! neighbouring bins, and follows any response that has decayed within the segment; with a response of 50 ms its own
//! error is below 1e-7. σ² is the noise density of the take, from the silence around the sweep, smoothed over a third
//! of an octave. Harmonics of the sweep stand L·ln n ahead of the linear response (Farina 2000) and are cut out of it
//! before the fit where they are strong enough to matter.
//!
//! Outside the swept band X has no energy, and nothing is computed there.

use super::bands::third_octaves;
use super::grid::log_grid;
use super::sweep::Sweep;
use num_complex::Complex64;
use realfft::RealFftPlanner;
use std::f64::consts::{PI, TAU};

/// Half width of the local fit, Hz.
const HALF_WIDTH_HZ: f64 = 1.0;
/// Least half width of the local fit, bins.
const LEAST_BINS: f64 = 3.5;
/// Order of the local polynomial.
const ORDER: usize = 5;
/// SNR from which a one-third octave is usable, dB (contract).
const USABLE_DB: f64 = 20.0;
/// Harmonics above this level against the linear response are cut out of it.
const HARMONIC_MATTERS: f64 = 5e-4;

/// A take that cannot be deconvolved.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum DeconvolveError {
    /// The recording is too short for the sweep.
    #[error(
        "the recording lasts {have_s:.2} s and the sweep {need_s:.2} s; expected the whole sweep: record again, or correct duration_s in [sweep]"
    )]
    Short {
        /// There, s.
        have_s: f64,
        /// Needed, s.
        need_s: f64,
    },
    /// No sweep was found.
    #[error(
        "no sweep from {start_hz} to {stop_hz} Hz in {duration_s} s was found in the recording{hint}; check [sweep] and the channel numbers"
    )]
    NoSweep {
        /// Start, Hz.
        start_hz: f64,
        /// Stop, Hz.
        stop_hz: f64,
        /// Duration, s.
        duration_s: f64,
        /// What fits better.
        hint: String,
    },
}

/// One recorded take at a reduced rate.
#[derive(Debug, Clone, Copy)]
pub struct Take<'a> {
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// Microphone or load.
    pub signal: &'a [f64],
    /// Loop-back or source, if it was recorded.
    pub reference: Option<&'a [f64]>,
}

/// What a take holds.
#[derive(Debug, Clone)]
pub struct Deconvolved {
    /// Grid, Hz.
    pub frequency_hz: Vec<f64>,
    /// Signal over reference, per unit.
    pub value: Vec<Complex64>,
    /// √E|error|² of `value`.
    pub noise_rms: Vec<f64>,
    /// |reference| against |signal| noise alone: √E|error|² of the ratio from the reference's own noise.
    pub resolution_hz: f64,
    /// Start of the sweep in the recording, s.
    pub start_s: f64,
    /// Clock of the recorder against the player, ppm, where the reference tells it.
    pub drift_ppm: Option<f64>,
    /// Its standard deviation, ppm.
    pub drift_sd_ppm: Option<f64>,
    /// +1, or −1 where the reference is inverted against the sweep.
    pub polarity: i8,
    /// SNR of each one-third octave: (midband, dB).
    pub snr_bands: Vec<(f64, f64)>,
    /// Usable range, Hz.
    pub usable_hz: [f64; 2],
    /// Median SNR over the usable range, dB.
    pub snr_db: f64,
    /// Harmonics: (order, fundamental Hz, level dB, floor dB).
    pub harmonics: Vec<(usize, Vec<f64>, Vec<f64>, Vec<f64>)>,
    /// Impulse response, its rate and the index of time zero.
    pub impulse: (Vec<f64>, f64, usize),
    /// Silence behind the sweep that was there, s.
    pub tail_s: f64,
    /// Lost (positive) or repeated (negative) samples at the given rate: (time in the file, s; samples).
    pub jump: Option<(f64, f64)>,
    /// The strongest mains line in the silence: (Hz, dB over its surroundings).
    pub hum: Option<(f64, f64)>,
}

/// Spectrum of a real signal, zero-padded to `size`.
fn spectrum(planner: &mut RealFftPlanner<f64>, signal: &[f64], size: usize) -> Vec<Complex64> {
    let plan = planner.plan_fft_forward(size);
    let mut input = plan.make_input_vec();
    let count = signal.len().min(size);
    input[..count].copy_from_slice(&signal[..count]);
    let mut output = plan.make_output_vec();
    // The plan made both buffers, so that their lengths fit.
    let _ = plan.process(&mut input, &mut output);
    output
}

fn inverse(planner: &mut RealFftPlanner<f64>, mut bins: Vec<Complex64>, size: usize) -> Vec<f64> {
    let plan = planner.plan_fft_inverse(size);
    bins[0].im = 0.0;
    if size % 2 == 0 {
        let last = bins.len() - 1;
        bins[last].im = 0.0;
    }
    let mut output = plan.make_output_vec();
    let _ = plan.process(&mut bins, &mut output);
    output.iter_mut().for_each(|v| *v /= size as f64);
    output
}

/// The next size with no prime factor above 5.
fn quick_size(least: usize) -> usize {
    (least..)
        .find(|&n| {
            let mut n = n;
            for p in [2, 3, 5] {
                while n % p == 0 {
                    n /= p;
                }
            }
            n == 1
        })
        .unwrap_or(least)
}

/// Where the sweep begins in a signal (samples, with a fraction), and how much its peak stands out (peak over RMS
/// of the matched filter's output).
fn find(
    planner: &mut RealFftPlanner<f64>,
    signal: &[f64],
    sweep: &Sweep,
    rate_hz: f64,
) -> (f64, f64) {
    let length = (sweep.plan().duration_s * rate_hz).ceil() as usize + 1;
    let ideal: Vec<f64> = (0..length).map(|n| sweep.at(n as f64 / rate_hz)).collect();
    let size = quick_size(signal.len() + length);
    let a = spectrum(planner, signal, size);
    let b = spectrum(planner, &ideal, size);
    // Whitened by the sweep's own magnitude: a compact peak for a response of any colour.
    let largest = b.iter().map(|v| v.norm_sqr()).fold(0.0, f64::max);
    let bins: Vec<Complex64> = a
        .iter()
        .zip(&b)
        .map(|(a, b)| a * b.conj() / (b.norm_sqr() + 1e-4 * largest))
        .collect();
    let out = inverse(planner, bins, size);
    let usable = signal.len();
    let (mut best, mut at) = (0.0, 0);
    for (n, v) in out[..usable].iter().enumerate() {
        if v.abs() > best {
            (best, at) = (v.abs(), n);
        }
    }
    let energy = out[..usable].iter().map(|v| v * v).sum::<f64>() / usable as f64;
    let shift = if at > 0 && at + 1 < usable {
        let (l, m, r) = (out[at - 1].abs(), out[at].abs(), out[at + 1].abs());
        let bend = l - 2.0 * m + r;
        if bend < 0.0 {
            0.5 * (l - r) / bend
        } else {
            0.0
        }
    } else {
        0.0
    };
    (
        at as f64 + shift.clamp(-0.5, 0.5),
        best / energy.sqrt().max(f64::MIN_POSITIVE),
    )
}

/// Rates between which a wrong header or a wrong `[sweep]` usually lies.
const USUAL_RATES: [f64; 8] = [
    44_100.0, 48_000.0, 88_200.0, 96_000.0, 32_000.0, 22_050.0, 24_000.0, 192_000.0,
];

/// Deconvolves one take.
///
/// # Errors
/// [`DeconvolveError`] where the sweep is not in the recording.
pub fn deconvolve(take: &Take<'_>, sweep: &Sweep) -> Result<Deconvolved, DeconvolveError> {
    let plan = sweep.plan();
    let rate = take.rate_hz;
    let mut planner = RealFftPlanner::new();
    let have_s = take.signal.len() as f64 / rate;
    if have_s < plan.duration_s * 0.98 {
        return Err(DeconvolveError::Short {
            have_s,
            need_s: plan.duration_s,
        });
    }
    let guide = take.reference.unwrap_or(take.signal);
    let (start, stands_out) = find(&mut planner, guide, sweep, rate);
    // A loop-back stands out by √(samples)/3 or so; a resonant cabinet by ten and more. What stands out little may
    // be another sweep: then a rate that fits far better says so.
    let needed = if take.reference.is_some() { 25.0 } else { 6.0 };
    if stands_out < 40.0 {
        let (hint, better) = other_rate(&mut planner, guide, sweep, rate);
        if stands_out < needed || better > 1.7 * stands_out {
            return Err(DeconvolveError::NoSweep {
                start_hz: plan.start_hz,
                stop_hz: plan.stop_hz,
                duration_s: plan.duration_s,
                hint: if better > 1.7 * stands_out {
                    hint
                } else {
                    String::new()
                },
            });
        }
    }
    let sweep_samples = (plan.duration_s * rate).ceil() as usize;
    let begin = start.round().max(0.0) as usize;
    let tail = take.signal.len().saturating_sub(begin + sweep_samples);
    let tail_s = tail as f64 / rate;
    let lead = (0.1 * rate) as usize;
    let from = begin.saturating_sub(lead);
    let to = (begin + sweep_samples + tail.min((6.0 * rate) as usize)).min(take.signal.len());
    let segment = &take.signal[from..to];
    let size = quick_size(segment.len().max(sweep_samples + (2.0 * rate) as usize));
    let bin_hz = rate / size as f64;
    let y = spectrum(&mut planner, segment, size);
    let ideal: Vec<f64> = (0..segment.len())
        .map(|n| sweep.at((n as f64 + from as f64 - start) / rate))
        .collect();
    let s = spectrum(&mut planner, &ideal, size);
    let recorded = take
        .reference
        .map(|r| spectrum(&mut planner, &r[from..to.min(r.len())], size));
    let (low_hz, high_hz) = swept(sweep);
    let clock = recorded
        .as_ref()
        .map(|x| clock(x, &s, sweep, bin_hz, low_hz, high_hz, rate));
    let x = recorded.as_ref().unwrap_or(&s);

    // Transfer function from a little below the swept band to a little above, where X still has energy.
    let first = ((low_hz * 0.8 / bin_hz).floor() as usize).max(1);
    let last = ((high_hz * 1.02 / bin_hz).ceil() as usize).min(y.len() - 1);
    let mut h: Vec<Complex64> = vec![Complex64::new(0.0, 0.0); y.len()];
    for k in first..=last {
        h[k] = y[k] / x[k];
    }
    let taper = |f: f64| {
        let rise = ((f / low_hz - 0.8) / 0.2).clamp(0.0, 1.0);
        let fall = ((1.02 - f / high_hz) / 0.02).clamp(0.0, 1.0);
        0.25 * (1.0 - (PI * rise).cos()) * (1.0 - (PI * fall).cos())
    };
    let shaped: Vec<Complex64> = h
        .iter()
        .enumerate()
        .map(|(k, v)| v * taper(k as f64 * bin_hz))
        .collect();
    let impulse = inverse(&mut planner, shaped, size);
    let peak = (0..size)
        .max_by(|&a, &b| impulse[a].abs().total_cmp(&impulse[b].abs()))
        .unwrap_or(0);
    let wrapped = if peak > size / 2 {
        peak as f64 - size as f64
    } else {
        peak as f64
    };
    let delay_s = wrapped / rate;

    // Harmonics of order n come out above n·f1: a wide smooth edge there keeps the linear response from ringing
    // into their places.
    let smooth = |x: f64| {
        let x = x.clamp(0.0, 1.0);
        x.powi(4) * (35.0 - 84.0 * x + 70.0 * x * x - 20.0 * x * x * x)
    };
    let above: Vec<Complex64> = h
        .iter()
        .enumerate()
        .map(|(k, v)| {
            let f = k as f64 * bin_hz;
            v * (smooth((f / low_hz).log2()) * smooth((1.0 - f / high_hz) / 0.15))
        })
        .collect();
    let upper = inverse(&mut planner, above, size);
    let harmonic = Harmonics {
        sweep,
        rate,
        size,
        bin_hz,
        low_hz,
        high_hz,
        peak,
    };
    let parts = harmonic.cut(&upper);
    let loudest = upper.iter().fold(0.0_f64, |a, v| a.max(v.abs()));
    if parts.iter().any(|p| p.peak > HARMONIC_MATTERS * loudest) {
        let all: Vec<f64> = (0..size)
            .map(|n| parts.iter().map(|p| p.impulse[n]).sum())
            .collect();
        let bins = spectrum(&mut planner, &all, size);
        for k in first..=last {
            h[k] -= bins[k];
        }
    }

    let frequency_hz = log_grid(low_hz, high_hz, 48);
    let mut value = Vec::with_capacity(frequency_hz.len());
    let mut through = Vec::with_capacity(frequency_hz.len());
    for &f in &frequency_hz {
        let (v, share) = local(&h, f / bin_hz, bin_hz, f, delay_s, first, last);
        value.push(v);
        through.push(share);
    }
    let noise = Noise::of(&mut planner, take.signal, from, begin + sweep_samples, rate);
    let reference_noise = take
        .reference
        .map(|r| Noise::of(&mut planner, r, from, begin + sweep_samples, rate));
    let energy = |f: f64| {
        let (a, b) = (
            ((f * 0.99 / bin_hz) as usize).max(1),
            ((f * 1.01 / bin_hz) as usize + 1).min(x.len() - 1),
        );
        x[a..=b].iter().map(|v| v.norm_sqr()).sum::<f64>() / (b - a + 1) as f64
    };
    let count = segment.len() as f64;
    let mut noise_rms = Vec::with_capacity(frequency_hz.len());
    for ((&f, v), share) in frequency_hz.iter().zip(&value).zip(&through) {
        let mut density = noise.at(f);
        if let Some(r) = &reference_noise {
            density += r.at(f) * v.norm_sqr();
        }
        noise_rms.push((share * count * density / energy(f)).sqrt());
    }
    let (snr_bands, usable_hz, snr_db) = usable(&frequency_hz, &value, &noise_rms);
    let harmonics = harmonic.levels(&mut planner, &parts, &frequency_hz, &value, &noise_rms);
    let (drift, polarity, jump) = match clock {
        Some(c) => (
            Some((c.drift_ppm, c.drift_sd_ppm)),
            c.polarity,
            c.jump
                .map(|(at, samples)| (from as f64 / rate + start.fract() / rate + at, samples)),
        ),
        None => (None, 1, None),
    };
    let keep = (to - from).min(size);
    let zero = (0.05 * rate) as usize;
    let rolled: Vec<f64> = (0..keep.min((3.0 * rate) as usize))
        .map(|n| impulse[(n + size - zero) % size])
        .collect();
    Ok(Deconvolved {
        frequency_hz,
        value,
        noise_rms,
        resolution_hz: 0.6,
        start_s: start / rate,
        drift_ppm: drift.map(|d| d.0),
        drift_sd_ppm: drift.map(|d| d.1),
        polarity,
        snr_bands,
        usable_hz,
        snr_db,
        harmonics,
        impulse: (rolled, rate, zero),
        tail_s,
        jump,
        hum: noise.hum(),
    })
}

/// Where the sweep has its full energy: a little inside its ends, beyond what the fades touch.
fn swept(sweep: &Sweep) -> (f64, f64) {
    let p = sweep.plan();
    let low = p.start_hz * (p.fade_in_s / sweep.rate_s()).exp();
    let high = p.stop_hz * (-p.fade_out_s / sweep.rate_s()).exp();
    (low * 1.02, high * 0.98)
}

/// The usual wrong sample rate under which the sweep stands out most, in words, and how much it does.
fn other_rate(
    planner: &mut RealFftPlanner<f64>,
    guide: &[f64],
    sweep: &Sweep,
    rate: f64,
) -> (String, f64) {
    let mut best = (String::new(), 0.0);
    for a in USUAL_RATES {
        for b in USUAL_RATES {
            let ratio = a / b;
            if (ratio - 1.0).abs() < 1e-3 || !(0.45..2.2).contains(&ratio) {
                continue;
            }
            let out = find(planner, guide, sweep, rate * ratio).1;
            if out > best.1 * 1.001 {
                let hint = format!(
                    " (it fits if the sample rate were {ratio:.4} times what the file says, as between {:.1} and {:.1} kHz)",
                    b / 1e3,
                    a / 1e3
                );
                best = (hint, out);
            }
        }
    }
    best
}

struct Clock {
    drift_ppm: f64,
    drift_sd_ppm: f64,
    polarity: i8,
    jump: Option<(f64, f64)>,
}

/// The recorded reference against the ideal sweep: delay, drift, polarity, jumps.
///
/// arg(X/S) = −2πf·(t0 + δ·t_f): the frequency f was played at t_f = L·ln(f/f1).
fn clock(
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
    let mut jump = None;
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
            jump = Some((t, -size));
        }
    }
    Clock {
        drift_ppm: slope * 1e6,
        drift_sd_ppm: (unit * scatter * 1e6).max(0.05),
        polarity,
        jump,
    }
}

/// Solves three normal equations; also the square root of the last diagonal entry of the inverse.
fn solve3(a: [[f64; 3]; 3], b: [f64; 3]) -> ([f64; 3], f64) {
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

/// The value at bin position `at` of the polynomial that fits the de-rotated bins around it, and the share of one
/// bin's noise variance that it lets through.
fn local(
    h: &[Complex64],
    at: f64,
    bin_hz: f64,
    frequency_hz: f64,
    delay_s: f64,
    first: usize,
    last: usize,
) -> (Complex64, f64) {
    let half = (HALF_WIDTH_HZ / bin_hz)
        .min(frequency_hz / 48.0 * 1.5 / bin_hz)
        .max(LEAST_BINS);
    let from = ((at - half).ceil().max(first as f64)) as usize;
    let to = ((at + half).floor().min(last as f64)) as usize;
    // Orthogonal polynomials on the points (Forsythe), all evaluated at x = 0.
    let x: Vec<f64> = (from..=to).map(|k| (k as f64 - at) / half).collect();
    let order = ORDER.min(x.len().saturating_sub(1));
    let (mut before, mut now): (Vec<f64>, Vec<f64>) = (vec![0.0; x.len()], vec![1.0; x.len()]);
    let (mut before0, mut now0) = (0.0, 1.0);
    let mut norm_before = 1.0;
    let mut weight = vec![0.0; x.len()];
    for degree in 0..=order {
        let norm: f64 = now.iter().map(|v| v * v).sum();
        for (w, p) in weight.iter_mut().zip(&now) {
            *w += p * now0 / norm;
        }
        let alpha = x.iter().zip(&now).map(|(x, p)| x * p * p).sum::<f64>() / norm;
        let beta = if degree == 0 { 0.0 } else { norm / norm_before };
        let next: Vec<f64> = x
            .iter()
            .zip(&now)
            .zip(&before)
            .map(|((x, p), q)| (x - alpha) * p - beta * q)
            .collect();
        let next0 = -alpha * now0 - beta * before0;
        (before, now) = (now, next);
        (before0, now0) = (now0, next0);
        norm_before = norm;
    }
    let turn = TAU * bin_hz * delay_s;
    let mut sum = Complex64::new(0.0, 0.0);
    for (n, w) in weight.iter().enumerate() {
        let k = from + n;
        sum += h[k] * Complex64::from_polar(*w, turn * (k as f64 - at));
    }
    (sum, weight.iter().map(|w| w * w).sum())
}

/// Noise density of a channel: variance per sample per bin, as E|DFT|²/N.
struct Noise {
    bin_hz: f64,
    density: Vec<f64>,
}

impl Noise {
    /// From the silence before the sweep, or behind it where that is longer and has decayed.
    fn of(
        planner: &mut RealFftPlanner<f64>,
        signal: &[f64],
        begin: usize,
        end: usize,
        rate: f64,
    ) -> Self {
        let quiet = (0.02 * rate) as usize;
        let before = &signal[..begin.saturating_sub(quiet).max(1).min(signal.len())];
        let late = (end + (0.5 * rate) as usize).min(signal.len());
        let after = &signal[late.min(signal.len() - 1)..];
        let silence = if before.len() as f64 >= 0.2 * rate || before.len() >= after.len() {
            before
        } else {
            after
        };
        let n = silence.len();
        let mean = silence.iter().sum::<f64>() / n as f64;
        // Hann window: leakage of hum must not fill the floor.
        let mut energy = 0.0;
        let windowed: Vec<f64> = silence
            .iter()
            .enumerate()
            .map(|(i, v)| {
                let w = 0.5 - 0.5 * (TAU * (i as f64 + 0.5) / n as f64).cos();
                energy += w * w;
                (v - mean) * w
            })
            .collect();
        let size = quick_size(n.max(16));
        let bins = spectrum(planner, &windowed, size);
        let density: Vec<f64> = bins
            .iter()
            .map(|v| v.norm_sqr() / energy.max(f64::MIN_POSITIVE))
            .collect();
        Self {
            bin_hz: rate / size as f64,
            density,
        }
    }

    /// The mains line (50 or 60 Hz and their multiples up to the fourth) that stands out most, if by 15 dB.
    fn hum(&self) -> Option<(f64, f64)> {
        let mut best: Option<(f64, f64)> = None;
        for line in [50.0, 60.0, 100.0, 120.0, 150.0, 180.0, 200.0, 240.0] {
            let at = (line / self.bin_hz).round() as usize;
            let reach = ((0.2 * line / self.bin_hz) as usize).max(6);
            if at < reach || at + reach >= self.density.len() {
                continue;
            }
            let peak = self.density[at - 1..=at + 1]
                .iter()
                .fold(0.0_f64, |a, &v| a.max(v));
            let mut around = self.density[at - reach..=at + reach].to_vec();
            around.sort_by(f64::total_cmp);
            let over = 10.0 * (peak / around[around.len() / 2].max(f64::MIN_POSITIVE)).log10();
            if over > 15.0 && best.is_none_or(|(_, most)| over > most) {
                best = Some((line, over));
            }
        }
        best
    }

    /// Mean over a third of an octave, or four bins where that is wider.
    fn at(&self, f: f64) -> f64 {
        let (low, high) = (f / 1.122, f * 1.122);
        let wide = (4.0 * self.bin_hz - (high - low)).max(0.0) * 0.5;
        let a = (((low - wide) / self.bin_hz).floor().max(1.0)) as usize;
        let b = (((high + wide) / self.bin_hz).ceil() as usize).min(self.density.len() - 1);
        let a = a.min(b);
        self.density[a..=b].iter().sum::<f64>() / (b - a + 1) as f64
    }
}

type Usable = (Vec<(f64, f64)>, [f64; 2], f64);

fn usable(frequency_hz: &[f64], value: &[Complex64], noise: &[f64]) -> Usable {
    let (Some(&low), Some(&high)) = (frequency_hz.first(), frequency_hz.last()) else {
        return (Vec::new(), [0.0, 0.0], f64::NAN);
    };
    let mut bands = Vec::new();
    for band in third_octaves(low, high) {
        let inside: Vec<usize> = (0..frequency_hz.len())
            .filter(|&i| (band.low_hz..band.high_hz).contains(&frequency_hz[i]))
            .collect();
        // A sliver of a band at the end of the sweep says nothing about it.
        if inside.len() < 4 {
            continue;
        }
        let signal: f64 = inside.iter().map(|&i| value[i].norm_sqr()).sum();
        let floor: f64 = inside.iter().map(|&i| noise[i] * noise[i]).sum();
        bands.push((band, 10.0 * (signal / floor.max(1e-300)).log10()));
    }
    let best = (0..bands.len()).max_by(|&a, &b| bands[a].1.total_cmp(&bands[b].1));
    let list: Vec<(f64, f64)> = bands.iter().map(|(b, db)| (b.center_hz, *db)).collect();
    let Some(best) = best.filter(|&i| bands[i].1 > USABLE_DB) else {
        let snr = list.iter().map(|b| b.1).fold(f64::NEG_INFINITY, f64::max);
        return (list, [0.0, 0.0], snr);
    };
    let (mut a, mut b) = (best, best);
    while a > 0 && bands[a - 1].1 > USABLE_DB {
        a -= 1;
    }
    while b + 1 < bands.len() && bands[b + 1].1 > USABLE_DB {
        b += 1;
    }
    let mut inside: Vec<f64> = bands[a..=b].iter().map(|x| x.1).collect();
    inside.sort_by(f64::total_cmp);
    let median = 0.5 * (inside[(inside.len() - 1) / 2] + inside[inside.len() / 2]);
    (
        list,
        [bands[a].0.low_hz.max(low), bands[b].0.high_hz.min(high)],
        median,
    )
}

struct Harmonics<'a> {
    sweep: &'a Sweep,
    rate: f64,
    size: usize,
    bin_hz: f64,
    low_hz: f64,
    high_hz: f64,
    peak: usize,
}

/// The stretch of the impulse response that one harmonic fills.
struct Part {
    order: usize,
    impulse: Vec<f64>,
    peak: f64,
}

impl Harmonics<'_> {
    /// Cuts out orders 2 to 5: from half way to the next higher order to half way to the next lower one, at most
    /// 0.3 s ahead of the linear response.
    fn cut(&self, impulse: &[f64]) -> Vec<Part> {
        let l = self.sweep.rate_s();
        let ahead = |n: f64| l * n.ln() * self.rate;
        (2..=5)
            .filter_map(|order| {
                let n = order as f64;
                let pre = (0.3 * (ahead(n + 1.0) - ahead(n))).min(0.1 * self.rate);
                let post = 0.6 * (ahead(n) - ahead(n - 1.0));
                let width = (pre + post) as usize;
                let span = self.size as f64;
                if ahead(n) + pre > span * 0.5 || width < 16 {
                    return None;
                }
                let begin = self.peak as f64 - ahead(n) - pre;
                let mut part = vec![0.0; self.size];
                let mut peak = 0.0_f64;
                for i in 0..width {
                    let at = (begin + i as f64).rem_euclid(span) as usize % self.size;
                    // Raised cosines: over half of what lies ahead of the harmonic, over a fifth behind.
                    let edge = (i as f64 / (0.5 * pre))
                        .min((width - i) as f64 / (0.2 * post))
                        .min(1.0);
                    let w = 0.5 - 0.5 * (PI * edge).cos();
                    part[at] = impulse[at] * w;
                    peak = peak.max(part[at].abs());
                }
                Some(Part {
                    order,
                    impulse: part,
                    peak,
                })
            })
            .collect()
    }

    /// Level of each order over the fundamental at the same excitation frequency.
    fn levels(
        &self,
        planner: &mut RealFftPlanner<f64>,
        parts: &[Part],
        grid: &[f64],
        value: &[Complex64],
        noise: &[f64],
    ) -> Vec<(usize, Vec<f64>, Vec<f64>, Vec<f64>)> {
        parts
            .iter()
            .map(|part| {
                let bins = spectrum(planner, &part.impulse, self.size);
                let n = part.order as f64;
                let (mut f, mut level, mut floor) = (Vec::new(), Vec::new(), Vec::new());
                for (i, &fundamental) in grid.iter().enumerate().step_by(4) {
                    let out = n * fundamental;
                    if out > self.high_hz || out < self.low_hz {
                        continue;
                    }
                    let k = (out / self.bin_hz).round() as usize;
                    let near = grid.partition_point(|&g| g < out).min(grid.len() - 1);
                    f.push(fundamental);
                    level.push(20.0 * (bins[k].norm() / value[i].norm()).log10());
                    floor.push(20.0 * (2.0 * noise[near] / value[i].norm()).log10());
                }
                (part.order, f, level, floor)
            })
            .collect()
    }
}

#[cfg(test)]
mod tests;
