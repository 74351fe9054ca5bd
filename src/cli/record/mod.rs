//! `bassay record`: live capture at the bench.
//!
//! The same code runs with a sound card and with a virtual unit (`--virtual`); they differ in the card that is opened.

mod args;
mod bench;
pub mod desk;
mod guided;
mod loose;
mod ramp;

pub use args::{
    Air as AirArgs, Args, Bench as BenchArgs, Known as KnownArgs, Level as LevelArgs,
    Sweep as SweepArgs, Virtual as VirtualArgs,
};

use super::failure::Failure;
use super::output::Output;
use super::{Exit, load};
use crate::capture::guide::{self, What};
use crate::capture::virtual_card::LABEL;
use crate::design::captures::CaptureSet;
use crate::design::captures_write::{NewCapture, new_set, with_capture};
use crate::design::{captures_read, read};
use crate::files::{read_whole, write_whole};
use crate::report::text;
use crate::signal::wav;
use crate::verify::{outlook, verify};
use args::quoted;
use bench::Bench;
use desk::{Answer, Desk};
use guided::{Ended, Kept, Post};
use serde::Serialize;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// How a session ended; what `record --set` prints with `--json`.
#[derive(Debug, Serialize)]
pub struct Session {
    format: &'static str,
    /// The captures file.
    pub captures: String,
    /// Labels that are on file now.
    pub recorded: Vec<String>,
    /// Labels that were wanted and are not.
    pub missing: Vec<String>,
    /// Labels of which a take was kept that should be recorded again.
    pub doubtful: Vec<String>,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input, a limit that would be exceeded, or a card that fails.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let Some(file) = &args.set else {
        return loose::run(args, out);
    };
    let done = session(args, file, out)?;
    if out.json {
        out.document(&done)?;
    } else {
        if !done.recorded.is_empty() {
            out.line(format!("\nOn file: {}", done.recorded.join(", ")));
            if !done.doubtful.is_empty() {
                out.line(format!(
                    "To be recorded again: {}",
                    done.doubtful.join(", ")
                ));
            }
            if done.missing.is_empty() {
                outlook(file, out);
            }
            out.line(format!("Next: bassay verify {}", done.captures));
        }
        if !done.missing.is_empty() {
            out.line(format!("Not recorded: {}", done.missing.join(", ")));
        }
    }
    // Not all that was wanted, or not as good as wanted: nothing was judged, but it is not done either.
    Ok(if done.missing.is_empty() && done.doubtful.is_empty() {
        Exit::Done
    } else {
        Exit::Unresolved
    })
}

/// Says what `verify` will leave open and why, while the cabinet still stands there. What keeps `verify` from working is told by
/// `verify`.
fn outlook(file: &Path, out: &Output) {
    let quiet = Output {
        quiet: true,
        ..*out
    };
    out.remark("looking ahead at what `bassay verify` will say");
    let done = load::design_and_captures(file)
        .and_then(|(design, set)| {
            let responses = load::responses(&set, &quiet)?;
            verify(&design, &set, responses, &mut |_| {}).map_err(Failure::input)
        })
        .ok();
    for line in done.iter().flat_map(outlook::lines) {
        out.line(text::folded(&line, 2));
    }
}

/// Records what is wanted into the captures file `file`.
///
/// # Errors
/// As [`run`].
pub fn session(args: &Args, file: &Path, out: &Output) -> Result<Session, Failure> {
    let start = begin(args, file)?;
    let folder = file.parent().unwrap_or_else(|| Path::new("")).to_path_buf();
    let wanted = labels(args, &start)?;
    let mut bench = Bench::open(args, &start.set, start.design)?;
    bench.goes_on(&start.set)?;
    let mut desk = Desk::new(out)?;
    let unasked = args.level.yes && !std::io::stdin().is_terminal();
    if !bench.agreed(&mut desk, &wanted, args.level.yes)? {
        desk.say("Nothing was played.");
        return finish(file, &wanted, &[]);
    }
    let mut doubtful = Vec::new();
    let count = wanted.len();
    for (n, what) in wanted.iter().enumerate() {
        let set = current(file, &start.set)?;
        let held = guide::held(&set, what);
        if let Some(capture) = held.filter(|_| args.capture.is_empty()) {
            let at = format!("{} of {count}: {}", n + 1, what.label());
            match unreadable(&capture.path) {
                None => {
                    desk.say(format!("{at} is on file already"));
                    continue;
                }
                Some(why) => desk.say(guided::folded(&format!(
                    "{at} is on file already, but {} cannot be used ({why}): it is recorded again",
                    capture.file
                ))),
            }
        }
        let ended = Post {
            bench: &mut bench,
            desk: &mut desk,
            what,
            folder: &folder,
            set: &set,
            takes: args.takes as usize,
            place: format!("{} of {count}", n + 1),
            unasked,
        }
        .run()?;
        match ended {
            Ended::Kept(kept) => {
                if kept.doubtful {
                    doubtful.push(what.label().to_string());
                }
                let old = held.map(|c| c.file.clone());
                let instead = old.as_ref().map_or(String::new(), |old| {
                    format!(", in the place of {old}, which stays in the folder and is not used")
                });
                keep(file, &start.text, &bench, what, kept, old)?;
                desk.say(guided::folded(&format!(
                    "kept in {}{instead}",
                    file.display()
                )));
            }
            Ended::Skipped => {}
            Ended::Stopped => {
                desk.say(guided::folded(&format!(
                    "Stopped. Go on later with: bassay {}",
                    again(args, file)
                )));
                break;
            }
        }
    }
    finish(file, &wanted, &doubtful)
}

/// The command that goes on with a set: as it was typed, without what the captures file says once it is there.
fn again(args: &Args, file: &Path) -> String {
    let typed: Vec<String> = std::env::args().skip(1).collect();
    let made = file.exists();
    if typed.first().map(String::as_str) != Some("record") {
        let mut text = format!("record --set {}", quoted(&file.to_string_lossy()));
        if let (Some(design), Some(unit), false) = (&args.design, &args.unit, made) {
            text.push_str(&format!(
                " --design {} --unit {}{}",
                quoted(&design.to_string_lossy()),
                quoted(unit),
                args.air.again()
            ));
        }
        return text + &args.unreal.again();
    }
    let mut kept: Vec<String> = Vec::new();
    let mut words = typed.iter();
    while let Some(word) = words.next() {
        let known = ["--design", "--unit"];
        if made && known.contains(&word.as_str()) {
            words.next();
        } else if !(made && known.iter().any(|k| word.starts_with(&format!("{k}=")))) {
            kept.push(quoted(word));
        }
    }
    kept.join(" ")
}

/// Why a WAV that is on file cannot be used, if it cannot.
fn unreadable(path: &Path) -> Option<String> {
    match std::fs::File::open(path) {
        Err(cause) => Some(cause.to_string()),
        Ok(input) => wav::read(std::io::BufReader::new(input), |_, _| {})
            .err()
            .map(|cause| cause.to_string()),
    }
}

/// What there is before anything is recorded.
struct Start {
    set: CaptureSet,
    design: crate::design::Design,
    /// Text of the captures file, or of the one that will be made.
    text: String,
}

/// Reads the captures file, or prepares one.
fn begin(args: &Args, file: &Path) -> Result<Start, Failure> {
    if file.is_dir() {
        return Err(Failure::input(format!(
            "--set {}: is a folder; expected a captures file, such as {}",
            file.display(),
            file.join("captures.toml").display()
        )));
    }
    if file.exists() {
        if args.design.is_some() || args.unit.is_some() {
            return Err(Failure::input(format!(
                "{}: it is there already and names its design and unit; expected --set without --design and --unit, or another file",
                file.display()
            )));
        }
        let bytes = read_whole(file)?;
        let text = String::from_utf8(bytes)
            .map_err(|_| Failure::input(format!("{}: is not UTF-8", file.display())))?;
        let (set, design) = read_unfinished(&text, file)?;
        same_session(args, &set)?;
        let stated = [set.temperature_c, set.pressure_kpa, set.humidity_pct];
        args.air.agrees(file, stated)?;
        return Ok(Start { set, design, text });
    }
    let (Some(design_file), Some(unit)) = (&args.design, &args.unit) else {
        return Err(Failure::input(format!(
            "{}: is not there yet; expected --design DESIGN and --unit NAME to make it",
            file.display()
        )));
    };
    if unit.trim().is_empty() || unit.chars().any(char::is_control) {
        return Err(Failure::input(format!(
            "--unit {unit:?}: expected a serial number of printable characters"
        )));
    }
    let design = read::read(design_file).map_err(Failure::input)?;
    let folder = file.parent().unwrap_or_else(|| Path::new(""));
    let station = args
        .station
        .as_ref()
        .map(|s| beside(s, folder))
        .transpose()?;
    let text = new_set(
        unit,
        &beside(design_file, folder)?,
        &bench::sweep_of(args)?,
        &bench::now(),
        station.as_deref(),
        args.air.given().map(|(_, value)| value),
    );
    let set = read_unfinished(&text, file)?.0;
    Ok(Start { set, design, text })
}

/// A captures text that may not have any capture yet, and its design.
fn read_unfinished(
    text: &str,
    file: &Path,
) -> Result<(CaptureSet, crate::design::Design), Failure> {
    let set = captures_read::read_unfinished(text, file).map_err(Failure::input)?;
    let design = read::read(&set.design).map_err(Failure::input)?;
    Ok((set, design))
}

/// A path as a file in `folder` names it.
fn beside(path: &Path, folder: &Path) -> Result<String, Failure> {
    let fail = |p: &Path, e: std::io::Error| {
        Failure::input(format!("{}: cannot be read: {e}", p.display()))
    };
    let here = if folder.as_os_str().is_empty() {
        Path::new(".")
    } else {
        folder
    };
    std::fs::create_dir_all(here).map_err(|e| fail(here, e))?;
    let whole = path.canonicalize().map_err(|e| fail(path, e))?;
    let base = here.canonicalize().map_err(|e| fail(here, e))?;
    let mut up = PathBuf::new();
    let mut at: &Path = &base;
    loop {
        if let Ok(rest) = whole.strip_prefix(at) {
            return Ok(up.join(rest).to_string_lossy().replace('\\', "/"));
        }
        let Some(parent) = at.parent() else {
            return Ok(whole.to_string_lossy().into_owned());
        };
        at = parent;
        up.push("..");
    }
}

/// What is recorded in this run.
fn labels(args: &Args, start: &Start) -> Result<Vec<What>, Failure> {
    let all = guide::wanted(&start.design);
    if args.capture.is_empty() {
        return Ok(all);
    }
    args.capture
        .iter()
        .map(|label| {
            let what = What::of(label);
            if all.contains(&what) {
                return Ok(what);
            }
            let known: Vec<&str> = all.iter().map(What::label).collect();
            Err(Failure::input(format!(
                "--capture {}: the design has no such probe; expected one of {}",
                crate::design::problem::quoted(label),
                known.join(", ")
            )))
        })
        .collect()
}

/// A set that goes on is that of the same sweep, and of the virtual bench if it was.
fn same_session(args: &Args, set: &CaptureSet) -> Result<(), Failure> {
    if let (Some(asked), Some(sweep)) = (args.sweep.duration_s, &set.sweep)
        && asked != sweep.duration_s
    {
        return Err(Failure::input(format!(
            "--duration-s: found {asked}; the captures of this set last {} s, and a set has one sweep: expected no --duration-s, or another --set",
            sweep.duration_s
        )));
    }
    let recorded = set.captures.iter().filter_map(|c| c.recorded.as_ref());
    let unreal = recorded.map(|r| &r.device).find(|d| d.starts_with(LABEL));
    match unreal {
        Some(device) if args.unreal.virtual_design.is_none() => Err(Failure::input(format!(
            "this set was recorded from the {device}: expected the same --virtual, --fault and --seed, or another --set"
        ))),
        _ => Ok(()),
    }
}

/// The set as it is on file now.
fn current(file: &Path, start: &CaptureSet) -> Result<CaptureSet, Failure> {
    if file.exists() {
        Ok(load::design_and_captures(file)?.1)
    } else {
        Ok(start.clone())
    }
}

/// Writes a capture into the captures file.
fn keep(
    file: &Path,
    start: &str,
    bench: &Bench,
    what: &What,
    kept: Kept,
    replaces: Option<String>,
) -> Result<(), Failure> {
    let text = if file.exists() {
        String::from_utf8_lossy(&read_whole(file)?).into_owned()
    } else {
        start.to_string()
    };
    let name = |p: &PathBuf| {
        p.file_name()
            .map_or_else(String::new, |n| n.to_string_lossy().into_owned())
    };
    let new = NewCapture {
        files: kept.files.iter().map(name).collect(),
        replaces,
        kind: bench.kind(what)?,
        drive_v: None,
        recorded: Some(kept.recorded),
    };
    let text = with_capture(&text, file, &new).map_err(Failure::input)?;
    write_whole(file, text.as_bytes())?;
    Ok(())
}

fn finish(file: &Path, wanted: &[What], doubtful: &[String]) -> Result<Session, Failure> {
    let set = if file.exists() {
        Some(load::design_and_captures(file)?.1)
    } else {
        None
    };
    let (recorded, missing): (Vec<&What>, Vec<&What>) = wanted
        .iter()
        .partition(|w| set.as_ref().is_some_and(|s| guide::held(s, w).is_some()));
    let names = |list: &[&What]| list.iter().map(|w| w.label().to_string()).collect();
    Ok(Session {
        format: "bassay-recording/1",
        captures: file.display().to_string(),
        recorded: names(&recorded),
        missing: names(&missing),
        doubtful: doubtful.to_vec(),
    })
}

/// Asks a question that only «yes» answers.
fn agreed(desk: &mut Desk, question: &str) -> bool {
    matches!(desk.ask(question), Answer::Line(line) if line == "yes" || line == "y")
}
