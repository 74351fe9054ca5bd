//! A card at work: what the callbacks share with the thread that waits for them.
//!
//! The callbacks copy samples and count frames, nothing else: they neither lock, allocate, wait nor print. The signal to be played
//! is prepared as a whole; what is heard goes through a ring that holds seconds. The waiting thread draws it off, watches
//! for faults and for silence of the card itself, and ends the streams without a click.

use super::card::{Card, CardError, Fault, FaultKind, Running, Shape};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// What the ring holds, s: longer than a disk or a busy machine keeps the waiting thread.
const RING_S: f64 = 4.0;
/// A card that delivers or takes nothing for so long is dead. With the 2 s of [`Running::stop`] it ends within 5 s.
const DEAD: Duration = Duration::from_millis(2800);
/// Length of the fade when interrupted, s: at most 50 ms, and long enough to make no click.
const FADE_S: f64 = 0.03;
/// Silence that is still played after the fade, s, so that the fade leaves the card's own buffer.
const DRAIN_S: f64 = 0.25;
/// Longest wait for that.
const DRAIN: Duration = Duration::from_millis(700);
/// Between two looks into the ring.
const POLL: Duration = Duration::from_millis(5);

/// What ends a stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum StreamError {
    /// Reported by the card.
    #[error("{}", fault_text(*.0))]
    Fault(FaultKind),
    /// No frames.
    #[error(
        "nothing was heard for {seconds} s: the sound system does not answer; check the cable of the sound card and restart the sound system"
    )]
    DeadInput {
        /// How long, s.
        seconds: u64,
    },
    /// Frames are heard and none are taken.
    #[error(
        "nothing was played for {seconds} s: the output does not take sound; check that no other program holds it"
    )]
    DeadOutput {
        /// How long, s.
        seconds: u64,
    },
    /// The ring was full.
    #[error(
        "{frames} frames were lost because the machine was too busy to store them; end other programs and record again"
    )]
    Overflow {
        /// Lost.
        frames: u64,
    },
}

fn fault_text(kind: FaultKind) -> &'static str {
    match kind {
        FaultKind::Gone => {
            "the sound card is gone: it was unplugged, or the sound system has ended; connect it and record again"
        }
        FaultKind::Xrun => {
            "the sound card reports lost or repeated frames: the machine was too busy; end other programs and record again"
        }
        FaultKind::Changed => {
            "the sound system has changed the stream (another rate, another route); look at its settings and record again"
        }
        FaultKind::Other => {
            "the sound system has ended the stream with an error of its own; restart it and record again"
        }
    }
}

/// Between the callbacks and the waiting thread.
#[derive(Debug, Default)]
struct Shared {
    /// The signal may begin.
    go: AtomicBool,
    /// The signal must fade.
    fade: AtomicBool,
    /// Frames of the signal that were handed to the card.
    played: AtomicU64,
    /// Frames handed to the card, silence counted.
    taken: AtomicU64,
    /// Frames of silence since the last one that was not: since the fade or the signal ended, or since the start.
    silent: AtomicU64,
    /// Frames heard when the card took the first frame of the signal, and one; 0 before that.
    begun: AtomicU64,
    /// Frames heard.
    heard: AtomicU64,
    /// Frames that did not fit into the ring.
    lost: AtomicU64,
}

/// Two running streams and the ring between.
pub struct Stream {
    running: Option<Box<dyn Running>>,
    shared: Arc<Shared>,
    fault: Arc<Fault>,
    ring: rtrb::Consumer<f32>,
    kept: usize,
    rate_hz: f64,
    last_heard: (u64, Instant),
    last_taken: (u64, Instant),
}

impl Stream {
    /// Starts the card; silence is played until [`Stream::go`]. `signal` goes to `output_channel`, and of what is heard the
    /// channels `keep` come back, in that order; channels count from 1 and lie within `shape`.
    ///
    /// # Errors
    /// [`CardError`].
    pub fn open(
        card: &mut dyn Card,
        shape: Shape,
        signal: Arc<[f32]>,
        output_channel: usize,
        keep: &[usize],
    ) -> Result<Self, CardError> {
        let rate_hz = f64::from(shape.sample_rate_hz);
        let shared = Arc::new(Shared::default());
        let fault = Arc::new(Fault::default());
        let (writer, ring) = rtrb::RingBuffer::new((RING_S * rate_hz) as usize * keep.len().max(1));
        let running = card.start(
            shape,
            play(&shared, signal, shape.outputs, output_channel, rate_hz),
            hear(&shared, writer, shape.inputs, keep),
            Arc::clone(&fault),
        )?;
        Ok(Self {
            running: Some(running),
            shared,
            fault,
            ring,
            kept: keep.len().max(1),
            rate_hz,
            last_heard: (0, Instant::now()),
            last_taken: (0, Instant::now()),
        })
    }

    /// Lets the signal begin. What the card reported while it started does not matter any more.
    pub fn go(&self) {
        self.fault.forgive_xrun();
        self.shared.go.store(true, Ordering::Release);
    }

    /// Frames of the signal that the card has taken.
    #[must_use]
    pub fn played(&self) -> u64 {
        self.shared.played.load(Ordering::Acquire)
    }

    /// Frames that had been heard when the card took the first frame of the signal: exact to a block of either stream. `None`
    /// before that.
    #[must_use]
    pub fn begun(&self) -> Option<u64> {
        self.shared.begun.load(Ordering::Acquire).checked_sub(1)
    }

    /// Waits a moment and adds the frames that were heard since to `into`.
    ///
    /// # Errors
    /// [`StreamError`]; what was heard before is in `into` all the same.
    pub fn draw(&mut self, into: &mut Vec<f32>) -> Result<(), StreamError> {
        std::thread::sleep(POLL);
        let there = self.ring.slots() / self.kept * self.kept;
        if let Ok(chunk) = self.ring.read_chunk(there) {
            let (a, b) = chunk.as_slices();
            into.extend_from_slice(a);
            into.extend_from_slice(b);
            chunk.commit_all();
        }
        if let Some(kind) = self.fault.get() {
            // While nothing is played yet, a card that starts may report gaps.
            if kind != FaultKind::Xrun || self.shared.go.load(Ordering::Acquire) {
                return Err(StreamError::Fault(kind));
            }
        }
        let frames = self.shared.lost.load(Ordering::Acquire);
        if frames > 0 {
            return Err(StreamError::Overflow { frames });
        }
        let seconds = DEAD.as_secs_f64().round() as u64;
        if dead(&mut self.last_heard, &self.shared.heard) {
            return Err(StreamError::DeadInput { seconds });
        }
        if dead(&mut self.last_taken, &self.shared.taken) {
            // A sound system that stands still takes both with it, one some moments before the other.
            return Err(if self.last_heard.1.elapsed() >= DEAD / 2 {
                StreamError::DeadInput { seconds }
            } else {
                StreamError::DeadOutput { seconds }
            });
        }
        Ok(())
    }

    /// Fades out what is still playing, waits until that has left the card (nothing where silence was played long enough),
    /// and ends both streams. A card that has reported a fault is not waited for.
    ///
    /// # Errors
    /// [`CardError::Hangs`].
    pub fn close(mut self) -> Result<(), CardError> {
        self.end()
    }

    fn end(&mut self) -> Result<(), CardError> {
        let Some(running) = self.running.take() else {
            return Ok(());
        };
        self.shared.fade.store(true, Ordering::Release);
        let begun = Instant::now();
        let enough = (DRAIN_S * self.rate_hz) as u64;
        let stuck = dead(&mut self.last_taken, &self.shared.taken)
            || dead(&mut self.last_heard, &self.shared.heard)
            || matches!(self.fault.get(), Some(k) if k != FaultKind::Xrun);
        while !stuck
            && self.shared.silent.load(Ordering::Acquire) < enough
            && begun.elapsed() < DRAIN
        {
            std::thread::sleep(POLL);
        }
        running.stop()
    }
}

impl Drop for Stream {
    fn drop(&mut self) {
        let _ = self.end();
    }
}

/// Whether a counter has stood still for too long.
fn dead(last: &mut (u64, Instant), counter: &AtomicU64) -> bool {
    let now = counter.load(Ordering::Acquire);
    if now != last.0 {
        *last = (now, Instant::now());
    }
    last.1.elapsed() >= DEAD
}

fn play(
    shared: &Arc<Shared>,
    signal: Arc<[f32]>,
    outputs: usize,
    output_channel: usize,
    rate_hz: f64,
) -> super::card::Play {
    let shared = Arc::clone(shared);
    let length = (FADE_S * rate_hz) as usize;
    let (mut at, mut faded) = (0, 0);
    let mut silent = 0;
    Box::new(move |block| {
        let go = shared.go.load(Ordering::Acquire);
        let fade = shared.fade.load(Ordering::Acquire);
        if go && at == 0 {
            let heard = shared.heard.load(Ordering::Acquire);
            shared.begun.store(heard + 1, Ordering::Release);
        }
        for frame in block.chunks_exact_mut(outputs) {
            frame.fill(0.0);
            if !go || at >= signal.len() || faded >= length {
                silent += 1;
                continue;
            }
            silent = 0;
            let mut value = signal[at];
            at += 1;
            if fade {
                faded += 1;
                let done = faded as f32 / length as f32;
                value *= 0.5 + 0.5 * (std::f32::consts::PI * done).cos();
            }
            frame[output_channel - 1] = value;
        }
        shared.played.store(at as u64, Ordering::Release);
        shared.silent.store(silent, Ordering::Release);
        shared
            .taken
            .fetch_add((block.len() / outputs) as u64, Ordering::AcqRel);
    })
}

fn hear(
    shared: &Arc<Shared>,
    mut ring: rtrb::Producer<f32>,
    inputs: usize,
    keep: &[usize],
) -> super::card::Hear {
    let shared = Arc::clone(shared);
    let keep = keep.to_vec();
    Box::new(move |block| {
        let frames = block.len() / inputs;
        let fit = (ring.slots() / keep.len().max(1)).min(frames);
        if let Ok(chunk) = ring.write_chunk_uninit(fit * keep.len()) {
            let kept = block
                .chunks_exact(inputs)
                .flat_map(|frame| keep.iter().map(|&channel| frame[channel - 1]));
            chunk.fill_from_iter(kept);
        }
        shared.heard.fetch_add(frames as u64, Ordering::AcqRel);
        if fit < frames {
            shared
                .lost
                .fetch_add((frames - fit) as u64, Ordering::AcqRel);
        }
    })
}
