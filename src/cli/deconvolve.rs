//! `bassay deconvolve CAPTURES`: responses, impulse responses, harmonics, noise floor.

use super::failure::Failure;
use super::ledger::place::paragraph;
use super::output::Output;
use super::{Exit, load};
use crate::files::write_whole;
use crate::measure::take::clock_time;
use crate::measure::{Response, Take, TakeWarning};
use crate::report::csv::{Column, table};
use crate::report::number::fixed;
use crate::report::text::folded;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// Responses, impulse responses, harmonics and noise floor of each capture
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The captures of one unit (captures.toml)
    pub captures: PathBuf,
    /// Folder for the CSV files
    #[arg(long)]
    pub out: Option<PathBuf>,
}

#[derive(Serialize)]
struct Document<'a> {
    format: &'static str,
    unit: &'a str,
    captures: Vec<Entry<'a>>,
}

#[derive(Serialize)]
struct Entry<'a> {
    observation: &'a str,
    take: &'a Take,
    frequency_hz: &'a [f64],
    re: Vec<f64>,
    im: Vec<f64>,
    noise_rms: &'a [f64],
    harmonics: &'a [crate::measure::Harmonic],
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for a capture that cannot be used or a file that cannot be written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let (_, set) = load::design_and_captures(&args.captures)?;
    let responses = load::responses(&set, out)?;
    if let Some(folder) = &args.out {
        for (n, r) in responses.iter().enumerate() {
            write(folder, n + 1, r)?;
        }
    }
    if out.json {
        let captures = responses
            .iter()
            .map(|r| Entry {
                observation: r.observation.label(),
                take: &r.take,
                frequency_hz: &r.frequency_hz,
                re: r.value.iter().map(|v| v.re).collect(),
                im: r.value.iter().map(|v| v.im).collect(),
                noise_rms: &r.noise_rms,
                harmonics: &r.harmonics,
            })
            .collect();
        let document = Document {
            format: "bassay-responses/1",
            unit: &set.unit,
            captures,
        };
        return out.document(&document).map(|()| Exit::Done);
    }
    out.line(format!("unit {}\n", set.unit));
    out.line(format!(
        "{:<18}{:>9}{:>19}{:>12}{:>10}{:>10}",
        "", "SNR dB", "usable Hz", "drift ppm", "polarity", "clipped"
    ));
    for r in &responses {
        let t = &r.take;
        let name: String = r.observation.label().chars().take(17).collect();
        // Lost samples look like a clock.
        let jumps = |w: &TakeWarning| matches!(w, TakeWarning::LostSamples { .. });
        let drift = match t.drift_sd_ppm {
            Some(_) if !t.warnings.iter().any(jumps) => fixed(t.drift_ppm, 1),
            _ => "unknown".to_string(),
        };
        out.line(format!(
            "{name:<18}{:>9.1}{:>19}{drift:>12}{:>10}{:>10}",
            t.snr_db,
            format!("{:.1} to {:.0}", t.usable_hz[0], t.usable_hz[1]),
            if t.polarity < 0 { "inverted" } else { "as is" },
            if t.clipped { "yes" } else { "no" }
        ));
    }
    for r in &responses {
        for repeat in &r.take.repeats {
            out.line(format!(
                "  {}: {} at {}{}",
                r.observation.label(),
                repeat.file,
                clock_time(repeat.start_s),
                if repeat.used { "" } else { ", left out" }
            ));
        }
    }
    for r in &responses {
        if let Some(silence) = r.take.silence.filter(|s| s.left_out_s > 0.0) {
            out.line(paragraph(
                &format!(
                    "{}: the noise was read from {} to {} of {}; {:.1} s of that silence hold more than noise and were left out",
                    r.observation.label(),
                    clock_time(silence.from_s),
                    clock_time(silence.to_s),
                    r.take.file,
                    silence.left_out_s
                ),
                2,
            ));
        }
    }
    for warning in load::doubts(&set, &responses) {
        let text = folded(&warning, 2);
        out.line(format!("! {}", text.trim_start()));
    }
    if let Some(folder) = &args.out {
        out.line(format!("\nCSV files: {}", folder.display()));
    }
    Ok(Exit::Done)
}

fn write(folder: &Path, number: usize, r: &Response) -> Result<(), Failure> {
    let stem = format!("{number}-{}", r.observation.label());
    let list = |pick: &dyn Fn(usize) -> f64| (0..r.value.len()).map(pick).collect::<Vec<f64>>();
    let (re, im) = (list(&|i| r.value[i].re), list(&|i| r.value[i].im));
    let (size, angle) = (
        list(&|i| r.value[i].norm()),
        list(&|i| r.value[i].arg().to_degrees()),
    );
    let text = table(
        &[
            "frequency_hz",
            "re",
            "im",
            "magnitude",
            "phase_deg",
            "noise_rms",
        ],
        &[
            Column::Numbers(&r.frequency_hz),
            Column::Numbers(&re),
            Column::Numbers(&im),
            Column::Numbers(&size),
            Column::Numbers(&angle),
            Column::Numbers(&r.noise_rms),
        ],
    );
    write_whole(
        &folder.join(format!("{stem}-response.csv")),
        text.as_bytes(),
    )?;
    if !r.impulse.sample.is_empty() {
        let zero = r.impulse.zero as f64;
        let time: Vec<f64> = (0..r.impulse.sample.len())
            .map(|n| (n as f64 - zero) / r.impulse.rate_hz)
            .collect();
        let text = table(
            &["time_s", "value"],
            &[Column::Numbers(&time), Column::Numbers(&r.impulse.sample)],
        );
        write_whole(&folder.join(format!("{stem}-impulse.csv")), text.as_bytes())?;
    }
    for h in &r.harmonics {
        let text = table(
            &["frequency_hz", "level_db", "floor_db"],
            &[
                Column::Numbers(&h.frequency_hz),
                Column::Numbers(&h.level_db),
                Column::Numbers(&h.floor_db),
            ],
        );
        write_whole(
            &folder.join(format!("{stem}-harmonic-{}.csv", h.order)),
            text.as_bytes(),
        )?;
    }
    Ok(())
}
