//! A month of a production line whose truth is known: does the log tell what went wrong?
//!
//! ```text
//! cargo bench --bench month -- --seeds 1,2,3 --out docs/pictures/month
//! ```
//!
//! Twenty working days of ten units, drawn from the tolerances of `sample-captures/dome.toml`, rehearsed with short sweeps,
//! inspected and logged by the program itself, one process per step, as a line would run it. From the eleventh day on, resistor r2 loses
//! a little with every unit; the fourth batch has leaking seams, whose failed units are sealed and tested again. Then
//! the log is looked back at: the chart of r2 must flag the drift, and the causes must name both.
//!
//! How many units the flag takes is compared with theory (`theory.rs`), which knows the drift, the chart and the
//! length of the baseline, and with the same chart on drawn numbers without any acoustics.
//!
//! A bench and not a test, because a month takes minutes; not a shell script, because theory and truth are compared here.
//!
//! Options: `--seeds LIST` (1): one month each; `--out DIR`: page and pictures of the first; `--charts N` (2000): drawn charts.

#[path = "theory.rs"]
mod theory;

use bassay::special::beta::share_interval;
use rayon::prelude::*;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};
use theory::{BASELINE, DAYS, DRIFT_FROM, LEAKING_BATCH, PER_DAY, factor};

const DESIGN: &str = "sample-captures/dome.toml";
/// The resistor that drifts, and the seam that leaks.
const RESISTOR: &str = "resistor.r2.resistance";
const SEAM: &str = "leak.seam.resistance";
/// What a leaking seam keeps of its resistance.
const LEAK: f64 = 0.1;

type Fault = Box<dyn std::error::Error + Send + Sync>;

/// Runs the program; gives what it printed. 0, 1 and 3 are answers.
fn bassay(arguments: &[&str]) -> Result<String, Fault> {
    let done = Command::new(env!("CARGO_BIN_EXE_bassay"))
        .args(arguments)
        .arg("--quiet")
        .output()?;
    match done.status.code() {
        Some(0 | 1 | 3) => Ok(String::from_utf8(done.stdout)?),
        _ => Err(format!(
            "bassay {}: {}",
            arguments.join(" "),
            String::from_utf8_lossy(&done.stderr)
        )
        .into()),
    }
}

/// The design of the line: of the sample's probes only the one that it records.
fn design(folder: &Path) -> Result<String, Fault> {
    let text = std::fs::read_to_string(DESIGN)?;
    let (before, rest) = text
        .split_once("[[probe]]\nname = \"floor-2m\"")
        .ok_or("no second probe")?;
    let (_, after) = rest.split_once("[tolerance]").ok_or("no tolerances")?;
    let path = folder.join("line.toml");
    std::fs::write(&path, format!("{before}[tolerance]{after}"))?;
    Ok(path.display().to_string())
}

/// One unit of the month.
struct Unit {
    number: usize,
    serial: String,
    batch: String,
    day: String,
    leaking: bool,
}

fn month(seed: u64) -> Result<Vec<Unit>, Fault> {
    let mut date: jiff::civil::Date = "2026-03-02".parse()?;
    let mut units = Vec::new();
    for day in 0..DAYS {
        // Two days to a batch.
        let batch = day / 2 + 1;
        for n in 0..PER_DAY {
            let number = day * PER_DAY + n;
            units.push(Unit {
                number,
                serial: format!("D{seed}-{:04}", number + 1),
                batch: format!("B{batch:02}"),
                day: date.to_string(),
                leaking: batch == LEAKING_BATCH,
            });
        }
        date = date.checked_add(jiff::Span::new().days(if day % 5 == 4 { 3 } else { 1 }))?;
    }
    Ok(units)
}

/// Records a unit; gives its captures file.
fn record(unit: &Unit, design: &str, seed: u64, leaking: bool, at: &str) -> Result<String, Fault> {
    let folder = Path::new(design).parent().ok_or("no folder")?;
    let out = folder.join(format!("{}-{leaking}", unit.serial));
    let out_text = out.display().to_string();
    let seed = (seed * 10_000 + unit.number as u64).to_string();
    let resistor = format!("{RESISTOR}=x{:.6}", factor(unit.number));
    let leak = format!("{SEAM}=x{LEAK}");
    let mut arguments = vec![
        "rehearse",
        design,
        "--out",
        &out_text,
        "--unit",
        &unit.serial,
        "--seed",
        &seed,
        "--tolerances",
        "--taken",
        at,
        "--duration-s",
        "3",
        "--silence-after-s",
        "0.5",
        "--sample-rate-hz",
        "8000",
        "--capture",
        "impedance",
        "--capture",
        "mouth-near",
        "--set",
        &resistor,
    ];
    if leaking {
        arguments.extend(["--set", &leak]);
    }
    bassay(&arguments)?;
    Ok(out.join("captures.toml").display().to_string())
}

fn inspect(unit: &Unit, captures: &str, limits: &str, ledger: &str) -> Result<bool, Fault> {
    let station = format!("station-{}", unit.number % 2 + 1);
    let operator = format!("op{}", unit.number / 5 % 3 + 1);
    let said = bassay(&[
        "inspect",
        captures,
        "--limits",
        limits,
        "--ledger",
        ledger,
        "--batch",
        &unit.batch,
        "--station",
        &station,
        "--operator",
        &operator,
        "--json",
    ])?;
    let said: Value = serde_json::from_str(&said)?;
    Ok(said["verdict"] == "pass")
}

/// What one month gave.
struct Outcome {
    /// Units of the drift until the flag; `None`: never, or before it began.
    delay: Option<usize>,
    early: bool,
    began: String,
    causes: Vec<String>,
    first: f64,
    last: f64,
    seconds: f64,
}

fn run(seed: u64, out: Option<&Path>) -> Result<Outcome, Fault> {
    let started = std::time::Instant::now();
    let folder = tempfile::tempdir()?;
    let ledger = folder.path().join("month.sqlite").display().to_string();
    let limits = folder.path().join("limits.toml").display().to_string();
    let design = design(folder.path())?;
    // Each limit holds 99.9 % of sound units: a unit has some forty of them.
    bassay(&[
        "limits",
        "make",
        &design,
        "--out",
        &limits,
        "--content",
        "0.999",
        "--drawn",
        "10000",
    ])?;
    bassay(&["limits", "sign", &limits, "--by", "qa1"])?;
    let units = month(seed)?;
    for day in units.chunks(PER_DAY) {
        let recorded = day
            .par_iter()
            .map(|u| {
                let at = format!(
                    "{}T{:02}:{:02}:00Z",
                    u.day,
                    8 + u.number % PER_DAY / 2,
                    u.number % 2 * 30
                );
                record(u, &design, seed, u.leaking, &at)
            })
            .collect::<Result<Vec<String>, Fault>>()?;
        for (unit, captures) in day.iter().zip(&recorded) {
            let passed = inspect(unit, captures, &limits, &ledger)?;
            if unit.leaking && !passed {
                // Sealed, and tested again in the evening.
                let at = format!("{}T17:{:02}:00Z", unit.day, unit.number % PER_DAY * 5);
                let again = record(unit, &design, seed, false, &at)?;
                inspect(unit, &again, &limits, &ledger)?;
            }
        }
        eprintln!(
            "seed {seed}: {} done, {:.0} s",
            day[0].day,
            started.elapsed().as_secs_f64()
        );
    }
    let baseline = BASELINE.to_string();
    let chart = [
        "--ledger",
        &ledger,
        "--latest",
        "1000",
        "--baseline",
        &baseline,
    ];
    let of = |command: &[&str]| -> Result<Value, Fault> {
        let arguments: Vec<&str> = ["ledger"].iter().chain(command).copied().collect();
        Ok(serde_json::from_str(&bassay(&arguments)?)?)
    };
    let trend = of(&[&["trend", RESISTOR, "--json"][..], &chart[..]].concat())?;
    let trend = &trend["trends"][0];
    let pareto = of(&["pareto", "--ledger", &ledger, "--json"])?;
    let yields = of(&["yield", "--ledger", &ledger, "--json"])?;
    if let Some(out) = out {
        let page = out.join("page.html").display().to_string();
        let out = out.display().to_string();
        bassay(
            &[
                &["ledger", "page", "--replace", "--out", &page][..],
                &chart[..],
            ]
            .concat(),
        )?;
        for name in [RESISTOR, SEAM] {
            bassay(&[&["ledger", "trend", name, "--out", &out][..], &chart[..]].concat())?;
        }
        for command in ["pareto", "yield"] {
            bassay(&["ledger", command, "--ledger", &ledger, "--out", &out])?;
        }
        let text = [
            bassay(
                &[
                    &["ledger", "trend", RESISTOR, "--rows", "4"][..],
                    &chart[..],
                ]
                .concat(),
            )?,
            bassay(&["ledger", "pareto", "--ledger", &ledger])?,
            bassay(&["ledger", "yield", "--ledger", &ledger])?,
        ];
        std::fs::write(Path::new(&out).join("words.txt"), text.join("\n"))?;
        std::fs::copy(&ledger, Path::new(&out).join("month.sqlite"))?;
    }
    let alarm = trend["average_alarm"].as_u64().map(|n| n as usize);
    let change = &trend["change"];
    Ok(Outcome {
        delay: alarm
            .and_then(|a| (a + 1).checked_sub(DRIFT_FROM))
            .filter(|d| *d > 0),
        early: alarm.is_some_and(|a| a < DRIFT_FROM),
        began: format!(
            "{} ({} to {})",
            change["first"].as_u64().unwrap_or(0) + 1,
            change["low95"].as_u64().unwrap_or(0) + 1,
            change["high95"].as_u64().unwrap_or(0) + 1
        ),
        causes: pareto["causes"]
            .as_array()
            .map_or(&[][..], Vec::as_slice)
            .iter()
            .map(|c| format!("{} {}", c["path"].as_str().unwrap_or("none"), c["units"]))
            .collect(),
        first: yields["all"]["first"]["share"].as_f64().unwrap_or(f64::NAN),
        last: yields["all"]["last"]["share"].as_f64().unwrap_or(f64::NAN),
        seconds: started.elapsed().as_secs_f64(),
    })
}

struct Options {
    seeds: Vec<u64>,
    out: Option<PathBuf>,
    charts: u64,
}

fn options() -> Result<Options, Fault> {
    let mut options = Options {
        seeds: vec![1],
        out: None,
        charts: 2000,
    };
    // `cargo bench` adds `--bench`.
    let mut arguments = std::env::args().skip(1).filter(|a| a != "--bench");
    while let Some(name) = arguments.next() {
        let value = arguments
            .next()
            .ok_or(format!("{name}: a value is missing"))?;
        match name.as_str() {
            "--seeds" => {
                options.seeds = value.split(',').map(str::parse).collect::<Result<_, _>>()?;
            }
            "--out" => options.out = Some(PathBuf::from(value)),
            "--charts" => options.charts = value.parse()?,
            _ => return Err(format!("{name}: expected --seeds, --out or --charts").into()),
        }
    }
    Ok(options)
}

fn all() -> Result<bool, Fault> {
    let options = options()?;
    let theory = theory::theory();
    let drawn = theory::drawn(options.charts);
    println!("units of the drift until the flag, given none before it");
    println!(
        "  theory, centre and σ known       mean {:.1}",
        theory.known
    );
    println!(
        "  theory, baseline of {BASELINE}           mean {:.1}, 95 % within {}",
        theory.estimated, theory.most
    );
    println!(
        "  {} drawn charts              mean {:.1} ± {:.1}, standard deviation {:.1}, median {}, 95 % {} to {}; flagged before the drift {:.1} % (theory {:.1} %)",
        options.charts,
        drawn.mean,
        drawn.error,
        drawn.sd,
        drawn.quantiles[1],
        drawn.quantiles[0],
        drawn.quantiles[2],
        100.0 * drawn.early,
        100.0 * theory.early
    );
    let (mut delays, mut named, mut months, mut early) = (Vec::new(), 0, 0, 0);
    for (n, seed) in options.seeds.iter().enumerate() {
        let done = run(*seed, options.out.as_deref().filter(|_| n == 0))?;
        println!(
            "  month {seed}: {}; change at {}; causes {}; passed {:.1} % at the first test, {:.1} % at the last; {:.0} s",
            match (done.delay, done.early) {
                (Some(d), _) => format!("flagged after {d}"),
                (_, true) => "flagged before the drift began".to_owned(),
                _ => "never flagged".to_owned(),
            },
            done.began,
            done.causes.join(", "),
            100.0 * done.first,
            100.0 * done.last,
            done.seconds
        );
        months += 1;
        early += usize::from(done.early);
        let both = [RESISTOR, SEAM]
            .iter()
            .all(|p| done.causes.iter().take(2).any(|c| c.starts_with(p)));
        named += usize::from(both);
        delays.extend(done.delay.map(|d| d as f64));
    }
    let count = delays.len() as f64;
    let mean = delays.iter().sum::<f64>() / count;
    let sd = (delays.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / (count - 1.0)).sqrt();
    // Of so few months: what share of all could be flagged early or never.
    let [low, high] = share_interval(early, months, 0.999);
    let spread = if delays.len() > 1 {
        format!(
            "mean {mean:.1} ± {:.1}, standard deviation {sd:.1}",
            sd / count.sqrt()
        )
    } else {
        format!("after {mean:.0} units")
    };
    println!(
        "  {} flagged in the drift: {spread}; {early} of {months} flagged before it (99.9 %: {:.0} to {:.0} % of all); both causes first in {named} of {months}",
        delays.len(),
        100.0 * low,
        100.0 * high
    );
    // Four standard errors of so few months about the theory.
    let allowed = 4.0 * drawn.sd / count.max(1.0).sqrt();
    let in_time = !delays.is_empty() && (mean - theory.estimated).abs() < allowed;
    let as_seldom = low <= theory.early && theory.early <= high;
    let never = months - early - delays.len();
    Ok(named == months && in_time && as_seldom && never == 0)
}

fn main() -> ExitCode {
    match all() {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => {
            eprintln!("the log did not tell what the month was made of");
            ExitCode::FAILURE
        }
        Err(fault) => {
            eprintln!("{fault}");
            ExitCode::FAILURE
        }
    }
}
