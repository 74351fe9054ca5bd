//! `bassay plan DESIGN`: what captures would tell, before anything is built or measured.

use super::Exit;
use super::failure::Failure;
use super::output::Output;
use crate::align::plan::{Plan, plan};
use crate::design::read;
use crate::files::write_whole;
use crate::report;
use crate::report::plan::{picture, table};
use serde::Serialize;
use std::path::PathBuf;

/// Which parameters the planned captures can tell apart, and how closely
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The design (design.toml)
    pub design: PathBuf,
    /// An intended capture: impedance or a probe's name; may be given more than once [default: all of them]
    #[arg(long, value_name = "LABEL")]
    pub capture: Vec<String>,
    /// Folder for plan.json and the picture (SVG, PNG)
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
}

#[derive(Serialize)]
struct Document<'a> {
    format: &'static str,
    design: &'a str,
    digest: &'a str,
    #[serde(flatten)]
    plan: &'a Plan,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input or a file that cannot be written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let design = read::read(&args.design).map_err(Failure::input)?;
    let plan = plan(&design, &args.capture).map_err(Failure::input)?;
    let document = Document {
        format: "bassay-plan/1",
        design: &design.name,
        digest: &design.digest,
        plan: &plan,
    };
    if let Some(folder) = &args.out {
        let json = serde_json::to_vec_pretty(&document).map_err(Failure::system)?;
        write_whole(&folder.join("plan.json"), &json)?;
        picture(&plan, format!("Plan for {}", design.name))
            .to_files(folder, "plan")
            .map_err(Failure::system)?;
    }
    if out.json {
        return out.document(&document).map(|()| Exit::Done);
    }
    out.line(format!("Plan for «{}»", report::text::plain(&design.name)));
    out.line(table(&plan));
    if let Some(folder) = &args.out {
        out.line(format!("\nPicture: {}", folder.join("plan.svg").display()));
    }
    Ok(Exit::Done)
}
