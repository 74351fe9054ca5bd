//! `bassay check DESIGN`: reads a design, prints what follows from it, warns.

use super::Exit;
use super::failure::Failure;
use super::output::Output;
use crate::design::{read, warnings};
use crate::model::facts::{Facts, facts};
use crate::report;
use serde::Serialize;
use std::path::PathBuf;

/// Read a design, print what follows from it, warn of what is legal and odd
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The design (design.toml)
    pub design: PathBuf,
}

#[derive(Serialize)]
struct Document {
    format: &'static str,
    name: String,
    digest: String,
    facts: Facts,
    parameters: Vec<(String, f64, &'static str)>,
    warnings: Vec<String>,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for a design that cannot be read.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let design = read::read(&args.design).map_err(Failure::input)?;
    let facts = facts(&design);
    let warnings: Vec<String> = warnings::warnings(&design)
        .iter()
        .map(|w| format!("{}: {}; {}", w.subject, w.text, w.remedy))
        .collect();
    if out.json {
        let parameters = design
            .parameters()
            .into_iter()
            .map(|p| (design.path_of(p), design.value(p), p.key.unit(p.element)))
            .collect();
        let document = Document {
            format: "bassay-check/1",
            name: design.name.clone(),
            digest: design.digest.clone(),
            facts,
            parameters,
            warnings,
        };
        return out.document(&document).map(|()| Exit::Done);
    }
    print(&design.name, &facts, &warnings, out);
    Ok(Exit::Done)
}

/// A name of the user's in the first nine columns, and what is to be said behind it, folded.
fn told(label: &str, text: &str, out: &Output) {
    let lines = report::text::folded(&report::text::plain(text), 9);
    out.line(format!("{label:<9}{}", lines.trim_start()));
}

fn print(name: &str, facts: &Facts, warnings: &[String], out: &Output) {
    out.line(report::text::folded(&report::text::plain(name), 0));
    let air = &facts.air;
    out.line(format!(
        "\nAir      ρ {:.4} kg/m³   c {:.2} m/s   ρc {:.2} Pa·s/m",
        air.density_kg_per_m3,
        air.speed_m_per_s,
        air.rho_c()
    ));
    let d = &facts.driver;
    out.line(format!(
        "Driver   fs {:.2} Hz   Qts {:.3}   Qes {:.3}   Qms {:.2}   Vas {:.1} l",
        d.fs_hz,
        d.qts,
        d.qes,
        d.qms,
        d.vas_m3 * 1e3
    ));
    out.line(format!(
        "         Mms {:.1} g with air load   efficiency {:.2} %",
        d.mms_kg * 1e3,
        d.efficiency * 100.0,
    ));
    out.line(format!(
        "         mass-controlled above {:.0} Hz",
        d.mass_corner_hz
    ));
    out.line(format!(
        "         Bl {:.2} N/A   Mmd {:.1} g   Cms {:.3} mm/N   Rms {:.2} kg/s",
        d.bl_n_per_a,
        d.mmd_kg * 1e3,
        d.cms_m_per_n * 1e3,
        d.rms_kg_per_s
    ));
    if facts.drivers > 1 {
        out.line(format!("         {} of these drivers", facts.drivers));
    }
    let chambers: f64 = facts.volumes_l.iter().map(|v| v.1).sum();
    out.line(format!(
        "Volumes  channels {:.1} l   chambers {chambers:.1} l",
        facts.ducts_l
    ));
    for (name, litres) in &facts.volumes_l {
        told("", &format!("{name} {litres:.1} l"), out);
    }
    for (name, metres) in &facts.paths_m {
        told("Path", &format!("driver to {name}: {metres:.3} m"), out);
    }
    for ((name, hz), (_, end_hz)) in facts
        .quarter_wave_hz
        .iter()
        .zip(&facts.quarter_wave_with_end_hz)
    {
        let text =
            format!("{name}: quarter wave at {hz:.1} Hz, {end_hz:.1} Hz with the end of its mouth");
        told("Side", &text, out);
    }
    for (name, hz) in &facts.near_hz {
        let text = format!("{name}: follows its opening within 1 dB up to {hz:.0} Hz");
        told("Near", &text, out);
    }
    for (name, value, reference, ratio) in &facts.resistors {
        let text =
            format!("{name}: {value:.0} Pa·s/m³ = {ratio:.2} × ρc/S ({reference:.0} Pa·s/m³)");
        told("Resistor", &text, out);
    }
    if let Some(weather) = &facts.weather {
        out.line(report::text::labelled("Cold day", &weather.words()));
    }
    if warnings.is_empty() {
        out.line("\nNothing odd.");
        return;
    }
    out.line("\nLegal, but odd:");
    for warning in warnings {
        out.line(report::text::bulleted(warning));
    }
}
