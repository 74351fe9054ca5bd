//! One take without a design: the sweep is played and the chosen inputs are kept. For calibrations and for work elsewhere.

use super::args::Args;
use super::bench::{open_card, sweep_of, wiring_of};
use super::desk::Desk;
use super::{agreed, guided};
use crate::capture::growing_wav::beside;
use crate::capture::safety::cautions;
use crate::capture::take::{Go, TakePlan, take};
use crate::capture::wiring::Wiring;
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::design::captures::SweepPlan;
use crate::design::station;
use serde::Serialize;

/// Level where nobody says one: nothing is known of amplifier and driver, dB re full scale.
const QUIET_DBFS: f64 = -40.0;

#[derive(Serialize)]
struct Document {
    format: &'static str,
    file: String,
    complete: bool,
    frames: u64,
    level_dbfs: f64,
    /// Largest magnitude of each kept channel, full scale = 1.
    peak: Vec<f32>,
    clock_ppm: Option<f64>,
    /// From played to heard on the reference channel.
    latency_frames: Option<f64>,
}

/// The level: as asked for, and no louder than a stated voltage allows.
fn level(args: &Args, wiring: &Wiring) -> Result<f64, Failure> {
    let asked = args.level.level_dbfs;
    if let Some(level) = asked
        && !(-100.0..=0.0).contains(&level)
    {
        return Err(Failure::input(format!(
            "--level-dbfs: found {level}; expected -100 to 0"
        )));
    }
    let Some(volts) = args.level.voltage_v else {
        return Ok(asked.unwrap_or(QUIET_DBFS));
    };
    let Some(full) = wiring.volts_rms(0.0) else {
        return Err(Failure::input(
            "--voltage-v: nobody stated how many volts a full-scale output is, so that it could not be kept; expected --output-v-per-unit too, or --level-dbfs instead",
        ));
    };
    if !(volts.is_finite() && volts > 0.0) {
        return Err(Failure::input(format!(
            "--voltage-v: found {volts}; expected volts above 0"
        )));
    }
    let highest = (20.0 * (volts / full).log10()).min(0.0);
    match asked {
        Some(level) if level > highest + 0.05 => Err(Failure::input(format!(
            "--level-dbfs {level}: is {:.2} V, and --voltage-v allows {volts}; expected {highest:.1} or less",
            full * 10f64.powf(level / 20.0)
        ))),
        Some(level) => Ok(level),
        None => Ok(highest),
    }
}

/// Runs `record --out FILE`.
///
/// # Errors
/// [`Failure`] for bad input or a card that fails.
pub(super) fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let Some(file) = &args.out else {
        return Err(Failure::input("expected --set CAPTURES or --out FILE"));
    };
    if let Some((key, _)) = args
        .air
        .given()
        .into_iter()
        .find(|(_, value)| value.is_some())
    {
        return Err(Failure::input(format!(
            "--{}: with --out there is no captures file to write it into; expected --set",
            key.replace('_', "-")
        )));
    }
    // A take on file is not lost to a second one, and a device is no file.
    for there in [file.clone(), beside(file, "partial")] {
        if there.symlink_metadata().is_ok() {
            return Err(Failure::input(format!(
                "--out {}: {} is there already; expected the name of a new file",
                file.display(),
                there.display()
            )));
        }
    }
    let station = args
        .station
        .as_ref()
        .map(|path| station::read(path).map_err(Failure::input))
        .transpose()?;
    let wiring = wiring_of(args, station.as_ref())?;
    let (channel, outputs) = (wiring.card.output_channel, wiring.card.outputs);
    if wiring.card.inputs == 0 || !(1..=outputs).contains(&channel) {
        return Err(Failure::input(format!(
            "--inputs {}, --outputs {outputs}, --output-channel {channel}: expected at least one input, and an output channel from 1 to --outputs",
            wiring.card.inputs
        )));
    }
    let level_dbfs = level(args, &wiring)?;
    let sweep = SweepPlan {
        sample_rate_hz: wiring.card.sample_rate_hz,
        level_dbfs,
        ..sweep_of(args)?
    };
    let (mut card, _) = open_card(args, &wiring, [sweep.start_hz, sweep.stop_hz])?;
    let mut desk = Desk::new(out)?;
    desk.say(cautions());
    if args.unreal.virtual_design.is_some() {
        let what = args.known.wired();
        let what = what.map_or("the unit in the jig".to_string(), |(_, name)| name);
        desk.say(format!("\nVirtual bench, no sound is made: {what}"));
    }
    desk.say(format!(
        "\nWithout a design nothing is forecast: whether this level ({level_dbfs:.1} dBFS) hurts\n\
         driver, amplifier or ears cannot be told. Begin low."
    ));
    if let Some(doubt) = card.doubt(wiring.card.sample_rate_hz) {
        desk.say(guided::folded(&format!("note {doubt}")));
    }
    let question = "\nType «yes» if these cautions are read and everyone is out of the way >";
    if !args.level.yes && !agreed(&mut desk, question) {
        desk.say("Nothing was played.");
        return Ok(Exit::Unresolved);
    }
    let keep: Vec<usize> = (1..=wiring.card.inputs).collect();
    let names: Vec<String> = keep.iter().map(|c| format!("in {c}")).collect();
    let plan = TakePlan {
        sample_rate_hz: wiring.card.sample_rate_hz,
        signal: guided::samples(sweep)?,
        output_channel: wiring.card.output_channel,
        outputs: wiring.card.outputs,
        inputs: wiring.card.inputs,
        reference: keep
            .iter()
            .position(|c| *c == wiring.card.reference_channel),
        keep,
        file: file.clone(),
        sweep,
    };
    let taken = take(card.as_mut(), &plan, &mut |p| {
        let levels: Vec<(&str, f64)> = names
            .iter()
            .zip(&p.levels)
            .map(|(name, level)| (name.as_str(), f64::from(level.peak)))
            .collect();
        desk.meter("sweep", p.recorded as f64 / p.total.max(1) as f64, &levels);
        if desk.stopped() { Go::Stop } else { Go::On }
    });
    desk.close_meter();
    let taken = taken.map_err(Failure::system)?;
    let document = Document {
        format: "bassay-take/1",
        file: taken.file.display().to_string(),
        complete: taken.complete,
        frames: taken.frames,
        level_dbfs,
        peak: taken.peak.clone(),
        latency_frames: taken.latency_frames.map(f64::round),
        clock_ppm: taken.continuity.as_ref().map(|c| c.drift_ppm),
    };
    if out.json {
        out.document(&document)?;
    } else {
        let state = if taken.complete {
            "recorded"
        } else {
            "stopped; kept, and not complete"
        };
        out.line(format!(
            "{}: {state}, {} frames",
            document.file, taken.frames
        ));
        for (channel, peak) in plan.keep.iter().zip(&taken.peak) {
            out.line(format!(
                "  input {channel}: peak {:.1} dBFS",
                20.0 * f64::from(*peak).max(1e-9).log10()
            ));
        }
        if let Some(ppm) = document.clock_ppm {
            out.line(format!("  clocks differ by {ppm:+.1} ppm"));
        }
        if let Some(frames) = document.latency_frames {
            out.line(format!(
                "  latency {frames:.0} frames (`bassay station loopback --latency-frames` notes it)"
            ));
        }
    }
    Ok(if taken.complete {
        Exit::Done
    } else {
        Exit::Unresolved
    })
}
