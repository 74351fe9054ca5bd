//! The virtual bench: plays the sweep through the unit and records what jig and microphones would see.
//!
//! The voltage at the amplifier is `√2·V·sweep(t)`. One run with it serves every microphone; the impedance jig is a run
//! of its own, with the reference resistor in place of the amplifier's source resistance. Everything a recorder does
//! (clock, noise, hum, offset, clipping) happens on its own samples.

use super::air::Air;
use super::noise::{add_hum, add_room, add_slam, add_white, pressure_pa};
use super::random::Random;
use super::resample::Resampler;
use super::run::{Plan, Run, run};
use super::unit::Grid;
use super::{RehearseError, rate_hz, sweep};
use crate::design::captures::{CaptureKind, MicrophoneScale, SweepPlan};
use crate::design::{Design, Probe, ProbePlace};

/// Sensitivity of every virtual microphone, V/Pa.
pub const SENSITIVITY_V_PER_PA: f64 = 0.0125;
/// Noise of the recorder itself, RMS over full scale.
pub(super) const CONVERTER_NOISE: f64 = 3.2e-6;
/// The unit is stepped for this long before the sweep starts, s.
const LEAD_S: f64 = 0.01;

/// What is recorded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Wanted {
    /// The impedance jig.
    Impedance,
    /// A microphone at a probe.
    Pressure(String),
}

/// How a virtual unit is recorded.
#[derive(Debug, Clone, PartialEq)]
pub struct Recording {
    /// What is recorded, in this order.
    pub captures: Vec<Wanted>,
    /// The sweep.
    pub sweep: SweepPlan,
    /// RMS voltage of the sweep at the amplifier, V; the design's drive voltage if `None`.
    pub voltage_v: Option<f64>,
    /// Reference resistor of the jig, Ω.
    pub reference_ohm: f64,
    /// Seed of all that is random.
    pub seed: u64,
    /// Room noise within 5 to 500 Hz, dB re 20 µPa; `None`: neither room nor recorder makes any noise.
    pub noise_db_spl: Option<f64>,
    /// Hum at the microphones, dB re 20 µPa at 50 Hz; the jig picks up the same voltage as the microphone gives.
    pub hum_db_spl: Option<f64>,
    /// The recorder's clock against the player's, ppm, positive where the recorder is fast.
    pub drift_ppm: f64,
    /// How far the microphone channels are driven beyond full scale, dB; `None`: not.
    pub clip_db: Option<f64>,
    /// Whether a door slams during each take of a microphone outside the cabinet.
    pub slam: bool,
    /// Strength of the driver's Bl(x) and Cms(x) nonlinearity; 0 is linear, 1 a usual driver.
    pub nonlinear: f64,
    /// Whether pressure captures hold the loop-back of the amplifier's voltage; otherwise they start at a moment that
    /// nobody knows.
    pub reference: bool,
    /// Constant offset of every channel, full scale = 1.
    pub offset: f64,
    /// Gain error of microphones: probe name and factor.
    pub probe_gain: Vec<(String, f64)>,
}

impl Recording {
    /// Impedance and every probe of the design, a quiet room, no fault.
    #[must_use]
    pub fn of(design: &Design) -> Self {
        let mut captures = vec![Wanted::Impedance];
        captures.extend(
            design
                .probes
                .iter()
                .map(|p| Wanted::Pressure(p.name.clone())),
        );
        Self {
            captures,
            sweep: SweepPlan::default(),
            voltage_v: None,
            reference_ohm: 10.0,
            seed: 1,
            noise_db_spl: Some(35.0),
            hum_db_spl: None,
            drift_ppm: 0.0,
            clip_db: None,
            slam: false,
            nonlinear: 0.0,
            reference: true,
            offset: 0.0,
            probe_gain: Vec::new(),
        }
    }
}

/// One recorded take.
#[derive(Debug, Clone, PartialEq)]
pub struct RehearsedCapture {
    /// `impedance` or the probe's name.
    pub label: String,
    /// What the channels saw, as `captures.toml` says it.
    pub kind: CaptureKind,
    /// Channels, full scale = 1.
    pub channel: Vec<Vec<f64>>,
}

/// All takes of a unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Rehearsed {
    /// The sweep as played.
    pub sweep: SweepPlan,
    /// Takes, in the order wanted.
    pub captures: Vec<RehearsedCapture>,
}

/// Records a design as built (its present values are the truth).
///
/// # Errors
/// [`RehearseError`]: a probe that the design does not have, a sweep that cannot be played, or a failed simulation.
pub fn simulate(design: &Design, plan: &Recording) -> Result<Rehearsed, RehearseError> {
    check_sweep(&plan.sweep)?;
    let probes = wanted_probes(design, plan)?;
    let bench = Bench {
        design,
        plan,
        air: Air::new(design.air),
        volts: plan.voltage_v.unwrap_or(design.drive.voltage_v),
    };
    let jig = plan.captures.contains(&Wanted::Impedance);
    let (jig, room) = rayon::join(
        || jig.then(|| bench.run(plan.reference_ohm, &[])).transpose(),
        || {
            (!probes.is_empty())
                .then(|| bench.run(design.drive.source_ohm, &probes))
                .transpose()
        },
    );
    let (jig, room) = (jig?, room?);
    let rate = rate_hz(plan.sweep.stop_hz);
    let resampler = Resampler::new(rate, f64::from(plan.sweep.sample_rate_hz));
    let mut heard = 0;
    let captures = plan
        .captures
        .iter()
        .enumerate()
        .filter_map(|(index, wanted)| {
            let random = Random::new(plan.seed, index as u64 + 1);
            match wanted {
                Wanted::Impedance => jig.as_ref().map(|run| bench.jig(run, &resampler, random)),
                Wanted::Pressure(_) => room.as_ref().map(|run| {
                    heard += 1;
                    bench.microphone(run, heard - 1, probes[heard - 1], &resampler, random)
                }),
            }
        })
        .collect();
    Ok(Rehearsed {
        sweep: plan.sweep,
        captures,
    })
}

fn wanted_probes<'a>(
    design: &'a Design,
    plan: &Recording,
) -> Result<Vec<&'a Probe>, RehearseError> {
    plan.captures
        .iter()
        .filter_map(|wanted| match wanted {
            Wanted::Impedance => None,
            Wanted::Pressure(name) => Some(name),
        })
        .map(|name| probe_named(design, name))
        .collect()
}

/// The probe of this name.
pub(super) fn probe_named<'a>(design: &'a Design, name: &str) -> Result<&'a Probe, RehearseError> {
    let found = design.probes.iter().find(|probe| probe.name == name);
    found.ok_or_else(|| RehearseError::Probe {
        probe: name.to_string(),
        known: design.probes.iter().map(|p| p.name.clone()).collect(),
    })
}

fn check_sweep(sweep: &SweepPlan) -> Result<(), RehearseError> {
    let fail = |what: &'static str, value: f64, range: String| {
        Err(RehearseError::Sweep { what, value, range })
    };
    let nyquist = f64::from(sweep.sample_rate_hz) / 2.0;
    if !(2_000..=384_000).contains(&sweep.sample_rate_hz) {
        let value = f64::from(sweep.sample_rate_hz);
        return fail("sample rate", value, "2000 to 384000 Hz".into());
    }
    if !(0.5..=1_000.0).contains(&sweep.start_hz) {
        return fail("start frequency", sweep.start_hz, "0.5 to 1000 Hz".into());
    }
    let highest = (0.45 * nyquist * 2.0).min(4_000.0);
    if !(sweep.stop_hz > sweep.start_hz && sweep.stop_hz <= highest) {
        let range = format!("above the start frequency, at most {highest:.0} Hz");
        return fail("stop frequency", sweep.stop_hz, range);
    }
    if !(0.1..=120.0).contains(&sweep.duration_s) {
        return fail("duration", sweep.duration_s, "0.1 to 120 s".into());
    }
    if !(-80.0..=0.0).contains(&sweep.level_dbfs) {
        return fail(
            "level",
            sweep.level_dbfs,
            "-80 to 0 dB re full scale".into(),
        );
    }
    for (what, value) in [
        ("silence before the sweep", sweep.silence_before_s),
        ("silence after the sweep", sweep.silence_after_s),
    ] {
        if !(0.0..=60.0).contains(&value) {
            return fail(what, value, "0 to 60 s".into());
        }
    }
    for (what, value) in [("fade-in", sweep.fade_in_s), ("fade-out", sweep.fade_out_s)] {
        if !(0.0..=0.5 * sweep.duration_s).contains(&value) {
            return fail(what, value, "0 to half the duration".into());
        }
    }
    Ok(())
}

struct Bench<'a> {
    design: &'a Design,
    plan: &'a Recording,
    air: Air,
    volts: f64,
}

impl Bench<'_> {
    fn run(&self, source_ohm: f64, probes: &[&Probe]) -> Result<Run, RehearseError> {
        let sweep = self.plan.sweep;
        let rate = rate_hz(sweep.stop_hz);
        let plan = Plan {
            air: &self.air,
            grid: Grid {
                rate_hz: rate,
                low_hz: sweep.start_hz,
                high_hz: sweep.stop_hz,
                nonlinear: self.plan.nonlinear,
                quadratic: true,
            },
            source_ohm,
            probes,
            quiet: 0.0,
        };
        let length_s = LEAD_S + sweep.duration_s + sweep.silence_after_s + 0.05;
        let peak = std::f64::consts::SQRT_2 * self.volts;
        run(self.design, &plan, (length_s * rate) as usize, |t| {
            peak * sweep::value(&sweep, t - LEAD_S)
        })
    }

    /// Samples of a take and the resampler's start and period; `early_s` is extra silence ahead.
    fn timing(&self, early_s: f64) -> (f64, f64, usize) {
        let sweep = self.plan.sweep;
        let file_hz = f64::from(sweep.sample_rate_hz);
        let whole_s = early_s + sweep.silence_before_s + sweep.duration_s + sweep.silence_after_s;
        // The recorder takes its samples at its own clock's pace.
        let period = 1.0 / (file_hz * (1.0 + self.plan.drift_ppm * 1e-6));
        (
            LEAD_S - sweep.silence_before_s - early_s,
            period,
            (whole_s * file_hz).round() as usize,
        )
    }

    fn file_hz(&self) -> f64 {
        f64::from(self.plan.sweep.sample_rate_hz)
    }

    /// Volts of a full-scale sample on channels that see the amplifier.
    fn amplifier_v_per_unit(&self) -> f64 {
        std::f64::consts::SQRT_2 * self.volts / 10f64.powf(self.plan.sweep.level_dbfs / 20.0)
    }

    /// Turns volts into samples.
    fn digitise(&self, channel: &mut [f64], v_per_unit: f64, random: &mut Random) {
        for x in channel.iter_mut() {
            *x = *x / v_per_unit + self.plan.offset;
        }
        if self.plan.noise_db_spl.is_some() {
            add_white(channel, CONVERTER_NOISE, random);
        }
        for x in channel.iter_mut() {
            *x = x.clamp(-1.0, 1.0);
        }
    }

    fn jig(&self, run: &Run, resampler: &Resampler, mut random: Random) -> RehearsedCapture {
        let (start, period, count) = self.timing(0.0);
        let mut source = resampler.sample(&run.source, start, period, count);
        let mut load = resampler.sample(&run.terminal, start, period, count);
        if let Some(level) = self.plan.hum_db_spl {
            let rms = pressure_pa(level) * SENSITIVITY_V_PER_PA;
            add_hum(&mut load, rms, self.file_hz(), &mut random);
        }
        let unit = self.amplifier_v_per_unit();
        self.digitise(&mut source, unit, &mut random);
        self.digitise(&mut load, unit, &mut random);
        RehearsedCapture {
            label: "impedance".into(),
            kind: CaptureKind::Impedance {
                source_channel: 1,
                load_channel: 2,
                reference_ohm: self.plan.reference_ohm,
                lead_ohm: 0.0,
                gain_ratio: 1.0,
            },
            channel: vec![source, load],
        }
    }

    fn microphone(
        &self,
        run: &Run,
        index: usize,
        probe: &Probe,
        resampler: &Resampler,
        mut random: Random,
    ) -> RehearsedCapture {
        let plan = self.plan;
        let early_s = if plan.reference {
            0.0
        } else {
            0.05 + 0.1 * random.uniform()
        };
        let (start, period, count) = self.timing(early_s);
        let gains = plan
            .probe_gain
            .iter()
            .filter(|(name, _)| *name == probe.name);
        let gain: f64 = gains.map(|(_, gain)| gain).product();
        let mut pa = resampler.sample(&run.pressure[index], start, period, count);
        let peak_pa = pa.iter().fold(0.0f64, |a, p| a.max(p.abs()));
        if let Some(level) = plan.noise_db_spl {
            add_room(&mut pa, pressure_pa(level), self.file_hz(), &mut random);
        }
        if let Some(level) = plan.hum_db_spl {
            add_hum(&mut pa, pressure_pa(level), self.file_hz(), &mut random);
        }
        if plan.slam && !matches!(probe.place, ProbePlace::Inside { .. }) {
            let from = plan.sweep.silence_before_s;
            let to = from + plan.sweep.duration_s;
            add_slam(
                &mut pa,
                (3.0 * peak_pa).max(2.0),
                from,
                to,
                self.file_hz(),
                &mut random,
            );
        }
        for p in &mut pa {
            *p *= gain * SENSITIVITY_V_PER_PA;
        }
        let unit = microphone_v_per_unit(peak_pa * gain * SENSITIVITY_V_PER_PA, plan.clip_db);
        self.digitise(&mut pa, unit, &mut random);
        let mut channel = Vec::new();
        if plan.reference {
            let mut reference = resampler.sample(&run.source, start, period, count);
            self.digitise(&mut reference, self.amplifier_v_per_unit(), &mut random);
            channel.push(reference);
        }
        channel.push(pa);
        RehearsedCapture {
            label: probe.name.clone(),
            kind: CaptureKind::Pressure {
                probe: probe.name.clone(),
                reference_channel: plan.reference.then_some(1),
                microphone_channel: channel.len(),
                scale: MicrophoneScale::Sensitivity {
                    sensitivity_v_per_pa: SENSITIVITY_V_PER_PA,
                    microphone_v_per_unit: unit,
                },
                reference_v_per_unit: self.amplifier_v_per_unit(),
                correction: None,
            },
            channel,
        }
    }
}

/// The gain a careful operator sets: steps of 10 dB, peak below −6 dB re full scale; or as far too high as asked for.
fn microphone_v_per_unit(peak_v: f64, clip_db: Option<f64>) -> f64 {
    if let Some(over) = clip_db {
        return peak_v.max(1e-9) / 10f64.powf(over / 20.0);
    }
    let step = (2.0 * peak_v.max(1e-6)).log10() * 2.0;
    // Rounded to what a person would write.
    let exact = 10f64.powf(step.ceil() / 2.0);
    let power = 10f64.powf(exact.log10().floor() - 3.0);
    (exact / power).round() * power
}
