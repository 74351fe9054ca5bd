//! What an alignment gives: estimates, faults, and how far they can be trusted.

use super::exchanged::Exchanged;
use super::explain::Arrangement;
use super::identify::Identification;
use super::residual::{Comparison, Evaluated, Nuisance};
use super::robust::{self, Stretch};
use super::search::Settled;
use super::unknowns::Unknown;
use crate::design::{AirConditions, Design};

/// A finished alignment.
#[derive(Debug, Clone)]
pub struct Fit {
    /// All numbers that were looked at.
    pub unknowns: Vec<Unknown>,
    /// Where the search ended.
    pub settled: Settled,
    /// What was compared.
    pub comparison: Comparison,
    /// Residuals and derivatives at the end, of the active numbers.
    pub evaluated: Evaluated,
    /// Estimates of the free numbers and of those found at fault.
    pub estimates: Vec<Estimate>,
    /// What the data tell about each active number and nuisance, in that order.
    pub identified: Identification,
    /// What is at fault, the strongest evidence first.
    pub faults: Vec<Fault>,
    /// Further changes that the captures do not exclude, the most probable first.
    pub possible: Vec<Instead>,
    /// Terms of the bench that are wrong.
    pub bench_faults: Vec<BenchFault>,
    /// How the parts turned out to be arranged, where that is not as designed.
    pub rearranged: Option<Rearranged>,
    /// Whether every microphone sees the driver inverted, and the probability that it is (rather than the microphones).
    pub driver_inverted: Option<f64>,
    /// Two captures of sound that are each other's; the responses have the right probes now.
    pub exchanged: Option<Exchanged>,
    /// −1 for a response that is inverted against the model.
    pub polarity: Vec<i8>,
    /// The design with the fitted values; leaks that the design has not are in it, passing nothing where none was found.
    pub aligned: Design,
    /// The design as it counts before fitting: `[built]` values in place.
    pub designed: Design,
    /// Data minus coordinates.
    pub degrees_of_freedom: usize,
    /// Stretches that count little, because nothing explains them.
    pub disturbed: Vec<Stretch>,
    /// How far the aligned model misses each series, nepers ([`robust::misfits`]).
    pub misfits: Vec<f64>,
    /// Probability that something else is at work than what was looked at.
    pub unmodelled: f64,
}

impl Fit {
    /// The air that the fit found: as stated, unless the temperature turned out to be wrong.
    #[must_use]
    pub fn air(&self) -> AirConditions {
        let wrong = |b: &BenchFault| b.kind == Nuisance::Temperature;
        let nuisance = &self.settled.theta[self.settled.active.len()..];
        let warmer_k = if self.bench_faults.iter().any(wrong) {
            self.comparison.warmer_k(nuisance)
        } else {
            0.0
        };
        self.comparison.warmed(warmer_k)
    }

    /// The response that contradicts all others, and the size of what the fit leaves of it and of the next worst, nepers.
    #[must_use]
    pub fn contradicting(&self) -> Option<(usize, [f64; 2])> {
        let n = robust::contradicting(&self.misfits)?;
        let others = self
            .misfits
            .iter()
            .enumerate()
            .filter(|&(m, _)| m != n)
            .map(|(_, &sigma)| sigma)
            .fold(0.0, f64::max);
        let response = self.comparison.series[n].response;
        Some((response, [self.misfits[n], others]))
    }
}

/// An estimate with its interval.
#[derive(Debug, Clone, PartialEq)]
pub struct Estimate {
    /// Index of the unknown.
    pub unknown: usize,
    /// Value of the design file, SI.
    pub designed: f64,
    /// Fitted, SI.
    pub fitted: f64,
    /// 95 % interval, SI.
    pub low95: f64,
    /// 95 % interval, SI.
    pub high95: f64,
    /// The same by Laplace's method, SI.
    pub laplace95: [f64; 2],
    /// The interval is a profile of the likelihood.
    pub profiled: bool,
    /// The data do not limit it below.
    pub low_open: bool,
    /// The data do not limit it above.
    pub high_open: bool,
    /// Whether the data can tell it from the others.
    pub identifiable: bool,
    /// What it cannot be told from, and the correlation with that.
    pub confounded_with: Option<(String, f64)>,
    /// All numbers among which the data see only a combination; empty where there are none.
    pub group: Vec<String>,
}

/// A number at fault.
#[derive(Debug, Clone, PartialEq)]
pub struct Fault {
    /// Index of the unknown.
    pub unknown: usize,
    /// Probability that it lies outside the spread of a sound build.
    pub probability: f64,
    /// Logarithm of the odds.
    pub log_odds: f64,
    /// What explains the captures nearly as well in its place, the most probable first.
    pub instead: Vec<Instead>,
}

/// A change that explains the captures nearly as well as another.
#[derive(Debug, Clone, PartialEq)]
pub struct Instead {
    /// Path of what is changed.
    pub path: String,
    /// What it is.
    pub what: What,
    /// Probability.
    pub probability: f64,
    /// The design with this explanation's fitted values.
    pub aligned: Design,
}

/// What a change is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum What {
    /// A number: index of the unknown.
    Number(usize),
    /// A term of the bench: index of the nuisance coordinate.
    Bench(usize),
    /// The places of parts.
    Places(Arrangement),
}

/// A term of the bench that is wrong: a level, a microphone's place, the temperature.
#[derive(Debug, Clone, PartialEq)]
pub struct BenchFault {
    /// Index of the nuisance coordinate.
    pub nuisance: usize,
    /// Path under which it is reported.
    pub path: String,
    /// Kind.
    pub kind: Nuisance,
    /// Index of the response; `None` for what all share.
    pub response: Option<usize>,
    /// Probability.
    pub probability: f64,
    /// Coordinate with its 95 % interval: nepers, units of [`super::residual::DELAY_UNIT_S`], or K.
    pub estimate: [f64; 3],
}

/// Parts in other places than designed.
#[derive(Debug, Clone, PartialEq)]
pub struct Rearranged {
    /// What.
    pub arrangement: Arrangement,
    /// Path under which it is reported.
    pub path: String,
    /// Probability.
    pub probability: f64,
    /// What explains the captures nearly as well.
    pub instead: Vec<Instead>,
}
