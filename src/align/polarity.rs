//! Which captures are inverted against the model, and what that says about the driver.
//!
//! The polarity is settled once, against the cabinet as designed: a driver that is inverted against louder companions turns
//! every capture round, and is then not found as the one that is inverted.

use super::residual::{Bench, Comparison};
use super::search::AlignError;
use super::unknowns::{RARE, USUAL_RATE};
use crate::design::Design;
use crate::measure::{Observation, Response};

/// Probability that the driver is inverted, where every pressure response is.
///
/// Its leads may be exchanged, or the one microphone, its amplifier or the reference channel that all of them were made with may be
/// inverted: the captures look the same, and only how often either happens tells them apart.
pub(super) fn driver_inverted(
    polarity: &[i8],
    responses: &[Response],
    comparison: &Comparison,
) -> Option<f64> {
    let says_something = |n: usize| {
        comparison
            .series
            .iter()
            .any(|s| s.response == n && !s.x.is_empty())
    };
    let pressures: Vec<i8> = responses
        .iter()
        .zip(polarity)
        .enumerate()
        .filter(|(n, (r, _))| {
            r.observation != Observation::Impedance && r.has_phase && says_something(*n)
        })
        .map(|(_, (_, &p))| p)
        .collect();
    let all = !pressures.is_empty() && pressures.iter().all(|p| *p < 0);
    all.then_some(USUAL_RATE / (USUAL_RATE + RARE))
}

/// Finds inverted captures by the sign of measured over simulated, and turns them round.
pub(super) fn settle_polarity(
    design: &Design,
    bench: Bench,
    responses: &mut [Response],
) -> Result<Vec<i8>, AlignError> {
    let comparison = Comparison::new(design, bench, responses);
    let none = vec![0.0; comparison.nuisances()];
    let evaluated = comparison.evaluate(&[], &[], &none, false)?;
    let mut polarity = vec![1; responses.len()];
    for (s, simulated) in comparison.series.iter().zip(&evaluated.simulated) {
        let response = &mut responses[s.response];
        if matches!(response.observation, Observation::Impedance) || !s.has_phase {
            continue;
        }
        let delay = if response.timed {
            0.0
        } else {
            s.coarse_delay_s(&comparison.frequency_hz, simulated)
        };
        // The lower half of the band: there a delay or a wrong length turns the phase least.
        let sum: f64 = s
            .place
            .iter()
            .enumerate()
            .take(s.x.len().div_ceil(2))
            .map(|(i, &at)| {
                let ratio = s.measured[i] / simulated[i];
                (ratio.arg() + std::f64::consts::TAU * comparison.frequency_hz[at] * delay).cos()
            })
            .sum();
        if sum < 0.0 {
            polarity[s.response] = -1;
            response.take.polarity = -response.take.polarity;
            for v in &mut response.value {
                *v = -*v;
            }
        }
    }
    Ok(polarity)
}
