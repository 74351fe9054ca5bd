//! `bassay align CAPTURES...`: several units of one design, and the design that follows from them or from one.

use super::failure::Failure;
use super::output::Output;
use super::{Exit, load};
use crate::design::captures::CaptureSet;
use crate::design::path::matches;
use crate::design::write::{Change, NewTolerance, with_changes};
use crate::design::{Design, Spread};
use crate::files::{read_whole, write_whole};
use crate::measure::Response;
use crate::report;
use crate::several::result::{self, DesignMark, FORMAT, Finding, Several, UnitMark};
use crate::several::{Number, Unit, several};
use crate::verify::{Verification, verify};
use std::path::{Path, PathBuf};

/// Digits of a digest that are shown.
const SHOWN: usize = 12;

fn short(digest: &str) -> &str {
    digest.get(..SHOWN).unwrap_or(digest)
}

/// The captures of one unit, ready to be aligned.
struct Set {
    file: PathBuf,
    design: Design,
    captures: CaptureSet,
}

/// Reads all sets and refuses those that cannot be put together.
fn sets(files: &[PathBuf]) -> Result<Vec<Set>, Failure> {
    let mut list: Vec<Set> = Vec::new();
    for file in files {
        let (design, captures) = load::design_and_captures(file)?;
        for known in &list {
            together(known, file, &design, &captures)?;
        }
        list.push(Set {
            file: file.clone(),
            design,
            captures,
        });
    }
    Ok(list)
}

fn together(
    known: &Set,
    file: &Path,
    design: &Design,
    captures: &CaptureSet,
) -> Result<(), Failure> {
    let (one, other) = (known.file.display(), file.display());
    let problem = if known.captures.digest == captures.digest {
        format!("{other}: the same captures as {one}; expected each set once")
    } else if known.design.digest != design.digest {
        format!(
            "{other}: its design {} (digest {}) is not that of {one}, {} (digest {}); expected units of one design",
            captures.design.display(),
            short(&design.digest),
            known.captures.design.display(),
            short(&known.design.digest)
        )
    } else if known.captures.unit == captures.unit {
        format!(
            "{other}: unit {} is also that of {one}; expected one set for each unit, because two of one unit would \
             make the spread too small",
            captures.unit
        )
    } else {
        return Ok(());
    };
    Err(Failure::input(problem))
}

/// The same recording in two sets is no second unit.
fn recorded_once(
    sets: &[Set],
    responses: &[Vec<Response>],
    newest: &[Response],
    file: &Path,
) -> Result<(), Failure> {
    for (set, known) in sets.iter().zip(responses) {
        for take in newest.iter().map(|r| &r.take) {
            let twice = known
                .iter()
                .any(|r| !take.digest.is_empty() && r.take.digest == take.digest);
            if twice {
                return Err(Failure::input(format!(
                    "{}: {} holds the same bytes as a file of {}; expected a recording of its own for each unit",
                    file.display(),
                    take.file,
                    set.file.display()
                )));
            }
        }
    }
    Ok(())
}

/// Refuses to write over the design that the captures name: their results would then speak of another file.
///
/// # Errors
/// [`Failure`] for bad input.
pub fn check_target(target: Option<&Path>, design: &Path) -> Result<(), Failure> {
    let Some(target) = target else { return Ok(()) };
    let same = match (target.canonicalize(), design.canonicalize()) {
        (Ok(one), Ok(other)) => one == other,
        _ => target == design,
    };
    if same {
        return Err(Failure::input(format!(
            "--write-design {}: the captures belong to this design; expected a new file beside it",
            target.display()
        )));
    }
    Ok(())
}

/// Runs the command on two or more sets.
///
/// # Errors
/// [`Failure`] for bad input or a file that cannot be written.
pub fn run(
    files: &[PathBuf],
    write_design: Option<&Path>,
    folder: Option<&Path>,
    out: &Output,
) -> Result<Exit, Failure> {
    let sets = sets(files)?;
    let Some(first) = sets.first() else {
        return Err(Failure::input(
            "no captures; expected at least one captures.toml",
        ));
    };
    check_target(write_design, &first.captures.design)?;
    let mut responses: Vec<Vec<Response>> = Vec::new();
    for set in &sets {
        let newest = load::responses(&set.captures, out)?;
        recorded_once(&sets, &responses, &newest, &set.file)?;
        responses.push(newest);
    }
    let mut done: Vec<Verification> = Vec::new();
    for (set, responses) in sets.iter().zip(responses) {
        out.remark(format!("aligning unit {}", set.captures.unit));
        let one = verify(&set.design, &set.captures, responses, &mut |step| {
            out.remark(format!("  {step}"));
        })
        .map_err(|error| Failure::input(format!("{}: {error}", set.file.display())))?;
        done.push(one);
    }
    let built: Vec<Vec<String>> = sets
        .iter()
        .map(|s| s.captures.built.iter().map(|b| b.path.clone()).collect())
        .collect();
    let units: Vec<Unit<'_>> = sets
        .iter()
        .zip(&done)
        .zip(&built)
        .map(|((set, done), built)| Unit {
            name: &set.captures.unit,
            fit: &done.fit,
            built,
        })
        .collect();
    let numbers = several(&first.design, &units).map_err(Failure::input)?;
    let names: Vec<&str> = units.iter().map(|u| u.name).collect();
    let mut document = Several {
        format: FORMAT,
        software: format!("bassay {}", env!("CARGO_PKG_VERSION")),
        design: DesignMark {
            name: first.design.name.clone(),
            digest: first.design.digest.clone(),
        },
        units: sets.iter().zip(&done).map(|(s, d)| mark(s, d)).collect(),
        parameters: numbers
            .iter()
            .map(|n| result::parameter(n, &names))
            .collect(),
        written: None,
    };
    // A design that cannot be written is refused before anything is.
    let design = match write_design {
        Some(target) => Some((target, new_design(&sets, &numbers)?)),
        None => None,
    };
    if let Some((target, text)) = &design {
        write_whole(target, text.as_bytes())?;
        document.written = Some(target.display().to_string());
    }
    if let Some(folder) = folder {
        let json = serde_json::to_vec_pretty(&document).map_err(Failure::system)?;
        write_whole(&folder.join("several.json"), &json)?;
        let title = format!("{} units of {}", units.len(), first.design.name);
        let files = report::several::picture(&document, title)
            .to_files(folder, "units")
            .map_err(Failure::system)?;
        if files.len() < 2 {
            out.remark("so many units and numbers make the picture too high for a PNG; there is an SVG only");
        }
        out.remark(format!("written: {}", folder.display()));
    }
    if out.json {
        return out.document(&document).map(|()| Exit::Done);
    }
    out.line(report::several::text(&document).trim_end());
    if let Some(written) = &document.written {
        out.line(format!("\nDesign: {written}"));
    }
    Ok(Exit::Done)
}

fn mark(set: &Set, done: &Verification) -> UnitMark {
    UnitMark {
        unit: set.captures.unit.clone(),
        file: set.file.display().to_string(),
        digest: set.captures.digest.clone(),
        converged: done.result.fit.converged,
        findings: done
            .result
            .findings
            .iter()
            .map(|f| Finding {
                path: f.path.clone(),
                probability: f.probability,
                text: f.text.clone(),
            })
            .collect(),
    }
}

fn text_of(file: &Path, design: &Design) -> Result<String, Failure> {
    let bytes = read_whole(file)?;
    if blake3::hash(&bytes).to_hex().to_string() != design.digest {
        return Err(Failure::input(format!(
            "{}: it changed while the captures were aligned; start again",
            file.display()
        )));
    }
    String::from_utf8(bytes).map_err(Failure::input)
}

/// A number for a comment: four digits, in SI.
fn digits(value: f64) -> String {
    let rounded: f64 = format!("{value:.3e}").parse().unwrap_or(value);
    if rounded == 0.0 || (1e-3..1e6).contains(&rounded.abs()) {
        format!("{rounded}")
    } else {
        format!("{rounded:e}")
    }
}

fn change_line(path: &str, unit: &str, [designed, new, low, high]: [f64; 4]) -> String {
    let numbers = [designed, new, low, high].map(digits);
    let [designed, new, low, high] = &numbers;
    format!("{path}: {new} instead of {designed} {unit}, 95 % {low} to {high}").replace(" , ", ", ")
}

/// The text of the design with the shared values and the spreads that were told.
fn new_design(sets: &[Set], numbers: &[Number]) -> Result<String, Failure> {
    let Some(first) = sets.first() else {
        return Err(Failure::input("no captures"));
    };
    let design = &first.design;
    let mut head = vec![format!(
        "aligned to {} units of the design with digest {}",
        sets.len(),
        short(&design.digest)
    )];
    for set in sets {
        head.push(format!(
            "unit {}: captures with digest {}",
            set.captures.unit,
            short(&set.captures.digest)
        ));
    }
    let (mut changes, mut tolerances) = (Vec::new(), Vec::new());
    for n in numbers {
        let u = &n.unknown;
        if !n.identifiable || !n.shared.is_finite() {
            head.push(format!(
                "{}: as designed, because these units cannot tell it",
                u.path
            ));
        } else {
            let ends = [n.shared - n.half_width, n.shared + n.half_width].map(|c| n.value(c));
            let line = change_line(
                &u.path,
                u.unit,
                [u.designed, n.value(n.shared), ends[0], ends[1]],
            );
            head.push(if n.units < sets.len() {
                format!("{line}; {} of {} units count", n.units, sets.len())
            } else {
                line
            });
            for &parameter in &u.members {
                let old = design.value(parameter);
                changes.push(Change {
                    parameter,
                    value: if u.log {
                        old * n.shared.exp()
                    } else {
                        old + n.shared
                    },
                });
            }
        }
        let Some(scatter) = n.scatter.filter(|s| s.told) else {
            continue;
        };
        // In the form in which the design states it.
        let path = u
            .members
            .first()
            .map_or_else(String::new, |&p| design.path_of(p));
        let rule = design
            .tolerance
            .iter()
            .rev()
            .find(|r| matches(&r.pattern, &path));
        let absolute = matches!(rule.map(|r| r.spread), Some(Spread::Absolute(_)));
        let size = n.value(n.shared).abs();
        let (spread, scale) = match (u.log, absolute) {
            (true, false) => (Spread::Relative(scatter.sd), 1.0),
            (true, true) => (Spread::Absolute(scatter.sd * size), size),
            (false, _) => (Spread::Absolute(scatter.sd), 1.0),
        };
        tolerances.push(NewTolerance {
            pattern: u.path.clone(),
            spread,
            comment: format!(
                "spread of {} units (named at the top), 95 % {} to {}",
                n.units,
                digits(scatter.low95 * scale),
                digits(scatter.high95 * scale)
            ),
        });
    }
    let file = &first.captures.design;
    with_changes(
        &text_of(file, design)?,
        file,
        design,
        &changes,
        &tolerances,
        &head,
    )
    .map_err(Failure::input)
}

/// Writes the design that one unit's alignment gives.
///
/// # Errors
/// [`Failure`] for a number that no key holds or a file that cannot be written.
pub fn write_one(
    target: &Path,
    design: &Design,
    set: &CaptureSet,
    done: &Verification,
) -> Result<(), Failure> {
    let mut head = vec![
        format!(
            "aligned to one unit of the design with digest {}",
            short(&design.digest)
        ),
        format!(
            "unit {}: captures with digest {}",
            set.unit,
            short(&set.digest)
        ),
    ];
    let mut changes = Vec::new();
    for e in &done.fit.estimates {
        let u = &done.fit.unknowns[e.unknown];
        if !e.identifiable {
            head.push(format!(
                "{}: as designed, because these captures cannot tell it",
                u.path
            ));
            continue;
        }
        if u.absent {
            head.push(format!(
                "{}: found in this unit, {} Pa·s/m³; the design has no such leak and gets none",
                u.path,
                crate::report::number::significant(e.fitted, 3)
            ));
            continue;
        }
        head.push(change_line(
            &u.path,
            u.unit,
            [e.designed, e.fitted, e.low95, e.high95],
        ));
        // What is tied keeps its ratios: the spread of each one about the common factor is this unit's own.
        for (&parameter, centre) in u.members.iter().zip(&u.centre) {
            let value = match (u.own, u.log) {
                (true, _) => e.fitted,
                (false, true) => e.fitted * centre / u.centre[0],
                (false, false) => e.fitted + centre - u.centre[0],
            };
            changes.push(Change { parameter, value });
        }
    }
    let file = &set.design;
    let text = with_changes(&text_of(file, design)?, file, design, &changes, &[], &head)
        .map_err(Failure::input)?;
    write_whole(target, text.as_bytes())?;
    Ok(())
}
