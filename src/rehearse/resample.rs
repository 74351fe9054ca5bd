//! From the simulation's time grid to the recorder's samples: band-limited interpolation.
//!
//! `y(t) = Σ x[m]·h(t·rate − offset − m)`, h a Kaiser-windowed sinc (β = 11: images and aliases below −105 dB) of 32
//! samples, longer in proportion where the recorder is slower. The signal must end well below half of both rates.
//!
//! Reference: Kaiser 1974 (window; Bessel I0 by its series).

use super::run::Series;
use std::f64::consts::PI;

/// Steps of the kernel's table between two samples; values between are interpolated linearly (error −115 dB).
const PHASES: usize = 1024;
const BETA: f64 = 11.0;

/// An interpolator between two rates.
#[derive(Debug, Clone)]
pub(super) struct Resampler {
    half: usize,
    table: Vec<Vec<f64>>,
    rate_hz: f64,
}

impl Resampler {
    /// From `rate_hz` to samples taken at `file_hz`.
    pub fn new(rate_hz: f64, file_hz: f64) -> Self {
        let narrow = (file_hz / rate_hz).min(1.0);
        let half = (16.0 / narrow).ceil() as usize;
        let kernel = |x: f64| {
            let u = x / half as f64;
            if u.abs() >= 1.0 {
                return 0.0;
            }
            let sinc = if x == 0.0 {
                1.0
            } else {
                (PI * narrow * x).sin() / (PI * narrow * x)
            };
            narrow * sinc * bessel_i0(BETA * (1.0 - u * u).sqrt()) / bessel_i0(BETA)
        };
        let table = (0..=PHASES)
            .map(|phase| {
                let fraction = phase as f64 / PHASES as f64;
                let mut row: Vec<f64> = (0..2 * half)
                    .map(|k| kernel(fraction + half as f64 - 1.0 - k as f64))
                    .collect();
                let sum: f64 = row.iter().sum();
                for x in &mut row {
                    *x /= sum;
                }
                row
            })
            .collect();
        Self {
            half,
            table,
            rate_hz,
        }
    }

    /// Samples of the series that a value needs on each side of it.
    pub fn half(&self) -> usize {
        self.half
    }

    /// The series at the times `start_s + k·period_s`, k below `count`; zero outside the series.
    pub fn sample(&self, series: &Series, start_s: f64, period_s: f64, count: usize) -> Vec<f64> {
        (0..count)
            .map(|k| {
                let position = (start_s + k as f64 * period_s) * self.rate_hz - series.offset;
                self.at(&series.sample, 0, position)
            })
            .collect()
    }

    /// The value at `position`, in samples, where `input` starts with the sample `start`; zero outside.
    pub fn at(&self, input: &[f64], start: i64, position: f64) -> f64 {
        let whole = position.floor();
        let phase = (position - whole) * PHASES as f64;
        let row = (phase as usize).min(PHASES - 1);
        let part = phase - row as f64;
        let first = whole as i64 - (self.half as i64 - 1) - start;
        let last = first + 2 * self.half as i64;
        if last <= 0 || first >= input.len() as i64 {
            return 0.0;
        }
        let (from, to) = (first.max(0) as usize, (last as usize).min(input.len()));
        let skip = (from as i64 - first) as usize;
        let (a, b) = (&self.table[row][skip..], &self.table[row + 1][skip..]);
        let window = &input[from..to];
        let mut sum = (0.0, 0.0);
        for ((x, a), b) in window.iter().zip(a).zip(b) {
            sum.0 += x * a;
            sum.1 += x * b;
        }
        sum.0 + part * (sum.1 - sum.0)
    }
}

fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..60 {
        term *= quarter / f64::from(k * k);
        sum += term;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    fn error_db(rate: f64, file: f64, hz: f64) -> f64 {
        let series = Series {
            sample: (0..40_000)
                .map(|m| (2.0 * PI * hz * (f64::from(m) + 0.5) / rate).sin())
                .collect(),
            offset: 0.5,
        };
        let period = 1.0 / file * (1.0 + 37e-6);
        let got = Resampler::new(rate, file).sample(&series, 0.5, period, 4000);
        let worst = got
            .iter()
            .enumerate()
            .map(|(k, y)| (y - (2.0 * PI * hz * (0.5 + k as f64 * period)).sin()).abs())
            .fold(0.0, f64::max);
        20.0 * worst.log10()
    }

    #[test]
    fn a_sine_comes_out_as_it_was() {
        // DERIVED: the sine itself. −100 dB: what the design of the kernel promises.
        for (rate, file, hz) in [
            (16_000.0, 48_000.0, 31.7),
            (16_000.0, 48_000.0, 2_500.0),
            (16_000.0, 44_100.0, 500.0),
            (16_000.0, 8_000.0, 500.0),
        ] {
            let error = error_db(rate, file, hz);
            assert!(error < -100.0, "{rate} {file} {hz}: {error}");
        }
    }
}
