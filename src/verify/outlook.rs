//! Which bands `verify` leaves open, and which part of the uncertainty is to blame, for the operator who is still at the bench.

use super::Verification;
use super::bands::{self, Parts, Reach};
use super::result::Verdict;
use crate::signal::bands::third_octaves;

/// What keeps a band from being judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Blame {
    /// Too near the noise, or the noise is the largest part of the uncertainty.
    Noise,
    /// The sweep does not reach it.
    Unswept,
    /// The capture was disturbed there.
    Disturbed,
    /// Level or reference resistor, and the temperature of the air.
    Calibration,
    /// What one-dimensional theory is off by.
    Form,
    /// Tolerances of what is not fitted.
    Tolerances,
}

impl Blame {
    /// What it is and what helps, in words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Noise => "noise; a louder or longer sweep, or quiet, helps",
            Self::Unswept => "not swept; a wider sweep helps",
            Self::Disturbed => "disturbed; record it again",
            Self::Calibration => "calibration and air; calibrate more closely",
            Self::Form => "the limits of the model; no recording helps",
            Self::Tolerances => "tolerances of what is not fitted; no recording helps",
        }
    }
}

/// Open bands of one observation with one cause.
#[derive(Debug, Clone, PartialEq)]
pub struct Open {
    /// Observation.
    pub observation: String,
    /// Nominal midbands, ascending, Hz.
    pub center_hz: Vec<f64>,
    /// Why.
    pub blame: Blame,
}

fn largest(parts: &Parts) -> Blame {
    let list = [
        (parts.noise_db, Blame::Noise),
        (parts.measurement_db, Blame::Calibration),
        (parts.form_db, Blame::Form),
        (parts.inputs_db, Blame::Tolerances),
    ];
    list.into_iter()
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map_or(Blame::Noise, |(_, blame)| blame)
}

/// The unresolved bands of a verification, those of one observation and one cause together.
#[must_use]
pub fn open(done: &Verification) -> Vec<Open> {
    let mut list: Vec<Open> = Vec::new();
    let unresolved = done.result.bands.iter();
    for b in unresolved.filter(|b| b.verdict == Verdict::Unresolved) {
        let of = |r: usize| done.responses[r].observation.label() == b.observation;
        let Some(compared) = done.compared.iter().find(|c| of(c.response)) else {
            continue;
        };
        let response = &done.responses[compared.response];
        let third = third_octaves(b.low_hz, b.high_hz)
            .into_iter()
            .find(|t| t.nominal_hz == b.center_hz);
        let reach = third.map(|t| (bands::reach(response, &t), bands::parts(compared, &t)));
        let blame = match reach {
            _ if b.disturbed => Blame::Disturbed,
            Some((Reach::Unswept, _)) => Blame::Unswept,
            Some((Reach::Whole, Some(parts))) => largest(&parts),
            _ => Blame::Noise,
        };
        let same = |o: &&mut Open| o.observation == b.observation && o.blame == blame;
        match list.iter_mut().find(same) {
            Some(open) => open.center_hz.push(b.center_hz),
            None => list.push(Open {
                observation: b.observation.clone(),
                center_hz: vec![b.center_hz],
                blame,
            }),
        }
    }
    list
}

/// The outlook in lines for a terminal: what `verify` leaves open, or which part of the uncertainty is the largest.
#[must_use]
pub fn lines(done: &Verification) -> Vec<String> {
    let all = done.result.bands.len();
    if let Some(text) = &done.result.exchanged {
        return vec![text.clone()];
    }
    let open = open(done);
    if open.is_empty() {
        return vec![format!(
            "`bassay verify` can judge all {all} bands.{}",
            widest(done).unwrap_or_default()
        )];
    }
    let count: usize = open.iter().map(|o| o.center_hz.len()).sum();
    let mut list = vec![format!(
        "`bassay verify` will leave {count} of {all} bands unresolved:"
    )];
    list.extend(open.iter().map(|o| {
        let bands: Vec<String> = o.center_hz.iter().map(ToString::to_string).collect();
        format!(
            "{} at {} Hz: {}",
            o.observation,
            bands.join(", "),
            o.blame.words()
        )
    }));
    list
}

/// The band whose uncertainty takes most of its tolerance, and the largest part of it.
fn widest(done: &Verification) -> Option<String> {
    let share = |b: &&super::result::Band| b.expanded_uncertainty_db / b.tolerance_db;
    let known = done.result.bands.iter().filter(|b| share(b).is_finite());
    let b = known.max_by(|a, b| share(a).total_cmp(&share(b)))?;
    let of = |r: usize| done.responses[r].observation.label() == b.observation;
    let compared = done.compared.iter().find(|c| of(c.response))?;
    let third = third_octaves(b.low_hz, b.high_hz)
        .into_iter()
        .find(|t| t.nominal_hz == b.center_hz)?;
    let parts = bands::parts(compared, &third)?;
    let what = match largest(&parts) {
        Blame::Calibration => "calibration and air",
        Blame::Form => "the limits of the model",
        Blame::Tolerances => "tolerances of what is not fitted",
        _ => "noise",
    };
    Some(format!(
        " The least certain is {} at {} Hz, ±{:.1} dB (k = 2) of ±{:.1} dB allowed, most of it {what}.",
        b.observation, b.center_hz, b.expanded_uncertainty_db, b.tolerance_db
    ))
}
