//! `bassay ledger trend NAME…`: the chart of one or more numbers.

use super::choose::{ChoiceArgs, Chosen};
use super::which::nearest;
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::production::entry::Kind;
use crate::production::ewma::Ewma;
use crate::production::lookback::{Corrections, Series, names, series};
use crate::production::run_rules::Rule;
use crate::production::trend::{Settings, State, Trend, trend};
use crate::report;
use crate::report::text::plain;
use serde::Serialize;
use std::path::PathBuf;

/// Charts of numbers in the log: has the process changed, when, what is it capable of
#[derive(Debug, clap::Args)]
#[command(allow_negative_numbers = true)]
pub struct Args {
    /// Names of values: a parameter path, or band:PROBE:31.5 and the like
    #[arg(required = true, value_name = "NAME")]
    names: Vec<String>,
    #[command(flatten)]
    choice: ChoiceArgs,
    #[command(flatten)]
    chart: ChartArgs,
    /// How many of the newest values the table shows
    #[arg(long, value_name = "N", default_value_t = 10)]
    rows: usize,
    /// Folder for pictures (SVG and PNG)
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// End with 1 if a number changed, and with 3 if there is an alarm without a lasting change, or it cannot be told
    #[arg(long)]
    alarm: bool,
}

/// Entries that are read unless another number is asked for.
pub const NEWEST: usize = 500;

/// How the charts are drawn.
#[derive(Debug, Clone, clap::Args)]
pub struct ChartArgs {
    /// How many values at the beginning tell centre and standard deviation
    #[arg(long, value_name = "N", default_value_t = 25)]
    pub baseline: usize,
    /// Centre, instead of the first values; in the SI unit, as --json has it, without the power of ten of the screen
    #[arg(long, value_name = "X", requires = "sd")]
    pub centre: Option<f64>,
    /// Standard deviation, instead of that of the first values; in the SI unit
    #[arg(long, value_name = "X", requires = "centre")]
    pub sd: Option<f64>,
    /// Weight of the newest value in the weighted average
    #[arg(long, value_name = "X", default_value_t = Ewma::USUAL.lambda)]
    pub lambda: f64,
    /// Limits of the weighted average in its standard deviations
    #[arg(long, value_name = "L", default_value_t = Ewma::USUAL.reach)]
    pub reach: f64,
    /// Which rules alarm; the others are hints
    #[arg(long, value_enum, default_value = "far")]
    pub rules: RuleSet,
    /// Limits for the capability, instead of those in the newest entry: LOW,HIGH in the SI unit; either may be left out
    #[arg(long, value_name = "LOW,HIGH", allow_hyphen_values = true)]
    pub limits: Option<String>,
    /// Repeated tests of a unit count too
    #[arg(long)]
    pub retests: bool,
}

/// Sets of rules.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum RuleSet {
    /// None
    None,
    /// A value beyond 3 standard deviations
    Far,
    /// The four that look at zones
    Zones,
    /// All six
    All,
}

/// «LOW,HIGH», either of which may be left out.
///
/// # Errors
/// [`Failure`] for another form, or LOW not below HIGH.
pub fn two_limits(option: &str, text: &str) -> Result<[Option<f64>; 2], Failure> {
    let fail = || {
        Failure::input(format!(
            "{option} «{}»: expected LOW,HIGH with LOW below HIGH, such as 3.1,3.6; or 3.1, or ,3.6",
            text.chars().take(40).collect::<String>()
        ))
    };
    let (low, high) = text.split_once(',').unwrap_or((text, ""));
    let one = |part: &str| match part.trim() {
        "" => Ok(None),
        part => part
            .parse::<f64>()
            .ok()
            .filter(|v| v.is_finite())
            .map(Some)
            .ok_or_else(fail),
    };
    let (low, high) = (one(low)?, one(high)?);
    match (low, high) {
        (None, None) => Err(fail()),
        (Some(a), Some(b)) if a >= b => Err(fail()),
        _ => Ok([low, high]),
    }
}

impl ChartArgs {
    /// What the options come to.
    ///
    /// # Errors
    /// [`Failure`] for a number out of its range.
    pub fn settings(&self) -> Result<Settings, Failure> {
        let ranges = [
            ("--lambda", self.lambda, 0.02, 1.0),
            ("--reach", self.reach, 1.0, 4.0),
        ];
        for (option, value, low, high) in ranges {
            if !(low..=high).contains(&value) {
                return Err(Failure::input(format!(
                    "{option} is {value}; expected {low} to {high}"
                )));
            }
        }
        let given = match (self.centre, self.sd) {
            (Some(centre), Some(sd)) => {
                if !(centre.is_finite() && sd.is_finite() && sd > 0.0) {
                    return Err(Failure::input(format!(
                        "--centre {centre} --sd {sd}: expected finite numbers, and a standard deviation above 0"
                    )));
                }
                Some((centre, sd))
            }
            _ => None,
        };
        Ok(Settings {
            baseline: self.baseline,
            given,
            ewma: Ewma {
                lambda: self.lambda,
                reach: self.reach,
            },
            rules: match self.rules {
                RuleSet::None => Vec::new(),
                RuleSet::Far => vec![Rule::Far],
                RuleSet::Zones => Rule::ZONES.to_vec(),
                RuleSet::All => Rule::ALL.to_vec(),
            },
            limits: self
                .limits
                .as_deref()
                .map(|text| two_limits("--limits", text))
                .transpose()?,
        })
    }

    /// The charts of these numbers.
    ///
    /// # Errors
    /// [`Failure`] for a number out of range or a name that no entry has.
    pub fn trends(&self, wanted: &[String], chosen: &Chosen) -> Result<Vec<Trend>, Failure> {
        let settings = self.settings()?;
        let corrections = Corrections::new(&chosen.corrections);
        wanted
            .iter()
            .map(|name| {
                let run = series(&chosen.entries, &corrections, name, self.retests);
                if run.points.is_empty() && run.untold == 0 {
                    return Err(unknown(name, chosen));
                }
                self.in_si(&run)?;
                Ok(trend(run, &settings))
            })
            .collect()
    }

    /// Numbers that were typed in the power of ten of the screen are refused: then all lie far from every value.
    fn in_si(&self, run: &Series) -> Result<(), Failure> {
        let limits = match &self.limits {
            Some(text) => two_limits("--limits", text)?,
            None => [None, None],
        };
        for (option, given) in [("--centre", [self.centre, None]), ("--limits", limits)] {
            let given: Vec<f64> = given.into_iter().flatten().collect();
            if !far_from_all(&given, run) {
                continue;
            }
            let sizes = run.points.iter().map(|p| p.value);
            let (low, high) = sizes.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
                (l.min(v), h.max(v))
            });
            let typed: Vec<String> = given.iter().map(f64::to_string).collect();
            return Err(Failure::input(format!(
                "{option} {}: lies a factor of {FAR} or more from every value of {}, which are {low:.4e} to {high:.4e} {}; expected it in this unit, without the power of ten that the screen shows",
                typed.join(","),
                plain(&run.name),
                plain(&run.unit)
            )));
        }
        Ok(())
    }
}

/// So many times larger or smaller than every value is no centre and no limit of these values.
const FAR: f64 = 100.0;

/// Whether all given numbers are by [`FAR`] larger, or all smaller, than every value. Decibels and values around zero have no such
/// distance.
fn far_from_all(given: &[f64], run: &Series) -> bool {
    let sizes: Vec<f64> = run.points.iter().map(|p| p.value.abs()).collect();
    let most = sizes.iter().copied().fold(0.0, f64::max);
    let least = sizes.iter().copied().fold(f64::INFINITY, f64::min);
    let all = |far: &dyn Fn(f64) -> bool| given.iter().all(|g| far(g.abs()));
    let told = !given.is_empty() && least > 0.0 && least.is_finite() && run.unit != "dB";
    told && !given.contains(&0.0) && (all(&|g| g >= FAR * most) || all(&|g| g * FAR <= least))
}

fn unknown(name: &str, chosen: &Chosen) -> Failure {
    let shown: String = plain(name).chars().take(60).collect();
    let known = names(&chosen.entries);
    if known.is_empty() {
        let why = chosen.missing.clone().unwrap_or_else(|| {
            format!(
                "{}; look at --ledger, --kind, --from, --to, --batch and --of-station",
                chosen.what
            )
        });
        return Failure::input(format!("{shown}: there is nothing to look at ({why})"));
    }
    // A parameter's path has no colon: who typed none meant one.
    let paths: Vec<&str> = known.iter().map(|k| k.0.as_str()).collect();
    let alike: Vec<&str> = paths
        .iter()
        .filter(|k| k.contains(':') == name.contains(':'))
        .copied()
        .collect();
    let (list, more) = match (alike.is_empty(), name.contains(':')) {
        (true, _) => (paths, ""),
        (false, true) => (alike, ""),
        (false, false) if alike.len() == paths.len() => (alike, ""),
        (false, false) => (
            alike,
            "; and bands, noise and polarity, named band:PROBE:31.5, residue:PROBE:50, polarity:PROBE",
        ),
    };
    Failure::input(format!(
        "{shown}: none of the {} has a value of this name; {}{more}",
        chosen.what,
        nearest(name, &list)
    ))
}

#[derive(Serialize)]
struct Trends<'a> {
    trends: &'a [Trend],
}

/// A name as the stem of a file's name.
fn stem(name: &str) -> String {
    name.chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() || c == '-' || c == '.' {
                c
            } else {
                '-'
            }
        })
        .take(80)
        .collect()
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input, a log that cannot be read, or a picture that cannot be written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    args.chart.settings()?;
    let chosen = args.choice.read(Kind::Inspection, NEWEST, out)?;
    let trends = args.chart.trends(&args.names, &chosen)?;
    if let Some(folder) = &args.out {
        for one in &trends {
            for (end, chart) in report::trend::charts(one) {
                let stem = format!("{}-{end}", stem(&one.series.name));
                report::chart_to_files(folder, &stem, &chart).map_err(Failure::system)?;
            }
        }
        out.remark(format!("written: {}", folder.display()));
    }
    if out.json {
        out.document(&chosen.document("bassay-trend/1", Trends { trends: &trends }))?;
    }
    for (n, one) in trends.iter().enumerate() {
        if n > 0 {
            out.line("");
        }
        out.line(report::trend::text(one, args.rows, out.colour).trim_end());
    }
    chosen.tell(out);
    let any = |state: State| trends.iter().any(|t| t.state == state);
    Ok(match args.alarm {
        true if any(State::Changed) => Exit::Outside,
        true if any(State::Alarm) || any(State::CannotTell) => Exit::Unresolved,
        _ => Exit::Done,
    })
}
