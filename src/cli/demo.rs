//! `bassay demo`: the whole main job on the shipped sample captures.

use super::failure::Failure;
use super::output::Output;
use super::{Exit, verify};
use serde::Serialize;
use std::path::{Path, PathBuf};

/// The whole main job on the shipped sample captures
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Folder for the reports
    #[arg(long, default_value = "bassay-demo")]
    pub out: PathBuf,
    /// Where the sample captures are [default: sample-captures, here or where bassay was built]
    #[arg(long)]
    pub samples: Option<PathBuf>,
}

/// The two sample units, in the order in which they are shown.
const UNITS: [&str; 2] = ["sound", "leaking"];

#[derive(Serialize)]
struct Document {
    format: &'static str,
    units: Vec<Unit>,
}

#[derive(Serialize)]
struct Unit {
    report: PathBuf,
    result: crate::verify::result::Result,
}

/// Runs the command. It ends with `Done` whatever the verdicts are: one of the two units is faulty on purpose.
///
/// # Errors
/// [`Failure`] if the samples are missing or a report cannot be written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let samples = find(args.samples.as_deref())?;
    let mut units = Vec::new();
    for name in UNITS {
        let captures = samples.join(name).join("captures.toml");
        let done = verify::verification(&captures, out)?;
        let report = verify::write(&done, &args.out.join(name))?;
        if !out.json {
            verify::show(&done, &report, out)?;
            out.line("");
        }
        units.push(Unit {
            report,
            result: done.result,
        });
    }
    if out.json {
        return out
            .document(&Document {
                format: "bassay-demo/1",
                units,
            })
            .map(|()| Exit::Done);
    }
    out.line("Reports, to be opened in a browser:");
    for unit in &units {
        out.line(format!("  {}", unit.report.display()));
    }
    Ok(Exit::Done)
}

fn find(given: Option<&Path>) -> Result<PathBuf, Failure> {
    let places = match given {
        Some(folder) => vec![folder.to_path_buf()],
        None => vec![
            PathBuf::from("sample-captures"),
            Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-captures"),
        ],
    };
    places.iter().find(|p| p.join(UNITS[0]).join("captures.toml").is_file()).cloned().ok_or_else(|| {
        let looked: Vec<String> = places.iter().map(|p| p.display().to_string()).collect();
        Failure::input(format!(
            "the sample captures were not found (looked in {}); run bassay in its source folder or say --samples FOLDER",
            looked.join(", ")
        ))
    })
}
