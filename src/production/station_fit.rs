//! Whether a station may inspect, from its own daily checks in the log.
//!
//! ```text
//! a check is in control where each of its k values lies within  x̄ ± t_(m−1, 1−α/2)·s·√(1 + 1/m)
//! of the m passed checks before it with the same station file;  1 − α = 0.9973^(1/k), so that k values together
//! cry wolf as seldom as one chart of known σ does
//! ```
//!
//! A new station file (a calibration) begins a new run. Fewer than [`LEAST`] checks before it say nothing yet, and only the check's
//! own judgement counts.
//!
//! **Range.** Normal values; m ≥ 5. Reference: the prediction interval of one further value is DERIVED from Student's t.

use super::entry::{Judgement, Kind};
use super::ledger::Stored;
use super::lookback::Corrections;
use crate::special::beta::f_quantile;
use jiff::{SignedDuration, Timestamp};

/// Checks before a check that make a chart.
pub const LEAST: usize = 5;
/// Probability that a value of a steady process lies within three known standard deviations.
const THREE_SIGMA: f64 = 0.997_300_203_936_740;
/// Checks that a new one is compared with at most.
const COMPARED: usize = 100;
/// How far a check's time may lie ahead of the clock: clocks of two machines differ.
pub const AHEAD: SignedDuration = SignedDuration::from_mins(5);

/// Whether a station may inspect.
#[derive(Debug, Clone, PartialEq)]
pub enum Fitness {
    /// The newest check passed, is in control and not too old: its digest.
    Fit(String),
    /// There is no check, or the newest is too old; when it was, if there is one, and why in words.
    TooOld(Option<String>, String),
    /// The newest check failed, could not decide, or is out of control; why, and what to do.
    OutOfControl(String),
}

/// Judges a station by the log's entries (others than its checks and their corrections are passed over), at a time. The check
/// that was written last counts, whatever time it states: a mistyped time must not hide the checks after it. A corrected one
/// counts as corrected.
#[must_use]
pub fn station_is_fit(
    entries: &[Stored],
    now: Timestamp,
    station: &str,
    oldest: SignedDuration,
) -> Fitness {
    let corrections = Corrections::new(entries);
    let counts = |s: &Stored| corrections.judgement(s).0;
    let mut checks: Vec<&Stored> = entries
        .iter()
        .filter(|s| s.station == station && s.entry.kind == Kind::StationCheck)
        .collect();
    checks.sort_by_key(|s| s.number);
    let Some((newest, before)) = checks.split_last() else {
        return Fitness::TooOld(
            None,
            format!("station {station} has no check in the log; run its check first"),
        );
    };
    let at = newest.entry.measured();
    let Ok(then) = at.parse::<Timestamp>() else {
        return Fitness::TooOld(
            Some(at.to_owned()),
            format!("the time of the last check, «{at}», cannot be read; check the station again"),
        );
    };
    let age = now.duration_since(then);
    if age > oldest {
        let hours = |d: SignedDuration| d.as_secs_f64() / 3600.0;
        return Fitness::TooOld(
            Some(at.to_owned()),
            format!(
                "the last check of station {station} is {:.1} h old; at most {:.1} h are allowed: check it again",
                hours(age),
                hours(oldest)
            ),
        );
    }
    if age < -AHEAD {
        return Fitness::TooOld(
            Some(at.to_owned()),
            format!(
                "the last check of station {station} lies ahead of the clock ({at}, and the clock says {}); set the clock if it is wrong, then check again",
                Timestamp::from_second(now.as_second()).unwrap_or(now)
            ),
        );
    }
    let judged = counts(newest);
    if judged != Judgement::Pass {
        let said = match judged {
            Judgement::Fail if newest.entry.verdict != judged => "was corrected to FAIL",
            Judgement::Fail => "failed",
            _ => "did not decide",
        };
        return Fitness::OutOfControl(format!(
            "the last check of station {station} ({at}) {said}; find out why and check it again"
        ));
    }
    match beyond(newest, before, |s| counts(s) == Judgement::Pass) {
        Some(text) => Fitness::OutOfControl(format!(
            "station {station} is out of control: {text}; look at leads, reference parts and temperature, then check again"
        )),
        None => Fitness::Fit(newest.digest.clone()),
    }
}

/// The value of a check that lies farthest outside what the checks before it let expect.
fn beyond(newest: &Stored, before: &[&Stored], passed: impl Fn(&Stored) -> bool) -> Option<String> {
    let file = |s: &Stored| s.entry.bench.as_ref().map(|b| b.digest.clone());
    let same: Vec<&&Stored> = before
        .iter()
        .rev()
        .take_while(|s| file(s) == file(newest))
        .filter(|s| passed(s))
        .take(COMPARED)
        .collect();
    let values: Vec<_> = newest
        .entry
        .values
        .iter()
        .filter_map(|v| Some((v, v.value.filter(|x| x.is_finite())?)))
        .collect();
    let alpha = 1.0 - THREE_SIGMA.powf(1.0 / values.len().max(1) as f64);
    let mut worst: Option<(f64, String)> = None;
    for (value, x) in values {
        let old: Vec<f64> = same
            .iter()
            .filter_map(|s| s.entry.values.iter().find(|v| v.name == value.name)?.value)
            .filter(|x| x.is_finite())
            .collect();
        let m = old.len() as f64;
        if old.len() < LEAST {
            continue;
        }
        let mean = old.iter().sum::<f64>() / m;
        let sd = (old.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (m - 1.0)).sqrt();
        // t² is F with one degree of freedom above.
        let t = f_quantile(1.0, m - 1.0, 1.0 - alpha).sqrt();
        let half = t * sd * (1.0 + 1.0 / m).sqrt();
        // Values that never differed (a rounded number) must not stop the line at their first other digit.
        if half <= 1e-9 * mean.abs().max(x.abs()) {
            continue;
        }
        let excess = (x - mean).abs() / half;
        if excess > 1.0 && worst.as_ref().is_none_or(|(most, _)| excess > *most) {
            // Two digits of the interval are enough to see how far out it is.
            let places = (1.0 - half.log10().floor()).clamp(0.0, 9.0) as usize;
            let digits = |v: f64| format!("{v:.places$}");
            let unit = if value.unit.is_empty() {
                String::new()
            } else {
                format!(" {}", value.unit)
            };
            worst = Some((
                excess,
                format!(
                    "{} is {}{unit}, {} checks before let expect {} to {}{unit}",
                    value.name,
                    digits(x),
                    old.len(),
                    digits(mean - half),
                    digits(mean + half)
                ),
            ));
        }
    }
    worst.map(|w| w.1)
}
