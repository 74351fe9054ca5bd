//! What a room and a bench add to a recording: noise floor, hum, a slammed door.
//!
//! ```text
//! room:  pink from 1 Hz up (sum of first-order processes, rates a factor of four apart, equal power each) whose level
//!        within 5 … 500 Hz is the stated one, plus white that is 10 dB lower in the same band
//! hum:   50 Hz at the stated level, 100 and 150 Hz 6 and 10 dB below it
//! slam:  bursts at 23, 61 and 117 Hz and broadband, decaying with 0.15 s
//! ```

use super::random::Random;
use std::f64::consts::{PI, TAU};

/// Pressure of 0 dB, Pa.
const REFERENCE_PA: f64 = 20e-6;
const BAND_HZ: [f64; 2] = [5.0, 500.0];

/// RMS pressure of a level, Pa.
#[must_use]
pub fn pressure_pa(level_db: f64) -> f64 {
    REFERENCE_PA * 10f64.powf(level_db / 20.0)
}

/// Room noise, sample by sample.
#[derive(Debug, Clone)]
pub(super) struct Room {
    process: Vec<(f64, f64, f64)>,
    pink: f64,
    white: f64,
}

impl Room {
    /// Of RMS `pa` within 5 to 500 Hz.
    pub fn new(pa: f64, rate_hz: f64, random: &mut Random) -> Self {
        let mut process: Vec<(f64, f64, f64)> = Vec::new();
        let mut share = 0.0;
        let mut corner_hz = 1.0;
        while corner_hz < 0.4 * rate_hz {
            share += 2.0 / PI * ((BAND_HZ[1] / corner_hz).atan() - (BAND_HZ[0] / corner_hz).atan());
            let keep = (-TAU * corner_hz / rate_hz).exp();
            process.push((keep, (1.0 - keep * keep).sqrt(), random.normal()));
            corner_hz *= 4.0;
        }
        let wide = (0.5 * rate_hz / (BAND_HZ[1] - BAND_HZ[0])).max(1.0).sqrt();
        Self {
            process,
            pink: pa / share.sqrt(),
            white: pa * 10f64.powf(-0.5) * wide,
        }
    }

    /// The next sample, Pa.
    pub fn next(&mut self, random: &mut Random) -> f64 {
        let mut sum = 0.0;
        for (keep, feed, state) in &mut self.process {
            *state = *keep * *state + *feed * random.normal();
            sum += *state;
        }
        self.pink * sum + self.white * random.normal()
    }
}

/// Mains hum, sample by sample.
#[derive(Debug, Clone)]
pub(super) struct Hum {
    rms: f64,
    phase: Vec<f64>,
}

impl Hum {
    /// Whose fundamental has the RMS value `rms`.
    pub fn new(rms: f64, random: &mut Random) -> Self {
        let phase = (0..3).map(|_| TAU * random.uniform()).collect();
        Self { rms, phase }
    }

    /// At the time `t`, s.
    pub fn at(&self, t: f64) -> f64 {
        let lines = [1.0, 0.5, 0.316].iter().zip(&self.phase).enumerate();
        lines
            .map(|(n, (part, phase))| {
                self.rms
                    * std::f64::consts::SQRT_2
                    * part
                    * (TAU * 50.0 * (n + 1) as f64 * t + phase).sin()
            })
            .sum()
    }
}

/// A slammed door of peak 1, `t` seconds after the slam; nothing before and long after.
pub(super) fn slam(t: f64, random: &mut Random) -> f64 {
    if !(0.0..=1.5).contains(&t) {
        return 0.0;
    }
    let tone =
        (TAU * 23.0 * t).sin() + 0.7 * (TAU * 61.0 * t).sin() + 0.5 * (TAU * 117.0 * t).sin();
    (-t / 0.15).exp() * (0.5 * tone + 0.1 * random.normal())
}

/// Adds room noise of RMS `pa` within 5 to 500 Hz.
pub(super) fn add_room(signal: &mut [f64], pa: f64, rate_hz: f64, random: &mut Random) {
    let mut room = Room::new(pa, rate_hz, random);
    for x in signal {
        *x += room.next(random);
    }
}

/// Adds white noise of the given RMS.
pub(super) fn add_white(signal: &mut [f64], rms: f64, random: &mut Random) {
    for x in signal {
        *x += rms * random.normal();
    }
}

/// Adds mains hum whose fundamental has the RMS value `rms`.
pub(super) fn add_hum(signal: &mut [f64], rms: f64, rate_hz: f64, random: &mut Random) {
    let hum = Hum::new(rms, random);
    for (k, x) in signal.iter_mut().enumerate() {
        *x += hum.at(k as f64 / rate_hz);
    }
}

/// Adds a slammed door of the given peak at a random time between `from_s` and `to_s`.
pub(super) fn add_slam(
    signal: &mut [f64],
    peak: f64,
    from_s: f64,
    to_s: f64,
    rate_hz: f64,
    random: &mut Random,
) {
    let at_s = from_s + (to_s - from_s) * random.uniform();
    let start = ((at_s * rate_hz) as usize).min(signal.len());
    for (k, x) in signal[start..].iter_mut().enumerate() {
        let t = k as f64 / rate_hz;
        if t > 1.5 {
            break;
        }
        *x += peak * slam(t, random);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_room_has_its_level_in_the_band() {
        let rate = 2_000.0;
        let n = 1 << 16;
        let mut signal = vec![0.0; n];
        add_room(&mut signal, 1.0, rate, &mut Random::new(3, 0));
        let mut planner = realfft::RealFftPlanner::<f64>::new();
        let transform = planner.plan_fft_forward(n);
        let mut spectrum = transform.make_output_vec();
        transform.process(&mut signal, &mut spectrum).unwrap();
        let bin = rate / n as f64;
        let power = |low: f64, high: f64| -> f64 {
            spectrum
                .iter()
                .enumerate()
                .filter(|(k, _)| (*k as f64 * bin) >= low && (*k as f64 * bin) < high)
                .map(|(_, x)| 2.0 * x.norm_sqr() / (n * n) as f64)
                .sum()
        };
        // DERIVED: pink 1 and white 0.1 in power; 10 %: some 30 s of noise with few periods at the low end.
        assert!(
            (power(5.0, 500.0) / 1.1 - 1.0).abs() < 0.1,
            "{}",
            power(5.0, 500.0)
        );
        // Pink: equal power per octave, 3 dB of ripple and scatter allowed.
        let ratio = power(10.0, 20.0) / power(80.0, 160.0);
        assert!((0.5..2.0).contains(&ratio), "{ratio}");
    }
}
