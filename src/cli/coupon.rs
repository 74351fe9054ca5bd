//! `bassay coupon COUPON`: specific resistance of a cloth sample in a tube.

use super::Exit;
use super::failure::Failure;
use super::output::Output;
use crate::damping::coupon::measure;
use crate::design::{coupon, materials};
use crate::files::{read_whole, write_whole};
use crate::report;
use std::path::{Path, PathBuf};

/// Specific resistance of a cloth sample from captures in a tube
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The sample and its captures (coupon.toml)
    pub coupon: PathBuf,
    /// Add the material to this file; it is made if it does not exist
    #[arg(long, value_name = "MATERIALS")]
    pub save: Option<PathBuf>,
    /// Folder for coupon.json and the picture
    #[arg(long)]
    pub out: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input or a file that cannot be written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let sample = coupon::read(&args.coupon).map_err(Failure::input)?;
    out.remark(format!(
        "{}: {} captures",
        sample.name,
        sample.captures.len()
    ));
    let result = measure(&sample).map_err(Failure::input)?;
    if let Some(folder) = &args.out {
        let json = serde_json::to_vec_pretty(&result).map_err(Failure::system)?;
        write_whole(&folder.join("coupon.json"), &json)?;
        if let Some(chart) = report::damping::coupon_chart(&result) {
            report::chart_to_files(folder, "coupon", &chart).map_err(Failure::system)?;
        }
    }
    if out.json {
        out.document(&result)?;
    } else {
        out.line(report::damping::coupon(&result));
    }
    if let Some(file) = &args.save {
        let source = format!("coupon {}", args.coupon.display());
        match result.material(&source, sample.taken.clone()) {
            Some(material) => {
                save(file, &material)?;
                out.remark(format!("added to {}", file.display()));
            }
            None => out.remark(format!(
                "nothing was added to {}: the resistance cannot be told",
                file.display()
            )),
        }
    }
    Ok(if result.told {
        Exit::Done
    } else {
        Exit::Unresolved
    })
}

/// Adds a material at the end of the user's file.
fn save(file: &Path, material: &materials::Material) -> Result<(), Failure> {
    let text = if file.exists() {
        let bytes = read_whole(file)?;
        String::from_utf8(bytes).map_err(|_| {
            Failure::input(format!(
                "{}: the bytes are not UTF-8 text; expected a TOML file",
                file.display()
            ))
        })?
    } else {
        String::new()
    };
    let whole = materials::with_added(&text, file, material).map_err(Failure::input)?;
    write_whole(file, whole.as_bytes()).map_err(Failure::from)
}
