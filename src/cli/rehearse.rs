//! `bassay rehearse`: a virtual unit, recorded as a real one would be.

use super::Exit;
use super::failure::Failure;
use super::output::Output;
use crate::design::captures::SweepPlan;
use crate::rehearse::settings::{self, Setting};
use crate::rehearse::write::{Bits, Label, write_set};
use crate::rehearse::{Recording, Wanted, simulate};
use serde::Serialize;
use std::path::PathBuf;

/// A virtual unit: time-domain captures of a design with chosen faults
#[derive(Debug, clap::Args)]
#[command(allow_negative_numbers = true)]
pub struct RehearseArgs {
    /// The design file
    design: PathBuf,
    /// Folder for the WAV files, captures.toml and truth.json
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Serial number of the unit
    #[arg(long, value_name = "NAME", default_value = "rehearsed")]
    unit: String,
    #[arg(long, value_name = "PATH=VALUE", help = format!("Change the unit: {}", settings::HELP))]
    set: Vec<String>,
    /// Seed of noise and drawn tolerances
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Draw every parameter of [tolerance] at random
    #[arg(long)]
    tolerances: bool,
    /// Room noise within 5 to 500 Hz, dB re 20 µPa
    #[arg(
        long,
        value_name = "DB",
        default_value_t = 35.0,
        allow_negative_numbers = true
    )]
    noise_db_spl: f64,
    /// No noise at all, neither of the room nor of the recorder
    #[arg(long, conflicts_with = "noise_db_spl")]
    no_noise: bool,
    /// Mains hum at the microphones, dB re 20 µPa at 50 Hz
    #[arg(long, value_name = "DB", allow_negative_numbers = true)]
    hum_db: Option<f64>,
    /// Recorder's clock against the player's, ppm; positive where the recorder is fast
    #[arg(
        long,
        value_name = "PPM",
        default_value_t = 0.0,
        allow_negative_numbers = true
    )]
    drift_ppm: f64,
    /// Drive the microphone channels this far beyond full scale, dB
    #[arg(long, value_name = "DB")]
    clip_db: Option<f64>,
    /// A door slams during each take of a microphone outside the cabinet
    #[arg(long)]
    slam: bool,
    /// Strength of the driver's Bl(x) and Cms(x) nonlinearity (1: a usual driver)
    #[arg(long, value_name = "X", default_value_t = 0.0)]
    nonlinear: f64,
    /// Constant offset of every channel, full scale = 1
    #[arg(
        long,
        value_name = "X",
        default_value_t = 0.0,
        allow_negative_numbers = true
    )]
    offset: f64,
    /// Pressure captures without the loop-back of the amplifier's voltage
    #[arg(long)]
    no_reference: bool,
    /// Record only this: impedance or a probe's name; may be given more than once
    #[arg(long, value_name = "LABEL")]
    capture: Vec<String>,
    /// Air temperature during the captures, °C (the design's if left out)
    #[arg(long, value_name = "C", allow_negative_numbers = true)]
    temperature_c: Option<f64>,
    /// Static pressure during the captures, kPa
    #[arg(long, value_name = "KPA")]
    pressure_kpa: Option<f64>,
    /// Relative humidity during the captures, percent
    #[arg(long, value_name = "PCT")]
    humidity_pct: Option<f64>,
    /// RMS voltage of the sweep at the amplifier, V (the design's if left out)
    #[arg(long, value_name = "V")]
    voltage_v: Option<f64>,
    /// Reference resistor of the impedance jig, Ω
    #[arg(long, value_name = "OHM", default_value_t = 10.0)]
    reference_ohm: f64,
    /// Time written into captures.toml, RFC 3339
    #[arg(long, value_name = "TIME", default_value = "2026-01-01T00:00:00Z")]
    taken: String,
    /// Sample format of the WAV files
    #[arg(long, value_parser = ["16", "24", "32", "float"], default_value = "24")]
    bits: String,
    #[command(flatten)]
    sweep: SweepArgs,
}

/// The sweep.
#[derive(Debug, clap::Args)]
struct SweepArgs {
    /// Start frequency, Hz
    #[arg(long, default_value_t = 5.0)]
    start_hz: f64,
    /// Stop frequency, Hz
    #[arg(long, default_value_t = 500.0)]
    stop_hz: f64,
    /// Duration, s
    #[arg(long, default_value_t = 8.0)]
    duration_s: f64,
    /// Sample rate, Hz
    #[arg(long, default_value_t = 48_000)]
    sample_rate_hz: u32,
    /// Peak level of the loop-back channel, dB re full scale
    #[arg(long, default_value_t = -6.0, allow_negative_numbers = true)]
    level_dbfs: f64,
    /// Fade at the start, s
    #[arg(long, default_value_t = 0.1)]
    fade_in_s: f64,
    /// Fade at the end, s
    #[arg(long, default_value_t = 0.02)]
    fade_out_s: f64,
    /// Silence ahead, s
    #[arg(long, default_value_t = 0.5)]
    silence_before_s: f64,
    /// Silence behind, s
    #[arg(long, default_value_t = 2.0)]
    silence_after_s: f64,
    /// The plain logarithmic sweep instead of the phase-synchronous one
    #[arg(long)]
    not_synchronized: bool,
}

impl SweepArgs {
    fn plan(&self) -> SweepPlan {
        SweepPlan {
            start_hz: self.start_hz,
            stop_hz: self.stop_hz,
            duration_s: self.duration_s,
            sample_rate_hz: self.sample_rate_hz,
            level_dbfs: self.level_dbfs,
            fade_in_s: self.fade_in_s,
            fade_out_s: self.fade_out_s,
            silence_before_s: self.silence_before_s,
            silence_after_s: self.silence_after_s,
            synchronized: !self.not_synchronized,
        }
    }
}

#[derive(Serialize)]
struct Summary<'a> {
    format: &'static str,
    unit: &'a str,
    folder: String,
    files: Vec<String>,
    differences: &'a [settings::Difference],
    seconds: f64,
}

/// Runs `bassay rehearse`.
///
/// # Errors
/// Bad input (2) or a folder that cannot be written (4).
pub fn run(args: &RehearseArgs, out: &Output) -> Result<Exit, Failure> {
    check(args)?;
    let settings = args
        .set
        .iter()
        .map(|text| text.parse::<Setting>())
        .collect::<Result<Vec<_>, _>>()
        .map_err(Failure::input)?;
    let mut design = crate::design::read::read(&args.design).map_err(Failure::input)?;
    design.air.temperature_c = args.temperature_c.unwrap_or(design.air.temperature_c);
    design.air.pressure_kpa = args.pressure_kpa.unwrap_or(design.air.pressure_kpa);
    design.air.humidity_pct = args.humidity_pct.unwrap_or(design.air.humidity_pct);
    let seed = args.tolerances.then_some(args.seed);
    let built = settings::build(&design, &settings, seed).map_err(Failure::input)?;
    let plan = recording(args, &built);
    for difference in &built.differences {
        out.remark(difference);
    }
    let started = std::time::Instant::now();
    out.remark(format!("simulating {} captures", plan.captures.len()));
    let rehearsed = simulate(&built.design, &plan).map_err(Failure::input)?;
    let seconds = started.elapsed().as_secs_f64();
    let label = Label {
        unit: &args.unit,
        design: &args.design,
        taken: &args.taken,
        air: design.air,
        bits: match args.bits.as_str() {
            "16" => Bits::Sixteen,
            "32" => Bits::ThirtyTwo,
            "float" => Bits::Float,
            _ => Bits::TwentyFour,
        },
        seed: args.seed,
        differences: &built.differences,
    };
    let files = write_set(&args.out, &rehearsed, &label)?;
    out.remark(format!("simulated in {seconds:.1} s"));
    out.line(format!(
        "unit {}: {} files in {}",
        args.unit,
        files.len(),
        args.out.display()
    ));
    if out.json {
        out.document(&Summary {
            format: "bassay-rehearsal/1",
            unit: &args.unit,
            folder: args.out.display().to_string(),
            files,
            differences: &built.differences,
            seconds,
        })?;
    }
    Ok(Exit::Done)
}

fn recording(args: &RehearseArgs, built: &settings::AsBuilt) -> Recording {
    let mut plan = Recording {
        sweep: args.sweep.plan(),
        voltage_v: args.voltage_v,
        reference_ohm: args.reference_ohm,
        seed: args.seed,
        noise_db_spl: (!args.no_noise).then_some(args.noise_db_spl),
        hum_db_spl: args.hum_db,
        drift_ppm: args.drift_ppm,
        clip_db: args.clip_db,
        slam: args.slam,
        nonlinear: args.nonlinear,
        reference: !args.no_reference,
        offset: args.offset,
        probe_gain: built.probe_gain.clone(),
        ..Recording::of(&built.design)
    };
    if !args.capture.is_empty() {
        plan.captures = args
            .capture
            .iter()
            .map(|label| match label.as_str() {
                "impedance" => Wanted::Impedance,
                name => Wanted::Pressure(name.to_string()),
            })
            .collect();
    }
    plan
}

fn check(args: &RehearseArgs) -> Result<(), Failure> {
    let ranges = [
        ("--noise-db-spl", Some(args.noise_db_spl), -60.0, 120.0),
        ("--hum-db", args.hum_db, -60.0, 140.0),
        ("--drift-ppm", Some(args.drift_ppm), -5_000.0, 5_000.0),
        ("--clip-db", args.clip_db, 0.0, 60.0),
        ("--nonlinear", Some(args.nonlinear), 0.0, 5.0),
        ("--offset", Some(args.offset), -0.5, 0.5),
        ("--temperature-c", args.temperature_c, -20.0, 50.0),
        ("--pressure-kpa", args.pressure_kpa, 50.0, 110.0),
        ("--humidity-pct", args.humidity_pct, 0.0, 100.0),
        ("--voltage-v", args.voltage_v, 1e-3, 1_000.0),
        ("--reference-ohm", Some(args.reference_ohm), 1e-3, 1e6),
    ];
    for (name, value, low, high) in ranges {
        if let Some(value) = value
            && !(low..=high).contains(&value)
        {
            return Err(Failure::input(format!(
                "{name} is {value}; expected {low} to {high}"
            )));
        }
    }
    if args.taken.parse::<jiff::Timestamp>().is_err() {
        return Err(Failure::input(format!(
            "--taken is '{}'; expected a time such as 2026-03-14T10:20:00Z",
            args.taken.chars().take(40).collect::<String>()
        )));
    }
    if args.unit.trim().is_empty() || args.unit.chars().any(char::is_control) {
        return Err(Failure::input(
            "--unit is empty or holds control characters; expected a serial number",
        ));
    }
    Ok(())
}
