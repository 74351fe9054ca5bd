//! The chart of one number: single values and moving ranges, weighted average, run rules, capability, and when it changed.
//!
//! Centre and standard deviation come from the first values of the run (the baseline; σ from neighbours, d2, so that a
//! slow change inside the baseline does not widen the limits), or are given. The weighted average starts after the baseline.
//! What raises an alarm is the average beyond its limits, or a rule that was chosen to; the other rules are hints, because together
//! they cry wolf too often ([`super::run_rules`]).
//!
//! How often a steady process alarms falsely within the next 100 values is told twice: with centre and σ known, and on average over
//! what a baseline of this length may have estimated, which is what a real chart has. A mean number of values until a false alarm
//! would mislead there: a few charts with limits far too wide make it long, while most alarm too soon.

use super::capability::{SampleCapability, sample_capability};
use super::change_point::{ChangePoint, Stretch, change_point};
use super::chart::{d2, d3};
use super::ewma::{Average, Ewma, Limits, Process};
use super::lookback::Series;
use super::run_length::RunLength;
use super::run_rules::{Rule, Signal, signals, zones_run_length};
use super::unit::parts;
use serde::Serialize;

/// How a chart is drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// How many values at the beginning tell centre and σ; at most half of all are taken.
    pub baseline: usize,
    /// Centre and standard deviation, where they are given.
    pub given: Option<(f64, f64)>,
    /// The weighted average.
    pub ewma: Ewma,
    /// Rules that raise an alarm.
    pub rules: Vec<Rule>,
    /// Limits of the capability instead of those that the newest entry has.
    pub limits: Option<[Option<f64>; 2]>,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            // 20 to 25 values are common practice (no published source); more are better, as the false alarms show.
            baseline: 25,
            given: None,
            ewma: Ewma::USUAL,
            rules: vec![Rule::Far],
            limits: None,
        }
    }
}

/// Fewest values of a baseline: with less the limits are nearly anything.
pub const LEAST_BASELINE: usize = 8;

/// What the chart says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// No alarm.
    Steady,
    /// An alarm, and a lasting change is more probable than none.
    Changed,
    /// An alarm, but no lasting change explains it: single values, something that passed, or chance.
    Alarm,
    /// Too few values, values without spread, or values that the noise hides.
    CannotTell,
}

/// Values over which false alarms are counted.
pub const AHEAD: usize = 100;
/// A steady time that is long for any weight: the limits have grown and the average has forgotten its beginning.
const LONG: usize = 200;

/// How long until an alarm.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Patience {
    /// Steady process, centre and σ known: the weighted average.
    pub false_average: f64,
    /// Share of such charts that alarm within [`AHEAD`] values.
    pub false_ahead: f64,
    /// The same, over the baselines that may have been; `None` where centre and σ are given.
    pub false_ahead_estimated: Option<f64>,
    /// Steady process: the rules that raise an alarm (zone rules only).
    pub false_rules: f64,
    /// A process that moves by one standard deviation after a long steady time: the weighted average, from the move on.
    pub one_sd: f64,
}

/// One number looked back at.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trend {
    /// The values.
    pub series: Series,
    /// What the chart says.
    pub state: State,
    /// Values of the baseline; 0 where centre and σ are given.
    pub baseline: usize,
    /// Centre, unit of the values.
    pub centre: f64,
    /// Standard deviation, from neighbours in the baseline, or given.
    pub sd: f64,
    /// Limits of single values, centre ± 3 standard deviations.
    pub low: f64,
    /// Upper one.
    pub high: f64,
    /// Limit of the moving range.
    pub range_high: f64,
    /// Places (from 0) whose step from the value before is beyond it.
    pub ranges_beyond: Vec<usize>,
    /// Values of the baseline beyond the limits that it gave itself.
    pub baseline_beyond: usize,
    /// λ and L.
    pub ewma: Ewma,
    /// Weighted averages, of the values after the baseline.
    pub averages: Vec<Average>,
    /// Place of the value at which the average first left its limits.
    pub average_alarm: Option<usize>,
    /// Rules that raise an alarm, and where.
    pub alarms: Vec<Signal>,
    /// Rules that only hint.
    pub hints: Vec<Signal>,
    /// The change that the values show best, however improbable; only with an alarm.
    pub change: Option<ChangePoint>,
    /// Whether the limits of a unit were given, and not taken from the log.
    pub limits_given: bool,
    /// Capability of all values; none where a value is known no better than values scatter.
    pub capability: Option<SampleCapability>,
    /// Half the median expanded uncertainty of a value over the standard deviation.
    pub measurement_share: Option<f64>,
    /// Mean numbers of values until an alarm.
    pub patience: Option<Patience>,
}

impl Trend {
    /// Place of the first alarm of any kind.
    #[must_use]
    pub fn first_alarm(&self) -> Option<usize> {
        let rule = self.alarms.first().map(|s| s.index);
        match (self.average_alarm, rule) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        }
    }
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.retain(|v| v.is_finite());
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

/// The chart of a run of values.
#[must_use]
pub fn trend(series: Series, settings: &Settings) -> Trend {
    let values: Vec<f64> = series.points.iter().map(|p| p.value).collect();
    let from_run = settings.baseline.min(values.len() / 2);
    let baseline = if settings.given.is_some() {
        0
    } else {
        from_run
    };
    let (centre, sd) = settings
        .given
        .unwrap_or_else(|| estimates(&values[..baseline]));
    let limits = settings
        .limits
        .or_else(|| series.points.last().map(|p| [p.low, p.high]))
        .unwrap_or([None, None]);
    let stated = series.points.iter().filter_map(|p| p.expanded);
    let measured = median(stated.collect()).map(|u| 0.5 * u);
    let mut made = Trend {
        state: State::CannotTell,
        baseline,
        centre,
        sd,
        low: centre - 3.0 * sd,
        high: centre + 3.0 * sd,
        range_high: (d2() + 3.0 * d3()) * sd,
        ranges_beyond: Vec::new(),
        baseline_beyond: 0,
        ewma: settings.ewma,
        averages: Vec::new(),
        average_alarm: None,
        alarms: Vec::new(),
        hints: Vec::new(),
        change: None,
        limits_given: settings.limits.is_some(),
        capability: sample_capability(&values, limits[0], limits[1], 0.95)
            .filter(|c| measured.is_none_or(|standard| standard < c.sd)),
        measurement_share: measured.map(|standard| standard / sd),
        patience: None,
        series,
    };
    // A number that stands for «anywhere below the noise» has no scatter of its own: what it says is how loud the noise was.
    if made.series.hidden() > 0 {
        let none = f64::NAN;
        (made.centre, made.sd, made.low, made.high) = (none, none, none, none);
        (made.range_high, made.capability, made.measurement_share) = (none, None, None);
        return made;
    }
    let enough = settings.given.is_some() || baseline >= LEAST_BASELINE;
    if !enough
        || values.is_empty()
        || !centre.is_finite()
        || sd.is_nan()
        || sd <= 1e-12 * centre.abs()
    {
        return made;
    }
    judge(&mut made, &values, settings);
    made
}

fn judge(made: &mut Trend, values: &[f64], settings: &Settings) {
    let (baseline, centre, sd) = (made.baseline, made.centre, made.sd);
    let (before, after) = values.split_at(baseline);
    let beyond = |v: &&f64| (**v - centre).abs() > 3.0 * sd;
    made.baseline_beyond = before.iter().filter(beyond).count();
    made.ranges_beyond = (1..values.len())
        .filter(|&i| (values[i] - values[i - 1]).abs() > made.range_high)
        .collect();
    made.averages = settings.ewma.chart(after, centre, sd);
    made.average_alarm = made
        .averages
        .iter()
        .position(Average::signals)
        .map(|i| i + baseline);
    let z: Vec<f64> = after.iter().map(|v| (v - centre) / sd).collect();
    for signal in signals(&z, &Rule::ALL) {
        let list = if settings.rules.contains(&signal.rule) {
            &mut made.alarms
        } else {
            &mut made.hints
        };
        list.push(Signal {
            index: signal.index + baseline,
            ..signal
        });
    }
    if made.first_alarm().is_some() {
        made.change = changed(&made.series.name, values);
    }
    made.state = match (made.first_alarm(), &made.change) {
        (None, _) => State::Steady,
        (_, Some(change)) if change.probability > 0.5 => State::Changed,
        _ => State::Alarm,
    };
    made.patience = Some(patience(settings, baseline));
}

/// When a number of the log began to change. Parameters that are positive scatter and drift by ratios: they are looked at by
/// their logarithms, because a wear of so much per unit bends on a plain scale, and would be dated too early.
#[must_use]
pub fn changed(name: &str, values: &[f64]) -> Option<ChangePoint> {
    if parts(name).is_some() || values.iter().any(|v| *v <= 0.0) {
        return change_point(values);
    }
    let logs: Vec<f64> = values.iter().map(|v| v.ln()).collect();
    let found = change_point(&logs)?;
    let before = &logs[..found.first.max(1)];
    let level = (before.iter().sum::<f64>() / before.len() as f64).exp();
    let usual = (logs.iter().sum::<f64>() / logs.len() as f64).exp();
    Some(ChangePoint {
        size: level * found.size.exp_m1(),
        stretch: found.stretch.map(|s| Stretch {
            size: usual * s.size.exp_m1(),
            ..s
        }),
        ..found
    })
}

/// Mean, and standard deviation from neighbours; NaN where there are too few.
fn estimates(values: &[f64]) -> (f64, f64) {
    match super::chart::individuals(values) {
        Some(chart) => (chart.centre, chart.mean_range / d2()),
        None => (f64::NAN, f64::NAN),
    }
}

/// Run lengths of a chart whose centre and σ came from `baseline` values (0: known).
#[must_use]
pub fn patience(settings: &Settings, baseline: usize) -> Patience {
    let of = |means: &[f64]| {
        let process = Process { means, sd: 1.0 };
        settings.ewma.run_length(Limits::Growing, process)
    };
    let steady = of(&[]);
    let mut moved = vec![0.0; LONG];
    moved.push(1.0);
    let ahead = |run: &RunLength| 1.0 - run.survival(AHEAD);
    Patience {
        false_average: steady.mean(),
        false_ahead: ahead(&steady),
        false_ahead_estimated: (baseline > 0).then(|| {
            // Steady limits: their chart needs one matrix, and differs by the first few values only.
            settings
                .ewma
                .with_estimates(Limits::Steady, &[], baseline, ahead)
        }),
        false_rules: zones_run_length(&settings.rules, 0.0).mean(),
        one_sd: of(&moved).mean_after(LONG),
    }
}
