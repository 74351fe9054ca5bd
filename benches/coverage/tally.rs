//! Counts what came out and puts it into a page.

use super::draw::Planted;
use super::noise_only::NoiseOnly;
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// One parameter of one unit.
pub struct Held {
    /// Path.
    pub path: String,
    /// True value.
    pub truth: f64,
    /// Fitted value.
    pub fitted: f64,
    /// Interval.
    pub low95: f64,
    /// Interval.
    pub high95: f64,
}

impl Held {
    fn inside(&self) -> bool {
        self.low95 <= self.truth && self.truth <= self.high95
    }

    /// Error in standard deviations; on the side of the truth, so that a skewed interval counts as it is.
    fn z(&self) -> f64 {
        let log = |v: f64| {
            if self.fitted > 0.0 {
                v.max(1e-300).ln()
            } else {
                v
            }
        };
        let error = log(self.fitted) - log(self.truth);
        let half = if error < 0.0 {
            log(self.high95) - log(self.fitted)
        } else {
            log(self.fitted) - log(self.low95)
        };
        1.96 * error / half.max(1e-12)
    }
}

/// What one unit gave.
pub struct Outcome {
    /// What it was.
    pub words: String,
    /// What was planted.
    pub planted: Vec<Planted>,
    /// Paths and probabilities of the findings, in order.
    pub findings: Vec<(String, f64)>,
    /// Paths of what is not excluded.
    pub possible: Vec<String>,
    /// Estimates against the truth.
    pub held: Vec<Held>,
    /// Whether every capture was made.
    pub complete: bool,
    /// Whether the fault moves any band by more than its uncertainty.
    pub shows: bool,
    /// Time of alignment and verdict, s.
    pub seconds: f64,
    /// Fitted size of the model discrepancy by observation, dB.
    pub discrepancy_db: Vec<f64>,
}

impl Outcome {
    /// Findings that count as an alarm: more probable than not.
    fn alarms(&self) -> impl Iterator<Item = &str> {
        self.findings
            .iter()
            .filter(|f| f.1 > 0.5)
            .map(|f| f.0.as_str())
    }

    fn first_is_right(&self) -> bool {
        self.planted.len() == 1
            && self
                .findings
                .first()
                .is_some_and(|f| self.planted[0].is_named_by(&f.0))
    }

    fn both_are_named(&self) -> bool {
        self.planted
            .iter()
            .all(|p| self.alarms().any(|path| p.is_named_by(path)))
    }

    /// One line for people who look for what went wrong.
    pub fn line(&self) -> String {
        let findings: Vec<String> = self
            .findings
            .iter()
            .map(|(p, q)| format!("{p} {q:.3}"))
            .collect();
        let missed: Vec<String> = self
            .held
            .iter()
            .filter(|h| !h.inside())
            .map(|h| format!("{} z {:+.1}", h.path, h.z()))
            .collect();
        let mark = match (self.planted.len(), self.findings.is_empty()) {
            (0, true) => "ok",
            (0, false) => "FALSE ALARM",
            (1, _) if self.first_is_right() => "ok",
            (2, _) if self.both_are_named() => "ok",
            _ if !self.shows => "unseen",
            _ => "WRONG",
        };
        format!(
            "{mark}: {} -> {} ({}) | outside: {} | {:.2?} dB {:.2} s",
            self.words,
            findings.join(", "),
            self.possible.join(", "),
            missed.join(", "),
            self.discrepancy_db,
            self.seconds
        )
    }
}

/// All units together.
pub struct Table<'a> {
    outcomes: &'a [Outcome],
    noise: NoiseOnly,
}

/// A share with its 95 % interval (Wilson 1927).
fn share(hits: usize, of: usize) -> (f64, [f64; 2]) {
    if of == 0 {
        return (f64::NAN, [0.0, 1.0]);
    }
    let (n, p) = (of as f64, hits as f64 / of as f64);
    let z2 = 1.96_f64.powi(2);
    let centre = (p + z2 / (2.0 * n)) / (1.0 + z2 / n);
    let half = 1.96 / (1.0 + z2 / n) * (p * (1.0 - p) / n + z2 / (4.0 * n * n)).sqrt();
    (p, [(centre - half).max(0.0), (centre + half).min(1.0)])
}

fn percent(hits: usize, of: usize) -> String {
    let (p, [low, high]) = share(hits, of);
    format!(
        "{hits} of {of} = {:.1} % ({:.1} to {:.1})",
        100.0 * p,
        100.0 * low,
        100.0 * high
    )
}

impl<'a> Table<'a> {
    /// Collects.
    pub fn new(outcomes: &'a [Outcome], noise: NoiseOnly) -> Self {
        Self { outcomes, noise }
    }

    fn coverage(&self, of_faults: bool) -> BTreeMap<String, Vec<&Held>> {
        let mut list: BTreeMap<String, Vec<&Held>> = BTreeMap::new();
        for o in self.outcomes {
            for h in &o.held {
                let planted = o.planted.iter().any(|p| p.is_named_by(&h.path));
                if planted == of_faults {
                    list.entry(h.path.clone()).or_default().push(h);
                }
            }
        }
        list
    }

    fn sound(&self) -> impl Iterator<Item = &Outcome> {
        self.outcomes.iter().filter(|o| o.planted.is_empty())
    }

    fn false_alarms(&self) -> (usize, usize) {
        let alarmed = self.sound().filter(|o| o.alarms().next().is_some()).count();
        (alarmed, self.sound().count())
    }

    fn named(&self, complete: bool) -> (usize, usize) {
        let seen = || {
            self.outcomes
                .iter()
                .filter(|o| o.planted.len() == 1 && o.shows && o.complete == complete)
        };
        (
            seen().filter(|o| o.first_is_right()).count(),
            seen().count(),
        )
    }

    fn kept(&self) -> (usize, usize) {
        let seen = || {
            self.outcomes
                .iter()
                .filter(|o| o.planted.len() == 1 && o.shows)
        };
        let kept = |o: &&Outcome| {
            o.first_is_right() || o.possible.iter().any(|p| o.planted[0].is_named_by(p))
        };
        (seen().filter(kept).count(), seen().count())
    }

    fn wrongly_named(&self) -> (usize, usize) {
        let faulty = || self.outcomes.iter().filter(|o| !o.planted.is_empty());
        let wrong = |o: &&Outcome| {
            o.alarms()
                .any(|path| !o.planted.iter().any(|p| p.is_named_by(path)))
        };
        (faulty().filter(wrong).count(), faulty().count())
    }

    fn pairs(&self) -> (usize, usize) {
        let seen = || self.outcomes.iter().filter(|o| o.planted.len() == 2);
        (
            seen().filter(|o| o.both_are_named()).count(),
            seen().count(),
        )
    }

    fn all(&self) -> (usize, usize) {
        let held = || self.outcomes.iter().flat_map(|o| &o.held);
        (held().filter(|h| h.inside()).count(), held().count())
    }

    /// The page, Markdown.
    pub fn page(&self, command: &str, seed: u64, seconds: f64) -> String {
        let mut text = String::new();
        let today: String = jiff::Timestamp::now()
            .to_string()
            .chars()
            .take(10)
            .collect();
        let _ = writeln!(
            text,
            "# Do the intervals hold, are faults named?\n\n\
             Made on {today} (bassay {}, seed {seed}, {seconds:.0} s on {} cores) by\n\n```sh\n{command}\n```\n\n\
             {} units of `tests/designs/coverage.toml`, rehearsed in the time domain: tolerances drawn, four of ten sound, five \
             with one fault, one with two. The unit has what the model is not told: losses and radiation of another kind, end \
             corrections and air off by as much as the model allows for (5 %, 0.7 K), a driver that bends, and in every capture a smooth error of 0.3 to 2 %. Two of ten sets lack one capture. Shares are \
             followed by their own 95 % interval (Wilson).\n",
            env!("CARGO_PKG_VERSION"),
            rayon::current_num_threads(),
            self.outcomes.len(),
        );
        let (hits, of) = self.all();
        let (alarms, sound) = self.false_alarms();
        let (named, seen) = self.named(true);
        let (pairs, doubles) = self.pairs();
        let _ = writeln!(text, "| figure | wanted | found |\n| --- | --- | --- |");
        let mut row = |what: &str, wanted: &str, found: String, short: bool| {
            let mark = if short { " **falls short**" } else { "" };
            let _ = writeln!(text, "| {what} | {wanted} | {found}{mark} |");
        };
        let out_of = |p: f64| !(0.93..=0.97).contains(&p);
        row(
            "coverage of the 95 % intervals, all parameters",
            "93 to 97 %",
            percent(hits, of),
            out_of(share(hits, of).0),
        );
        for (faults, what) in [
            (false, "coverage, parameters that are not at fault"),
            (true, "coverage, parameters at fault"),
        ] {
            let all: Vec<&Held> = self.coverage(faults).into_values().flatten().collect();
            let inside = all.iter().filter(|h| h.inside()).count();
            let short = out_of(share(inside, all.len()).0);
            row(what, "93 to 97 %", percent(inside, all.len()), short);
        }
        let kept = self.kept();
        row(
            "all single faults that show: named first or told as not excluded",
            "",
            percent(kept.0, kept.1),
            false,
        );
        row(
            "single faults that show: right cause first",
            "at least 95 %",
            percent(named, seen),
            share(named, seen).0 < 0.95,
        );
        let (fewer, of_fewer) = self.named(false);
        row(
            "single faults that show, a capture missing: right cause first",
            "",
            percent(fewer, of_fewer),
            false,
        );
        let wrong = self.wrongly_named();
        row(
            "all faulty units: something named that is not at fault",
            "",
            percent(wrong.0, wrong.1),
            false,
        );
        row(
            "pairs of faults: both named",
            "",
            percent(pairs, doubles),
            false,
        );
        row(
            "sound units with an alarm",
            "at most 1 %",
            percent(alarms, sound),
            share(alarms, sound).0 > 0.01,
        );
        let worst = self.noise.worst();
        row(
            "scatter over the Cramér–Rao bound, where noise dominates",
            "at most 1.25",
            format!(
                "{:.2} ({}); mean {:.2}",
                worst.1,
                worst.0,
                self.noise.mean()
            ),
            worst.1 > 1.25,
        );
        for (faults, title) in [
            (false, "Parameters that are not at fault"),
            (true, "Parameters at fault"),
        ] {
            let _ = writeln!(
                text,
                "\n## {title}\n\n| parameter | inside the 95 % interval | bias (sd) | scatter (sd) |\n| --- | --- | --- | --- |"
            );
            for (path, list) in self.coverage(faults) {
                let n = list.len();
                if !faults && n < 5 {
                    continue;
                }
                let inside = list.iter().filter(|h| h.inside()).count();
                let z: Vec<f64> = list
                    .iter()
                    .map(|h| h.z())
                    .filter(|z| z.is_finite())
                    .collect();
                let known = z.len() as f64;
                let mean = z.iter().sum::<f64>() / known;
                let rms = (z.iter().map(|z| z * z).sum::<f64>() / known).sqrt();
                let (_, [low, high]) = share(inside, n);
                // Off: chance at this number of units does not bring it into the wanted range.
                let mark = if high < 0.93 || low > 0.97 {
                    " **off**"
                } else {
                    ""
                };
                let _ = writeln!(
                    text,
                    "| {path} | {}{mark} | {mean:+.2} | {rms:.2} |",
                    percent(inside, n)
                );
            }
        }
        let _ = writeln!(
            text,
            "\nBias and scatter are those of (fitted − true) over the half-width of the interval on that side, times 1.96: a \
             perfect interval has 0 and 1.\n\n## Single faults by kind\n\n| fault | units | moves a band | named first |\n| --- | --- | --- | --- |"
        );
        let mut kinds: BTreeMap<&str, [usize; 3]> = BTreeMap::new();
        for o in self.outcomes.iter().filter(|o| o.planted.len() == 1) {
            let entry = kinds.entry(o.planted[0].kind).or_default();
            entry[0] += 1;
            entry[1] += usize::from(o.shows);
            entry[2] += usize::from(o.shows && o.first_is_right());
        }
        for (kind, [units, shows, right]) in kinds {
            let _ = writeln!(text, "| {kind} | {units} | {shows} | {right} |");
        }
        let _ = write!(text, "{}", self.noise.section());
        let wrong: Vec<&Outcome> = self
            .outcomes
            .iter()
            .filter(|o| match o.planted.len() {
                0 => o.alarms().next().is_some(),
                1 => {
                    (o.shows && !o.first_is_right())
                        || (!o.shows && !o.first_is_right() && o.alarms().next().is_some())
                }
                _ => !o.both_are_named(),
            })
            .collect();
        if !wrong.is_empty() {
            let _ = writeln!(
                text,
                "\n## What went wrong\n\n| unit | findings (probability) |\n| --- | --- |"
            );
            for o in wrong {
                let list: Vec<String> = o
                    .findings
                    .iter()
                    .map(|(p, q)| format!("{p} ({q:.2})"))
                    .collect();
                let _ = writeln!(
                    text,
                    "| {} | {} |",
                    o.words,
                    if list.is_empty() {
                        "none".into()
                    } else {
                        list.join(", ")
                    }
                );
            }
        }
        text
    }

    /// Figures that are worse than wanted by more than chance allows at this number of units (their own 95 % interval).
    pub fn worse_than_chance(&self) -> Vec<String> {
        let mut list = Vec::new();
        let (hits, of) = self.all();
        if share(hits, of).1[1] < 0.93 {
            list.push(format!("coverage {}", percent(hits, of)));
        }
        let (named, seen) = self.named(true);
        if share(named, seen).1[1] < 0.95 {
            list.push(format!("right cause first {}", percent(named, seen)));
        }
        let (alarms, sound) = self.false_alarms();
        if share(alarms, sound).1[0] > 0.01 {
            list.push(format!("false alarms {}", percent(alarms, sound)));
        }
        list
    }
}
