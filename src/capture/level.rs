//! Finds the level of a sweep: short and quiet at first, louder until it is good enough or something says stop.
//!
//! ```text
//! next level = level + min(wanted − SNR, step, headroom of the inputs, highest − level)
//! ```
//!
//! The SNR that is asked about is the one predicted for the full sweep: at the same level a sweep that is k times as long in
//! seconds per octave stands 10·lg k dB higher ([`longer_db`]). 45 dB are wanted in the median because noise then adds 0.05
//! dB to a point of the response, small beside the 0.2 to 0.5 dB of a microphone's calibration, and because a median of
//! 45 dB leaves the weakest one-third octaves of a usual room above the 20 dB that a band needs to be judged at all. Louder
//! would heat the coil and stress the driver for nothing.
//!
//! The decision ([`next`]) knows neither card nor clock; [`find`] plays by a closure.

use super::safety::Name;
use crate::design::captures::SweepPlan;
use crate::signal::deconvolve::{Take, deconvolve};
use crate::signal::sweep::Sweep;
use serde::Serialize;
use std::fmt;

/// Where the ramp starts, dB re full scale.
pub const START_DBFS: f64 = -50.0;
/// SNR that is wanted, median over the bands, dB.
pub const WANTED_SNR_DB: f64 = 45.0;
/// Largest step up, dB: small enough that nothing is overdriven by surprise.
const STEP_DB: f64 = 10.0;
/// The same while nothing is known of the signal yet.
const BLIND_STEP_DB: f64 = 6.0;
/// Distance that the inputs keep to full scale, dB.
const HEADROOM_DB: f64 = 6.0;
/// Good enough: closer to what is wanted than this, dB.
const CLOSE_DB: f64 = 1.5;
/// SNR from which the level of a burst is known, dB.
const KNOWN_SNR_DB: f64 = 10.0;
/// A signal that rises by less than this share of the step does not follow, if the step is at least [`FOLLOW_DB`].
const FOLLOWS: f64 = 0.5;
const FOLLOW_DB: f64 = 3.0;
/// More bursts than any ramp needs.
const MOST_BURSTS: usize = 40;

/// What the ramp may do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Aim {
    /// Wanted SNR of the full sweep, median over the bands, dB.
    pub wanted_snr_db: f64,
    /// First level, dB re full scale.
    pub start_dbfs: f64,
    /// Highest level, dB re full scale.
    pub highest_dbfs: f64,
    /// The limit that sets it; `None`: the output's own full scale, or what the user asked for.
    pub highest_by: Option<Name>,
}

impl Default for Aim {
    fn default() -> Self {
        Self {
            wanted_snr_db: WANTED_SNR_DB,
            start_dbfs: START_DBFS,
            highest_dbfs: 0.0,
            highest_by: None,
        }
    }
}

/// One burst as heard.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Heard {
    /// Level at which it was played, dB re full scale.
    pub level_dbfs: f64,
    /// Largest sample of any input, dB re full scale.
    pub peak_dbfs: f64,
    /// RMS level of the signal at the input that matters, any scale, dB.
    pub signal_db: f64,
    /// SNR predicted for the full sweep at this level, median over the bands, dB; `None`: nothing stood out.
    pub snr_db: Option<f64>,
}

/// Why the ramp ended.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub enum Reason {
    /// The wanted SNR is reached.
    Enough,
    /// The inputs are near full scale.
    InputsFull,
    /// A safety limit.
    Limit(Name),
    /// The highest level, by the output or by the user.
    Highest,
    /// Nothing was heard even at the highest level.
    NothingHeard,
    /// What was heard did not rise with what was played.
    DoesNotFollow,
    /// The first burst already fills the inputs.
    TooSensitive,
}

impl Reason {
    /// Whether a sweep can be recorded at the level found.
    #[must_use]
    pub fn is_usable(self) -> bool {
        !matches!(
            self,
            Self::NothingHeard | Self::DoesNotFollow | Self::TooSensitive
        )
    }
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Enough => f.write_str("loud enough for the SNR that is wanted"),
            Self::InputsFull => f.write_str(
                "the inputs are within 6 dB of full scale; turn their gain down for a louder sweep",
            ),
            Self::Limit(Name::Voltage) => {
                f.write_str("the voltage of the forecast is reached; --voltage-v sets another")
            }
            Self::Limit(name) => write!(
                f,
                "the limit of {} is reached; --allow {} goes beyond",
                name.word(),
                name.word()
            ),
            Self::Highest => f.write_str("the highest level; turn the amplifier up for more"),
            Self::NothingHeard => f.write_str(
                "nothing was heard: check that the amplifier is on, the cables and the channel numbers",
            ),
            Self::DoesNotFollow => f.write_str(
                "what is heard does not rise with what is played: check for a limiter, automatic gain, or noise in place of the sweep",
            ),
            Self::TooSensitive => f.write_str(
                "the first, quiet burst fills the inputs already: turn input gain or amplifier down",
            ),
        }
    }
}

impl Heard {
    /// From the recording of a burst, a short sweep with at least 0.3 s of silence ahead: `signal` is microphone or load,
    /// `reference` loop-back or source, both in full scale at the burst's sample rate. The SNR is foretold for `full`; a burst
    /// of less than 4 s averages over wider bins below 30 Hz and flatters the lowest bands by up to 4 dB, hardly the median.
    #[must_use]
    pub fn of_burst(
        burst: &SweepPlan,
        full: &SweepPlan,
        signal: &[f64],
        reference: Option<&[f64]>,
    ) -> Self {
        let rate_hz = f64::from(burst.sample_rate_hz);
        let all = signal.iter().chain(reference.unwrap_or_default());
        let peak = all.fold(0.0f64, |a, x| a.max(x.abs()));
        let square = signal.iter().map(|x| x * x).sum::<f64>() / signal.len().max(1) as f64;
        let take = Take {
            rate_hz,
            signal,
            reference,
        };
        // A sweep that is not found is not heard; whether that is an error is for the ramp to say.
        let found = Sweep::new(*burst)
            .ok()
            .and_then(|sweep| deconvolve(&take, &sweep).ok());
        let snr = found.map(|got| got.snr_db).filter(|snr| *snr > 0.0);
        Self {
            level_dbfs: burst.level_dbfs,
            peak_dbfs: 20.0 * peak.max(1e-12).log10(),
            signal_db: 10.0 * square.max(1e-24).log10(),
            snr_db: snr.map(|snr| snr + longer_db(burst, full)),
        }
    }
}

/// What to do next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Step {
    /// Play a burst at this level, dB re full scale.
    Play(f64),
    /// The ramp has ended.
    Done(Found),
}

/// The level that was found.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Found {
    /// Level, dB re full scale: that of the last burst that was heard, lower where that one was too loud.
    pub level_dbfs: f64,
    /// Why no louder.
    pub reason: Reason,
    /// SNR predicted for the full sweep at it, dB, if known.
    pub snr_db: Option<f64>,
}

/// By how much the SNR of a long sweep exceeds that of a short one at the same level, dB.
#[must_use]
pub fn longer_db(short: &SweepPlan, long: &SweepPlan) -> f64 {
    let rate = |p: &SweepPlan| p.duration_s / (p.stop_hz / p.start_hz).ln();
    10.0 * (rate(long) / rate(short)).log10()
}

/// The next step after what was heard so far.
#[must_use]
pub fn next(history: &[Heard], aim: &Aim) -> Step {
    let Some(last) = history.last() else {
        return Step::Play(aim.start_dbfs.min(aim.highest_dbfs));
    };
    let done = |level_dbfs: f64, reason| {
        let snr_db = last.snr_db.map(|snr| snr + level_dbfs - last.level_dbfs);
        Step::Done(Found {
            level_dbfs,
            reason,
            snr_db,
        })
    };
    let headroom = -HEADROOM_DB - last.peak_dbfs;
    if headroom < -HEADROOM_DB + 0.1 && history.len() == 1 {
        return done(last.level_dbfs, Reason::TooSensitive);
    }
    if !follows(history) {
        return done(last.level_dbfs, Reason::DoesNotFollow);
    }
    if headroom <= 0.0 {
        // A clipped peak does not tell by how much it is too loud; the overshoot that it shows is taken back.
        return done(last.level_dbfs + headroom, Reason::InputsFull);
    }
    let known = last.snr_db.filter(|snr| *snr >= KNOWN_SNR_DB);
    if known.is_some_and(|snr| snr >= aim.wanted_snr_db - CLOSE_DB) {
        // The first burst may be far better than wanted already; it is quiet enough to stay there.
        return done(last.level_dbfs, Reason::Enough);
    }
    let room = aim.highest_dbfs - last.level_dbfs;
    if room <= 1e-9 || history.len() >= MOST_BURSTS {
        let reason = match (last.snr_db, aim.highest_by) {
            (None, _) => Reason::NothingHeard,
            (_, Some(name)) => Reason::Limit(name),
            (_, None) => Reason::Highest,
        };
        return done(last.level_dbfs, reason);
    }
    let wish = known.map_or(BLIND_STEP_DB, |snr| (aim.wanted_snr_db - snr).min(STEP_DB));
    if headroom < wish.min(CLOSE_DB).min(room) {
        return done(last.level_dbfs, Reason::InputsFull);
    }
    Step::Play(last.level_dbfs + wish.min(headroom).min(room))
}

/// Whether the last burst rose with its level.
fn follows(history: &[Heard]) -> bool {
    let [.., before, last] = history else {
        return true;
    };
    let clear = |h: &Heard| h.snr_db.is_some_and(|snr| snr >= KNOWN_SNR_DB);
    let step = last.level_dbfs - before.level_dbfs;
    let rise = last.signal_db - before.signal_db;
    !(clear(before) && clear(last) && step >= FOLLOW_DB) || rise >= FOLLOWS * step
}

/// Plays until the level is found; `play` gives a burst at a level and says what was heard.
///
/// # Errors
/// What `play` returns.
pub fn find<E>(
    aim: &Aim,
    mut play: impl FnMut(f64) -> Result<Heard, E>,
) -> Result<(Found, Vec<Heard>), E> {
    let mut history = Vec::new();
    loop {
        match next(&history, aim) {
            Step::Done(found) => return Ok((found, history)),
            Step::Play(level_dbfs) => history.push(play(level_dbfs)?),
        }
    }
}

#[cfg(test)]
#[path = "level_tests.rs"]
mod tests;
