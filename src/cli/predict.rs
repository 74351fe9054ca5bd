//! `bassay predict DESIGN`: simulated curves and figures.

use super::Exit;
use super::failure::Failure;
use super::output::Output;
use crate::design::{Design, read};
use crate::files::write_whole;
use crate::model::monte_carlo::{Drawing, Outcome, draw_units, judged_frequencies};
use crate::model::predict::{Figures, Prediction, predict};
use crate::report;
use crate::signal::grid::log_grid;
use crate::verify::spread::of_design;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// Simulated curves and figures of a design
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The design (design.toml)
    pub design: PathBuf,
    /// Folder for curves (CSV, JSON, SVG, PNG)
    #[arg(long)]
    pub out: Option<PathBuf>,
    /// Lowest frequency, Hz
    #[arg(long, default_value_t = 5.0)]
    pub start_hz: f64,
    /// Highest frequency, Hz
    #[arg(long, default_value_t = 500.0)]
    pub stop_hz: f64,
    /// Also draw this many units from the tolerances, and say how far they scatter
    #[arg(long, value_name = "UNITS")]
    pub spread: Option<usize>,
    /// Seed of the drawn units: the same seed draws the same units
    #[arg(long, default_value_t = 1, requires = "spread")]
    pub seed: u64,
}

/// What `--json` prints and `prediction.json` holds.
#[derive(Serialize)]
struct Document<'a> {
    format: &'static str,
    #[serde(flatten)]
    prediction: &'a Prediction,
    #[serde(skip_serializing_if = "Option::is_none")]
    spread: Option<&'a Outcome>,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input or a file that cannot be written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let design = read::read(&args.design).map_err(Failure::input)?;
    let sound = args.start_hz > 0.0 && args.stop_hz > args.start_hz && args.stop_hz <= 5000.0;
    if !sound {
        return Err(Failure::input(format!(
            "--start-hz {} --stop-hz {}: expected 0 < start < stop ≤ 5000 (plane waves in channels hold no higher)",
            args.start_hz, args.stop_hz
        )));
    }
    let frequency_hz = log_grid(args.start_hz, args.stop_hz, 48);
    if frequency_hz.len() < 2 {
        return Err(Failure::input(
            "--start-hz and --stop-hz lie closer than 1/24 octave: nothing to draw",
        ));
    }
    let prediction = predict(&design, &design.air, &frequency_hz).map_err(Failure::input)?;
    let spread = match args.spread {
        Some(units) => Some(draw(&design, units, args.seed)?),
        None => None,
    };
    let document = Document {
        format: "bassay-prediction/1",
        prediction: &prediction,
        spread: spread.as_ref(),
    };
    if let Some(folder) = &args.out {
        write(&design, &document, folder)?;
    }
    if out.json {
        return out.document(&document).map(|()| Exit::Done);
    }
    print(&design, &prediction, out);
    if let Some(spread) = &spread {
        out.line(format!("\n{}", report::spread::table(spread)));
    }
    if let Some(folder) = &args.out {
        out.line(format!(
            "\nCurves: {}",
            folder.join("prediction.csv").display()
        ));
    }
    Ok(Exit::Done)
}

/// Units built with the tolerances of the design, at the frequencies at which `verify` and `limits` judge them.
fn draw(design: &Design, units: usize, seed: u64) -> Result<Outcome, Failure> {
    let spread = of_design(design, &[]).map_err(Failure::input)?;
    let drawing = Drawing {
        units,
        seed,
        frequency_hz: judged_frequencies(design),
    };
    draw_units(design, &design.air, &spread, &drawing).map_err(Failure::input)
}

fn write(design: &Design, document: &Document<'_>, folder: &Path) -> Result<(), Failure> {
    let p = document.prediction;
    let json = serde_json::to_vec_pretty(document).map_err(Failure::system)?;
    write_whole(&folder.join("prediction.json"), &json)?;
    write_whole(
        &folder.join("prediction.csv"),
        report::prediction::csv(p).as_bytes(),
    )?;
    for (stem, chart) in report::prediction::charts(design, p) {
        report::chart_to_files(folder, stem, &chart).map_err(Failure::system)?;
    }
    if let Some(spread) = document.spread {
        write_whole(
            &folder.join("spread.csv"),
            report::spread::csv(spread).as_bytes(),
        )?;
        for (stem, chart) in report::spread::charts(spread) {
            report::chart_to_files(folder, &stem, &chart).map_err(Failure::system)?;
        }
    }
    Ok(())
}

fn hz(value: Option<f64>) -> String {
    value.map_or("not in the range".to_string(), |v| format!("{v:.1} Hz"))
}

fn print(design: &Design, p: &Prediction, out: &Output) {
    let f: &Figures = &p.figures;
    out.line(format!("{} at {} V", design.name, design.drive.voltage_v));
    out.line(format!(
        "Mean level at 1 m, {:.0} to {:.0} Hz   {:.1} dB, ripple {:.1} dB",
        f.band_hz[0], f.band_hz[1], f.mean_db, f.ripple_db
    ));
    out.line(format!(
        "Cut-off  −3 dB {}   −6 dB {}   −10 dB {}",
        hz(f.cutoff_3db_hz),
        hz(f.cutoff_6db_hz),
        hz(f.cutoff_10db_hz)
    ));
    if let Some(slope) = f.slope_db_per_octave {
        out.line(format!(
            "Slope over the octave below −10 dB   {slope:.1} dB per octave"
        ));
    }
    if let (Some(at), Some(level)) = (f.at_hz, f.level_at_cutoff_db) {
        out.line(format!("Level at {at:.1} Hz   {level:.1} dB"));
        if let Some(most) = f.maximum_at_cutoff_db {
            out.line(format!(
                "Most at {at:.1} Hz    {most:.1} dB, limited by {}",
                f.maximum_at_cutoff_by.word()
            ));
        } else {
            out.line("Most: the design states no limit (xmax_m, power_w, max_voltage_v, …)");
        }
    }
    if let Some((db, at, by)) = &f.weakest {
        out.line(format!(
            "Least of the maximum in the band   {db:.1} dB at {at:.1} Hz, limited by {}",
            by.word()
        ));
    }
    out.line(format!(
        "Displacement in the band   up to {:.2} mm peak",
        f.largest_displacement_mm
    ));
    out.line(report::text::labelled("Cold day", &p.weather.words()));
    let Some(target) = design.target else { return };
    out.line("\nAgainst the target");
    if let (Some(wanted), Some(got)) = (target.cutoff_hz, f.cutoff_6db_hz) {
        let word = if got <= wanted { "reached" } else { "missed" };
        out.line(format!(
            "  cut-off {wanted:.1} Hz wanted, −6 dB at {got:.1} Hz   {word}"
        ));
    }
    if let (Some(wanted), Some(got)) = (target.level_db_1m, f.maximum_at_cutoff_db) {
        let word = if got >= wanted { "reached" } else { "missed" };
        out.line(format!(
            "  level {wanted:.1} dB wanted at cut-off, {got:.1} dB by {}   {word}",
            f.maximum_at_cutoff_by.word()
        ));
    }
}
