//! What the program needs of a sound card: two streams that run at once.
//!
//! A card calls `play` for the frames that it will play and `hear` with the frames that it has heard, each from a thread of
//! its own or from one. Both get whole frames of interleaved samples, full scale = 1.0. Neither call may wait, lock, allocate or
//! print. What goes wrong in a stream is left in a [`Fault`], because an error callback may come millions of times a second.
//!
//! A sample of an integer card of up to 24 bits is exact in `f32`; the last eight bits of a 32-bit card are rounded away,
//! 146 dB below full scale.

use std::sync::Arc;
use std::sync::atomic::{AtomicU8, Ordering};

/// Fills the frames to be played next.
pub type Play = Box<dyn FnMut(&mut [f32]) + Send>;
/// Takes the frames that were heard.
pub type Hear = Box<dyn FnMut(&[f32]) + Send>;

/// How the two streams are opened. A card that cannot do exactly this says so; nothing is resampled in silence.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shape {
    /// Frames per second of both streams, Hz.
    pub sample_rate_hz: u32,
    /// Channels heard.
    pub inputs: usize,
    /// Channels played.
    pub outputs: usize,
}

/// A sound card, real or virtual.
pub trait Card {
    /// What a person calls it; written into `captures.toml`.
    fn label(&self) -> String;

    /// What cannot be told of a take at this rate, in words; `None` where there is nothing.
    fn doubt(&self, sample_rate_hz: u32) -> Option<String> {
        let _ = sample_rate_hz;
        None
    }

    /// Opens and starts both streams, the input first. They run until the handle is stopped.
    ///
    /// # Errors
    /// [`CardError`]: no such device, a rate, format or number of channels that it does not have, or a device that
    /// does not start.
    fn start(
        &mut self,
        shape: Shape,
        play: Play,
        hear: Hear,
        fault: Arc<Fault>,
    ) -> Result<Box<dyn Running>, CardError>;
}

/// Two running streams.
pub trait Running {
    /// Ends both streams within two seconds, whatever state they are in; a stream that hangs is left behind and said so.
    ///
    /// # Errors
    /// [`CardError::Hangs`].
    fn stop(self: Box<Self>) -> Result<(), CardError>;
}

/// The first thing that went wrong in a stream: set once from any callback, read by the thread that waits.
#[derive(Debug, Default)]
pub struct Fault(AtomicU8);

/// What went wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum FaultKind {
    /// The device is gone or its server has ended.
    Gone = 1,
    /// The card says that it lost or repeated frames.
    Xrun = 2,
    /// The stream must be built anew (another rate, another route).
    Changed = 3,
    /// Anything else that ends a stream.
    Other = 4,
}

impl Fault {
    /// Keeps `kind` if nothing was kept before; neither locks nor allocates.
    pub fn set(&self, kind: FaultKind) {
        let _ = self
            .0
            .compare_exchange(0, kind as u8, Ordering::Release, Ordering::Relaxed);
    }

    /// Forgets lost or repeated frames, for a card that was only starting; anything worse stays.
    pub fn forgive_xrun(&self) {
        let _ = self.0.compare_exchange(
            FaultKind::Xrun as u8,
            0,
            Ordering::AcqRel,
            Ordering::Relaxed,
        );
    }

    /// What went wrong first.
    #[must_use]
    pub fn get(&self) -> Option<FaultKind> {
        match self.0.load(Ordering::Acquire) {
            0 => None,
            1 => Some(FaultKind::Gone),
            2 => Some(FaultKind::Xrun),
            3 => Some(FaultKind::Changed),
            _ => Some(FaultKind::Other),
        }
    }
}

/// A card that cannot be used as asked.
#[derive(Debug, thiserror::Error)]
pub enum CardError {
    /// There is no such device.
    #[error("no {direction} device '{name}'; `bassay devices` lists: {known}")]
    NoDevice {
        /// `input` or `output`.
        direction: &'static str,
        /// As asked for.
        name: String,
        /// Those that exist.
        known: String,
    },
    /// There is no device at all.
    #[error(
        "this machine has no sound device to {}: connect a sound card, check that the sound system runs and that you may use it (on Linux the group «audio», or a sound server of your own session); `bassay devices` then lists it. Without one: --virtual DESIGN, or `bassay sweep` and a recorder", if *.direction == "input" { "record from" } else { "play on" }
    )]
    Nothing {
        /// `input` or `output`.
        direction: &'static str,
    },
    /// A part of a name that several devices have.
    #[error("'{name}' is part of several {direction} devices; write more of the name: {known}")]
    Ambiguous {
        /// `input` or `output`.
        direction: &'static str,
        /// As asked for.
        name: String,
        /// Those that fit.
        known: String,
    },
    /// The device cannot do what is asked.
    #[error("{device}: {what}; it has {has}")]
    Cannot {
        /// The device.
        device: String,
        /// What was asked for.
        what: String,
        /// What it can do.
        has: String,
    },
    /// The device does not open or start.
    #[error(
        "{device}: does not start: {cause}; check that no other program holds it, and that it is connected"
    )]
    Start {
        /// The device.
        device: String,
        /// Why.
        cause: String,
    },
    /// A stream does not end.
    #[error(
        "{device}: the sound system does not answer when its streams are closed; they were left behind"
    )]
    Hangs {
        /// The device.
        device: String,
    },
}
