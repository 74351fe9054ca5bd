//! Both inputs on one point: the second input's gain over the first's, and how that changes with frequency.

use super::CalibrationError;
use super::pair::Pair;
use num_complex::Complex64;

/// Relative standard deviation of a ratio of gains beside its noise: plugs and drift within a session (common practice, no
/// published source).
pub const CONTACT: f64 = 1e-4;
/// Two inputs on one point differ in level by less than this over the range, dB (common practice, no published source).
const LARGEST_DB: f64 = 3.0;
/// And in phase by less, degrees.
const LARGEST_DEG: f64 = 30.0;

/// What a take with both inputs on one point says.
#[derive(Debug, Clone)]
pub struct EqualGain {
    /// Second channel over first.
    pub gain_ratio: f64,
    /// Its standard deviation.
    pub gain_ratio_sd: f64,
    /// Largest deviation of the ratio from that over the usable range, dB.
    pub flatness_db: f64,
    /// Frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    /// The ratio over `gain_ratio`.
    pub relative: Vec<Complex64>,
}

/// Evaluates a take with both inputs on one point.
///
/// # Errors
/// [`CalibrationError::Unfit`] where the inputs cannot be on one point, or one of them is inverted.
pub fn equal_gain(pair: &Pair) -> Result<EqualGain, CalibrationError> {
    let unfit = |why: String| CalibrationError::Unfit {
        file: pair.file.clone(),
        why,
    };
    let size: Vec<f64> = pair.ratio.iter().map(|r| r.norm()).collect();
    let Some(mean) = pair.mean(&size, &pair.noise_rms, pair.range_hz()) else {
        return Err(unfit("holds no usable frequency; record again".to_string()));
    };
    let gain = mean.value;
    let total: Complex64 = pair.ratio.iter().sum();
    if total.re < 0.0 && total.im.abs() < -total.re {
        return Err(unfit(
            "one input is inverted against the other; swap the leads of one and record again"
                .to_string(),
        ));
    }
    let apart_db = 20.0 * gain.max(1e-15).log10();
    if apart_db.abs() > LARGEST_DB {
        return Err(unfit(format!(
            "the second input is {:.1} dB {} the first; expected both on one point, nothing between them, within {LARGEST_DB} dB: check cables and channel numbers, set both gains alike, and record again",
            apart_db.abs(),
            if apart_db < 0.0 { "below" } else { "above" }
        )));
    }
    let relative: Vec<Complex64> = pair.ratio.iter().map(|r| r / gain).collect();
    let flatness_db = relative
        .iter()
        .map(|r| (20.0 * r.norm().max(1e-15).log10()).abs())
        .fold(0.0, f64::max);
    let turned_deg = relative
        .iter()
        .map(|r| r.arg().to_degrees().abs())
        .fold(0.0, f64::max);
    if flatness_db > LARGEST_DB || turned_deg > LARGEST_DEG {
        return Err(unfit(format!(
            "the inputs differ by up to {flatness_db:.1} dB and {turned_deg:.0}° over frequency; expected both on one point, nothing between them: check cables and channel numbers, and record again"
        )));
    }
    Ok(EqualGain {
        gain_ratio: gain,
        gain_ratio_sd: mean.sd.hypot(CONTACT * gain),
        flatness_db,
        frequency_hz: pair.frequency_hz.clone(),
        relative,
    })
}
