//! `bassay station microphone STATION WAV`: sensitivity by a level calibrator.

use super::source::{self, Stamped};
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::design::station::{Calibrator, Card, Microphone};
use crate::design::station_write::Section;
use crate::measure::calibration::microphone::{read, sensitivity};
use crate::measure::correction::Correction;
use serde::Serialize;
use std::path::PathBuf;

/// Sensitivity of the microphone, from the tone of a level calibrator
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The station file; it is made if it is not there (with --name)
    station: PathBuf,
    /// The take: 3 s or more of the calibrator's tone, gain as for measuring
    wav: PathBuf,
    /// Level of the calibrator, dB re 20 µPa
    #[arg(long, value_name = "DB", default_value_t = 94.0)]
    level_db: f64,
    /// Frequency of the calibrator
    #[arg(long, value_name = "HZ", default_value_t = 1000.0)]
    frequency_hz: f64,
    /// Standard deviation of the calibrator's level, dB (class 1: 0.125)
    #[arg(long, value_name = "DB", default_value_t = 0.125)]
    calibrator_sd_db: f64,
    /// Serial number of the calibrator
    #[arg(long, value_name = "SERIAL")]
    calibrator_serial: Option<String>,
    /// Volts at the microphone input for a full-scale 1.0
    #[arg(long, value_name = "V", default_value_t = 1.0)]
    microphone_v_per_unit: f64,
    /// The microphone's own response (frequency, dB and perhaps degrees)
    #[arg(long, value_name = "FILE")]
    correction: Option<PathBuf>,
    #[command(flatten)]
    stamped: Stamped,
}

#[derive(Serialize)]
struct Document {
    format: &'static str,
    station: String,
    sensitivity_v_per_pa: f64,
    sd_db: f64,
    device: Option<String>,
    frequency_hz: f64,
    spread_db: f64,
    distortion: f64,
    noise: f64,
}

/// Runs the action.
///
/// # Errors
/// [`Failure`] for a take that holds no steady tone of the calibrator; then nothing is written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    for (option, value, least, most) in [
        ("--level-db", args.level_db, 60.0, 140.0),
        ("--frequency-hz", args.frequency_hz, 20.0, 8000.0),
        ("--calibrator-sd-db", args.calibrator_sd_db, 0.0, 3.0),
        (
            "--microphone-v-per-unit",
            args.microphone_v_per_unit,
            1e-6,
            1e6,
        ),
    ] {
        if !(least..=most).contains(&value) {
            return Err(Failure::input(format!(
                "{option}: found {value}; expected {least} to {most}"
            )));
        }
    }
    let old = source::existing(&args.station)?;
    let name = source::name(&args.station, old.as_ref(), &args.stamped)?;
    let card = old.as_ref().map_or_else(Card::default, |s| s.card.clone());
    let correction = args
        .correction
        .as_ref()
        .map(|file| Correction::read(file).map_err(Failure::input))
        .transpose()?;
    out.remark(format!("reading {}", args.wav.display()));
    let tone = read(&args.wav, card.microphone_channel, args.frequency_hz)?;
    let device = tone.device.as_deref();
    source::same_bench(&args.station, old.as_ref(), &args.wav, device)?;
    let found = sensitivity(
        &tone,
        args.level_db,
        args.calibrator_sd_db,
        args.microphone_v_per_unit,
        correction.as_ref(),
    );
    let station = source::save(
        &args.station,
        &name,
        &Section::Microphone(Microphone {
            stamp: args.stamped.stamp(device),
            sensitivity_v_per_pa: found.v_per_pa,
            microphone_v_per_unit: args.microphone_v_per_unit,
            sd_db: found.sd_db,
            max_peak_db: None,
            correction: args
                .correction
                .as_ref()
                .map(|file| source::reachable(file, &args.station)),
            calibrator: Some(Calibrator {
                serial: args.calibrator_serial.clone(),
                level_db: args.level_db,
                frequency_hz: args.frequency_hz,
            }),
        }),
    )?;
    if out.json {
        return out
            .document(&Document {
                format: "bassay-microphone/1",
                station: station.name,
                sensitivity_v_per_pa: found.v_per_pa,
                sd_db: found.sd_db,
                device: tone.device.clone(),
                frequency_hz: tone.frequency_hz,
                spread_db: tone.spread_db,
                distortion: tone.distortion,
                noise: tone.noise,
            })
            .map(|()| Exit::Done);
    }
    out.line(format!(
        "sensitivity {:.4} mV/Pa ± {:.2} dB (k = 2, 95 %)\ntone {:.1} Hz, level steady within {:.3} dB, harmonics {:.2} %, noise {:.2} %\nwritten to {}",
        1e3 * found.v_per_pa,
        2.0 * found.sd_db,
        tone.frequency_hz,
        tone.spread_db,
        100.0 * tone.distortion,
        100.0 * tone.noise,
        args.station.display()
    ));
    source::remind(&station, out);
    Ok(Exit::Done)
}
