//! `bassay sweep --out FILE`: writes the excitation as a WAV, for playback on other equipment.

use super::Exit;
use super::failure::Failure;
use super::output::Output;
use crate::capture::safety::cautions;
use crate::design::captures::SweepPlan;
use crate::files::write_whole;
use crate::signal::sweep::Sweep;
use crate::signal::wav::{Storage, write};
use clap::ValueEnum;
use serde::Serialize;
use std::io::Cursor;
use std::path::PathBuf;

/// Write the excitation as a WAV, for playback on other equipment
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The WAV file
    #[arg(long)]
    pub out: PathBuf,
    /// Start frequency, Hz
    #[arg(long, default_value_t = 5.0)]
    pub start_hz: f64,
    /// Stop frequency, Hz
    #[arg(long, default_value_t = 500.0)]
    pub stop_hz: f64,
    /// Duration, s
    #[arg(long, default_value_t = 8.0)]
    pub duration_s: f64,
    /// Sample rate, Hz
    #[arg(long, default_value_t = 48_000)]
    pub sample_rate_hz: u32,
    /// Peak level, dB re full scale
    #[arg(long, default_value_t = -6.0, allow_negative_numbers = true)]
    pub level_dbfs: f64,
    /// Fade at the start, s
    #[arg(long, default_value_t = 0.1)]
    pub fade_in_s: f64,
    /// Fade at the end, s
    #[arg(long, default_value_t = 0.02)]
    pub fade_out_s: f64,
    /// Silence before, s
    #[arg(long, default_value_t = 0.5)]
    pub silence_before_s: f64,
    /// Silence after, s
    #[arg(long, default_value_t = 2.0)]
    pub silence_after_s: f64,
    /// The plain form instead of the phase-synchronous one
    #[arg(long)]
    pub plain: bool,
    /// Sample format
    #[arg(long, value_enum, default_value_t = Bits::B24)]
    pub bits: Bits,
}

/// Sample formats.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum Bits {
    /// 16-bit integer
    #[value(name = "16")]
    B16,
    /// 24-bit integer
    #[value(name = "24")]
    B24,
    /// 32-bit integer
    #[value(name = "32")]
    B32,
    /// 32-bit float
    Float,
}

#[derive(Serialize)]
struct Document<'a> {
    format: &'static str,
    file: String,
    toml: &'a str,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for an impossible sweep or a file that cannot be written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let plan = SweepPlan {
        start_hz: args.start_hz,
        stop_hz: args.stop_hz,
        duration_s: args.duration_s,
        sample_rate_hz: args.sample_rate_hz,
        level_dbfs: args.level_dbfs,
        fade_in_s: args.fade_in_s,
        fade_out_s: args.fade_out_s,
        silence_before_s: args.silence_before_s,
        silence_after_s: args.silence_after_s,
        synchronized: !args.plain,
    };
    let sweep = Sweep::new(plan).map_err(Failure::option)?;
    let storage = match args.bits {
        Bits::B16 => Storage::Int16,
        Bits::B24 => Storage::Int24,
        Bits::B32 => Storage::Int32,
        Bits::Float => Storage::Float32,
    };
    let mut bytes = Cursor::new(Vec::new());
    write(
        &mut bytes,
        &[&sweep.samples()],
        plan.sample_rate_hz,
        storage,
    )
    .map_err(Failure::system)?;
    let bytes = bytes.into_inner();
    // A take looks like a sweep from outside: whatever is there and is not this sweep stays.
    if std::fs::metadata(&args.out).is_ok()
        && std::fs::read(&args.out).ok().as_ref() != Some(&bytes)
    {
        return Err(Failure::input(format!(
            "--out {}: is there already and holds something else; expected a new name",
            args.out.display()
        )));
    }
    write_whole(&args.out, &bytes)?;
    let toml = format!(
        "[sweep]\nstart_hz = {:?}\nstop_hz = {:?}\nduration_s = {:?}\nsample_rate_hz = {}\nlevel_dbfs = {:?}\n\
         fade_in_s = {:?}\nfade_out_s = {:?}\nsilence_before_s = {:?}\nsilence_after_s = {:?}\nsynchronized = {}\n",
        plan.start_hz,
        plan.stop_hz,
        plan.duration_s,
        plan.sample_rate_hz,
        plan.level_dbfs,
        plan.fade_in_s,
        plan.fade_out_s,
        plan.silence_before_s,
        plan.silence_after_s,
        plan.synchronized
    );
    out.remark(cautions());
    if out.json {
        let file = args.out.display().to_string();
        return out
            .document(&Document {
                format: "bassay-sweep/1",
                file,
                toml: &toml,
            })
            .map(|()| Exit::Done);
    }
    out.line(format!(
        "{}\n\nFor captures.toml:\n\n{toml}",
        args.out.display()
    ));
    Ok(Exit::Done)
}
