//! The noise density of a channel, from the silence around the sweep.
//!
//! In a recording that goes on for long a silence may hold more than noise: steps and hands on the microphone, the end of what
//! was recorded before. The silence is therefore looked at in blocks of half a second, in four bands of two octaves each. A
//! block that exceeds the quieter ones by [`SPOILED`] in any band is spoiled, and the longest stretch without one is used, the
//! later of two that are as long. Steady noise is used whole: of its blocks none stands out so far.

use super::{quick_size, spectrum};
use realfft::RealFftPlanner;
use std::f64::consts::TAU;
use std::ops::Range;

/// Length of a block of the silence, s: ten periods of 20 Hz.
const BLOCK_S: f64 = 0.5;
/// Power over that of the quieter blocks from which one is spoiled: 10 dB. The power of steady noise in the lowest band has ten
/// degrees of freedom in a block; three blocks of it differ so far from each other once in some hundred silences (F distribution).
const SPOILED: f64 = 10.0;
/// Lower ends of the bands in which a block is looked at, Hz.
const BANDS_HZ: [f64; 4] = [5.0, 20.0, 80.0, 320.0];

/// Noise density of a channel: variance per sample per bin, as E|DFT|²/N.
pub(super) struct Noise {
    bin_hz: f64,
    density: Vec<f64>,
    /// Where it was read, samples of the signal.
    pub(super) read: Range<usize>,
    /// Samples of that silence that were left out.
    pub(super) left_out: usize,
}

/// The stretch of a silence that holds nothing but noise; all of it where it is too short to tell, or holds nothing else.
fn quiet(planner: &mut RealFftPlanner<f64>, silence: &[f64], rate: f64) -> Range<usize> {
    let block = (BLOCK_S * rate) as usize;
    let count = silence.len().checked_div(block).unwrap_or(0);
    if count < 2 {
        return 0..silence.len();
    }
    // The blocks end with the silence: what precedes the sweep matters most.
    let first = silence.len() - count * block;
    let bin_hz = rate / block as f64;
    let powers: Vec<Option<[f64; BANDS_HZ.len()]>> = silence[first..]
        .chunks_exact(block)
        .map(|part| {
            // A recorder that was mute tells nothing of the noise.
            if part.iter().all(|v| *v == part[0]) {
                return None;
            }
            let mean = part.iter().sum::<f64>() / block as f64;
            let windowed: Vec<f64> = part
                .iter()
                .enumerate()
                .map(|(i, v)| (v - mean) * hann(i, block))
                .collect();
            let bins = spectrum(planner, &windowed, block);
            Some(BANDS_HZ.map(|low| {
                let from = ((low / bin_hz).ceil() as usize).min(bins.len());
                let to = ((4.0 * low / bin_hz).ceil() as usize).min(bins.len());
                bins[from..to].iter().map(|b| b.norm_sqr()).sum()
            }))
        })
        .collect();
    let usual: Vec<f64> = (0..BANDS_HZ.len())
        .map(|n| {
            let mut of: Vec<f64> = powers.iter().flatten().map(|p| p[n]).collect();
            of.sort_by(f64::total_cmp);
            of.get(of.len() / 4).copied().unwrap_or(0.0)
        })
        .collect();
    let sound = |p: &Option<[f64; BANDS_HZ.len()]>| {
        p.is_some_and(|p| p.iter().zip(&usual).all(|(have, q)| *have <= SPOILED * q))
    };
    let (mut best, mut from) = (0..0, 0);
    for (n, power) in powers.iter().enumerate() {
        if !sound(power) {
            from = n + 1;
        } else if n + 1 - from >= best.len() {
            best = from..n + 1;
        }
    }
    if best.is_empty() || best.len() == count {
        return 0..silence.len();
    }
    first + best.start * block..first + best.end * block
}

/// Hann window of `count` samples.
fn hann(i: usize, count: usize) -> f64 {
    0.5 - 0.5 * (TAU * (i as f64 + 0.5) / count as f64).cos()
}

impl Noise {
    /// From the silence before the sweep, or behind it where that is longer and has decayed.
    pub(super) fn of(
        planner: &mut RealFftPlanner<f64>,
        signal: &[f64],
        begin: usize,
        end: usize,
        rate: f64,
    ) -> Self {
        let guard = (0.02 * rate) as usize;
        let before = &signal[..begin.saturating_sub(guard).max(1).min(signal.len())];
        let late = (end + (0.5 * rate) as usize).min(signal.len());
        let late = late.min(signal.len() - 1);
        let after = &signal[late..];
        let (silence, start) = if before.len() as f64 >= 0.2 * rate || before.len() >= after.len() {
            (before, 0)
        } else {
            (after, late)
        };
        let used = quiet(planner, silence, rate);
        let left_out = silence.len() - used.len();
        let read = start + used.start..start + used.end;
        let silence = &silence[used];
        let n = silence.len();
        let mean = silence.iter().sum::<f64>() / n as f64;
        // Hann window: leakage of hum must not fill the floor.
        let mut energy = 0.0;
        let windowed: Vec<f64> = silence
            .iter()
            .enumerate()
            .map(|(i, v)| {
                let w = hann(i, n);
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
            read,
            left_out,
        }
    }

    /// The mains line (50 or 60 Hz and their multiples up to the fourth) that stands out most, if by 15 dB.
    pub(super) fn hum(&self) -> Option<(f64, f64)> {
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
    pub(super) fn at(&self, f: f64) -> f64 {
        let (low, high) = (f / 1.122, f * 1.122);
        let wide = (4.0 * self.bin_hz - (high - low)).max(0.0) * 0.5;
        let a = (((low - wide) / self.bin_hz).floor().max(1.0)) as usize;
        let b = (((high + wide) / self.bin_hz).ceil() as usize).min(self.density.len() - 1);
        let a = a.min(b);
        self.density[a..=b].iter().sum::<f64>() / (b - a + 1) as f64
    }
}
