//! The virtual unit as a stream: played samples in, what the inputs hear out, block by block.
//!
//! ```text
//! played (card's clock) → amplifier → unit, stepped on its own grid → jig or microphone → heard (recorder's clock)
//! heard sample k belongs to the time k/(rate·(1 + drift)) − latency of the player's clock
//! ```
//!
//! It is causal with a fixed latency: half the length of both interpolators and what a microphone's filter looks ahead,
//! rounded up to whole samples ([`LiveUnit::latency_s`]), so that every block that is played gives as many frames at once;
//! a recorder whose clock drifts gets more or fewer by and by. Unit, microphones, interpolators and noise are those of
//! [`super::simulate`]; the same sweep gives the same channels but for the interpolation of what is played.
//!
//! | input | jig | microphone |
//! | --- | --- | --- |
//! | first | voltage ahead of the reference resistor | loop-back of the amplifier's voltage |
//! | second | voltage across the loudspeaker | microphone |
//!
//! For calibrations a known thing stands in the unit's place ([`Wired`]): a resistor in the jig, whose second input sees
//! (R + leads)/(R + leads + reference) of the first; both inputs on the amplifier's voltage; or the microphone in a level calibrator, whose tone it
//! hears without the room while the first input stays on the amplifier.

use super::air::Air;
use super::ear::Ear;
use super::noise::{Hum, Room, pressure_pa, slam};
use super::random::Random;
use super::record::{CONVERTER_NOISE, SENSITIVITY_V_PER_PA, Wanted, probe_named};
use super::resample::Resampler;
use super::run::LARGEST_PA;
use super::unit::{Grid, Unit};
use super::{RehearseError, rate_hz};
use crate::design::{Design, ProbePlace};
use std::f64::consts::TAU;

/// Frequency of the virtual level calibrator, Hz (IEC 60942, from memory: the usual one).
pub const CALIBRATOR_HZ: f64 = 1000.0;
/// Reference pressure of levels, Pa.
const REFERENCE_PA: f64 = 20e-6;

/// What stands on the inputs.
#[derive(Debug, Clone, PartialEq)]
pub enum Wired {
    /// The unit, in the jig or before a microphone.
    Unit(Wanted),
    /// A known resistor in the jig in the loudspeaker's place, Ω; 0 is a short.
    Resistor(f64),
    /// Both inputs on the amplifier's voltage.
    BothInputs,
    /// The microphone in a level calibrator of [`CALIBRATOR_HZ`] at this level, dB re 20 µPa RMS.
    Calibrator(f64),
}

/// What the operator did wrong, for tests and training.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Mistake {
    /// The bench is still wired for this, whatever is wanted.
    LeftAt(Wanted),
    /// The two inputs' cables are exchanged.
    Swapped,
    /// The second input is inverted.
    Inverted,
    /// The second input hears nothing.
    Dead,
}

/// A bench with a virtual unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Live {
    /// Rate of the played samples, and nominally of the heard ones, Hz.
    pub sample_rate_hz: u32,
    /// Frequencies between which the unit must be right, Hz.
    pub band_hz: [f64; 2],
    /// Voltage of the amplifier for a full-scale sample, V (peak of a full-scale sine).
    pub amplifier_v_per_unit: f64,
    /// Voltage ahead of the divider that fills an input of loop-back or jig, V.
    pub input_v_per_unit: f64,
    /// Voltage of the microphone that fills its input, V.
    pub microphone_v_per_unit: f64,
    /// Reference resistor of the jig, Ω.
    pub reference_ohm: f64,
    /// Resistance of its leads to what it measures, Ω; the second input sees it too.
    pub lead_ohm: f64,
    /// Second input's gain over the first's.
    pub gain_ratio: f64,
    /// Room noise within 5 to 500 Hz, dB re 20 µPa; `None`: neither room nor recorder makes any noise.
    pub noise_db_spl: Option<f64>,
    /// Hum at the microphone, dB re 20 µPa at 50 Hz; the jig picks up the same voltage as the microphone gives.
    pub hum_db_spl: Option<f64>,
    /// The recorder's clock against the player's, ppm, positive where the recorder is fast.
    pub drift_ppm: f64,
    /// A door slams at a random moment between these times after the start of the stream, s.
    pub slam_s: Option<[f64; 2]>,
    /// Strength of the driver's Bl(x) and Cms(x) nonlinearity; 0 is linear, 1 a usual driver.
    pub nonlinear: f64,
    /// Constant offset of both inputs, full scale = 1.
    pub offset: f64,
    /// Gain error of microphones: probe name and factor ([`super::settings::AsBuilt::probe_gain`]).
    pub probe_gain: Vec<(String, f64)>,
    /// What the operator did wrong.
    pub mistake: Option<Mistake>,
    /// Seed of all that is random.
    pub seed: u64,
}

impl Default for Live {
    /// A quiet room, an amplifier of 40 V peak, 1 V at the microphone's input for full scale (132 dB peak), no fault.
    fn default() -> Self {
        Self {
            sample_rate_hz: 48_000,
            band_hz: [5.0, 500.0],
            amplifier_v_per_unit: 40.0,
            input_v_per_unit: 40.0,
            microphone_v_per_unit: 1.0,
            reference_ohm: 10.0,
            lead_ohm: 0.0,
            gain_ratio: 1.0,
            noise_db_spl: Some(35.0),
            hum_db_spl: None,
            drift_ppm: 0.0,
            slam_s: None,
            nonlinear: 0.0,
            offset: 0.0,
            probe_gain: Vec::new(),
            mistake: None,
            seed: 1,
        }
    }
}

impl Live {
    /// A bench to train at, as real ones are: no part of it has quite the value that is written on it.
    #[must_use]
    pub fn to_train_at() -> Self {
        Self {
            reference_ohm: 9.987,
            lead_ohm: 0.052,
            gain_ratio: 1.0021,
            ..Self::default()
        }
    }
}

/// The last samples of an endless series.
#[derive(Debug, Clone, Default)]
struct Tape {
    start: i64,
    sample: Vec<f64>,
}

impl Tape {
    fn end(&self) -> i64 {
        self.start + self.sample.len() as i64
    }

    /// Drops what lies before `index`, in large pieces.
    fn forget(&mut self, index: i64) {
        let old = index - self.start;
        if old > 8192 {
            self.sample.drain(..old as usize);
            self.start = index;
        }
    }
}

/// What makes the voltages of both inputs.
enum Behind {
    /// The unit in the jig.
    Jig(Box<Unit>),
    /// The unit before a microphone.
    Room(Box<Unit>, Box<Ear>),
    /// A resistor in the jig, Ω.
    Resistor(f64),
    /// One voltage on both inputs.
    BothInputs,
    /// The microphone in a calibrator, peak Pa.
    Calibrator(f64),
}

impl Behind {
    fn ear(&self) -> Option<&Ear> {
        match self {
            Self::Room(_, ear) => Some(ear),
            _ => None,
        }
    }

    /// Whether the second input is the microphone's.
    fn is_microphone(&self) -> bool {
        matches!(self, Self::Room(..) | Self::Calibrator(_))
    }

    /// Loudest pressure in the unit so far, Pa.
    fn largest_pa(&self) -> f64 {
        match self {
            Self::Jig(unit) | Self::Room(unit, _) => unit.largest_pa(),
            _ => 0.0,
        }
    }
}

/// A unit on a bench, running.
pub struct LiveUnit {
    live: Live,
    behind: Behind,
    is_inside: bool,
    gain: f64,
    step_hz: f64,
    /// Frames that `play` has given.
    frames: u64,
    played: Tape,
    into_unit: Resampler,
    steps: u64,
    first: Tape,
    second: Tape,
    out_of_unit: Resampler,
    latency: u64,
    random: Random,
    room: Option<Room>,
    hum: Option<Hum>,
    slam_at_s: Option<f64>,
    slam_pa: Option<f64>,
    largest_pa: f64,
}

impl LiveUnit {
    /// A unit at rest, wired for what is wanted (or for what a mistake has left).
    ///
    /// # Errors
    /// [`RehearseError`]: a probe that the design does not have, or a design that cannot be simulated.
    pub fn new(design: &Design, wanted: &Wanted, live: &Live) -> Result<Self, RehearseError> {
        Self::wired(design, &Wired::Unit(wanted.clone()), live)
    }

    /// As [`LiveUnit::new`], with the unit or a known thing on the inputs.
    ///
    /// # Errors
    /// As there.
    pub fn wired(design: &Design, wired: &Wired, live: &Live) -> Result<Self, RehearseError> {
        let air = Air::new(design.air);
        let step_hz = rate_hz(live.band_hz[1]);
        let grid = Grid {
            rate_hz: step_hz,
            low_hz: live.band_hz[0],
            high_hz: live.band_hz[1],
            nonlinear: live.nonlinear,
            quadratic: true,
        };
        let card_hz = f64::from(live.sample_rate_hz);
        let unit = |source_ohm: f64| Unit::new(design, &air, grid, source_ohm).map(Box::new);
        let mut random = Random::new(live.seed, 0x6c69_7665);
        let (mut is_inside, mut gain) = (false, 1.0);
        let wanted = match (wired, &live.mistake) {
            (Wired::Unit(_), Some(Mistake::LeftAt(other))) => Wired::Unit(other.clone()),
            _ => wired.clone(),
        };
        let behind = match wanted {
            Wired::Unit(Wanted::Impedance) => {
                Behind::Jig(unit(live.reference_ohm + live.lead_ohm)?)
            }
            Wired::Unit(Wanted::Pressure(name)) => {
                let mut unit = unit(design.drive.source_ohm)?;
                let probe = probe_named(design, &name)?;
                let ear = Ear::new(design, probe, &mut unit, &air)?;
                is_inside = matches!(probe.place, ProbePlace::Inside { .. });
                let gains = live.probe_gain.iter().filter(|(known, _)| *known == name);
                gain = gains.map(|(_, gain)| gain).product();
                Behind::Room(unit, Box::new(ear))
            }
            Wired::Resistor(ohm) => Behind::Resistor(ohm),
            Wired::BothInputs => Behind::BothInputs,
            Wired::Calibrator(level_db) => Behind::Calibrator(
                std::f64::consts::SQRT_2 * REFERENCE_PA * 10f64.powf(level_db / 20.0),
            ),
        };
        let into_unit = Resampler::new(card_hz, step_hz);
        let out_of_unit = Resampler::new(step_hz, card_hz);
        let ahead = behind.ear().map_or(0.0, |ear| 1.0 - ear.offset());
        let latency_s = (into_unit.half() as f64 + 1.0) / card_hz
            + (out_of_unit.half() as f64 + ahead + 2.0) / step_hz;
        let room = live.noise_db_spl.filter(|_| behind.ear().is_some());
        Ok(Self {
            room: room.map(|db| Room::new(pressure_pa(db), card_hz, &mut random)),
            hum: live
                .hum_db_spl
                .map(|db| Hum::new(pressure_pa(db), &mut random)),
            slam_at_s: live
                .slam_s
                .map(|[from, to]| from + (to - from) * random.uniform()),
            slam_pa: None,
            largest_pa: 0.0,
            live: live.clone(),
            behind,
            is_inside,
            gain,
            step_hz,
            frames: 0,
            played: Tape::default(),
            into_unit,
            steps: 0,
            first: Tape::default(),
            second: Tape::default(),
            out_of_unit,
            latency: (latency_s * card_hz).ceil() as u64,
            random,
        })
    }

    /// What the inputs hear lies this far behind what is played, s.
    #[must_use]
    pub fn latency_s(&self) -> f64 {
        self.latency as f64 / f64::from(self.live.sample_rate_hz)
    }

    /// Plays a block (full scale = 1; beyond it the card clips) and appends the frames that are heard meanwhile, first and
    /// second input.
    ///
    /// # Errors
    /// [`RehearseError::Unstable`] where the simulation grows without bound.
    pub fn play(&mut self, played: &[f64], heard: &mut Vec<[f64; 2]>) -> Result<(), RehearseError> {
        let volts = self.live.amplifier_v_per_unit;
        self.played
            .sample
            .extend(played.iter().map(|x| volts * x.clamp(-1.0, 1.0)));
        self.step_unit()?;
        let card_hz = f64::from(self.live.sample_rate_hz);
        let pace = 1.0 + self.live.drift_ppm * 1e-6;
        let period_s = 1.0 / (card_hz * pace);
        // A millionth of a frame: rounding must not hold one back.
        let due = (self.played.end() as f64 * pace + 1e-6).floor() as u64;
        let late = self.behind.ear().map_or(0.5, Ear::offset);
        while self.frames < due {
            let recorder_s = self.frames as f64 * period_s;
            let position = (recorder_s - self.latency_s()) * self.step_hz;
            let first = self
                .out_of_unit
                .at(&self.first.sample, self.first.start, position - 0.5);
            let second =
                self.out_of_unit
                    .at(&self.second.sample, self.second.start, position - late);
            let volts = [first, self.second_volts(second, recorder_s)];
            heard.push(self.digitise(volts));
            self.frames += 1;
        }
        let oldest = (self.frames as f64 * period_s - self.latency_s()) * self.step_hz;
        // Both series are needed from half an interpolator before the next frame on; one sample of slack for rounding.
        let keep = oldest as i64 - self.out_of_unit.half() as i64 - 2;
        self.first.forget(keep);
        self.second.forget(keep);
        Ok(())
    }

    fn step_unit(&mut self) -> Result<(), RehearseError> {
        let ratio = f64::from(self.live.sample_rate_hz) / self.step_hz;
        let half = self.into_unit.half() as i64;
        // What stands across the leads of all that does not stand across the loudspeaker.
        let lead_share = self.live.lead_ohm / (self.live.lead_ohm + self.live.reference_ohm);
        loop {
            let position = (self.steps as f64 + 0.5) * ratio;
            if position.floor() as i64 + half >= self.played.end() {
                break;
            }
            let volts = self
                .into_unit
                .at(&self.played.sample, self.played.start, position);
            self.first.sample.push(volts);
            self.second.sample.push(match &mut self.behind {
                Behind::Jig(unit) => {
                    let terminal_v = unit.step(volts).terminal_v;
                    terminal_v + lead_share * (volts - terminal_v)
                }
                Behind::Room(unit, ear) => {
                    unit.step(volts);
                    ear.pressure_pa(unit)
                }
                Behind::Resistor(ohm) => {
                    let seen_ohm = *ohm + self.live.lead_ohm;
                    volts * seen_ohm / (seen_ohm + self.live.reference_ohm)
                }
                Behind::BothInputs => volts,
                Behind::Calibrator(_) => 0.0,
            });
            self.steps += 1;
        }
        let next = (self.steps as f64 + 0.5) * ratio;
        self.played.forget(next as i64 - half - 1);
        if self.behind.largest_pa() < LARGEST_PA {
            return Ok(());
        }
        Err(RehearseError::Unstable {
            at_s: self.steps as f64 / self.step_hz,
        })
    }

    /// Voltage of the second input: of the loudspeaker, or of the microphone for a pressure.
    fn second_volts(&mut self, value: f64, recorder_s: f64) -> f64 {
        let hum_pa = self.hum.as_ref().map_or(0.0, |hum| hum.at(recorder_s));
        if let Behind::Calibrator(peak_pa) = self.behind {
            let tone = peak_pa * (TAU * CALIBRATOR_HZ * recorder_s).sin();
            return tone * SENSITIVITY_V_PER_PA;
        }
        if !self.behind.is_microphone() {
            return value + hum_pa * SENSITIVITY_V_PER_PA;
        }
        self.largest_pa = self.largest_pa.max(value.abs());
        let mut pa = value + hum_pa;
        if let Some(room) = &mut self.room {
            pa += room.next(&mut self.random);
        }
        if let Some(at_s) = self
            .slam_at_s
            .filter(|at| *at <= recorder_s && !self.is_inside)
        {
            let peak = *self.slam_pa.get_or_insert((3.0 * self.largest_pa).max(2.0));
            pa += peak * slam(recorder_s - at_s, &mut self.random);
        }
        pa * self.gain * SENSITIVITY_V_PER_PA
    }

    fn digitise(&mut self, [first, mut second]: [f64; 2]) -> [f64; 2] {
        let full = if self.behind.is_microphone() {
            self.live.microphone_v_per_unit
        } else {
            self.live.input_v_per_unit
        };
        let volts = match self.live.mistake {
            Some(Mistake::Swapped) => [second, first],
            _ => {
                match self.live.mistake {
                    Some(Mistake::Inverted) => second = -second,
                    Some(Mistake::Dead) => second = 0.0,
                    _ => {}
                }
                [first, second]
            }
        };
        let scale = [self.live.input_v_per_unit, full];
        [0, 1].map(|k| {
            let gain = [1.0, self.live.gain_ratio][k];
            let mut x = gain * volts[k] / scale[k] + self.live.offset;
            if self.live.noise_db_spl.is_some() {
                x += CONVERTER_NOISE * self.random.normal();
            }
            x.clamp(-1.0, 1.0)
        })
    }
}

#[cfg(test)]
#[path = "live_tests.rs"]
mod tests;
