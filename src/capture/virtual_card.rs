//! A sound card with a virtual unit behind it: for training without hardware, and for tests of everything above [`Card`].
//!
//! One thread asks for the frames to be played, steps the unit ([`LiveUnit`]) and hands over what its inputs heard meanwhile.
//! Between both lies a latency that is drawn anew for each take, as with a real card; the input starts a random while before
//! the output. What stands on the inputs is what the operator connected last ([`Operator::connect`]).
//!
//! | scale | meaning |
//! | --- | --- |
//! | [`Live::amplifier_v_per_unit`] | the amplifier gives this voltage for a full-scale sample |
//! | [`Live::input_v_per_unit`] | this voltage fills the inputs of loop-back and jig |
//! | [`Live::microphone_v_per_unit`] | this microphone voltage fills its input; the preamplifier is fixed |
//! | [`SENSITIVITY_V_PER_PA`] | of the microphone |

use super::card::{Card, CardError, Fault, FaultKind, Hear, Play, Running, Shape};
use super::guide::What;
use crate::design::Design;
use crate::design::station::VIRTUAL_BENCH;
use crate::rehearse::live::{Live, LiveUnit, Mistake, Wired};
use crate::rehearse::random::Random;
use crate::rehearse::settings::{self, Difference, Setting, SettingError};
use crate::rehearse::{RehearseError, Wanted};
use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

pub use crate::rehearse::SENSITIVITY_V_PER_PA;

/// Rates that the card has, Hz.
pub const RATES_HZ: [u32; 5] = [44_100, 48_000, 88_200, 96_000, 192_000];
/// Most channels in either direction.
pub const MOST_CHANNELS: usize = 8;
/// What it is called.
pub const LABEL: &str = VIRTUAL_BENCH;

/// How fast the card runs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pace {
    /// As a real card.
    RealTime,
    /// This many times as fast, where the machine can.
    Times(f64),
    /// As fast as the machine can. What listens must keep up: it is not waited for.
    Free,
}

/// What happens to the card in a take, for tests and training.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mishap {
    /// This many frames of the input are lost, and nothing reports it.
    Lost(usize),
    /// As many are heard twice, and nothing reports it.
    Repeated(usize),
    /// The card is unplugged: the fault is reported again and again, and nothing more is played or heard.
    Gone,
    /// The streams stop without a word.
    Mute,
    /// The streams stop without a word, and do not end when they are closed.
    Hangs,
}

/// Which channels are wired, from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Plugs {
    /// Output to the amplifier.
    pub output: usize,
    /// Input of loop-back or source; `None`: not connected.
    pub reference: Option<usize>,
    /// Input of microphone or load.
    pub signal: usize,
}

impl Default for Plugs {
    fn default() -> Self {
        Self {
            output: 0,
            reference: Some(0),
            signal: 1,
        }
    }
}

/// How the card is made.
#[derive(Debug, Clone, PartialEq)]
pub struct Choices {
    /// Bench and its faults; the sample rate is that of the streams.
    pub bench: Live,
    /// Cables.
    pub plugs: Plugs,
    /// Speed.
    pub pace: Pace,
    /// Frames of a block.
    pub block: usize,
    /// Which unit it is, in a word or two; written into `captures.toml` behind the card's name.
    pub unit: String,
    /// What happens, and when after the start of a take, s.
    pub mishap: Option<(f64, Mishap)>,
}

impl Default for Choices {
    fn default() -> Self {
        Self {
            bench: Live::default(),
            plugs: Plugs::default(),
            pace: Pace::RealTime,
            block: 480,
            unit: String::new(),
            mishap: None,
        }
    }
}

/// A virtual unit that cannot be built.
#[derive(Debug, thiserror::Error)]
pub enum VirtualError {
    /// A fault that cannot be set.
    #[error(transparent)]
    Setting(#[from] SettingError),
    /// A unit or probe that cannot be rehearsed.
    #[error(transparent)]
    Rehearse(#[from] RehearseError),
}

struct State {
    design: Design,
    differences: Vec<Difference>,
    choices: Choices,
    connected: Wired,
    takes: u64,
}

/// The operator's hands: what is connected between takes. Clones act on the same bench.
#[derive(Clone)]
pub struct Operator(Arc<Mutex<State>>);

impl Operator {
    fn state(&self) -> MutexGuard<'_, State> {
        // Each change is one assignment: nothing is half done after a panic elsewhere.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Wires the bench for a capture; it holds from the next start on.
    ///
    /// # Errors
    /// [`RehearseError::Probe`] where the design has no such probe.
    pub fn connect(&self, what: &What) -> Result<(), RehearseError> {
        self.wire(Wired::Unit(wanted(what)))
    }

    /// As [`Operator::connect`], for the unit or for a known thing to calibrate with.
    ///
    /// # Errors
    /// As there.
    pub fn wire(&self, wired: Wired) -> Result<(), RehearseError> {
        let mut state = self.state();
        LiveUnit::wired(&state.design, &wired, &state.choices.bench)?;
        state.connected = wired;
        Ok(())
    }

    /// Makes a mistake in every take from the next start on, or none any more.
    pub fn mistake(&self, mistake: Option<Mistake>) {
        self.state().choices.bench.mistake = mistake;
    }

    /// Lets something happen this long after the next starts, s, or nothing any more.
    pub fn mishap(&self, mishap: Option<(f64, Mishap)>) {
        self.state().choices.mishap = mishap;
    }

    /// What of the unit differs from its design: faults and what was drawn.
    #[must_use]
    pub fn differences(&self) -> Vec<Difference> {
        self.state().differences.clone()
    }

    /// The bench as it is wired.
    #[must_use]
    pub fn bench(&self) -> Live {
        self.state().choices.bench.clone()
    }
}

fn wanted(what: &What) -> Wanted {
    match what {
        What::Impedance => Wanted::Impedance,
        What::Probe(name) => Wanted::Pressure(name.clone()),
    }
}

/// The mistake of leaving the bench wired for `what`.
#[must_use]
pub fn left_at(what: &What) -> Mistake {
    Mistake::LeftAt(wanted(what))
}

/// A sound card with a virtual unit behind it.
pub struct VirtualCard {
    operator: Operator,
}

impl VirtualCard {
    /// A card before the unit `design` with faults: `faults` as `bassay rehearse --set` takes them, tolerances drawn where
    /// `drawn` holds a seed. The jig is connected.
    ///
    /// # Errors
    /// [`VirtualError`]: a fault that the design does not know, or a unit that cannot be rehearsed.
    pub fn new(
        design: &Design,
        faults: &[Setting],
        drawn: Option<u64>,
        mut choices: Choices,
    ) -> Result<Self, VirtualError> {
        let built = settings::build(design, faults, drawn)?;
        choices.bench.probe_gain.extend(built.probe_gain);
        LiveUnit::new(&built.design, &Wanted::Impedance, &choices.bench)?;
        Ok(Self {
            operator: Operator(Arc::new(Mutex::new(State {
                design: built.design,
                differences: built.differences,
                choices,
                connected: Wired::Unit(Wanted::Impedance),
                takes: 0,
            }))),
        })
    }

    /// The operator's hands, for whoever owns the card elsewhere.
    #[must_use]
    pub fn operator(&self) -> Operator {
        self.operator.clone()
    }

    /// Wires the bench for a capture ([`Operator::connect`]).
    ///
    /// # Errors
    /// As there.
    pub fn connect(&self, what: &What) -> Result<(), RehearseError> {
        self.operator.connect(what)
    }
}

fn check(shape: Shape, plugs: Plugs) -> Result<(), CardError> {
    let cannot = |what: String, has: String| {
        Err(CardError::Cannot {
            device: LABEL.to_string(),
            what,
            has,
        })
    };
    if !RATES_HZ.contains(&shape.sample_rate_hz) {
        let rates: Vec<String> = RATES_HZ.iter().map(u32::to_string).collect();
        return cannot(
            format!("{} Hz", shape.sample_rate_hz),
            format!("{} Hz", rates.join(", ")),
        );
    }
    let last_input = plugs.signal.max(plugs.reference.unwrap_or(0));
    for (name, asked, last) in [
        ("inputs", shape.inputs, last_input),
        ("outputs", shape.outputs, plugs.output),
    ] {
        if asked <= last || asked > MOST_CHANNELS {
            return cannot(
                format!("{asked} {name}"),
                format!("{} to {MOST_CHANNELS} as its cables are plugged", last + 1),
            );
        }
    }
    Ok(())
}

impl Card for VirtualCard {
    fn label(&self) -> String {
        let state = self.operator.state();
        match state.choices.unit.as_str() {
            "" => LABEL.to_string(),
            unit => format!("{LABEL}: {unit}"),
        }
    }

    fn start(
        &mut self,
        shape: Shape,
        play: Play,
        hear: Hear,
        fault: Arc<Fault>,
    ) -> Result<Box<dyn Running>, CardError> {
        let fail = |cause: String| CardError::Start {
            device: LABEL.to_string(),
            cause,
        };
        let mut state = self.operator.state();
        check(shape, state.choices.plugs)?;
        state.takes += 1;
        let mut random = Random::new(state.choices.bench.seed, 0x7461_6b65 + state.takes);
        let mut choices = state.choices.clone();
        choices.bench.sample_rate_hz = shape.sample_rate_hz;
        choices.bench.seed = random.bits();
        choices.block = choices.block.clamp(1, 1 << 16);
        let unit = LiveUnit::wired(&state.design, &state.connected, &choices.bench)
            .map_err(|e| fail(e.to_string()))?;
        let seconds = |s: f64| (s * f64::from(shape.sample_rate_hz)) as usize;
        let loop_ = Loop {
            early: seconds(0.02 + 0.1 * random.uniform()),
            late: seconds(0.005 + 0.06 * random.uniform()),
            shape,
            choices,
            unit,
            play,
            hear,
            fault: Arc::clone(&fault),
            stop: Arc::new(AtomicBool::new(false)),
        };
        let stop = Arc::clone(&loop_.stop);
        let thread = std::thread::Builder::new()
            .name("virtual bench".to_string())
            .spawn(move || loop_.run())
            .map_err(|e| fail(e.to_string()))?;
        Ok(Box::new(Streams { stop, thread }))
    }
}

struct Streams {
    stop: Arc<AtomicBool>,
    thread: JoinHandle<()>,
}

/// How long a stream is waited for when it is closed.
const PATIENCE: Duration = Duration::from_millis(1_500);

impl Running for Streams {
    fn stop(self: Box<Self>) -> Result<(), CardError> {
        self.stop.store(true, Ordering::Release);
        let asked = Instant::now();
        while !self.thread.is_finished() {
            if asked.elapsed() > PATIENCE {
                return Err(CardError::Hangs {
                    device: LABEL.to_string(),
                });
            }
            std::thread::sleep(Duration::from_millis(1));
        }
        // A panic of a callback was reported as a fault when it happened.
        let _ = self.thread.join();
        Ok(())
    }
}

/// What the card's thread owns.
struct Loop {
    shape: Shape,
    choices: Choices,
    unit: LiveUnit,
    play: Play,
    hear: Hear,
    fault: Arc<Fault>,
    stop: Arc<AtomicBool>,
    /// Frames heard before the first is asked for.
    early: usize,
    /// Frames between asking for a frame and playing it.
    late: usize,
}

/// Reports a thread that ends by a panic of a callback.
struct Report(Arc<Fault>);

impl Drop for Report {
    fn drop(&mut self) {
        if std::thread::panicking() {
            self.0.set(FaultKind::Other);
        }
    }
}

impl Loop {
    fn run(mut self) {
        let _report = Report(Arc::clone(&self.fault));
        let Plugs {
            output,
            reference,
            signal,
        } = self.choices.plugs;
        let rate_hz = f64::from(self.shape.sample_rate_hz);
        let block = self.choices.block;
        let mut asked = vec![0.0f32; block * self.shape.outputs];
        let mut waiting: VecDeque<f64> = VecDeque::from(vec![0.0; self.late]);
        let mut played = Vec::with_capacity(block);
        let mut heard: Vec<[f64; 2]> = Vec::new();
        let mut frames: Vec<f32> = Vec::new();
        let mut mishap = self.choices.mishap;
        let mut early = self.early;
        let mut drop = 0;
        let mut done = 0u64;
        let started = Instant::now();
        while !self.stop.load(Ordering::Acquire) {
            played.clear();
            if early > 0 {
                let quiet = early.min(block);
                early -= quiet;
                played.resize(quiet, 0.0);
            } else {
                asked.fill(0.0);
                (self.play)(&mut asked);
                let channel = asked.chunks_exact(self.shape.outputs);
                waiting.extend(channel.map(|frame| f64::from(frame[output])));
                played.extend(waiting.drain(..block));
            }
            heard.clear();
            if self.unit.play(&played, &mut heard).is_err() {
                self.fault.set(FaultKind::Other);
                break;
            }
            done += played.len() as u64;
            if let Some((_, what)) = mishap.filter(|(at_s, _)| done as f64 > at_s * rate_hz) {
                match what {
                    Mishap::Lost(count) => drop = count,
                    Mishap::Repeated(count) => {
                        let again: Vec<_> = heard.iter().copied().cycle().take(count).collect();
                        heard.splice(0..0, again);
                    }
                    Mishap::Gone | Mishap::Mute | Mishap::Hangs => return self.fail(what),
                }
                mishap = None;
            }
            let lost = drop.min(heard.len());
            drop -= lost;
            frames.clear();
            for frame in &heard[lost..] {
                let at = frames.len();
                frames.resize(at + self.shape.inputs, 0.0);
                if let Some(reference) = reference {
                    frames[at + reference] = frame[0] as f32;
                }
                frames[at + signal] = frame[1] as f32;
            }
            if !frames.is_empty() {
                (self.hear)(&frames);
            }
            self.wait(started, done as f64 / rate_hz);
        }
    }

    /// Sleeps until the clock has come to `signal_s` of the card's time.
    fn wait(&self, started: Instant, signal_s: f64) {
        let speed = match self.choices.pace {
            Pace::RealTime => 1.0,
            Pace::Times(speed) if speed > 0.0 => speed,
            Pace::Times(_) | Pace::Free => return,
        };
        let due = Duration::from_secs_f64(signal_s / speed);
        if let Some(early) = due.checked_sub(started.elapsed()) {
            std::thread::sleep(early);
        }
    }

    fn fail(self, what: Mishap) {
        match what {
            Mishap::Gone => {
                while !self.stop.load(Ordering::Acquire) {
                    // Sound systems report a lost device without pause.
                    for _ in 0..10_000 {
                        self.fault.set(FaultKind::Gone);
                    }
                    std::thread::yield_now();
                }
            }
            Mishap::Hangs => {
                // Longer than anyone waits; the thread ends by itself in the end.
                std::thread::sleep(Duration::from_secs(20));
            }
            _ => {
                while !self.stop.load(Ordering::Acquire) {
                    std::thread::sleep(Duration::from_millis(2));
                }
            }
        }
    }
}

#[cfg(test)]
#[path = "virtual_card_tests.rs"]
mod tests;
