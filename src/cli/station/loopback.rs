//! `bassay station loopback STATION WAV`: both inputs on one point.

use super::source::{self, Stamped};
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::ledger::place::paragraph;
use crate::cli::output::Output;
use crate::cli::record;
use crate::design::station::{Card, Loopback};
use crate::design::station_write::Section;
use crate::files::{read_whole, replaceable, write_whole};
use crate::measure::calibration::loopback::equal_gain;
use crate::measure::calibration::pair::{self, Channels};
use crate::report::csv::{Column, table};
use serde::Serialize;
use std::path::{Path, PathBuf};

/// Gain of one input over the other, from a sweep with both on one point
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The station file; it is made if it is not there (with --name)
    station: PathBuf,
    /// The take: both inputs on one point, as `bassay record --out` makes it
    wav: PathBuf,
    /// File for the ratio against frequency [default: STATION-loopback.csv beside the station file STATION.toml]
    #[arg(long, value_name = "FILE")]
    response: Option<PathBuf>,
    /// Latency as `bassay record --out` told it; given for several takes, mean and spread are noted. Nothing depends on it
    #[arg(long, value_name = "FRAMES", num_args = 1.., value_parser = clap::value_parser!(u32).range(0..=10_000_000))]
    latency_frames: Vec<u32>,
    #[command(flatten)]
    stamped: Stamped,
    #[command(flatten)]
    sweep: record::SweepArgs,
}

#[derive(Serialize)]
struct Document {
    format: &'static str,
    station: String,
    gain_ratio: f64,
    gain_ratio_sd: f64,
    device: Option<String>,
    flatness_db: f64,
    range_hz: [f64; 2],
    snr_db: f64,
    latency_frames: Option<u32>,
    latency_sd_frames: Option<f64>,
    response: String,
    response_digest: String,
}

/// Mean of the latencies, frames, and their standard deviation where there are two or more.
fn latency(frames: &[u32]) -> (Option<u32>, Option<f64>) {
    if frames.is_empty() {
        return (None, None);
    }
    let count = frames.len() as f64;
    let mean = frames.iter().map(|&n| f64::from(n)).sum::<f64>() / count;
    let square = |&n: &u32| (f64::from(n) - mean).powi(2);
    let sd = (frames.iter().map(square).sum::<f64>() / (count - 1.0)).sqrt();
    (Some(mean.round() as u32), (frames.len() > 1).then_some(sd))
}

/// `bench-2-loopback.csv` beside `bench-2.toml`: two stations of one folder have one each.
fn beside(station: &Path) -> PathBuf {
    let stem = station.file_stem().unwrap_or_default().to_string_lossy();
    station.with_file_name(format!("{stem}-loopback.csv"))
}

/// Runs the action.
///
/// # Errors
/// [`Failure`] for a take that cannot be used; then nothing is written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    // A table that is no longer the one of its calibration must not stand in the way of a new one.
    let old = source::existing_without_table(&args.station)?;
    let name = source::name(&args.station, old.as_ref(), &args.stamped)?;
    let card = old.as_ref().map_or_else(Card::default, |s| s.card.clone());
    let channels = Channels {
        first: card.reference_channel,
        second: card.microphone_channel,
    };
    out.remark(format!("reading {}", args.wav.display()));
    let pair = pair::read(&args.wav, channels, &source::sweep(&args.sweep)?, None)?;
    let device = pair.device.as_deref();
    source::same_bench(&args.station, old.as_ref(), &args.wav, device)?;
    let found = equal_gain(&pair)?;
    let response = args
        .response
        .clone()
        .unwrap_or_else(|| beside(&args.station));
    replaceable(&response, "table of a loop-back", &["frequency_hz,"])?;
    let level: Vec<f64> = found
        .relative
        .iter()
        .map(|r| 20.0 * r.norm().log10())
        .collect();
    let phase: Vec<f64> = found
        .relative
        .iter()
        .map(|r| r.arg().to_degrees())
        .collect();
    let text = table(
        &["frequency_hz", "level_db", "phase_deg"],
        &[
            Column::Numbers(&found.frequency_hz),
            Column::Numbers(&level),
            Column::Numbers(&phase),
        ],
    );
    let digest = blake3::hash(text.as_bytes()).to_hex().to_string();
    let before = response
        .exists()
        .then(|| read_whole(&response))
        .transpose()?;
    write_whole(&response, text.as_bytes())?;
    let (latency_frames, latency_sd_frames) = latency(&args.latency_frames);
    let saved = source::save(
        &args.station,
        &name,
        &Section::Loopback(Loopback {
            stamp: args.stamped.stamp(device),
            gain_ratio: found.gain_ratio,
            gain_ratio_sd: found.gain_ratio_sd,
            latency_frames,
            latency_sd_frames,
            response: Some(source::reachable(&response, &args.station)),
            response_digest: Some(digest.clone()),
        }),
    );
    let station = match saved {
        Ok(station) => station,
        Err(failure) => {
            // Table and station file change together or not at all.
            match before {
                Some(bytes) => write_whole(&response, &bytes)?,
                None => {
                    let _ = std::fs::remove_file(&response);
                }
            }
            return Err(failure);
        }
    };
    let document = Document {
        format: "bassay-loopback/1",
        station: station.name.clone(),
        gain_ratio: found.gain_ratio,
        gain_ratio_sd: found.gain_ratio_sd,
        device: pair.device.clone(),
        flatness_db: found.flatness_db,
        range_hz: pair.range_hz(),
        snr_db: pair.snr_db,
        latency_frames,
        latency_sd_frames,
        response: response.display().to_string(),
        response_digest: digest,
    };
    if out.json {
        return out.document(&document).map(|()| Exit::Done);
    }
    out.line(paragraph(
        &format!(
            "gain ratio {:.5} ± {:.5} (k = 2, 95 %), input {} over input {}, within {:.3} dB from {:.1} to {:.0} Hz; written to {} and {}",
            found.gain_ratio,
            2.0 * found.gain_ratio_sd,
            channels.second,
            channels.first,
            found.flatness_db,
            document.range_hz[0],
            document.range_hz[1],
            args.station.display(),
            document.response
        ),
        0,
    ));
    source::remind(&station, out);
    Ok(Exit::Done)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// DERIVED: 1200, 1210 and 1223 have the mean 1211 and the standard deviation √(266/2) = 11.53.
    #[test]
    fn latencies_of_several_takes_have_a_spread() {
        assert_eq!(latency(&[]), (None, None));
        assert_eq!(latency(&[1210]), (Some(1210), None));
        let (mean, sd) = latency(&[1200, 1210, 1223]);
        assert_eq!(mean, Some(1211));
        assert!((sd.unwrap() - 133f64.sqrt()).abs() < 1e-9);
    }
}
