//! Do the intervals hold, and are faults named? Many rehearsed units, each aligned and judged.
//!
//! ```text
//! cargo bench --bench coverage -- --units 300 --seed 1 --out docs/validation.md
//! ```
//!
//! A unit is drawn from the design's tolerances, gets a fault or none, and is recorded by the time-domain bench, which has
//! losses and radiation of its own, a driver whose Bl and Cms bend, end corrections and air that the model is not
//! told about, and noise. The truth is known, so that the answers can be counted.
//!
//! The options: `--units N` (300), `--seed S` (1), `--noise-units N` (200) for the part where noise dominates, `--out
//! FILE` to write the page, `--only N` to keep the captures of one unit in `target/`, `--check` to fail where a figure is worse than a small run can be by chance.

#[path = "draw.rs"]
mod draw;
#[path = "noise_only.rs"]
mod noise_only;
#[path = "tally.rs"]
mod tally;

use draw::{Case, Planted};
use rayon::prelude::*;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::atomic::{AtomicUsize, Ordering};
use tally::{Outcome, Table};

/// What was asked for.
struct Options {
    units: usize,
    noise_units: usize,
    seed: u64,
    out: Option<PathBuf>,
    check: bool,
    /// Only this unit, kept in a folder.
    only: Option<u64>,
}

fn options() -> Result<Options, String> {
    let mut options = Options {
        units: 300,
        noise_units: 200,
        seed: 1,
        out: None,
        check: false,
        only: None,
    };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut value = |what: &str| words.next().ok_or(format!("{word} needs {what}"));
        match word.as_str() {
            "--units" => options.units = number(&value("a number")?)? as usize,
            "--noise-units" => options.noise_units = number(&value("a number")?)? as usize,
            "--seed" => options.seed = number(&value("a number")?)?,
            "--out" => options.out = Some(PathBuf::from(value("a file")?)),
            "--check" => options.check = true,
            "--only" => options.only = Some(number(&value("a number")?)?),
            // What `cargo bench` adds.
            "--bench" => {}
            other => {
                return Err(format!(
                    "{other} is not known; expected --units, --noise-units, --seed, --out or --check"
                ));
            }
        }
    }
    Ok(options)
}

fn number(text: &str) -> Result<u64, String> {
    text.parse()
        .map_err(|_| format!("'{text}' is no whole number"))
}

fn main() -> ExitCode {
    match run() {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(problem) => {
            eprintln!("{problem}");
            ExitCode::from(2)
        }
    }
}

fn run() -> Result<bool, String> {
    let options = options()?;
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/designs/coverage.toml");
    let design = bassay::design::read::read(&file).map_err(|e| e.to_string())?;
    if let Some(n) = options.only {
        let case = Case::draw(&design, options.seed, n);
        let folder = Path::new("target").join(format!("unit-{}-{n}", options.seed));
        case.record(&file, &folder)?;
        println!("{}", case.words());
        for p in design.parameters() {
            let (a, b) = (design.value(p), case.unit.value(p));
            if a != b {
                println!("{} {:.5}", design.path_of(p), b / a);
            }
        }
        println!("{}", folder.join("captures.toml").display());
        return Ok(true);
    }
    let started = std::time::Instant::now();
    let done = AtomicUsize::new(0);
    let outcomes: Vec<Outcome> = (0..options.units)
        .into_par_iter()
        .map(|n| {
            let case = Case::draw(&design, options.seed, n as u64);
            let outcome = case.measure(&file);
            let count = done.fetch_add(1, Ordering::Relaxed) + 1;
            eprint!("\r{count} of {} units", options.units);
            outcome.map_err(|e| format!("unit {n} ({}): {e}", case.words()))
        })
        .collect::<Result<_, _>>()?;
    let seconds = started.elapsed().as_secs_f64();
    eprintln!(" in {seconds:.0} s");
    if std::env::var_os("COVERAGE_LIST").is_some() {
        for o in &outcomes {
            println!("{}", o.line());
        }
    }
    let noise = noise_only::run(&design, options.noise_units, options.seed)?;
    let table = Table::new(&outcomes, noise);
    let page = table.page(&options.command(), options.seed, seconds);
    println!("{page}");
    if let Some(out) = &options.out {
        bassay::files::write_whole(out, page.as_bytes()).map_err(|e| e.to_string())?;
    }
    if !options.check {
        return Ok(true);
    }
    let short = table.worse_than_chance();
    for line in &short {
        eprintln!("short: {line}");
    }
    Ok(short.is_empty())
}

impl Options {
    fn command(&self) -> String {
        format!(
            "cargo bench --bench coverage -- --units {} --noise-units {} --seed {}",
            self.units, self.noise_units, self.seed
        )
    }
}

impl Planted {
    /// Whether a finding with this path names this fault.
    fn is_named_by(&self, path: &str) -> bool {
        self.names.iter().any(|n| n == path)
    }
}
