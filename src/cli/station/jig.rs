//! `bassay station jig STATION --resistor OHM=FILE.wav …`: reference resistor and leads of the impedance jig.

use super::source::{self, Stamped};
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::ledger::place::paragraph;
use crate::cli::output::Output;
use crate::cli::record;
use crate::design::station::{Card, Jig, is_virtual};
use crate::design::station_write::Section;
use crate::measure::calibration::jig::{Leads, Member, member, solve, worse};
use crate::measure::calibration::loopback::equal_gain;
use crate::measure::calibration::pair::{self, Channels};
use serde::Serialize;
use std::path::{Path, PathBuf};

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
    /// Put this calibration in the place of a better one that still holds
    #[arg(long)]
    replace_better: bool,
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
    device: Option<String>,
    members: Vec<Row>,
}

#[derive(Serialize)]
struct Row {
    file: String,
    resistor_ohm: f64,
    residual_ohm: f64,
}

/// `1 degree of freedom`.
fn degrees(count: usize) -> String {
    let plural = if count == 1 { "" } else { "s" };
    format!("{count} degree{plural} of freedom")
}

/// What two takes were recorded from, as far as both say the same.
fn common(one: &str, other: &str) -> String {
    let parts = one.split(", ").zip(other.split(", "));
    let same = parts.take_while(|(a, b)| a == b).map(|(a, _)| a);
    same.collect::<Vec<_>>().join(", ")
}

/// A calibration of a jig in words; ± is k = 2.
pub fn described(jig: &Jig) -> String {
    let mut text = format!(
        "reference {:.4} ± {:.4} Ω, leads {:.4} ± {:.4} Ω, gain ratio {:.5} ± {:.5}",
        jig.reference_ohm,
        2.0 * jig.reference_sd_ohm,
        jig.lead_ohm,
        2.0 * jig.lead_sd_ohm,
        jig.gain_ratio,
        2.0 * jig.gain_ratio_sd
    );
    match jig.resistors {
        Some(1) => text += ", by 1 known resistor",
        Some(n) => text += &format!(", by {n} known resistors"),
        None => {}
    }
    if let (Some(n @ 3..), Some(chi_squared)) = (jig.resistors, jig.chi_squared) {
        text += &format!(
            ", chi-squared {chi_squared:.1} with {}",
            degrees(n as usize - 2)
        );
    }
    text
}

/// Refuses to put a worse calibration in the place of one that still holds for this jig.
fn keep_better(path: &Path, new: &Jig, old: &Jig) -> Result<(), Failure> {
    let now = jiff::Timestamp::now();
    let holds = old
        .stamp
        .age_days(now)
        .is_some_and(|days| days <= old.stamp.valid_days);
    let another = matches!((&new.stamp.serial, &old.stamp.serial), (Some(a), Some(b)) if a != b);
    let why = worse(new, old);
    if why.is_empty() || !holds || another {
        return Ok(());
    }
    Err(Failure::input(format!(
        "{}: holds a better calibration of the jig, and nothing was written (± is k = 2).\nThere, of {}: {}.\nThis one: {}.\nIt has {}.\nExpected takes as good as those, or --replace-better to put this one in its place",
        path.display(),
        old.stamp.taken,
        described(old),
        described(new),
        why.join(", and ")
    )))
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
    let name = source::name(&args.station, old.as_ref(), &args.stamped)?;
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
            let pair = pair::read(file, channels, &sweep, card.as_ref())?;
            source::same_bench(&args.station, old.as_ref(), file, pair.device.as_deref())?;
            let found = equal_gain(&pair)?;
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
                return Err(Failure::input(format!(
                    "{}: has no loop-back of channels {} and {}, so that the gains of the two inputs are not known; expected --equal-gain FILE (both inputs on one point), or first `bassay station loopback`",
                    args.station.display(),
                    channels.first,
                    channels.second
                )));
            };
            (l.gain_ratio, l.gain_ratio_sd, "loop-back")
        }
    };
    let mut members: Vec<Member> = Vec::new();
    let mut seen: Vec<(String, PathBuf)> = Vec::new();
    let mut device: Option<String> = None;
    for one in &args.resistor {
        out.remark(format!("reading {}", one.file.display()));
        let pair = pair::read(&one.file, channels, &sweep, card.as_ref())?;
        source::same_bench(
            &args.station,
            old.as_ref(),
            &one.file,
            pair.device.as_deref(),
        )?;
        if let Some((_, other)) = seen.iter().find(|(digest, _)| *digest == pair.digest) {
            return Err(Failure::input(format!(
                "{}: is the same recording as {}; expected a take of its own for each known resistor",
                one.file.display(),
                other.display()
            )));
        }
        seen.push((pair.digest.clone(), one.file.clone()));
        if !members.is_empty()
            && is_virtual(pair.device.as_deref()) != is_virtual(device.as_deref())
        {
            return Err(Failure::input(format!(
                "{}: takes of the virtual bench and of a real one are mixed; expected all --resistor of one bench",
                one.file.display()
            )));
        }
        device = match (device, pair.device.as_deref()) {
            (Some(before), Some(here)) => Some(common(&before, here)),
            (before, here) => before.or(here.map(str::to_string)),
        };
        members.push(member(&pair, one.ohm, args.resistor_sd * one.ohm, gain)?);
    }
    let leads = Leads {
        ohm: args.lead_ohm,
        sd_ohm: args.lead_sd_ohm,
    };
    let solved = solve(&members, gain, gain_sd, leads)?;
    let jig = Jig {
        stamp: args.stamped.stamp(device.as_deref()),
        reference_ohm: solved.reference_ohm,
        reference_sd_ohm: solved.reference_sd_ohm,
        reference_power_w: None,
        lead_ohm: solved.lead_ohm,
        lead_sd_ohm: solved.lead_sd_ohm,
        gain_ratio: gain,
        gain_ratio_sd: gain_sd,
        resistors: u32::try_from(members.len()).ok(),
        chi_squared: Some(solved.chi_squared),
        how: Some(format!("{} known resistors, gain by {of}", members.len())),
    };
    if let Some(before) = old.as_ref().and_then(|s| s.jig.as_ref())
        && !args.replace_better
    {
        keep_better(&args.station, &jig, before)?;
    }
    let station = source::save(&args.station, &name, &Section::Jig(jig.clone()))?;
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
        device,
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
    out.line(paragraph(
        &format!(
            "{}; the gain by the {of} (± is k = 2, 95 %)",
            described(&jig)
        ),
        0,
    ));
    for m in &document.members {
        out.line(format!(
            "  {:>9} Ω  rest {:+.4} Ω  {}",
            m.resistor_ohm, m.residual_ohm, m.file
        ));
    }
    if let Some(before) = old.as_ref().and_then(|s| s.jig.as_ref()) {
        let taken = &before.stamp.taken;
        out.line(paragraph(
            &format!("replaces that of {taken}: {}", described(before)),
            0,
        ));
    }
    if solved.freedom == 0 {
        out.line("nothing checks this set: with one resistor more a wrong one would be noticed");
    }
    out.line(format!("written to {}", args.station.display()));
    source::remind(&station, out);
    Ok(Exit::Done)
}
