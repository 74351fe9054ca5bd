//! `bassay limits show FILE`.

use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::design::limits_read;
use crate::production::limits::Basis;
use crate::production::limits::odds::by_band;
use crate::report;
use std::path::PathBuf;

/// Show limits: origin, signature, width against the spec's tolerance, what they cost
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The limits (limits.toml)
    file: PathBuf,
    /// Folder for pictures
    #[arg(long, value_name = "DIR")]
    pictures: Option<PathBuf>,
    /// Standard uncertainty of a measured band, dB, for what the limits cost, instead of the one in the file
    #[arg(long, value_name = "DB")]
    uncertainty_db: Option<f64>,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input or a file that cannot be written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let limits = limits_read::read(&args.file).map_err(Failure::input)?;
    if let Some(db) = args.uncertainty_db
        && !(0.0..=20.0).contains(&db)
    {
        return Err(Failure::input(format!(
            "--uncertainty-db {db}: expected 0 to 20 dB"
        )));
    }
    let basis: Vec<Basis> = limits
        .bands
        .iter()
        .map(|b| Basis {
            observation: b.observation.clone(),
            center_hz: b.center_hz,
            mean_db: b.mean_db.unwrap_or(f64::NAN),
            sd_db: b.sd_db.unwrap_or(f64::NAN),
            // Limits written by hand do not state it; then what it costs is not told.
            standard_db: args
                .uncertainty_db
                .or(b.measurement_sd_db)
                .unwrap_or(f64::NAN),
            units_needed: None,
        })
        .collect();
    let odds = by_band(&limits, &basis);
    let rows = report::limits::rows(&limits, &basis, &odds);
    if let Some(folder) = &args.pictures {
        for (stem, chart) in report::limits::charts(&limits, &[]) {
            report::chart_to_files(folder, &stem, &chart).map_err(Failure::system)?;
        }
    }
    if out.json {
        return out
            .named(
                "bassay-limits-shown/1",
                &serde_json::json!({ "bands": rows }),
            )
            .map(|()| Exit::Done);
    }
    out.line(report::limits::text(
        &limits,
        limits.origin.units.len(),
        &rows,
        None,
        false,
    ));
    out.line(report::text::labelled(
        "Note",
        "the odds over all bands and how many units would do need the units themselves: `limits make` tells them",
    ));
    Ok(Exit::Done)
}
