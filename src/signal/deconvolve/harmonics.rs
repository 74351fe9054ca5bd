//! The harmonics of the sweep, which stand ahead of the linear response.

use super::spectrum;
use crate::signal::sweep::Sweep;
use num_complex::Complex64;
use realfft::RealFftPlanner;
use std::f64::consts::PI;

/// One harmonic against the frequency of the fundamental.
#[derive(Debug, Clone)]
pub struct Order {
    /// Order, from 2.
    pub order: usize,
    /// Frequency of the fundamental, Hz.
    pub frequency_hz: Vec<f64>,
    /// Level over the fundamental's, dB.
    pub level_db: Vec<f64>,
    /// Noise floor on the same scale, dB.
    pub floor_db: Vec<f64>,
}

/// What the search for harmonics needs to know.
pub(super) struct Harmonics<'a> {
    pub sweep: &'a Sweep,
    pub rate: f64,
    pub size: usize,
    pub bin_hz: f64,
    pub low_hz: f64,
    pub high_hz: f64,
    pub peak: usize,
}

/// The stretch of the impulse response that one harmonic fills.
pub(super) struct Part {
    pub order: usize,
    pub impulse: Vec<f64>,
    pub peak: f64,
}

/// Turns of the lowest frequency that must lie between a harmonic's stretch and the linear response: so long the edge of
/// the swept band rings.
const CLEAR: f64 = 1.9;

impl Harmonics<'_> {
    /// Cuts out orders 2 to 5: a third of the way to the next higher order, at most 0.1 s, and 0.6 of the way to the
    /// next lower one. An order that the sweep is too short to part from the linear response is left out.
    pub(super) fn cut(&self, impulse: &[f64]) -> Vec<Part> {
        let l = self.sweep.rate_s();
        let ahead = |n: f64| l * n.ln() * self.rate;
        (2..=5)
            .filter_map(|order| {
                let n = order as f64;
                let pre = (0.3 * (ahead(n + 1.0) - ahead(n))).min(0.1 * self.rate);
                let post = 0.6 * (ahead(n) - ahead(n - 1.0));
                let width = (pre + post) as usize;
                let span = self.size as f64;
                let clear = (ahead(n) - post) / self.rate * self.low_hz;
                if ahead(n) + pre > span * 0.5 || width < 16 || clear < CLEAR {
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
    pub(super) fn levels(
        &self,
        planner: &mut RealFftPlanner<f64>,
        parts: &[Part],
        grid: &[f64],
        value: &[Complex64],
        noise: &[f64],
    ) -> Vec<Order> {
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
                Order {
                    order: part.order,
                    frequency_hz: f,
                    level_db: level,
                    floor_db: floor,
                }
            })
            .collect()
    }
}
