//! From a recorded sweep to a frequency response with a known noise floor.
//!
//! With Y the spectrum of the take and X that of the reference (the recorded loop-back, or the sweep itself)
//!
//! ```text
//! H_k = Y_k/X_k                        in the swept band, bins of 1/T, T the length of the segment
//! H(f) = value at f of the complex polynomial of order 5 that fits H_k·e^(jω_kτ) around f best
//! var H(f) = N·σ²(f)·Σ w_k²/|X_k|²      w: weights of the fit, N: size of the transform
//! ```
//!
//! τ is the main delay, taken out before the fit and put back after it. A fit over up to ±1 Hz averages the noise of
//! neighbouring bins, and follows any response that has decayed within the segment; with a response of 50 ms its own
//! error is below 1e-7. σ² is the noise density of the take, from the silence around the sweep, smoothed over a third
//! of an octave. Harmonics of the sweep stand L·ln n ahead of the linear response (Farina 2000) and are cut out of it
//! before the fit where they are strong enough to matter.
//!
//! Outside the swept band X has no energy, and nothing is computed there.

mod clock;
mod harmonics;
mod noise;
mod takes;
#[cfg(test)]
mod tests;

use super::bands::third_octaves;
use super::grid::log_grid;
use super::sweep::Sweep;
use clock::clock;
pub(super) use clock::solve3;
use harmonics::Harmonics;
pub use harmonics::Order;
use noise::Noise;
use num_complex::Complex64;
use realfft::RealFftPlanner;
use std::f64::consts::{PI, TAU};
pub use takes::takes;

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
    /// The sweep that was recorded is another one than stated.
    #[error(
        "the recorded sweep lasts {recorded_s:.4} s and duration_s in [sweep] says {stated_s:.4} s; clocks differ by less: correct duration_s, or the sample rates"
    )]
    Duration {
        /// There, s.
        recorded_s: f64,
        /// As stated, s.
        stated_s: f64,
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

/// Largest difference of two clocks that are both sound, parts per million. IEC 60958-3 allows a consumer clock 1000 (from
/// memory); what lies beyond is another sample rate, or another sweep.
pub const MOST_DRIFT_PPM: f64 = 1000.0;

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
    /// Width of the band whose noise one value holds, the widest on the grid, Hz.
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
    /// Harmonics 2 to 5.
    pub harmonics: Vec<Order>,
    /// Impulse response, its rate and the index of time zero.
    pub impulse: (Vec<f64>, f64, usize),
    /// Silence behind the sweep that was there, s.
    pub tail_s: f64,
    /// Lost (positive) or repeated (negative) samples at the given rate: (time in the file, s; samples).
    pub jump: Option<(f64, f64)>,
    /// Where the noise of the signal was read, s, from and to.
    pub silence_s: [f64; 2],
    /// How much of that silence was left out because it held more than noise, s.
    pub silence_left_out_s: f64,
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
    if size.is_multiple_of(2) {
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
pub(super) fn find(
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

/// Pairs of rates (kHz, as in the file and as it should be) between which a wrong header or a wrong `[sweep]` usually
/// lies.
const USUAL_MISTAKES: [(f64, f64); 8] = [
    (48.0, 44.1),
    (44.1, 48.0),
    (48.0, 96.0),
    (96.0, 48.0),
    (48.0, 32.0),
    (32.0, 48.0),
    (96.0, 44.1),
    (44.1, 96.0),
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
    for part in parts.iter().filter(|p| p.peak > HARMONIC_MATTERS * loudest) {
        let bins = spectrum(&mut planner, &part.impulse, size);
        for k in first..=last {
            // An order n has nothing below n times the start; what stands there is noise or ringing.
            let over = k as f64 * bin_hz / (part.order as f64 * low_hz);
            h[k] -= bins[k] * smooth((over - 0.9) / 0.1);
        }
    }

    let frequency_hz = log_grid(low_hz, high_hz, 48);
    let mut value = Vec::with_capacity(frequency_hz.len());
    let mut through = Vec::with_capacity(frequency_hz.len());
    let mut resolution_hz = 0.0_f64;
    for &f in &frequency_hz {
        let (v, from_bin, weight) = local(&h, f / bin_hz, bin_hz, f, delay_s, first, last);
        value.push(v);
        let inverse = |n: usize, w: &f64| w * w / x[from_bin + n].norm_sqr();
        through.push(
            weight
                .iter()
                .enumerate()
                .map(|(n, w)| inverse(n, w))
                .sum::<f64>(),
        );
        let share: f64 = weight.iter().map(|w| w * w).sum();
        resolution_hz = resolution_hz.max(bin_hz / share);
    }
    let noise = Noise::of(&mut planner, take.signal, from, begin + sweep_samples, rate);
    let reference_noise = take
        .reference
        .map(|r| Noise::of(&mut planner, r, from, begin + sweep_samples, rate));
    // E|DFT|² of white noise is its variance times the samples; zeros behind them make neighbouring bins share it, which
    // the size of the whole transform accounts for.
    let count = size as f64;
    let mut noise_rms = Vec::with_capacity(frequency_hz.len());
    for ((&f, v), share) in frequency_hz.iter().zip(&value).zip(&through) {
        let mut density = noise.at(f);
        if let Some(r) = &reference_noise {
            density += r.at(f) * v.norm_sqr();
        }
        noise_rms.push((share * count * density).sqrt());
    }
    let (snr_bands, usable_hz, snr_db) = usable(&frequency_hz, &value, &noise_rms);
    let harmonics = harmonic.levels(&mut planner, &parts, &frequency_hz, &value, &noise_rms);
    let (drift, polarity, jump) = match clock {
        Some(c) => (
            Some((c.drift_ppm, c.drift_sd_ppm)),
            c.polarity,
            c.jump_s.map(|at| {
                let lost = clock::lost_s(&mut planner, guide, sweep, start / rate, at, rate);
                (start / rate + at, lost)
            }),
        ),
        None => (None, 1, None),
    };
    if let (Some((ppm, sd_ppm)), None) = (drift, jump)
        && ppm.abs() - 2.0 * sd_ppm > MOST_DRIFT_PPM
    {
        let stated_s = sweep.plan().duration_s;
        return Err(DeconvolveError::Duration {
            recorded_s: stated_s * (1.0 + 1e-6 * ppm),
            stated_s,
        });
    }
    let keep = (to - from).min(size);
    let zero = (0.05 * rate) as usize;
    let rolled: Vec<f64> = (0..keep.min((3.0 * rate) as usize))
        .map(|n| impulse[(n + size - zero) % size])
        .collect();
    Ok(Deconvolved {
        frequency_hz,
        value,
        noise_rms,
        resolution_hz,
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
        silence_s: [noise.read.start, noise.read.end].map(|n| n as f64 / rate),
        silence_left_out_s: noise.left_out as f64 / rate,
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
    for (as_is, should_be) in USUAL_MISTAKES {
        let ratio = should_be / as_is;
        let out = find(planner, guide, sweep, rate * ratio).1;
        if out > best.1 {
            let hint = format!(
                " (it fits if the sample rate were {ratio:.4} times what the file says, as between {as_is} and {should_be} kHz)"
            );
            best = (hint, out);
        }
    }
    best
}

/// The value at bin position `at` of the polynomial that fits the de-rotated bins around it, the first of those bins,
/// and the weight of each.
fn local(
    h: &[Complex64],
    at: f64,
    bin_hz: f64,
    frequency_hz: f64,
    delay_s: f64,
    first: usize,
    last: usize,
) -> (Complex64, usize, Vec<f64>) {
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
    (sum, from, weight)
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
