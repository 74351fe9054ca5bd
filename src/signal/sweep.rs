//! The logarithmic sweep, phase-synchronous or plain.
//!
//! ```text
//! L = T/ln(f2/f1)
//! synchronous  x(t) = sin(2πf1·L·e^(t/L))            f(t) = f1·e^(t/L)
//! plain        x(t) = sin(2πf1·L·(e^(t/L) − 1))
//! ```
//!
//! Fades are raised cosines in amplitude; `level_dbfs` is the peak. In the synchronous form harmonics start in
//! phase with the fundamental and lie L·ln n ahead of the linear response after deconvolution. References: Farina
//! 2000, AES 108th Convention; Novak, Lotton & Simon 2015, JAES 63:786.

use crate::design::captures::SweepPlan;
use std::f64::consts::{PI, TAU};

/// A sweep that cannot be played.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SweepError {
    /// A number is outside its range.
    #[error("{key}: found {found}; expected {expected}")]
    Range {
        /// Key of `[sweep]`.
        key: &'static str,
        /// Found.
        found: f64,
        /// Expected.
        expected: String,
    },
}

/// A sweep ready to be evaluated at any time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sweep {
    plan: SweepPlan,
    rate_s: f64,
    peak: f64,
}

impl Sweep {
    /// Checks a plan.
    ///
    /// # Errors
    /// [`SweepError::Range`] names the key, what was found and what was expected.
    pub fn new(plan: SweepPlan) -> Result<Self, SweepError> {
        let rate = f64::from(plan.sample_rate_hz);
        let checks: [(&'static str, f64, bool, String); 9] = [
            (
                "sample_rate_hz",
                rate,
                (8000.0..=192_000.0).contains(&rate),
                "8000 to 192000 Hz".to_string(),
            ),
            (
                "start_hz",
                plan.start_hz,
                plan.start_hz >= 0.5,
                "at least 0.5 Hz".to_string(),
            ),
            (
                "stop_hz",
                plan.stop_hz,
                plan.stop_hz >= plan.start_hz * 1.5 && plan.stop_hz <= 0.45 * rate,
                format!(
                    "from 1.5 times start_hz to 0.45 of the sample rate, {:.0} Hz",
                    0.45 * rate
                ),
            ),
            (
                "duration_s",
                plan.duration_s,
                (0.2..=600.0).contains(&plan.duration_s),
                "0.2 to 600 s".to_string(),
            ),
            (
                "level_dbfs",
                plan.level_dbfs,
                (-80.0..=0.0).contains(&plan.level_dbfs),
                "−80 to 0 dB".to_string(),
            ),
            (
                "fade_in_s",
                plan.fade_in_s,
                plan.fade_in_s >= 0.0 && plan.fade_in_s < 0.5 * plan.duration_s,
                "0 to half the duration".to_string(),
            ),
            (
                "fade_out_s",
                plan.fade_out_s,
                plan.fade_out_s >= 0.0 && plan.fade_out_s < 0.5 * plan.duration_s,
                "0 to half the duration".to_string(),
            ),
            (
                "silence_before_s",
                plan.silence_before_s,
                (0.0..=60.0).contains(&plan.silence_before_s),
                "0 to 60 s".to_string(),
            ),
            (
                "silence_after_s",
                plan.silence_after_s,
                (0.0..=60.0).contains(&plan.silence_after_s),
                "0 to 60 s".to_string(),
            ),
        ];
        for (key, found, sound, expected) in checks {
            if !sound {
                return Err(SweepError::Range {
                    key,
                    found,
                    expected,
                });
            }
        }
        Ok(Self {
            plan,
            rate_s: plan.duration_s / (plan.stop_hz / plan.start_hz).ln(),
            peak: 10f64.powf(plan.level_dbfs / 20.0),
        })
    }

    /// L, s.
    #[must_use]
    pub fn rate_s(&self) -> f64 {
        self.rate_s
    }

    /// Peak amplitude over full scale.
    #[must_use]
    pub fn peak(&self) -> f64 {
        self.peak
    }

    /// The plan.
    #[must_use]
    pub fn plan(&self) -> &SweepPlan {
        &self.plan
    }

    /// Time at which a frequency is played, s after the start of the sweep.
    #[must_use]
    pub fn time_s(&self, frequency_hz: f64) -> f64 {
        self.rate_s * (frequency_hz / self.plan.start_hz).ln()
    }

    /// Phase at a time after the start of the sweep (s), rad: the sweep is its sine.
    #[must_use]
    pub fn phase_rad(&self, time_s: f64) -> f64 {
        let rise = (time_s / self.rate_s).exp();
        let turns = if self.plan.synchronized {
            rise
        } else {
            rise - 1.0
        };
        TAU * self.plan.start_hz * self.rate_s * turns
    }

    /// Peak amplitude with its fades at a time after the start of the sweep, s; zero outside.
    #[must_use]
    pub fn envelope(&self, time_s: f64) -> f64 {
        let p = &self.plan;
        if !(0.0..=p.duration_s).contains(&time_s) {
            return 0.0;
        }
        let fade = |length: f64, into: f64| {
            if into < length {
                0.5 - 0.5 * (PI * into / length).cos()
            } else {
                1.0
            }
        };
        self.peak * fade(p.fade_in_s, time_s) * fade(p.fade_out_s, p.duration_s - time_s)
    }

    /// Amplitude at a time after the start of the sweep, s; zero outside.
    #[must_use]
    pub fn at(&self, time_s: f64) -> f64 {
        if !(0.0..=self.plan.duration_s).contains(&time_s) {
            return 0.0;
        }
        self.envelope(time_s) * self.phase_rad(time_s).sin()
    }

    /// The whole excitation with its silences, at the plan's sample rate.
    #[must_use]
    pub fn samples(&self) -> Vec<f64> {
        let p = &self.plan;
        let rate = f64::from(p.sample_rate_hz);
        let whole = p.silence_before_s + p.duration_s + p.silence_after_s;
        let count = (whole * rate).round() as usize;
        (0..count)
            .map(|n| self.at(n as f64 / rate - p.silence_before_s))
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// PUBLISHED: Farina 2000, with the numbers of a 20 Hz to 20 kHz sweep of 10 s: L = 1.447648 s, and harmonics
    /// Δt_n = L·ln n ahead; with L = 1.45 s: 1.005063, 1.592988, 2.333685 s.
    #[test]
    fn rate_and_harmonic_offsets() {
        let plan = SweepPlan {
            start_hz: 20.0,
            stop_hz: 20_000.0,
            duration_s: 10.0,
            ..SweepPlan::default()
        };
        let sweep = Sweep::new(plan).unwrap();
        assert!((sweep.rate_s() - 1.447_648).abs() < 5e-7);
        for (n, want) in [(2.0_f64, 1.005_063), (3.0, 1.592_988), (5.0, 2.333_685)] {
            assert!((1.45 * n.ln() - want).abs() < 5e-7);
            // A harmonic of order n has the frequency n·f: the sweep reaches it Δt_n later.
            let offset = sweep.time_s(n * 100.0) - sweep.time_s(100.0);
            assert!((offset - sweep.rate_s() * n.ln()).abs() < 1e-12);
        }
    }

    /// DERIVED: the phase advances by 2π·f(t)·dt.
    #[test]
    fn instantaneous_frequency_follows_the_formula() {
        for synchronized in [true, false] {
            let sweep = Sweep::new(SweepPlan {
                synchronized,
                ..SweepPlan::default()
            })
            .unwrap();
            // Zero crossings of the middle second are counted: ∫f dt = L·(f(b) − f(a)).
            let (a, b) = (3.0, 4.0);
            let n = 2_000_000;
            let x: Vec<f64> = (0..=n)
                .map(|i| sweep.at(a + (b - a) * f64::from(i) / f64::from(n)))
                .collect();
            let crossings = x
                .windows(2)
                .filter(|w| (w[0] < 0.0) != (w[1] < 0.0))
                .count() as f64;
            let f = |t: f64| 5.0 * (t / sweep.rate_s()).exp();
            assert!((crossings - 2.0 * sweep.rate_s() * (f(b) - f(a))).abs() <= 1.0);
        }
    }

    #[test]
    fn an_impossible_plan_names_its_key() {
        let error = Sweep::new(SweepPlan {
            stop_hz: 40_000.0,
            ..SweepPlan::default()
        })
        .unwrap_err();
        assert!(
            error.to_string().starts_with("stop_hz: found 40000"),
            "{error}"
        );
    }
}
