//! A level calibrator's tone in a recording, and the microphone's sensitivity from it.
//!
//! ```text
//! S = V_rms·(V per unit)/(p_ref·10^(L/20)·c(f))      p_ref = 20 µPa; c: the microphone's own response at f
//! ```
//!
//! The tone's frequency is the peak of a Hann-windowed spectrum (parabola through the logarithms); its amplitude is the
//! least-squares sine of each half second. What a class 1 calibrator may do (level within 0.1 dB over the take, frequency
//! within 1 %, distortion 2.5 %: IEC 60942:2017, from memory) is the measure of a sound take.

use super::super::channels;
use super::super::correction::Correction;
use super::CalibrationError;
use num_complex::Complex64;
use realfft::RealFftPlanner;
use std::f64::consts::TAU;
use std::path::Path;

/// Reference pressure, Pa.
const REFERENCE_PA: f64 = 20e-6;
/// Least duration of a take without its ends, s.
const LEAST_S: f64 = 2.0;
/// Left out at both ends, s: hands on the calibrator.
const ENDS_S: f64 = 0.5;
/// Length of one reading of the level, s.
const BLOCK_S: f64 = 0.5;
/// Allowed deviation of the frequency, as a fraction.
const FREQUENCY: f64 = 0.01;
/// Allowed spread of the readings, dB.
const STABLE_DB: f64 = 0.1;
/// Allowed distortion, as a fraction.
const DISTORTION: f64 = 0.025;
/// Allowed noise beside tone and harmonics, as a fraction.
const NOISE: f64 = 0.1;

/// What was found of a tone.
#[derive(Debug, Clone, PartialEq)]
pub struct Tone {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// RMS, full scale = 1.
    pub rms: f64,
    /// Largest less smallest reading, dB.
    pub spread_db: f64,
    /// Standard deviation of the mean of the readings, dB.
    pub mean_sd_db: f64,
    /// Harmonics 2 to 5 over the tone, power sum, as a fraction.
    pub distortion: f64,
    /// What is left beside tone and harmonics over the tone, RMS, as a fraction.
    pub noise: f64,
    /// What the file says that it was recorded from.
    pub device: Option<String>,
}

/// A sensitivity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sensitivity {
    /// V/Pa.
    pub v_per_pa: f64,
    /// Standard deviation: calibrator and spread of the readings, dB.
    pub sd_db: f64,
}

/// Reads one channel and finds the tone; refuses what is no steady calibrator.
///
/// # Errors
/// [`CalibrationError`] for a dead or clipped channel, and for a tone of another frequency, unsteady, distorted or noisy.
pub fn read(path: &Path, channel: usize, nominal_hz: f64) -> Result<Tone, CalibrationError> {
    let file = path.display().to_string();
    let data = channels::read(path, &file, &[channel], 5.5 * nominal_hz)?;
    let samples = data.clipped(0);
    if samples >= 12 {
        return Err(CalibrationError::Clipped {
            file,
            channel,
            samples,
        });
    }
    let device = data.device;
    tone(&data.sample[0], data.rate_hz, nominal_hz)
        .and_then(|tone| judge(&tone, nominal_hz).map(|()| Tone { device, ..tone }))
        .map_err(|why| CalibrationError::Unfit { file, why })
}

/// Finds the tone near a frequency.
///
/// # Errors
/// Why there is none, in words.
pub fn tone(signal: &[f64], rate_hz: f64, nominal_hz: f64) -> Result<Tone, String> {
    let ends = (ENDS_S * rate_hz) as usize;
    let block = (BLOCK_S * rate_hz) as usize;
    let inner = signal
        .get(ends..signal.len().saturating_sub(ends))
        .unwrap_or(&[]);
    if (inner.len() as f64) < LEAST_S * rate_hz {
        return Err(format!(
            "lasts {:.1} s; expected {:.0} s of the calibrator's tone at least",
            signal.len() as f64 / rate_hz,
            LEAST_S + 2.0 * ENDS_S
        ));
    }
    let frequency_hz = peak(inner, rate_hz)
        .ok_or_else(|| "is silent; is the calibrator on, and is it this channel?".to_string())?;
    if (frequency_hz / nominal_hz - 1.0).abs() > FREQUENCY {
        return Err(format!(
            "the strongest tone is at {frequency_hz:.1} Hz; expected the calibrator's {nominal_hz} Hz within 1 %: is this channel the microphone's?"
        ));
    }
    let readings: Vec<f64> = inner
        .chunks_exact(block)
        .map(|part| amplitude(part, rate_hz, frequency_hz).norm())
        .collect();
    let count = readings.len() as f64;
    let mean = readings.iter().sum::<f64>() / count;
    let variance = readings.iter().map(|r| (r - mean).powi(2)).sum::<f64>() / (count - 1.0);
    let ends = readings
        .iter()
        .fold((f64::MAX, 0.0f64), |a, r| (a.0.min(*r), a.1.max(*r)));
    let whole = readings.len() * block;
    let harmonics: f64 = (2..=5)
        .map(f64::from)
        .filter(|n| n * frequency_hz < 0.45 * rate_hz)
        .map(|n| amplitude(&inner[..whole], rate_hz, n * frequency_hz).norm_sqr())
        .sum();
    let power = inner[..whole].iter().map(|x| x * x).sum::<f64>() / whole as f64;
    let offset = inner[..whole].iter().sum::<f64>() / whole as f64;
    let rest = power - offset * offset - 0.5 * (mean * mean + variance + harmonics);
    Ok(Tone {
        frequency_hz,
        rms: mean / std::f64::consts::SQRT_2,
        spread_db: 20.0 * (ends.1 / ends.0.max(f64::MIN_POSITIVE)).log10(),
        mean_sd_db: 20.0 / std::f64::consts::LN_10 * (variance / count).sqrt() / mean,
        distortion: harmonics.sqrt() / mean,
        noise: (2.0 * rest.max(0.0)).sqrt() / mean,
        device: None,
    })
}

fn judge(tone: &Tone, nominal_hz: f64) -> Result<(), String> {
    if tone.spread_db > STABLE_DB {
        return Err(format!(
            "the level of the {nominal_hz} Hz tone wanders by {:.2} dB; expected {STABLE_DB} dB at most: seat the microphone firmly, wait until it is steady, record again",
            tone.spread_db
        ));
    }
    if tone.distortion > DISTORTION {
        return Err(format!(
            "the tone has {:.1} % of harmonics; expected {:.1} % at most: lower the gain; is the calibrator's battery fresh?",
            100.0 * tone.distortion,
            100.0 * DISTORTION
        ));
    }
    if tone.noise > NOISE {
        return Err(format!(
            "noise or hum is {:.0} % of the tone; expected {:.0} % at most: seat the microphone firmly, look for a ground loop",
            100.0 * tone.noise,
            100.0 * NOISE
        ));
    }
    Ok(())
}

/// Frequency of the strongest line, Hz; `None` of silence.
fn peak(signal: &[f64], rate_hz: f64) -> Option<f64> {
    let size = signal.len().next_power_of_two() / 2;
    let plan = RealFftPlanner::<f64>::new().plan_fft_forward(size);
    let mut input: Vec<f64> = (0..size)
        .map(|n| signal[n] * (0.5 - 0.5 * (TAU * n as f64 / size as f64).cos()))
        .collect();
    let mut bins = plan.make_output_vec();
    plan.process(&mut input, &mut bins).ok()?;
    let size_of = |k: usize| bins[k].norm();
    // The first bins hold an offset.
    let k = (3..bins.len() - 1).max_by(|&a, &b| size_of(a).total_cmp(&size_of(b)))?;
    if size_of(k) / size as f64 <= 1e-7 {
        return None;
    }
    let [l, m, r] = [k - 1, k, k + 1].map(|k| size_of(k).max(f64::MIN_POSITIVE).ln());
    let bend = l - 2.0 * m + r;
    let shift = if bend < 0.0 {
        0.5 * (l - r) / bend
    } else {
        0.0
    };
    Some((k as f64 + shift.clamp(-0.5, 0.5)) * rate_hz / size as f64)
}

/// Complex peak amplitude of a frequency: the least-squares sine and cosine.
fn amplitude(signal: &[f64], rate_hz: f64, frequency_hz: f64) -> Complex64 {
    let (mut cc, mut ss, mut cs, mut xc, mut xs) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (n, x) in signal.iter().enumerate() {
        let (s, c) = (TAU * frequency_hz * n as f64 / rate_hz).sin_cos();
        cc += c * c;
        ss += s * s;
        cs += c * s;
        xc += x * c;
        xs += x * s;
    }
    let determinant = cc * ss - cs * cs;
    Complex64::new(
        (xc * ss - xs * cs) / determinant,
        -(xs * cc - xc * cs) / determinant,
    )
}

/// The sensitivity from a tone of known level.
#[must_use]
pub fn sensitivity(
    tone: &Tone,
    level_db: f64,
    calibrator_sd_db: f64,
    v_per_unit: f64,
    correction: Option<&Correction>,
) -> Sensitivity {
    let own = correction.map_or(1.0, |c| c.at(tone.frequency_hz).norm());
    let pressure_pa = REFERENCE_PA * 10f64.powf(level_db / 20.0);
    Sensitivity {
        v_per_pa: tone.rms * v_per_unit / (pressure_pa * own),
        sd_db: calibrator_sd_db.hypot(tone.mean_sd_db),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn made(frequency_hz: f64, of: impl Fn(f64) -> f64) -> Vec<f64> {
        (0..48_000)
            .map(|n| {
                let t = f64::from(n) / 12_000.0;
                of(t) * (TAU * frequency_hz * t).sin() + 0.001
            })
            .collect()
    }

    /// DERIVED: 94 dB is 20 µPa·10^4.7 = 1.00237 Pa; a sine of peak 0.02·√2 V there is 0.02/1.00237 V/Pa.
    #[test]
    fn a_known_tone_gives_the_known_sensitivity() {
        let peak = 0.02 * std::f64::consts::SQRT_2;
        let found = tone(&made(1001.3, |_| peak), 12_000.0, 1000.0).unwrap();
        // A hundredth of a bin of the spectrum, 12,000/16,384 Hz.
        assert!((found.frequency_hz - 1001.3).abs() < 0.03, "{found:?}");
        // 0.03 Hz off over half a second loses (π·0.03·0.5)²/6 of the level.
        assert!((found.rms / 0.02 - 1.0).abs() < 4e-4, "{found:?}");
        assert!(
            found.distortion < 1e-3 && found.spread_db < 1e-3,
            "{found:?}"
        );
        let s = sensitivity(&found, 94.0, 0.125, 1.0, None);
        assert!((s.v_per_pa / (0.02 / 1.002_374) - 1.0).abs() < 4e-4);
        assert!((s.sd_db - 0.125).abs() < 1e-4);
    }

    #[test]
    fn what_is_no_calibrator_is_named() {
        let fails = |signal: Vec<f64>| {
            tone(&signal, 12_000.0, 1000.0)
                .and_then(|t| judge(&t, 1000.0))
                .unwrap_err()
        };
        assert!(fails(made(250.0, |_| 0.1)).contains("strongest tone is at 250.0 Hz"));
        // DERIVED: 0.1·(1 + 0.01·t) rises by 0.01·2.5/1.005 over the readings, 0.21 dB.
        assert!(fails(made(1000.0, |t| 0.1 * (1.0 + 0.01 * t))).contains("wanders by 0.2"));
        assert!(fails(vec![0.0; 48_000]).contains("silent"));
        assert!(fails(made(1000.0, |_| 0.1)[..30_000].to_vec()).contains("lasts 2.5 s"));
        // DERIVED: sin + 0.05·sin 2: 5 %.
        let bent: Vec<f64> = (0..48_000)
            .map(|n| TAU * f64::from(n) / 12.0)
            .map(|p| 0.1 * p.sin() + 0.005 * (2.0 * p).sin())
            .collect();
        assert!(fails(bent).contains("5.0 % of harmonics"));
    }
}
