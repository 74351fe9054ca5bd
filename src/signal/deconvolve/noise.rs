//! The noise density of a channel, from the silence around the sweep.

use super::{quick_size, spectrum};
use realfft::RealFftPlanner;
use std::f64::consts::TAU;

/// Noise density of a channel: variance per sample per bin, as E|DFT|²/N.
pub(super) struct Noise {
    bin_hz: f64,
    density: Vec<f64>,
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
