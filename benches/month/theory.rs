//! What theory lets expect of the month's chart, and the same chart on drawn numbers.
//!
//! The resistance is lognormal with σ = 0.1 (the design's tolerance) and falls by [`DRIFT`] per unit in its logarithm, so that the mean of
//! unit k of the drift lies (e^(−DRIFT·k) − 1)/0.1 standard deviations off. What the fit adds (a hundredth or two) is left out.

use bassay::production::chart::{d2, individuals};
use bassay::production::ewma::{Average, Ewma, Limits, Process};
use bassay::special::deviates::Deviates;

pub const DAYS: usize = 20;
pub const PER_DAY: usize = 10;
/// First units, which tell centre and σ.
pub const BASELINE: usize = 80;
/// Units before the drift.
pub const DRIFT_FROM: usize = 100;
pub const LEAKING_BATCH: usize = 4;
/// Fall of ln R per unit.
const DRIFT: f64 = 0.004;
/// The design's tolerance of the resistors.
const SD: f64 = 0.1;

/// What unit `number` (from 0) has of its resistance.
pub fn factor(number: usize) -> f64 {
    (-DRIFT * (number + 1).saturating_sub(DRIFT_FROM) as f64).exp()
}

pub struct Theory {
    /// Mean delay with centre and σ known.
    pub known: f64,
    /// Mean delay over the baselines that may have been.
    pub estimated: f64,
    /// Within how many units of the drift 95 % are flagged, centre and σ known.
    pub most: usize,
    /// Flagged between baseline and drift.
    pub early: f64,
}

pub fn theory() -> Theory {
    let quiet = DRIFT_FROM - BASELINE;
    let means: Vec<f64> = (BASELINE..BASELINE + 400)
        .map(|n| (factor(n) - 1.0) / SD)
        .collect();
    let chart = Ewma::USUAL;
    let process = Process {
        means: &means,
        sd: 1.0,
    };
    let known = chart.run_length(Limits::Growing, process);
    // Baselines that flag early do not count: weight by what is left before the drift.
    let left = chart.with_estimates(Limits::Growing, &means, BASELINE, |r| r.survival(quiet));
    let sum = chart.with_estimates(Limits::Growing, &means, BASELINE, |r| {
        r.survival(quiet) * r.mean_after(quiet)
    });
    Theory {
        known: known.mean_after(quiet),
        estimated: sum / left,
        most: known.quantile_after(quiet, 0.95).unwrap_or(usize::MAX),
        early: 1.0 - left,
    }
}

pub struct Drawn {
    pub mean: f64,
    pub sd: f64,
    pub error: f64,
    pub early: f64,
    /// Delays below which 2.5, 50 and 97.5 % of the charts lie.
    pub quantiles: [f64; 3],
}

/// Charts of numbers drawn as the line draws them.
pub fn drawn(charts: u64) -> Drawn {
    let (mut delays, mut early) = (Vec::new(), 0.0);
    for seed in 0..charts {
        let mut random = Deviates::new(41, seed);
        let values: Vec<f64> = (0..DAYS * PER_DAY)
            .map(|n| factor(n) * (SD * random.normal()).exp())
            .collect();
        let (before, after) = values.split_at(BASELINE);
        let Some(limits) = individuals(before) else {
            continue;
        };
        let averages = Ewma::USUAL.chart(after, limits.centre, limits.mean_range / d2());
        match averages.iter().position(Average::signals) {
            Some(a) if a + BASELINE < DRIFT_FROM => early += 1.0,
            Some(a) => delays.push((a + BASELINE + 1 - DRIFT_FROM) as f64),
            None => {}
        }
    }
    delays.sort_by(f64::total_cmp);
    let n = delays.len() as f64;
    let quantiles =
        [0.025, 0.5, 0.975].map(|q| delays.get((q * n) as usize).copied().unwrap_or(f64::NAN));
    let mean = delays.iter().sum::<f64>() / n;
    let sd = (delays.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    Drawn {
        mean,
        sd,
        error: sd / n.sqrt(),
        early: early / charts as f64,
        quantiles,
    }
}
