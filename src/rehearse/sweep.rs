//! The excitation: a logarithmic sweep as a function of time.
//!
//! ```text
//! L = duration/ln(stop/start)
//! synchronized:  sin(2π·start·L·e^(t/L))            otherwise:  sin(2π·start·L·(e^(t/L) − 1))
//! fades:         (1 − cos(πt/T))/2 in amplitude
//! ```
//!
//! Reference: Novak et al. 2015, JAES 63:786; Farina 2000.

use crate::design::captures::SweepPlan;
use std::f64::consts::{PI, TAU};

/// Value of the sweep `t` seconds after its start, peak 1; zero outside.
#[must_use]
pub fn value(plan: &SweepPlan, t: f64) -> f64 {
    if !(0.0..=plan.duration_s).contains(&t) {
        return 0.0;
    }
    let rate = plan.duration_s / (plan.stop_hz / plan.start_hz).ln();
    let turns = plan.start_hz
        * rate
        * if plan.synchronized {
            (t / rate).exp()
        } else {
            (t / rate).exp_m1()
        };
    let fade = |time: f64, length: f64| {
        if time >= length {
            1.0
        } else {
            0.5 - 0.5 * (PI * time / length).cos()
        }
    };
    // Whole turns are taken off before the sine, so that late samples keep their digits.
    (TAU * turns.fract()).sin()
        * fade(t, plan.fade_in_s)
        * fade(plan.duration_s - t, plan.fade_out_s)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn phase_and_rate_follow_the_formula() {
        let plan = SweepPlan {
            duration_s: 10.0,
            start_hz: 20.0,
            stop_hz: 20_000.0,
            ..SweepPlan::default()
        };
        // PUBLISHED (Farina 2000; README.md row 30): L = 1.447648 s. DERIVED: a phase-synchronous sweep repeats its
        // own phase times n at the delay L·ln(n).
        let l = 1.447_648f64;
        let t = 2.0;
        let phase = |t: f64| 20.0 * l * (t / l).exp();
        assert!((value(&plan, t) - (TAU * phase(t).fract()).sin()).abs() < 1e-3);
        assert_eq!(value(&plan, -0.1), 0.0);
        assert_eq!(value(&plan, 10.1), 0.0);
        assert!(value(&plan, 0.0).abs() < 1e-12);
    }
}
