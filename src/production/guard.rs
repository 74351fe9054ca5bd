//! The decision near a limit, and what it costs: how often a good unit fails and a bad one passes.
//!
//! With a value y, its standard uncertainty u, the limits L and H, and the guard band g = factor·u:
//!
//! ```text
//! conformity       pass: L + g ≤ y ≤ H − g     fail: y < L − g or y > H + g     else unresolved
//! non-conformity   fail: y < L − g or y > H + g                                  else pass
//! simple           pass: L ≤ y ≤ H                                               else fail
//! ```
//!
//! For units of N(μ, σ²) that count as good between A and B, and y = x + N(0, u²):
//!
//! ```text
//! P(pass and bad) = ∫ outside [A, B] of φ((x − μ)/σ)/σ·P(pass | x) dx      consumer's risk
//! P(fail and good) = ∫ over [A, B] of φ((x − μ)/σ)/σ·P(fail | x) dx        producer's risk
//! ```
//!
//! by Gauss–Legendre between all places where the integrand bends.
//!
//! References: ISO 14253-1 and JCGM 106:2012 (both from memory); the risks are checked against a general library
//! (`tests/outside/production.rs`).

use super::entry::Judgement;
use crate::design::limits::{Decision, Rule};
use crate::special::probability::{normal_cdf, normal_density};
use crate::special::quadrature::gauss_legendre;
use serde::Serialize;

/// Two limits, either of which may be missing.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Zone {
    /// Lower limit.
    pub low: Option<f64>,
    /// Upper limit.
    pub high: Option<f64>,
}

impl Zone {
    /// Both limits.
    #[must_use]
    pub fn between(low: f64, high: f64) -> Self {
        Self {
            low: Some(low),
            high: Some(high),
        }
    }

    /// Ends, infinite where there is no limit, both moved inwards.
    fn ends(self, inwards: f64) -> [f64; 2] {
        [
            self.low.map_or(f64::NEG_INFINITY, |l| l + inwards),
            self.high.map_or(f64::INFINITY, |h| h - inwards),
        ]
    }
}

/// The decision on one value.
#[must_use]
pub fn decide(value: f64, standard: f64, limits: Zone, decision: Decision) -> Judgement {
    let guard = decision.guard_factor * standard;
    if !value.is_finite() || !(guard >= 0.0 && guard.is_finite() || decision.rule == Rule::Simple) {
        return Judgement::Unresolved;
    }
    let inside = |inwards: f64| {
        let [low, high] = limits.ends(inwards);
        low <= value && value <= high
    };
    match decision.rule {
        Rule::Simple if inside(0.0) => Judgement::Pass,
        Rule::Simple => Judgement::Fail,
        _ if !inside(-guard) => Judgement::Fail,
        Rule::NonConformity => Judgement::Pass,
        Rule::Conformity if inside(guard) => Judgement::Pass,
        Rule::Conformity => Judgement::Unresolved,
    }
}

/// What a decision costs.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Risks {
    /// Share of good units.
    pub good: f64,
    /// P(fail and good), the producer's risk.
    pub fail_and_good: f64,
    /// P(pass and bad), the consumer's risk.
    pub pass_and_bad: f64,
    /// Share of units of which nothing can be said.
    pub unresolved: f64,
}

impl Risks {
    /// P(fail | good).
    #[must_use]
    pub fn good_fails(&self) -> f64 {
        ratio(self.fail_and_good, self.good)
    }

    /// P(pass | bad).
    #[must_use]
    pub fn bad_passes(&self) -> f64 {
        ratio(self.pass_and_bad, 1.0 - self.good)
    }
}

/// A share of a share; NaN where there is nothing to take it of.
fn ratio(part: f64, of: f64) -> f64 {
    // Rounding may carry a whole beyond 1.
    if of > 1e-12 {
        (part / of).min(1.0)
    } else {
        f64::NAN
    }
}

/// Where values end up that scatter by `standard` about `x`: shares that pass and that fail.
fn outcome(x: f64, standard: f64, limits: Zone, decision: Decision) -> [f64; 2] {
    let guard = match decision.rule {
        Rule::Simple => 0.0,
        _ => decision.guard_factor * standard,
    };
    let within = |[low, high]: [f64; 2]| {
        if standard > 0.0 {
            // Tails, whichever is the smaller one, so that small shares are no differences from 1.
            let (a, b) = ((low - x) / standard, (high - x) / standard);
            if a > 0.0 {
                normal_cdf(-a) - normal_cdf(-b)
            } else {
                normal_cdf(b) - normal_cdf(a)
            }
        } else {
            f64::from(u8::from(low <= x && x <= high))
        }
    };
    let beyond = |[low, high]: [f64; 2]| {
        if standard > 0.0 {
            normal_cdf((low - x) / standard) + normal_cdf((x - high) / standard)
        } else {
            f64::from(u8::from(!(low <= x && x <= high)))
        }
    };
    let fail = beyond(limits.ends(-guard));
    let pass = match decision.rule {
        Rule::Conformity => {
            let [low, high] = limits.ends(guard);
            if low < high { within([low, high]) } else { 0.0 }
        }
        _ => within(limits.ends(-guard)),
    };
    [pass, fail]
}

/// The risks where units scatter normally, `process` being mean and standard deviation, and are good inside `good`.
///
/// All in one unit; NaN where a number is none.
#[must_use]
pub fn risks(
    (mean, sd): (f64, f64),
    standard: f64,
    good: Zone,
    limits: Zone,
    decision: Decision,
) -> Risks {
    let is_good = |x: f64| {
        let [low, high] = good.ends(0.0);
        low <= x && x <= high
    };
    if sd.is_nan() || sd <= 0.0 {
        let [pass, fail] = outcome(mean, standard, limits, decision);
        let good = f64::from(u8::from(is_good(mean)));
        return Risks {
            good,
            fail_and_good: fail * good,
            pass_and_bad: pass * (1.0 - good),
            unresolved: (1.0 - pass - fail).max(0.0),
        };
    }
    let reach = [mean - 9.0 * sd, mean + 9.0 * sd];
    let mut bends = reach.to_vec();
    let guard = decision.guard_factor * standard;
    bends.extend((-18..=18).map(|n| mean + f64::from(n) * 0.5 * sd));
    bends.extend(good.ends(0.0));
    for edge in [limits.ends(guard), limits.ends(0.0), limits.ends(-guard)].concat() {
        bends.extend((-16..=16).map(|n| edge + f64::from(n) * 0.5 * standard));
    }
    bends.retain(|x| x.is_finite() && (reach[0]..=reach[1]).contains(x));
    bends.sort_by(f64::total_cmp);
    let nodes = gauss_legendre(12);
    let mut sum = Risks {
        good: 0.0,
        fail_and_good: 0.0,
        pass_and_bad: 0.0,
        unresolved: 0.0,
    };
    for pair in bends.windows(2) {
        let (middle, half) = (0.5 * (pair[0] + pair[1]), 0.5 * (pair[1] - pair[0]));
        if half <= 0.0 {
            continue;
        }
        let good = is_good(middle);
        for &(x, weight) in &nodes {
            let at = middle + half * x;
            let share = weight * half * normal_density((at - mean) / sd) / sd;
            let [pass, fail] = outcome(at, standard, limits, decision);
            if good {
                sum.good += share;
                sum.fail_and_good += share * fail;
            } else {
                sum.pass_and_bad += share * pass;
            }
            sum.unresolved += share * (1.0 - pass - fail).max(0.0);
        }
    }
    sum
}

#[cfg(test)]
#[path = "guard_tests.rs"]
mod tests;
