//! `bassay verify CAPTURES`: the main job.

use super::failure::Failure;
use super::output::Output;
use super::{Exit, load};
use crate::files::write_whole;
use crate::report;
use crate::verify::result::Verdict;
use crate::verify::{Verification, verify};
use std::path::{Path, PathBuf};

/// Deconvolve, align, mismatch by band, findings, report
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The captures of one unit (captures.toml)
    pub captures: PathBuf,
    /// Folder for result.json, curves.csv and report.html [default: the captures file's folder + /report]
    #[arg(long)]
    pub out: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input or a file that cannot be written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let done = verification(&args.captures, out)?;
    let folder = args
        .out
        .clone()
        .unwrap_or_else(|| default_folder(&args.captures));
    let page = write(&done, &folder)?;
    show(&done, &page, out)?;
    Ok(exit(done.result.verdict))
}

/// Where results go if nothing is said.
#[must_use]
pub fn default_folder(captures: &Path) -> PathBuf {
    captures
        .parent()
        .unwrap_or_else(|| Path::new(""))
        .join("report")
}

/// Reads, deconvolves, aligns and judges.
///
/// # Errors
/// [`Failure`] for bad input.
pub fn verification(captures: &Path, out: &Output) -> Result<Verification, Failure> {
    let (design, set) = load::design_and_captures(captures)?;
    let responses = load::responses(&set, out)?;
    verify(&design, &set, responses, &mut |step| {
        out.remark(format!("  {step}"))
    })
    .map_err(Failure::input)
}

/// Writes `result.json`, `curves.csv` and `report.html`; gives the page's path.
///
/// # Errors
/// [`Failure`] for a file that cannot be written.
pub fn write(done: &Verification, folder: &Path) -> Result<PathBuf, Failure> {
    let json = serde_json::to_vec_pretty(&done.result).map_err(Failure::system)?;
    let curves = report::observation_curves(done);
    let figures = report::verification::figures(done);
    let input = report::ReportInput {
        result: &done.result,
        curves: &curves,
        figures: &figures,
        made: "",
    };
    let page = report::page(&input);
    write_whole(&folder.join("result.json"), &json)?;
    write_whole(
        &folder.join("curves.csv"),
        report::csv::curves(&curves).as_bytes(),
    )?;
    let path = folder.join("report.html");
    write_whole(&path, page.as_bytes())?;
    Ok(path)
}

/// Prints the summary or the JSON document.
///
/// # Errors
/// [`Failure`] if the document cannot be written.
pub fn show(done: &Verification, page: &Path, out: &Output) -> Result<(), Failure> {
    if out.json {
        return out.document(&done.result);
    }
    out.line(report::text::summary(&done.result, Some(page), out.colour));
    Ok(())
}

/// The exit of a verdict.
#[must_use]
pub fn exit(verdict: Verdict) -> Exit {
    match verdict {
        Verdict::Within => Exit::Done,
        Verdict::Outside => Exit::Outside,
        Verdict::Unresolved => Exit::Unresolved,
    }
}
