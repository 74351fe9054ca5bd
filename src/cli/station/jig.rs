//! `bassay station jig STATION --resistor OHM=FILE.wav …`: reference resistor and leads of the impedance jig.

use super::source::{self, Stamped};
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::cli::record;
use crate::design::station::{Card, Jig};
use crate::design::station_write::Section;
use crate::measure::calibration::jig::{Leads, Member, member, solve};
use crate::measure::calibration::loopback::equal_gain;
use crate::measure::calibration::pair::{self, Channels};
use serde::Serialize;
use std::path::PathBuf;

/// Reference resistor and leads of the impedance jig, from takes of known resistors
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The station file; it is made if it is not there (with --name)
    station: PathBuf,
    /// A known resistor and its take, as in 8.20=r8.wav; 0=short.wav for the leads shorted; more than once
    #[arg(long, value_name = "OHM=FILE", required = true, value_parser = known)]
    resistor: Vec<Known>,
    /// A take with both inputs on one point [default: the ratio of the loop-back]
    #[arg(long, value_name = "FILE")]
    equal_gain: Option<PathBuf>,
    /// Standard deviation of the known resistors, as a fraction
    #[arg(long, value_name = "FRACTION", default_value_t = 0.0005)]
    resistor_sd: f64,
    /// Lead resistance where one resistor alone was taken, Ω
    #[arg(long, value_name = "OHM", default_value_t = 0.0)]
    lead_ohm: f64,
    /// Its standard deviation, Ω
    #[arg(long, value_name = "OHM", default_value_t = 0.05)]
    lead_sd_ohm: f64,
    #[command(flatten)]
    stamped: Stamped,
    #[command(flatten)]
    sweep: record::SweepArgs,
}

/// A known resistor and its take.
#[derive(Debug, Clone)]
pub struct Known {
    ohm: f64,
    file: PathBuf,
}

fn known(text: &str) -> Result<Known, String> {
    let expected = "expected OHM=FILE, as in 8.20=r8.wav";
    let (ohm, file) = text.split_once('=').ok_or(expected)?;
    let ohm: f64 = ohm
        .trim()
        .parse()
        .map_err(|_| format!("found «{ohm}»; {expected}"))?;
    if !(0.0..=1e6).contains(&ohm) || file.is_empty() {
        return Err(format!(
            "found {ohm} Ω and «{file}»; {expected}, 0 to 1e6 Ω"
        ));
    }
    Ok(Known {
        ohm,
        file: file.into(),
    })
}

#[derive(Serialize)]
struct Document {
    format: &'static str,
    station: String,
    reference_ohm: f64,
    reference_sd_ohm: f64,
    lead_ohm: f64,
    lead_sd_ohm: f64,
    gain_ratio: f64,
    gain_ratio_sd: f64,
    chi_squared: f64,
    degrees_of_freedom: usize,
    members: Vec<Row>,
}

#[derive(Serialize)]
struct Row {
    file: String,
    resistor_ohm: f64,
    residual_ohm: f64,
}

/// Runs the action.
///
/// # Errors
/// [`Failure`] for a take that cannot be used or a set that contradicts itself; then nothing is written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    for (option, value, most) in [
        ("--resistor-sd", args.resistor_sd, 0.2),
        ("--lead-sd-ohm", args.lead_sd_ohm, 10.0),
        ("--lead-ohm", args.lead_ohm, 10.0),
    ] {
        if !(0.0..=most).contains(&value) {
            return Err(Failure::input(format!(
                "{option}: found {value}; expected 0 to {most}"
            )));
        }
    }
    let old = source::existing(&args.station)?;
    let name = source::name(old.as_ref(), &args.stamped)?;
    let wires = old.as_ref().map_or_else(Card::default, |s| s.card.clone());
    let channels = Channels {
        first: wires.source_channel,
        second: wires.load_channel,
    };
    let sweep = source::sweep(&args.sweep)?;
    let card = source::card(old.as_ref())?;
    let (gain, gain_sd, of) = match &args.equal_gain {
        Some(file) => {
            out.remark(format!("reading {}", file.display()));
            let found = equal_gain(&pair::read(file, channels, &sweep, card.as_ref())?)?;
            (found.gain_ratio, found.gain_ratio_sd, "equal-gain take")
        }
        None => {
            let same = channels.first == wires.reference_channel
                && channels.second == wires.microphone_channel;
            let usual = old
                .as_ref()
                .filter(|_| same)
                .and_then(|s| s.loopback.as_ref());
            let Some(l) = usual else {
                return Err(Failure::input(
                    "the gains of the two inputs are not known; expected --equal-gain FILE (both inputs on one point), or a loop-back in the station file: `bassay station loopback`",
                ));
            };
            (l.gain_ratio, l.gain_ratio_sd, "loop-back")
        }
    };
    let mut members: Vec<Member> = Vec::new();
    for one in &args.resistor {
        out.remark(format!("reading {}", one.file.display()));
        let pair = pair::read(&one.file, channels, &sweep, card.as_ref())?;
        members.push(member(&pair, one.ohm, args.resistor_sd * one.ohm, gain)?);
    }
    let leads = Leads {
        ohm: args.lead_ohm,
        sd_ohm: args.lead_sd_ohm,
    };
    let solved = solve(&members, gain, gain_sd, leads)?;
    let station = source::save(
        &args.station,
        &name,
        &Section::Jig(Jig {
            stamp: args.stamped.stamp(),
            reference_ohm: solved.reference_ohm,
            reference_sd_ohm: solved.reference_sd_ohm,
            reference_power_w: None,
            lead_ohm: solved.lead_ohm,
            lead_sd_ohm: solved.lead_sd_ohm,
            gain_ratio: gain,
            gain_ratio_sd: gain_sd,
            how: Some(format!("{} known resistors, gain by {of}", members.len())),
        }),
    )?;
    let document = Document {
        format: "bassay-jig/1",
        station: station.name.clone(),
        reference_ohm: solved.reference_ohm,
        reference_sd_ohm: solved.reference_sd_ohm,
        lead_ohm: solved.lead_ohm,
        lead_sd_ohm: solved.lead_sd_ohm,
        gain_ratio: gain,
        gain_ratio_sd: gain_sd,
        chi_squared: solved.chi_squared,
        degrees_of_freedom: solved.freedom,
        members: members
            .iter()
            .zip(&solved.residual_ohm)
            .map(|(m, r)| Row {
                file: m.file.clone(),
                resistor_ohm: m.resistor_ohm,
                residual_ohm: *r,
            })
            .collect(),
    };
    if out.json {
        return out.document(&document).map(|()| Exit::Done);
    }
    out.line(format!(
        "reference {:.4} ± {:.4} Ω, leads {:.4} ± {:.4} Ω (one standard deviation)\ngain ratio {gain:.5} ± {gain_sd:.5} by {of}",
        solved.reference_ohm, solved.reference_sd_ohm, solved.lead_ohm, solved.lead_sd_ohm
    ));
    for m in &document.members {
        out.line(format!(
            "  {:>9} Ω  rest {:+.4} Ω  {}",
            m.resistor_ohm, m.residual_ohm, m.file
        ));
    }
    if let Some(before) = old.as_ref().and_then(|s| s.jig.as_ref()) {
        out.line(format!(
            "replaces {:.4} ± {:.4} Ω of {}",
            before.reference_ohm, before.reference_sd_ohm, before.stamp.taken
        ));
    }
    if solved.freedom == 0 {
        out.line("nothing checks this set: with one resistor more a wrong one would be noticed");
    }
    out.line(format!("written to {}", args.station.display()));
    source::remind(&station, out);
    Ok(Exit::Done)
}
