//! `bassay station show FILE`: what a station file holds, how old it is, what is doubtful.

use super::jig::described;
use super::source;
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::ledger::place::{paragraph, short};
use crate::cli::output::Output;
use crate::design::station::{Doubt, Stamp};
use serde::Serialize;
use std::path::PathBuf;

/// What a station file holds, how old it is, and what is doubtful
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The station file (station.toml)
    station: PathBuf,
    /// Look at it as of this time [default: now]
    #[arg(long, value_name = "TIME")]
    at: Option<jiff::Timestamp>,
}

#[derive(Serialize)]
struct Document {
    format: &'static str,
    name: String,
    digest: String,
    parts: Vec<Row>,
    doubts: Vec<Doubt>,
}

#[derive(Serialize)]
struct Row {
    part: &'static str,
    taken: String,
    serial: Option<String>,
    device: Option<String>,
    age_days: Option<f64>,
    valid_days: f64,
    text: String,
}

fn row(part: &'static str, stamp: &Stamp, at: jiff::Timestamp, text: String) -> Row {
    Row {
        part,
        taken: stamp.taken.clone(),
        serial: stamp.serial.clone(),
        device: stamp.device.clone(),
        age_days: stamp.age_days(at),
        valid_days: stamp.valid_days,
        text,
    }
}

/// Runs the action; exit 3 where something is doubtful.
///
/// # Errors
/// [`Failure`] for a file that is wrong.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let station = source::station(&args.station)?;
    let at = args.at.unwrap_or_else(jiff::Timestamp::now);
    let mut parts = Vec::new();
    if let Some(l) = &station.loopback {
        let mut text = format!(
            "gain ratio {:.5} ± {:.5}",
            l.gain_ratio,
            2.0 * l.gain_ratio_sd
        );
        if let (Some(table), Some(digest)) = (&l.response, &l.response_digest) {
            text += &format!(
                ", table {} with the digest {}…",
                table.display(),
                short(digest)
            );
        }
        parts.push(row("loop-back", &l.stamp, at, text));
    }
    if let Some(j) = &station.jig {
        let text = described(j);
        parts.push(row("jig", &j.stamp, at, text));
    }
    if let Some(m) = &station.microphone {
        let text = format!(
            "{:.4} mV/Pa ± {:.2} dB",
            1e3 * m.sensitivity_v_per_pa,
            2.0 * m.sd_db
        );
        parts.push(row("microphone", &m.stamp, at, text));
    }
    let doubts = station.doubts(at);
    let exit = if doubts.is_empty() {
        Exit::Done
    } else {
        Exit::Unresolved
    };
    if out.json {
        let document = Document {
            format: "bassay-station-state/1",
            name: station.name,
            digest: station.digest,
            parts,
            doubts,
        };
        return out.document(&document).map(|()| exit);
    }
    out.line(format!("station {}, ± is k = 2 (95 %)\n", station.name));
    for p in &parts {
        let serial = p.serial.as_deref().unwrap_or("no serial");
        let age = p
            .age_days
            .map_or("of unknown age".to_string(), |d| format!("{d:.1} days old"));
        out.line(format!(
            "{:<11} {age} of {:.0}, {}",
            p.part, p.valid_days, p.taken
        ));
        out.line(paragraph(&format!("{serial}; {}", p.text), 12));
        if let Some(device) = &p.device {
            out.line(paragraph(&format!("recorded from: {device}"), 12));
        }
    }
    if let Some(c) = &station.check {
        out.line(format!(
            "check       {} Ω within {} %, every {} h",
            c.resistor_ohm,
            100.0 * c.tolerance,
            c.every_hours
        ));
    }
    for doubt in &doubts {
        out.line(paragraph(&format!("! {doubt}"), 0));
    }
    Ok(exit)
}
