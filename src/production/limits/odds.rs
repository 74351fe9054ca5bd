//! What limits cost: how often a good unit fails and a bad one passes, by band and over all of them.
//!
//! A unit is good where it lies inside the spec's tolerance, in a band or in all of them. By band its true value is taken for
//! normal with the process's mean and standard deviation ([`crate::production::guard::risks`]). Over all bands the drawn units
//! are used, because bands of one unit move together: each is moved and stretched to the process's mean and standard
//! deviation, and measured with one error for all bands of an observation (its level), drawn anew for every unit.

use super::Basis;
use crate::design::limits::{Limits, same_band};
use crate::model::monte_carlo::DrawnBand;
use crate::production::entry::Judgement;
use crate::production::guard::{Risks, Zone, decide, risks};
use crate::special::deviates::Deviates;
use serde::Serialize;

/// What a band's limits cost.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BandOdds {
    /// `impedance` or the probe's name.
    pub observation: String,
    /// Nominal midband frequency, Hz.
    pub center_hz: f64,
    /// The shares.
    pub risks: Risks,
}

/// Counted over drawn units.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct WholeOdds {
    /// Units.
    pub units: usize,
    /// Good ones.
    pub good: usize,
    /// Good ones that fail.
    pub good_fail: usize,
    /// Bad ones that pass.
    pub bad_pass: usize,
    /// Units that pass.
    pub pass: usize,
    /// Units of which nothing can be said.
    pub unresolved: usize,
}

/// By band; bands without a known process are left out.
#[must_use]
pub fn by_band(limits: &Limits, basis: &[Basis]) -> Vec<BandOdds> {
    limits
        .bands
        .iter()
        .filter_map(|b| {
            let base = of(basis, &b.observation, b.center_hz)?;
            let tolerance = b.tolerance_db?;
            let standard = base.standard_db.hypot(b.simulation_sd_db.unwrap_or(0.0));
            Some(BandOdds {
                observation: b.observation.clone(),
                center_hz: b.center_hz,
                risks: risks(
                    (base.mean_db, base.sd_db),
                    standard,
                    Zone::between(-tolerance, tolerance),
                    Zone::between(b.low_db, b.high_db),
                    limits.decision,
                ),
            })
        })
        .collect()
}

fn of<'a>(basis: &'a [Basis], observation: &str, center_hz: f64) -> Option<&'a Basis> {
    let found = basis
        .iter()
        .find(|b| b.observation == observation && same_band(b.center_hz, center_hz))?;
    [found.mean_db, found.sd_db, found.standard_db]
        .iter()
        .all(|v| v.is_finite())
        .then_some(found)
}

/// Over all bands; `None` where not every band has drawn units and a known process.
#[must_use]
pub fn overall(
    limits: &Limits,
    basis: &[Basis],
    drawn: &[DrawnBand],
    seed: u64,
) -> Option<WholeOdds> {
    struct Column<'a> {
        drawn: &'a [f64],
        moved: f64,
        stretch: f64,
        standard: f64,
        observation: usize,
        tolerance: f64,
        zone: Zone,
    }
    let mut names: Vec<&str> = Vec::new();
    let mut columns = Vec::new();
    for b in &limits.bands {
        let base = of(basis, &b.observation, b.center_hz)?;
        let d = drawn
            .iter()
            .find(|d| d.observation == b.observation && same_band(d.center_hz, b.center_hz))?;
        let (mean, sd) = super::bands::moments(&d.difference_db);
        let stretch = if sd > 0.0 { base.sd_db / sd } else { 0.0 };
        if !names.contains(&b.observation.as_str()) {
            names.push(&b.observation);
        }
        columns.push(Column {
            drawn: &d.difference_db,
            moved: base.mean_db - stretch * mean,
            stretch,
            standard: base.standard_db.hypot(b.simulation_sd_db.unwrap_or(0.0)),
            observation: names.iter().position(|n| *n == b.observation)?,
            tolerance: b.tolerance_db?,
            zone: Zone::between(b.low_db, b.high_db),
        });
    }
    let units = columns.iter().map(|c| c.drawn.len()).min()?;
    let mut odds = WholeOdds {
        units,
        good: 0,
        good_fail: 0,
        bad_pass: 0,
        pass: 0,
        unresolved: 0,
    };
    for n in 0..units {
        let mut stream = Deviates::new(seed, n as u64);
        let error: Vec<f64> = names.iter().map(|_| stream.normal()).collect();
        let (mut good, mut fail, mut open) = (true, false, false);
        for c in &columns {
            let x = c.moved + c.stretch * c.drawn[n];
            good &= x.abs() <= c.tolerance;
            let y = x + c.standard * error[c.observation];
            match decide(y, c.standard, c.zone, limits.decision) {
                Judgement::Fail => fail = true,
                Judgement::Pass => {}
                _ => open = true,
            }
        }
        let pass = !fail && !open;
        odds.good += usize::from(good);
        odds.good_fail += usize::from(good && fail);
        odds.bad_pass += usize::from(!good && pass);
        odds.pass += usize::from(pass);
        odds.unresolved += usize::from(!fail && open);
    }
    Some(odds)
}
