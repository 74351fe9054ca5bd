//! Streaming reduction of the sample rate by a whole factor, because only the bass is wanted.
//!
//! A linear-phase low-pass by the Kaiser window (Kaiser 1974, I0-sinh window), 110 dB down where it would fold into
//! the kept band, flat within 1e-5 below 0.8 of the new half rate. The output has no delay: sample n stands for the
//! input at n·factor.

use std::collections::VecDeque;
use std::f64::consts::PI;

/// Attenuation of what folds back, dB.
const ATTENUATION_DB: f64 = 110.0;
/// Share of the new half rate that is kept flat.
pub const KEPT: f64 = 0.8;

/// A decimator for one channel.
#[derive(Debug, Clone)]
pub struct Decimator {
    factor: usize,
    tap: Vec<f64>,
    history: VecDeque<f64>,
    /// Inputs until the next output.
    wait: usize,
    out: Vec<f64>,
    seen: usize,
}

/// The largest factor that keeps `highest_hz` flat.
#[must_use]
pub fn factor_for(sample_rate_hz: f64, highest_hz: f64) -> usize {
    ((sample_rate_hz * 0.5 * KEPT / highest_hz).floor() as usize).max(1)
}

impl Decimator {
    /// A decimator by `factor` (1: passes through).
    #[must_use]
    pub fn new(factor: usize) -> Self {
        let factor = factor.max(1);
        let tap = if factor == 1 {
            vec![1.0]
        } else {
            low_pass(factor)
        };
        let half = tap.len() / 2;
        Self {
            factor,
            // The filter is centred: before the first sample there is silence.
            history: std::iter::repeat_n(0.0, half).collect(),
            wait: half + 1,
            tap,
            out: Vec::new(),
            seen: 0,
        }
    }

    /// Takes samples.
    pub fn push(&mut self, samples: impl Iterator<Item = f64>) {
        for x in samples {
            self.seen += 1;
            self.step(x);
        }
    }

    fn step(&mut self, x: f64) {
        self.history.push_back(x);
        self.wait -= 1;
        if self.wait > 0 {
            return;
        }
        self.wait = self.factor;
        let extra = self.history.len().saturating_sub(self.tap.len());
        self.history.drain(..extra);
        let (a, b) = self.history.as_slices();
        let (front, back) = self.tap.split_at(a.len());
        let sum: f64 = dot(a, front) + dot(b, back);
        self.out.push(sum);
    }

    /// The reduced samples, once everything was pushed.
    #[must_use]
    pub fn finish(mut self) -> Vec<f64> {
        let wanted = self.seen.div_ceil(self.factor);
        for _ in 0..self.tap.len() {
            if self.out.len() >= wanted {
                break;
            }
            self.step(0.0);
        }
        self.out.truncate(wanted);
        self.out
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    // Four sums, so that the compiler may use wide registers.
    let mut sum = [0.0; 4];
    let (a4, b4) = (a.chunks_exact(4), b.chunks_exact(4));
    let rest: f64 = a4
        .remainder()
        .iter()
        .zip(b4.remainder())
        .map(|(x, y)| x * y)
        .sum();
    for (x, y) in a4.zip(b4) {
        for n in 0..4 {
            sum[n] += x[n] * y[n];
        }
    }
    sum.iter().sum::<f64>() + rest
}

fn low_pass(factor: usize) -> Vec<f64> {
    let q = factor as f64;
    // Pass band to KEPT, stop band from 2 − KEPT of the new half rate.
    let width = 2.0 * (1.0 - KEPT) * PI / q;
    let half = ((ATTENUATION_DB - 7.95) / (2.285 * width) / 2.0).ceil() as i64;
    let beta = 0.1102 * (ATTENUATION_DB - 8.7);
    let scale = bessel_i0(beta);
    let mut tap: Vec<f64> = (-half..=half)
        .map(|n| {
            let x = n as f64 / q;
            let sinc = if n == 0 {
                1.0
            } else {
                (PI * x).sin() / (PI * x)
            };
            let t = n as f64 / (half as f64 + 1.0);
            sinc * bessel_i0(beta * (1.0 - t * t).sqrt()) / scale
        })
        .collect();
    let sum: f64 = tap.iter().sum();
    tap.iter_mut().for_each(|t| *t /= sum);
    tap
}

/// I0 by its power series, which converges for all arguments.
fn bessel_i0(x: f64) -> f64 {
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..60 {
        term *= (0.5 * x / f64::from(k)).powi(2);
        sum += term;
        if term < 1e-17 * sum {
            break;
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// DERIVED: a tone in the kept band passes with its phase, one that would fold back does not.
    #[test]
    fn tones_pass_or_stop() {
        for factor in [1, 2, 7, 15] {
            let q = factor as f64;
            let run = |turns_per_new_sample: f64| {
                let mut d = Decimator::new(factor);
                d.push(
                    (0..4000 * factor)
                        .map(|n| (2.0 * PI * turns_per_new_sample * n as f64 / q).cos()),
                );
                d.finish()
            };
            let out = run(0.31);
            assert_eq!(out.len(), 4000);
            for (n, v) in out.iter().enumerate().skip(200).take(3600) {
                let want = (2.0 * PI * 0.31 * n as f64).cos();
                assert!((v - want).abs() < 2e-5, "factor {factor}: {v} {want}");
            }
            if factor > 1 {
                // 0.65 of a turn per new sample would fold to 0.35, inside the kept 0.4.
                let loudest = run(0.65)
                    .iter()
                    .skip(200)
                    .take(3600)
                    .fold(0.0_f64, |a, v| a.max(v.abs()));
                assert!(
                    loudest < 10f64.powf(-105.0 / 20.0),
                    "factor {factor}: {loudest:e}"
                );
            }
        }
    }
}
