//! Recording into memory: noise floor, hum, the quiet ramp that finds a level.

use super::card::{Card, Shape};
use super::stream::{Stream, StreamError};
use super::take::{Go, Meter, Progress, TakeError, check_channels};
use std::sync::Arc;

/// What is listened to.
#[derive(Debug, Clone)]
pub struct ListenPlan {
    /// Rate and channels that the card is opened with.
    pub shape: Shape,
    /// What is played meanwhile, full scale = 1.0; empty: silence.
    pub signal: Arc<[f32]>,
    /// Channel that it is played on, from 1.
    pub output_channel: usize,
    /// Channels that are kept, from 1.
    pub keep: Vec<usize>,
    /// Recorded from the moment at which the signal begins, s.
    pub duration_s: f64,
}

/// What was heard.
#[derive(Debug, Clone, PartialEq)]
pub struct Heard {
    /// One list of samples for each kept channel, full scale = 1.0.
    pub channels: Vec<Vec<f32>>,
    /// Not stopped ahead of its end.
    pub complete: bool,
}

/// A recording into memory that failed.
#[derive(Debug, thiserror::Error)]
pub enum ListenError {
    /// The plan or the card.
    #[error(transparent)]
    Take(#[from] TakeError),
    /// The streams ended early.
    #[error(transparent)]
    Stream(#[from] StreamError),
}

/// Recorded before the signal begins, s; not kept.
const SETTLE_S: f64 = 0.25;

/// Plays `signal` and keeps what is heard for `duration_s`; `watch` is called about ten times a second, and sees all levels.
///
/// # Errors
/// [`ListenError`].
pub fn listen(
    card: &mut dyn Card,
    plan: &ListenPlan,
    watch: &mut dyn FnMut(&Progress) -> Go,
) -> Result<Heard, ListenError> {
    check_channels(plan.shape, plan.output_channel, &plan.keep)?;
    let rate_hz = f64::from(plan.shape.sample_rate_hz);
    let count = plan.keep.len();
    let settle = (SETTLE_S * rate_hz) as usize * count;
    let total = (plan.duration_s.max(0.0) * rate_hz).round() as usize;
    let mut stream = Stream::open(
        card,
        plan.shape,
        Arc::clone(&plan.signal),
        plan.output_channel,
        &plan.keep,
    )
    .map_err(TakeError::from)?;
    let mut meter = Meter::new(count);
    let mut early = Vec::new();
    while early.len() < settle {
        stream.draw(&mut early)?;
    }
    stream.go();
    let mut all: Vec<f32> = Vec::with_capacity(total * count);
    let mut complete = true;
    while all.len() < total * count {
        let seen = all.len();
        stream.draw(&mut all)?;
        meter.add(&all[seen..]);
        let Some(levels) = meter.due(rate_hz) else {
            continue;
        };
        let progress = Progress {
            played: stream.played(),
            recorded: (all.len() / count) as u64,
            total: total as u64,
            levels,
        };
        if watch(&progress) == Go::Stop {
            complete = false;
            break;
        }
    }
    stream.close().map_err(TakeError::from)?;
    all.truncate(total * count);
    let channels = (0..count)
        .map(|n| all.iter().skip(n).step_by(count).copied().collect())
        .collect();
    Ok(Heard { channels, complete })
}
