//! The options of `bassay record`.

use crate::cli::failure::Failure;
use crate::rehearse::live::Wired;
use crate::rehearse::settings;
use std::path::{Path, PathBuf};

/// Live capture through the sound card, or through a virtual one
#[derive(Debug, clap::Args)]
#[command(allow_negative_numbers = true)]
pub struct Args {
    /// The unit's captures file: made if it is not there, gone on with if it is
    #[arg(long, value_name = "CAPTURES", required_unless_present = "out")]
    pub set: Option<PathBuf>,
    /// The design, for a captures file that is not there yet
    #[arg(long, value_name = "DESIGN")]
    pub design: Option<PathBuf>,
    /// Serial number of the unit, for a captures file that is not there yet
    #[arg(long, value_name = "NAME")]
    pub unit: Option<String>,
    /// Only this capture: impedance or a probe's name; may be given more than once
    #[arg(long, value_name = "LABEL")]
    pub capture: Vec<String>,
    /// One WAV of the sweep and the chosen input channels, without a design
    #[arg(long, value_name = "FILE", conflicts_with_all = ["set", "design", "unit", "capture"])]
    pub out: Option<PathBuf>,
    /// Takes of each capture; they are averaged
    #[arg(long, value_name = "N", default_value_t = 1, conflicts_with = "out", value_parser = clap::value_parser!(u32).range(1..=20))]
    pub takes: u32,
    /// The station file: devices, channels, calibrations
    #[arg(long, value_name = "STATION")]
    pub station: Option<PathBuf>,
    /// Devices and channels.
    #[command(flatten)]
    pub bench: Bench,
    /// How loud.
    #[command(flatten)]
    pub level: Level,
    /// The sweep.
    #[command(flatten)]
    pub sweep: Sweep,
    /// The air, for a captures file that is not there yet.
    #[command(flatten)]
    pub air: Air,
    /// A virtual unit.
    #[command(flatten)]
    pub unreal: Virtual,
    /// A known thing on the virtual bench.
    #[command(flatten)]
    pub known: Known,
}

/// A known thing on the virtual bench instead of the unit, to calibrate a station with; one of them.
#[derive(Debug, Clone, Default, clap::Args)]
#[command(next_help_heading = "Virtual bench")]
#[group(multiple = false)]
pub struct Known {
    /// With --out: a known resistor in the jig in the loudspeaker's place; 0 is a short
    #[arg(long, value_name = "OHM", requires = "virtual_design", conflicts_with = "set", value_parser = resistor)]
    pub in_jig: Option<f64>,
    /// With --out: both inputs on one point, the amplifier's voltage
    #[arg(long, requires = "virtual_design", conflicts_with = "set")]
    pub both_inputs: bool,
    /// With --out: the microphone in a level calibrator of 1 kHz, at this level
    #[arg(long, value_name = "DB", requires = "virtual_design", conflicts_with = "set", value_parser = calibrator)]
    pub calibrator_db: Option<f64>,
}

/// A number within a range, with the message of one that is not.
fn within(text: &str, [least, most]: [f64; 2], unit: &str) -> Result<f64, String> {
    text.parse()
        .ok()
        .filter(|v| (least..=most).contains(v))
        .ok_or_else(|| format!("found «{text}»; expected {least} to {most} {unit}"))
}

fn resistor(text: &str) -> Result<f64, String> {
    within(text, [0.0, 1e6], "Ω")
}

/// The virtual microphone's input is full at 132 dB peak.
fn calibrator(text: &str) -> Result<f64, String> {
    within(text, [60.0, 124.0], "dB re 20 µPa")
}

impl Known {
    /// What stands on the inputs, and how it is called; `None`: the unit.
    pub(super) fn wired(&self) -> Option<(Wired, String)> {
        if let Some(ohm) = self.in_jig {
            return Some((Wired::Resistor(ohm), format!("{ohm} Ω in the jig")));
        }
        if self.both_inputs {
            return Some((Wired::BothInputs, "both inputs on one point".to_string()));
        }
        let db = self.calibrator_db?;
        Some((Wired::Calibrator(db), format!("a calibrator of {db} dB")))
    }
}

/// Devices and channels; each replaces what the station file says.
#[derive(Debug, Clone, clap::Args)]
#[command(next_help_heading = "Bench")]
pub struct Bench {
    /// Input device: a part of its name that no other has
    #[arg(long, value_name = "NAME")]
    pub input: Option<String>,
    /// Output device
    #[arg(long, value_name = "NAME")]
    pub output: Option<String>,
    /// Sample rate; the device must have it
    #[arg(long, value_name = "HZ")]
    pub sample_rate_hz: Option<u32>,
    /// Input channels opened
    #[arg(long, value_name = "N")]
    pub inputs: Option<usize>,
    /// Output channels opened
    #[arg(long, value_name = "N")]
    pub outputs: Option<usize>,
    /// Channel that plays
    #[arg(long, value_name = "N")]
    pub output_channel: Option<usize>,
    /// Input with the loop-back of the amplifier's voltage
    #[arg(long, value_name = "N")]
    pub reference_channel: Option<usize>,
    /// Input with the microphone
    #[arg(long, value_name = "N")]
    pub microphone_channel: Option<usize>,
    /// Input ahead of the jig's reference resistor
    #[arg(long, value_name = "N")]
    pub source_channel: Option<usize>,
    /// Input across the loudspeaker
    #[arg(long, value_name = "N")]
    pub load_channel: Option<usize>,
    /// Reference resistor of the jig, Ω
    #[arg(long, value_name = "OHM")]
    pub reference_ohm: Option<f64>,
    /// Volts at the amplifier for 1.0 on the reference channel
    #[arg(long, value_name = "V")]
    pub reference_v_per_unit: Option<f64>,
    /// Peak volts at the amplifier for a full-scale output
    #[arg(long, value_name = "V")]
    pub output_v_per_unit: Option<f64>,
}

/// How loud.
#[derive(Debug, Clone, clap::Args)]
#[command(next_help_heading = "Level")]
pub struct Level {
    /// RMS voltage at the amplifier that the level must not exceed [default: the design's]
    #[arg(long, value_name = "V")]
    pub voltage_v: Option<f64>,
    /// Play at this peak level instead of looking for it
    #[arg(long, value_name = "DBFS", allow_negative_numbers = true)]
    pub level_dbfs: Option<f64>,
    /// Wanted signal over noise, dB
    #[arg(long, value_name = "DB", default_value_t = 45.0)]
    pub snr_db: f64,
    /// Go beyond this limit, by its name; may be given more than once
    #[arg(long, value_name = "LIMIT")]
    pub allow: Vec<String>,
    /// The cautions are read: do not ask
    #[arg(long)]
    pub yes: bool,
}

/// The sweep, for a captures file that is not there yet.
#[derive(Debug, Clone, clap::Args)]
#[command(next_help_heading = "Sweep")]
pub struct Sweep {
    /// Start frequency
    #[arg(long, value_name = "HZ", default_value_t = 5.0)]
    pub start_hz: f64,
    /// Stop frequency
    #[arg(long, value_name = "HZ", default_value_t = 500.0)]
    pub stop_hz: f64,
    /// Duration [default: 8; 3 for an inspection]
    #[arg(long, value_name = "S")]
    pub duration_s: Option<f64>,
}

/// The air, for a captures file that is not there yet.
#[derive(Debug, Clone, Default, clap::Args)]
#[command(next_help_heading = "Air")]
pub struct Air {
    /// Air temperature in the hall, °C; written into the captures file
    #[arg(long, value_name = "C", allow_negative_numbers = true, value_parser = temperature)]
    pub temperature_c: Option<f64>,
    /// Static pressure, kPa
    #[arg(long, value_name = "KPA", value_parser = pressure)]
    pub pressure_kpa: Option<f64>,
    /// Relative humidity, percent
    #[arg(long, value_name = "PCT", value_parser = humidity)]
    pub humidity_pct: Option<f64>,
}

fn temperature(text: &str) -> Result<f64, String> {
    within(text, [-50.0, 80.0], "°C")
}

fn pressure(text: &str) -> Result<f64, String> {
    within(text, [30.0, 120.0], "kPa")
}

fn humidity(text: &str) -> Result<f64, String> {
    within(text, [0.0, 100.0], "%")
}

impl Air {
    /// Keys of a captures file and what was given for each.
    #[must_use]
    pub fn given(&self) -> [(&'static str, Option<f64>); 3] {
        [
            ("temperature_c", self.temperature_c),
            ("pressure_kpa", self.pressure_kpa),
            ("humidity_pct", self.humidity_pct),
        ]
    }

    /// The options again, each with a space ahead.
    pub(super) fn again(&self) -> String {
        let said = self.given().into_iter().filter_map(|(key, value)| {
            let option = key.replace('_', "-");
            value.map(|v| format!(" --{option} {v}"))
        });
        said.collect()
    }

    /// A captures file that is there states its own air.
    ///
    /// # Errors
    /// [`Failure`] where an option says something else, with the line to write instead.
    pub fn agrees(&self, file: &Path, stated: [Option<f64>; 3]) -> Result<(), Failure> {
        for ((key, given), stated) in self.given().into_iter().zip(stated) {
            let Some(given) = given.filter(|_| given != stated) else {
                continue;
            };
            return Err(Failure::input(format!(
                "--{}: {} is there already and {}; write {key} = {given} into it instead",
                key.replace('_', "-"),
                file.display(),
                stated.map_or_else(
                    || format!("does not state {key}"),
                    |v| format!("says {key} = {v}")
                )
            )));
        }
        Ok(())
    }
}

/// A word as a shell takes it.
pub(super) fn quoted(text: &str) -> String {
    let plain = |c: char| c.is_alphanumeric() || "/._-=+:,@%".contains(c);
    if text.chars().all(plain) {
        text.to_string()
    } else {
        format!("'{}'", text.replace('\'', "'\\''"))
    }
}

impl Virtual {
    /// The options that bring the same virtual unit to the bench again, each with a space ahead; empty without one.
    pub(super) fn again(&self) -> String {
        let Some(design) = &self.virtual_design else {
            return String::new();
        };
        let mut text = format!(" --virtual {}", quoted(&design.to_string_lossy()));
        for fault in &self.fault {
            text += &format!(" --fault {}", quoted(fault));
        }
        if let Some(seed) = self.seed {
            text += &format!(" --seed {seed}");
        }
        if let Some(level) = self.noise_db_spl {
            text += &format!(" --noise-db-spl {level}");
        }
        if self.pace != 1.0 {
            text += &format!(" --pace {}", self.pace);
        }
        text
    }

    /// Which unit it is, for the captures file: a digest of the design's file, and what was changed.
    pub(super) fn unit(&self, design: &[u8]) -> String {
        let digest = blake3::hash(design).to_hex();
        let mut text = format!("design {}", &digest[..8]);
        for fault in &self.fault {
            text += &format!(", {fault}");
        }
        if let Some(seed) = self.seed {
            text += &format!(", seed {seed}");
        }
        text
    }
}

/// A virtual unit instead of a sound card.
#[derive(Debug, Clone, clap::Args)]
#[command(next_help_heading = "Virtual bench")]
pub struct Virtual {
    /// Record this design as a virtual unit instead of a sound card's inputs
    #[arg(long = "virtual", value_name = "DESIGN")]
    pub virtual_design: Option<PathBuf>,
    /// Changes of the virtual unit.
    #[arg(long, value_name = "PATH=VALUE", requires = "virtual_design", help = format!("Change the virtual unit: {}", settings::HELP))]
    pub fault: Vec<String>,
    /// Draw the virtual unit's tolerances and noise with this seed
    #[arg(long, value_name = "N", requires = "virtual_design")]
    pub seed: Option<u64>,
    /// This many times as fast as real time
    #[arg(
        long,
        value_name = "X",
        default_value_t = 1.0,
        requires = "virtual_design"
    )]
    pub pace: f64,
    /// Noise at the virtual microphone, dB re 20 µPa
    #[arg(
        long,
        value_name = "DB",
        requires = "virtual_design",
        allow_negative_numbers = true
    )]
    pub noise_db_spl: Option<f64>,
}
