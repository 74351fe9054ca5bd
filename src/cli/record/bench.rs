//! The bench of a recording session: card, wiring, design, limits.

use super::args::Args;
use super::desk::Desk;
use super::{agreed, guided};
use crate::capture::background::{Plugged, Remark, Silence, background};
use crate::capture::card::{Card, Shape};
use crate::capture::guide::What;
use crate::capture::listen::ListenPlan;
use crate::capture::safety::{self, Around, Forecast, Name};
use crate::capture::take::TakePlan;
use crate::capture::virtual_card::{
    Choices, LABEL, Operator, Pace, Plugs, SENSITIVITY_V_PER_PA, VirtualCard,
};
use crate::capture::wiring::Wiring;
use crate::cli::failure::Failure;
use crate::design::captures::{CaptureKind, CaptureSet, MicrophoneScale, Recorded, SweepPlan};
use crate::design::path::matches;
use crate::design::station::{Part, Station};
use crate::design::{AirConditions, Design, read, station};
use crate::rehearse::live::Live;
use crate::rehearse::settings::Setting;
use crate::signal::sweep::Sweep;
use std::path::Path;
use std::sync::Arc;

/// The bench of a session.
pub(super) struct Bench {
    pub design: Design,
    pub air: AirConditions,
    pub sweep: SweepPlan,
    pub wiring: Wiring,
    pub card: Box<dyn Card>,
    pub wanted_snr_db: f64,
    pub fixed_level_dbfs: Option<f64>,
    /// RMS voltage at the amplifier that is not exceeded, V.
    pub volts_rms: f64,
    /// Limits that may be exceeded.
    pub allowed: Vec<Name>,
    operator: Option<Operator>,
    /// What was changed on the virtual unit by hand.
    faults: Vec<Setting>,
    station: Option<Station>,
}

/// The sweep that the options ask for.
pub(super) fn sweep_of(args: &Args) -> Result<SweepPlan, Failure> {
    let usual = SweepPlan::default();
    let plan = SweepPlan {
        start_hz: args.sweep.start_hz,
        stop_hz: args.sweep.stop_hz,
        duration_s: args.sweep.duration_s.unwrap_or(usual.duration_s),
        sample_rate_hz: args.bench.sample_rate_hz.unwrap_or(usual.sample_rate_hz),
        ..usual
    };
    Sweep::new(plan).map_err(Failure::option)?;
    Ok(plan)
}

/// Station file and options together; the virtual bench knows its own scales, but what the station says of the virtual bench
/// holds for it as it does for a real one.
pub(super) fn wiring_of(args: &Args, station: Option<&Station>) -> Result<Wiring, Failure> {
    let mut wiring = station.map_or_else(Wiring::bare, Wiring::of);
    if args.unreal.virtual_design.is_some() {
        let live = Live::to_train_at();
        wiring.card.output_v_per_unit = Some(live.amplifier_v_per_unit);
        wiring.card.reference_v_per_unit = Some(live.input_v_per_unit);
        let calibrated = station.map_or_else(Vec::new, Station::virtual_parts);
        if !calibrated.contains(&Part::Jig) {
            wiring.reference_ohm = Some(live.reference_ohm);
            wiring.lead_ohm = live.lead_ohm;
            wiring.gain_ratio = live.gain_ratio;
        }
        if !calibrated.contains(&Part::Microphone) {
            wiring.scale = MicrophoneScale::Sensitivity {
                sensitivity_v_per_pa: SENSITIVITY_V_PER_PA * live.gain_ratio,
                microphone_v_per_unit: live.microphone_v_per_unit,
            };
            wiring.correction = None;
        }
    }
    let own = &args.bench;
    let card = &mut wiring.card;
    let set = |place: &mut usize, value: Option<usize>| *place = value.unwrap_or(*place);
    card.input = own.input.clone().or(card.input.take());
    card.output = own.output.clone().or(card.output.take());
    card.sample_rate_hz = own.sample_rate_hz.unwrap_or(card.sample_rate_hz);
    set(&mut card.inputs, own.inputs);
    set(&mut card.outputs, own.outputs);
    set(&mut card.output_channel, own.output_channel);
    set(&mut card.reference_channel, own.reference_channel);
    set(&mut card.microphone_channel, own.microphone_channel);
    set(&mut card.source_channel, own.source_channel);
    set(&mut card.load_channel, own.load_channel);
    card.reference_v_per_unit = own.reference_v_per_unit.or(card.reference_v_per_unit);
    card.output_v_per_unit = own.output_v_per_unit.or(card.output_v_per_unit);
    wiring.reference_ohm = own.reference_ohm.or(wiring.reference_ohm);
    for (option, value) in [
        ("--reference-ohm", wiring.reference_ohm),
        ("--reference-v-per-unit", wiring.card.reference_v_per_unit),
        ("--output-v-per-unit", wiring.card.output_v_per_unit),
    ] {
        if let Some(v) = value
            && !(v.is_finite() && v > 0.0)
        {
            return Err(Failure::input(format!(
                "{option}: found {v}; expected a number above 0"
            )));
        }
    }
    Ok(wiring)
}

/// Every channel is open, and none has two roles at a time.
fn check_channels(card: &station::Card) -> Result<(), Failure> {
    let roles = [
        (
            "--output-channel",
            card.output_channel,
            card.outputs,
            "outputs",
        ),
        (
            "--reference-channel",
            card.reference_channel,
            card.inputs,
            "inputs",
        ),
        (
            "--microphone-channel",
            card.microphone_channel,
            card.inputs,
            "inputs",
        ),
        (
            "--source-channel",
            card.source_channel,
            card.inputs,
            "inputs",
        ),
        ("--load-channel", card.load_channel, card.inputs, "inputs"),
    ];
    for (option, channel, open, which) in roles {
        if open == 0 {
            return Err(Failure::input(format!(
                "--{which}: found 0; expected at least 1"
            )));
        }
        if !(1..=open).contains(&channel) {
            return Err(Failure::input(format!(
                "{option}: found {channel}; expected 1 to {open}, as many {which} as are opened (--{which})"
            )));
        }
    }
    for ((one, a, ..), (other, b, ..)) in [(&roles[1], &roles[2]), (&roles[3], &roles[4])] {
        if a == b {
            return Err(Failure::input(format!(
                "{one} and {other}: found channel {a} for both; expected two channels"
            )));
        }
    }
    Ok(())
}

/// What `--fault` asks for.
fn faults(args: &Args) -> Result<Vec<Setting>, Failure> {
    let list = args.unreal.fault.iter();
    list.map(|text| text.parse().map_err(Failure::input))
        .collect()
}

/// A sound card, or the virtual one with the operator's hands on it.
pub(super) fn open_card(
    args: &Args,
    wiring: &Wiring,
    band_hz: [f64; 2],
) -> Result<(Box<dyn Card>, Option<Operator>), Failure> {
    let Some(file) = &args.unreal.virtual_design else {
        return sound_card(wiring).map(|card| (card, None));
    };
    let design = read::read(file).map_err(Failure::input)?;
    let mut unit = args.unreal.unit(&crate::files::read_whole(file)?);
    let known = args.known.wired();
    if let Some((_, name)) = &known {
        unit += &format!(", {name}");
    }
    let faults = faults(args)?;
    if !(args.unreal.pace > 0.0 && args.unreal.pace <= 1000.0) {
        return Err(Failure::input(format!(
            "--pace: found {}; expected a number above 0 and up to 1000",
            args.unreal.pace
        )));
    }
    let mut live = Live {
        band_hz,
        seed: args.unreal.seed.unwrap_or(1),
        ..Live::to_train_at()
    };
    if let Some(level) = args.unreal.noise_db_spl {
        live.noise_db_spl = Some(level);
    }
    let card = &wiring.card;
    let choices = Choices {
        bench: live,
        plugs: Plugs {
            output: card.output_channel.saturating_sub(1),
            reference: card.reference_channel.checked_sub(1),
            signal: card.microphone_channel.saturating_sub(1),
        },
        pace: if args.unreal.pace == 1.0 {
            Pace::RealTime
        } else {
            Pace::Times(args.unreal.pace)
        },
        unit,
        ..Choices::default()
    };
    let card =
        VirtualCard::new(&design, &faults, args.unreal.seed, choices).map_err(Failure::input)?;
    let operator = card.operator();
    if let Some((wired, _)) = known {
        operator.wire(wired).map_err(Failure::input)?;
    }
    Ok((Box::new(card), Some(operator)))
}

#[cfg(feature = "live")]
fn sound_card(wiring: &Wiring) -> Result<Box<dyn Card>, Failure> {
    let card = &wiring.card;
    let found =
        crate::capture::cpal_card::CpalCard::open(card.input.as_deref(), card.output.as_deref())
            .map_err(Failure::system)?;
    Ok(Box::new(found))
}

#[cfg(not(feature = "live"))]
fn sound_card(_: &Wiring) -> Result<Box<dyn Card>, Failure> {
    Err(Failure::input(
        "this program was built without live audio; expected --virtual DESIGN, or a build with the feature «live»",
    ))
}

/// The station of the options, or the one that the captures file names.
fn station_of(args: &Args, set: &CaptureSet) -> Result<Option<Station>, Failure> {
    match &args.station {
        Some(file) => station::read(file).map(Some).map_err(Failure::input),
        None => Ok(set.station.clone()),
    }
}

impl Bench {
    /// Opens the card and gathers what is known of the bench.
    pub fn open(args: &Args, set: &CaptureSet, design: Design) -> Result<Self, Failure> {
        let station = station_of(args, set)?;
        if let Some(station) = &station
            && args.unreal.virtual_design.is_none()
            && let Some(part) = station.virtual_parts().first()
        {
            return Err(Failure::input(format!(
                "{}: its {} was calibrated on the virtual bench and says nothing of a real one; expected a station file of this bench, or --virtual DESIGN",
                station.file.display(),
                part.word()
            )));
        }
        let wiring = wiring_of(args, station.as_ref())?;
        check_channels(&wiring.card)?;
        let allowed: Vec<Name> = args
            .level
            .allow
            .iter()
            .map(|text| {
                text.parse()
                    .map_err(|e| Failure::input(format!("--allow: {e}")))
            })
            .collect::<Result<_, _>>()?;
        let sweep = SweepPlan {
            sample_rate_hz: wiring.card.sample_rate_hz,
            ..set.sweep.unwrap_or(sweep_of(args)?)
        };
        let volts_rms = args.level.voltage_v.unwrap_or(design.drive.voltage_v);
        if !(volts_rms.is_finite() && volts_rms > 0.0) {
            return Err(Failure::input(format!(
                "--voltage-v: found {volts_rms}; expected volts above 0"
            )));
        }
        if let Some(level) = args.level.level_dbfs
            && !(-100.0..=0.0).contains(&level)
        {
            return Err(Failure::input(format!(
                "--level-dbfs: found {level}; expected -100 to 0"
            )));
        }
        if wiring.card.reference_v_per_unit.is_none() {
            return Err(Failure::input(
                "nobody stated how many volts at the amplifier fill the reference channel, so that no limit could be kept; expected --reference-v-per-unit, or reference_v_per_unit in the [card] of a station file",
            ));
        }
        if !(5.0..=100.0).contains(&args.level.snr_db) {
            return Err(Failure::input(format!(
                "--snr-db: found {}; expected 5 to 100 dB",
                args.level.snr_db
            )));
        }
        if args.level.level_dbfs.is_some() && wiring.card.output_v_per_unit.is_none() {
            return Err(Failure::input(
                "--level-dbfs: nobody stated how many volts that level is at the amplifier, so that no limit could be kept; expected --output-v-per-unit, or no --level-dbfs: then the level is found by the loop-back",
            ));
        }
        let (card, operator) = open_card(args, &wiring, [sweep.start_hz, sweep.stop_hz])?;
        Ok(Self {
            air: set.air(design.air),
            design,
            sweep,
            wiring,
            card,
            wanted_snr_db: args.level.snr_db,
            fixed_level_dbfs: args.level.level_dbfs,
            volts_rms,
            allowed,
            operator,
            faults: faults(args)?,
            station,
        })
    }

    /// Whether what is on file was recorded from this unit: a virtual one is known by its design and faults, and is no real one.
    ///
    /// # Errors
    /// [`Failure`] for a capture of another unit.
    pub fn goes_on(&self, set: &CaptureSet) -> Result<(), Failure> {
        let here = self.card.label();
        for capture in &set.captures {
            let Some(recorded) = &capture.recorded else {
                continue;
            };
            let there = &recorded.device;
            let either = [&here, there].iter().any(|d| d.starts_with(LABEL));
            if either && *there != here {
                return Err(Failure::input(format!(
                    "{}: was recorded from «{there}», and this session has «{here}»; a captures file is of one unit: expected the same --virtual, --fault and --seed as before, or another --set",
                    capture.file
                )));
            }
        }
        Ok(())
    }

    /// What the inputs hear while nothing plays.
    pub fn silence(&self, channels: &[Vec<f32>]) -> Result<Vec<Silence>, Failure> {
        let channels: Vec<Vec<f64>> = channels
            .iter()
            .map(|x| x.iter().map(|v| f64::from(*v)).collect())
            .collect();
        background(&channels, self.rate_hz()).map_err(Failure::input)
    }

    /// What of that the operator should know, by input.
    pub fn remarks(&self, what: &What, silence: &[Silence]) -> Vec<Vec<Remark>> {
        let second = match what {
            What::Impedance => Plugged::Line,
            What::Probe(_) => Plugged::Microphone(self.wiring.scale.pa_per_unit()),
        };
        silence
            .iter()
            .zip([Plugged::Line, second])
            .map(|(s, plugged)| s.remarks(plugged))
            .collect()
    }

    /// Frames per second.
    pub fn rate_hz(&self) -> f64 {
        f64::from(self.wiring.card.sample_rate_hz)
    }

    /// What stands around the cabinet.
    pub fn around(&self) -> Around {
        Around {
            reference_ohm: self
                .wiring
                .reference_ohm
                .unwrap_or(Around::default().reference_ohm),
            reference_power_w: self.wiring.reference_power_w,
            microphone_peak_db: self.wiring.microphone_peak_db,
        }
    }

    /// RMS volts at the amplifier of a level, if the card's gain is known.
    pub fn fixed_volts(&self) -> Option<f64> {
        self.fixed_level_dbfs
            .and_then(|level| self.wiring.volts_rms(level))
    }

    /// Cautions, forecast, and the operator's word; `false`: he does not agree.
    ///
    /// # Errors
    /// [`Failure`] for a limit that would be exceeded and is not allowed by name.
    pub fn agreed(&mut self, desk: &mut Desk, wanted: &[What], yes: bool) -> Result<bool, Failure> {
        let volts = self.fixed_volts().unwrap_or(self.volts_rms);
        let around = self.around();
        let forecasts: Vec<Forecast> = wanted
            .iter()
            .map(|what| {
                safety::forecast(&self.design, &self.sweep, volts, what, &around)
                    .map_err(Failure::input)
            })
            .collect::<Result<_, _>>()?;
        desk.say(safety::cautions());
        if let Some(operator) = &self.operator {
            desk.say("\nVirtual unit, no sound is made");
            for difference in operator.differences() {
                if self
                    .faults
                    .iter()
                    .any(|f| matches(&f.pattern, &difference.path))
                {
                    desk.say(guided::folded(&difference.to_string()));
                }
            }
        }
        desk.say(format!(
            "\nForecast for {volts:.3} V at the amplifier, cabinet as designed"
        ));
        desk.say(format!(
            "{:<18}{:>12}{:>12}{:>14}{:>12}",
            "", "cone, mm", "coil, W", "at mic, dB", "at 1 m, dB"
        ));
        for f in &forecasts {
            let name: String = f.what.chars().take(17).collect();
            desk.say(format!(
                "{name:<18}{:>12.2}{:>12.2}{:>14}{:>12.0}",
                1e3 * f.displacement_m.value,
                f.coil.second_w,
                f.microphone
                    .as_ref()
                    .map_or("-".to_string(), |m| format!("{:.0}", m.level_db)),
                f.operator.level_db
            ));
        }
        for f in &forecasts {
            for v in &f.velocity {
                let most = v.rms_m_per_s;
                desk.say(guided::folded(&format!(
                    "{}: {:.2} m/s in {} at {:.0} Hz, {:.2} m/s allowed",
                    f.what, most.value, v.place, most.at_hz, v.allowed_m_per_s
                )));
            }
        }
        let unstated: Vec<String> = Name::ALL
            .iter()
            .filter(|name| forecasts.iter().any(|f| f.unstated.contains(name)))
            .map(|name| format!("{} ({})", name.word(), name.key()))
            .collect();
        if !unstated.is_empty() {
            desk.say(guided::folded(&format!(
                "! Not checked, because nobody stated the limit: {}.",
                unstated.join(", ")
            )));
        }
        if let Some(doubt) = self.card.doubt(self.wiring.card.sample_rate_hz) {
            desk.say(guided::folded(&format!("note {doubt}")));
        }
        self.refuse(&forecasts, wanted, &around)?;
        if yes {
            return Ok(true);
        }
        Ok(agreed(
            desk,
            "\nType «yes» if these cautions are read and everyone is out of the way >",
        ))
    }

    fn refuse(
        &self,
        forecasts: &[Forecast],
        wanted: &[What],
        around: &Around,
    ) -> Result<(), Failure> {
        let mut lines: Vec<String> = Vec::new();
        for f in forecasts {
            for e in f.refused(&self.allowed) {
                lines.push(format!("  {}: {e}", f.what));
            }
        }
        if lines.is_empty() {
            return Ok(());
        }
        let mut most = f64::INFINITY;
        for what in wanted {
            let highest =
                safety::highest_level(&self.design, &self.sweep, what, around, &self.allowed)
                    .map_err(Failure::input)?;
            if let Some(h) = highest {
                most = most.min(h.volts_rms);
            }
        }
        let most = (100.0 * most).floor() / 100.0;
        Err(Failure::input(format!(
            "the sweep would go beyond a limit, and nothing was played:\n{}\nAll limits hold up to {most:.2} V: expected --voltage-v {most:.2} or less",
            lines.join("\n"),
        )))
    }

    /// Wires the virtual bench; with a real one the operator did it.
    pub fn connect(&self, what: &What) -> Result<(), Failure> {
        self.operator
            .as_ref()
            .map_or(Ok(()), |o| o.connect(what).map_err(Failure::input))
    }

    /// What the captures file says of a capture.
    pub fn kind(&self, what: &What) -> Result<CaptureKind, Failure> {
        self.wiring.kind(what).ok_or_else(|| {
            Failure::input(
                "impedance: nobody stated the jig's reference resistor; expected --reference-ohm, or a station file with [jig]",
            )
        })
    }

    /// How the last takes were recorded.
    pub fn recorded(&self, what: &What, level_dbfs: f64) -> Recorded {
        Recorded {
            at: now(),
            device: self.card.label(),
            sample_rate_hz: self.wiring.card.sample_rate_hz,
            level_dbfs,
            output_channel: self.wiring.card.output_channel,
            input_channels: self.wiring.keep(what).to_vec(),
            station: self.station.as_ref().map(|s| s.digest.clone()),
            software: format!("bassay {}", env!("CARGO_PKG_VERSION")),
        }
    }

    /// The plan of a recording into memory.
    pub fn listen_plan(&self, what: &What, signal: Arc<[f32]>, duration_s: f64) -> ListenPlan {
        let card = &self.wiring.card;
        ListenPlan {
            shape: Shape {
                sample_rate_hz: card.sample_rate_hz,
                inputs: card.inputs,
                outputs: card.outputs,
            },
            signal,
            output_channel: card.output_channel,
            keep: self.wiring.keep(what).to_vec(),
            duration_s,
        }
    }

    /// The plan of a take.
    pub fn take_plan(
        &self,
        what: &What,
        sweep: SweepPlan,
        file: &Path,
    ) -> Result<TakePlan, Failure> {
        guided::take_plan(&self.wiring, what, sweep, file)
    }
}

/// Now, RFC 3339, whole seconds.
pub(super) fn now() -> String {
    let now = jiff::Timestamp::now();
    now.round(jiff::Unit::Second).unwrap_or(now).to_string()
}
