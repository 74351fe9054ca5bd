//! One take: a signal is played and recorded at once, and the recording is refused where frames are missing.
//!
//! The input runs first; the signal begins once frames arrive. The recording ends when the signal's end has certainly been heard:
//! after the card has taken the last frame, the sweep is looked for in the reference channel, and recording goes on until the
//! sweep's end and the silence behind it are on file. The card's latency therefore needs not be known. Without a reference
//! channel the longest usual latency is waited for instead, and lost frames are told by the counters alone.

use super::card::{Card, CardError, Shape};
use super::growing_wav::{GrowingError, GrowingWav};
use super::stream::{Stream, StreamError};
use crate::design::captures::SweepPlan;
use crate::signal::continuity::{Continuity, ContinuityError, Step, examine};
use crate::signal::deconvolve::MOST_DRIFT_PPM;
use crate::signal::sweep::{Sweep, SweepError};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Recorded before the signal begins, s: the card has settled by then.
const SETTLE_S: f64 = 0.25;
/// Waited for after the card has taken the signal's last frame, s: above the buffers of sound systems (common practice, no
/// published source; the audio server of the tests has up to 0.4 s).
const LATENCY_S: f64 = 1.0;
/// Frames between two calls of the watcher, s.
const WATCH_S: f64 = 0.1;

/// What is played and what is kept.
#[derive(Debug, Clone)]
pub struct TakePlan {
    /// Frames per second, Hz.
    pub sample_rate_hz: u32,
    /// What is played, full scale = 1.0, silence ahead and behind included.
    pub signal: Arc<[f32]>,
    /// Channel that it is played on, from 1.
    pub output_channel: usize,
    /// Channels that the output is opened with.
    pub outputs: usize,
    /// Channels that the input is opened with.
    pub inputs: usize,
    /// Channels that are kept, from 1, in the order of the file.
    pub keep: Vec<usize>,
    /// The complete file, `NAME.wav`.
    pub file: PathBuf,
    /// Which of `keep` (an index, from 0) carries the loop-back of what is played.
    pub reference: Option<usize>,
    /// The sweep in `signal`.
    pub sweep: SweepPlan,
}

/// Whether to go on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Go {
    /// Go on.
    On,
    /// Fade out and end.
    Stop,
}

/// How loud a kept channel was since the last call; full scale = 1.0.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Level {
    /// Largest magnitude.
    pub peak: f32,
    /// Root of the mean square.
    pub rms: f32,
}

/// How far a take is.
#[derive(Debug, Clone, PartialEq)]
pub struct Progress {
    /// Frames of the signal that the card has taken.
    pub played: u64,
    /// Frames recorded.
    pub recorded: u64,
    /// Frames that will be recorded, about.
    pub total: u64,
    /// The kept channels since the last call.
    pub levels: Vec<Level>,
}

/// A take that was not refused.
#[derive(Debug, Clone, PartialEq)]
pub struct Taken {
    /// `NAME.wav`, or `NAME.partial.wav` if stopped.
    pub file: PathBuf,
    /// Not stopped ahead of its end.
    pub complete: bool,
    /// Frames in the file.
    pub frames: u64,
    /// Largest magnitude of each kept channel, full scale = 1.0.
    pub peak: Vec<f32>,
    /// Frames from the moment at which the card took the signal's first frame to its arrival on the reference channel; `None`
    /// where that channel does not tell. It differs from take to take by a block of either stream and by what the
    /// sound system keeps: nothing depends on it, because start and end are found in the recording.
    pub latency_frames: Option<f64>,
    /// What the reference channel tells of clocks and lost frames; `None` without one, or if stopped.
    pub continuity: Option<Continuity>,
}

/// A take that is refused. The file named holds what was recorded, and is never called `NAME.wav`.
#[derive(Debug, thiserror::Error)]
pub enum TakeError {
    /// The plan contradicts itself.
    #[error("{what}: found {found}; expected {expected}")]
    Plan {
        /// Which part.
        what: &'static str,
        /// Found.
        found: String,
        /// Expected.
        expected: String,
    },
    /// The sweep cannot be played.
    #[error(transparent)]
    Sweep(#[from] SweepError),
    /// The card cannot be used as asked.
    #[error(transparent)]
    Card(#[from] CardError),
    /// The file cannot be written.
    #[error(transparent)]
    File(#[from] GrowingError),
    /// The streams ended early.
    #[error("{cause}. {} holds the first {kept_s:.2} s", .file.display())]
    Stream {
        /// Why.
        cause: StreamError,
        /// The incomplete file.
        file: PathBuf,
        /// What it holds, s.
        kept_s: f64,
    },
    /// Frames were lost or repeated and nobody reported it.
    #[error(
        "{step}: the take is refused; check that the reference input carries the loop-back, end other programs, and record again. It is kept as {}", .file.display()
    )]
    Broken {
        /// Where and how many.
        step: Step,
        /// The refused file.
        file: PathBuf,
    },
    /// The reference channel does not tell.
    #[error("{cause}; the take is refused and kept as {}", .file.display())]
    Reference {
        /// Why.
        cause: ContinuityError,
        /// The refused file.
        file: PathBuf,
    },
    /// The clocks differ by more than sound ones do.
    #[error(
        "input and output run at rates that differ by {ppm:.0} ppm (allowed: {most:.0}): set both to one rate, or use one card for both; the take is refused and kept as {}",
        .file.display(), most = MOST_DRIFT_PPM
    )]
    Clocks {
        /// Difference, parts per million.
        ppm: f64,
        /// The refused file.
        file: PathBuf,
    },
}

impl TakePlan {
    fn shape(&self) -> Shape {
        Shape {
            sample_rate_hz: self.sample_rate_hz,
            inputs: self.inputs,
            outputs: self.outputs,
        }
    }

    fn check(&self) -> Result<(), TakeError> {
        let fail = |what, found: String, expected: String| {
            Err(TakeError::Plan {
                what,
                found,
                expected,
            })
        };
        if self.sweep.sample_rate_hz != self.sample_rate_hz {
            return fail(
                "sample rate of the sweep",
                format!("{} Hz", self.sweep.sample_rate_hz),
                format!("that of the card, {} Hz", self.sample_rate_hz),
            );
        }
        check_channels(self.shape(), self.output_channel, &self.keep)?;
        if let Some(reference) = self.reference.filter(|&r| r >= self.keep.len()) {
            return fail(
                "reference channel",
                format!("place {} of the file", reference + 1),
                format!("1 to {}", self.keep.len()),
            );
        }
        Ok(())
    }
}

/// Channels count from 1 and exist.
pub(super) fn check_channels(
    shape: Shape,
    output_channel: usize,
    keep: &[usize],
) -> Result<(), TakeError> {
    let within = |what, channel: usize, most: usize| {
        if (1..=most).contains(&channel) {
            return Ok(());
        }
        Err(TakeError::Plan {
            what,
            found: channel.to_string(),
            expected: format!("1 to {most}"),
        })
    };
    within("output channel", output_channel, shape.outputs)?;
    keep.iter()
        .try_for_each(|&channel| within("input channel", channel, shape.inputs))?;
    if keep.is_empty() {
        return Err(TakeError::Plan {
            what: "input channels",
            found: "none".to_string(),
            expected: "one or more".to_string(),
        });
    }
    Ok(())
}

/// Levels of the kept channels, gathered between two calls of the watcher.
#[derive(Debug)]
pub(super) struct Meter {
    peak: Vec<f32>,
    square: Vec<f64>,
    frames: u64,
    /// Largest magnitude of all.
    pub(super) largest: Vec<f32>,
}

impl Meter {
    pub(super) fn new(channels: usize) -> Self {
        Self {
            peak: vec![0.0; channels],
            square: vec![0.0; channels],
            frames: 0,
            largest: vec![0.0; channels],
        }
    }

    pub(super) fn add(&mut self, frames: &[f32]) {
        for frame in frames.chunks_exact(self.peak.len()) {
            for (n, &value) in frame.iter().enumerate() {
                self.peak[n] = self.peak[n].max(value.abs());
                self.square[n] += f64::from(value).powi(2);
            }
            self.frames += 1;
        }
    }

    /// The levels, if enough was gathered; gathering then begins anew.
    pub(super) fn due(&mut self, rate_hz: f64) -> Option<Vec<Level>> {
        if (self.frames as f64) < WATCH_S * rate_hz {
            return None;
        }
        let levels = (0..self.peak.len())
            .map(|n| {
                self.largest[n] = self.largest[n].max(self.peak[n]);
                Level {
                    peak: self.peak[n],
                    rms: (self.square[n] / self.frames as f64).sqrt() as f32,
                }
            })
            .collect();
        self.peak.fill(0.0);
        self.square.fill(0.0);
        self.frames = 0;
        Some(levels)
    }

    /// Largest magnitude of each channel so far.
    pub(super) fn peaks(mut self) -> Vec<f32> {
        for (largest, peak) in self.largest.iter_mut().zip(&self.peak) {
            *largest = largest.max(*peak);
        }
        self.largest
    }
}

/// When enough is on file.
struct End<'a> {
    plan: &'a TakePlan,
    sweep: &'a Sweep,
    /// Frames recorded when the card had taken the last frame of the signal.
    played_at: Option<u64>,
    /// Frames to be recorded.
    wanted: Option<u64>,
}

impl End<'_> {
    /// Whether the recording may end.
    fn reached(&mut self, played: u64, recorded: u64, reference: &[f32]) -> bool {
        if played < self.plan.signal.len() as u64 {
            return false;
        }
        let rate_hz = f64::from(self.plan.sample_rate_hz);
        let played_at = *self.played_at.get_or_insert(recorded);
        let wait = (LATENCY_S * rate_hz) as u64;
        if recorded < played_at + wait {
            return false;
        }
        let wanted = *self.wanted.get_or_insert_with(|| {
            let found = crate::signal::continuity::start(reference, rate_hz, self.sweep);
            let sweep = &self.plan.sweep;
            let rest_s = sweep.duration_s + sweep.silence_after_s;
            // Not found: what is there will be refused, there is nothing to wait for.
            found.map_or(recorded, |start_s| ((start_s + rest_s) * rate_hz) as u64)
        });
        recorded >= wanted
    }
}

/// Plays and records; `watch` is called about ten times a second.
///
/// # Errors
/// [`TakeError`]: the take is refused. Its file then has another name than the plan's.
pub fn take(
    card: &mut dyn Card,
    plan: &TakePlan,
    watch: &mut dyn FnMut(&Progress) -> Go,
) -> Result<Taken, TakeError> {
    plan.check()?;
    let sweep = Sweep::new(plan.sweep)?;
    let rate_hz = f64::from(plan.sample_rate_hz);
    let channels = plan.keep.len();
    let device = card.label();
    let mut file = GrowingWav::create(&plan.file, plan.sample_rate_hz, channels, &device)?;
    let opened = Stream::open(
        card,
        plan.shape(),
        Arc::clone(&plan.signal),
        plan.output_channel,
        &plan.keep,
    );
    let mut stream = match opened {
        Ok(stream) => stream,
        Err(error) => {
            // Nothing was heard: an empty file tells nothing.
            let _ = std::fs::remove_file(file.leave());
            return Err(error.into());
        }
    };
    let about = plan.signal.len() as u64 + ((SETTLE_S + LATENCY_S) * rate_hz) as u64;
    let mut meter = Meter::new(channels);
    let mut block = Vec::new();
    let mut reference: Vec<f32> = Vec::new();
    let mut end = End {
        plan,
        sweep: &sweep,
        played_at: None,
        wanted: None,
    };
    let mut going = false;
    let mut complete = true;
    loop {
        block.clear();
        let drawn = stream.draw(&mut block);
        file.append(&block)?;
        meter.add(&block);
        if let Some(channel) = plan.reference {
            reference.extend(block.iter().skip(channel).step_by(channels));
        }
        if let Err(cause) = drawn {
            let kept_s = file.seconds();
            let file = file.leave();
            // The message is about what ended the stream; a stream that also hangs adds nothing to it.
            let _ = stream.close();
            return Err(TakeError::Stream {
                cause,
                file,
                kept_s,
            });
        }
        let recorded = file.frames();
        if !going && recorded as f64 >= SETTLE_S * rate_hz {
            stream.go();
            going = true;
        }
        let played = stream.played();
        if let Some(levels) = meter.due(rate_hz) {
            let total = end.wanted.unwrap_or(about).max(recorded);
            let progress = Progress {
                played,
                recorded,
                total,
                levels,
            };
            if watch(&progress) == Go::Stop {
                complete = false;
                break;
            }
        }
        if end.reached(played, recorded, &reference) {
            break;
        }
    }
    let begun = stream.begun();
    let closed = stream.close();
    let frames = file.frames();
    let peak = meter.peaks();
    let (file, continuity) = if complete {
        let told = plan
            .reference
            .map(|_| examine(&reference, rate_hz, &sweep))
            .transpose();
        judge(file, told)?
    } else {
        (file.leave(), None)
    };
    // The recording is sound even where the card does not let go of its streams; whoever records next is told.
    if let (Err(error), false) = (closed, complete) {
        return Err(error.into());
    }
    let latency_frames = begun
        .zip(continuity.as_ref())
        .map(|(begun, c)| (c.start_s - plan.sweep.silence_before_s) * rate_hz - begun as f64);
    Ok(Taken {
        file,
        complete,
        frames,
        peak,
        latency_frames,
        continuity,
    })
}

/// Gives the file the name that it has earned.
fn judge(
    file: GrowingWav,
    told: Result<Option<Continuity>, ContinuityError>,
) -> Result<(PathBuf, Option<Continuity>), TakeError> {
    let refused = |file: GrowingWav| file.set_aside(REFUSED);
    match told {
        Err(cause) => Err(TakeError::Reference {
            cause,
            file: refused(file)?,
        }),
        Ok(Some(c)) if !c.steps.is_empty() => Err(TakeError::Broken {
            step: c.steps[0],
            file: refused(file)?,
        }),
        Ok(Some(c)) if c.drift_ppm.abs() - 2.0 * c.drift_sd_ppm > MOST_DRIFT_PPM => {
            Err(TakeError::Clocks {
                ppm: c.drift_ppm,
                file: refused(file)?,
            })
        }
        Ok(told) => Ok((file.finish()?, told)),
    }
}

/// Word in the name of a file that holds a whole take that is no good: `NAME.refused.wav`.
pub const REFUSED: &str = "refused";

/// Where a refused take is kept.
#[must_use]
pub fn refused_beside(file: &Path) -> PathBuf {
    super::growing_wav::beside(file, REFUSED)
}
