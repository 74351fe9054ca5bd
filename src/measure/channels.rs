//! The channels of one WAV file at a reduced rate, with what shows only at the full rate: clipping, silence, digest.

use super::MeasureError;
use crate::signal::decimate::{Decimator, factor_for};
use crate::signal::wav::{self, WavError};
use std::io::{BufReader, Read};
use std::path::Path;

/// Slope, over the channel's ceiling, with which a signal must run into a flat top to count as clipped.
const CORNER: f64 = 2e-3;

/// Chosen channels of a file.
#[derive(Debug, Clone)]
pub struct Channels {
    /// Sample rate of the file, Hz.
    pub sample_rate_hz: u32,
    /// Rate of `sample`, Hz.
    pub rate_hz: f64,
    /// The chosen channels, in the order asked for.
    pub sample: Vec<Vec<f64>>,
    /// Flat tops per chosen channel: (time in the file, s; samples).
    pub tops: Vec<Vec<(f64, usize)>>,
    /// Largest magnitude per chosen channel.
    pub peak: Vec<f64>,
    /// BLAKE3 digest (hex).
    pub digest: String,
    /// What the file says that it was recorded from.
    pub device: Option<String>,
}

impl Channels {
    /// Samples in flat tops of a chosen channel.
    #[must_use]
    pub fn clipped(&self, index: usize) -> usize {
        self.tops[index].iter().map(|top| top.1).sum()
    }

    /// The stretch between two times, s; peaks are those of the reduced rate.
    #[must_use]
    pub fn part(&self, from_s: f64, to_s: f64) -> Self {
        let at = |s: f64, count: usize| ((s * self.rate_hz).round().max(0.0) as usize).min(count);
        let sample: Vec<Vec<f64>> = self
            .sample
            .iter()
            .map(|x| x[at(from_s, x.len())..at(to_s, x.len())].to_vec())
            .collect();
        Self {
            sample_rate_hz: self.sample_rate_hz,
            rate_hz: self.rate_hz,
            tops: self
                .tops
                .iter()
                .map(|tops| {
                    let inside = tops.iter().filter(|t| (from_s..to_s).contains(&t.0));
                    inside.map(|t| (t.0 - from_s, t.1)).collect()
                })
                .collect(),
            peak: sample
                .iter()
                .map(|x| x.iter().fold(0.0f64, |a, v| a.max(v.abs())))
                .collect(),
            sample,
            digest: self.digest.clone(),
            device: self.device.clone(),
        }
    }
}

/// Watches one channel for flat tops: three equal samples or more at the highest (or lowest) value of all, that the signal runs
/// into with a corner.
///
/// A whole sine that is rounded to steps of q has flat tops as well. With c the fall over one sample beside its peak, a top of
/// 2h + 1 equal samples says c·h² ≤ q, so that the steps next to it are at most (2h + 3)·c ≤ (2h + 3)/h²·q, and one step of rounding
/// at either end; what is steeper is a corner.
#[derive(Debug, Clone, Default)]
struct Tops {
    /// The two samples ahead of the present run, the older one first.
    before: [f64; 2],
    last: f64,
    run: usize,
    into: f64,
    found: Vec<Top>,
    peak: f64,
    highest: f64,
    lowest: f64,
    /// Smallest step between neighbours: that of the rounding, or less than it matters.
    step: Option<f64>,
    count: usize,
}

/// A flat top.
#[derive(Debug, Clone)]
struct Top {
    value: f64,
    run: usize,
    /// Samples before its end.
    end: usize,
    /// Steepest step next to it.
    corner: f64,
}

/// Distance from the highest value, over it, within which a top lies at the ceiling: a step of 16 bits at full scale, and a few
/// of an analogue limiter.
const AT_CEILING: f64 = 5e-4;

impl Tops {
    fn push(&mut self, x: f64) {
        self.peak = self.peak.max(x.abs());
        self.highest = self.highest.max(x);
        self.lowest = self.lowest.min(x);
        self.count += 1;
        if x == self.last {
            if self.run == 1 {
                // The last step ends at the ceiling and may be a small rest of one: the step before it counts too.
                let [older, newer] = self.before;
                self.into = (self.last - newer).abs().max((newer - older).abs());
            }
            self.run += 1;
        } else {
            let step = (x - self.last).abs();
            self.step = Some(self.step.map_or(step, |least| least.min(step)));
            self.end(step);
            self.before = [self.before[1], self.last];
            self.last = x;
            self.run = 1;
        }
    }

    fn end(&mut self, out: f64) {
        if self.run >= 3 && self.last.abs() > 1e-3 {
            self.found.push(Top {
                value: self.last,
                run: self.run,
                end: self.count,
                corner: self.into.max(out),
            });
        }
    }

    /// Flat tops at the channel's ceiling: (samples before its end, samples).
    fn at_ceiling(&self) -> impl Iterator<Item = (usize, usize)> {
        let step = self.step.unwrap_or(0.0);
        let is_one = move |top: &&Top| {
            let extreme = if top.value > 0.0 {
                self.highest
            } else {
                self.lowest
            };
            let near = (top.value - extreme).abs() <= AT_CEILING * extreme.abs();
            let half = 0.5 * (top.run - 1) as f64;
            let rounded = ((2.0 * half + 3.0) / (half * half) + 2.0) * step;
            near && top.corner > (CORNER * top.value.abs()).max(rounded)
        };
        self.found
            .iter()
            .filter(is_one)
            .map(|top| (top.end, top.run))
    }
}

/// Reads the chosen channels (from 1) so that frequencies up to `highest_hz` are kept.
///
/// # Errors
/// [`MeasureError`] names the file and what is wrong with it.
pub fn read(
    path: &Path,
    file: &str,
    wanted: &[usize],
    highest_hz: f64,
) -> Result<Channels, MeasureError> {
    let io = |cause: std::io::Error| MeasureError::Open {
        file: file.to_string(),
        cause: cause.to_string(),
    };
    let about = std::fs::metadata(path).map_err(io)?;
    if about.is_dir() {
        return Err(io(std::io::Error::other(
            "it is a folder, a WAV file was expected",
        )));
    }
    let digest = digest(path).map_err(io)?;
    let device = wav::device(BufReader::new(std::fs::File::open(path).map_err(io)?));
    let input = BufReader::with_capacity(1 << 16, std::fs::File::open(path).map_err(io)?);
    let mut decimators: Vec<Decimator> = Vec::new();
    let mut tops: Vec<Tops> = vec![Tops::default(); wanted.len()];
    let mut factor = 1;
    let head = wav::read(input, |head, block| {
        if decimators.is_empty() {
            factor = factor_for(f64::from(head.sample_rate_hz), highest_hz);
            decimators = vec![Decimator::new(factor); wanted.len()];
        }
        for ((&channel, decimator), top) in wanted.iter().zip(&mut decimators).zip(&mut tops) {
            if channel <= head.channels {
                let samples = block
                    .iter()
                    .skip(channel - 1)
                    .step_by(head.channels)
                    .copied();
                samples.clone().for_each(|x| top.push(x));
                decimator.push(samples);
            }
        }
    })
    .map_err(|cause: WavError| MeasureError::Wav {
        file: file.to_string(),
        cause,
    })?;
    if let Some(&channel) = wanted.iter().find(|&&c| c > head.channels) {
        return Err(MeasureError::NoChannel {
            file: file.to_string(),
            channel,
            channels: head.channels,
        });
    }
    Ok(Channels {
        sample_rate_hz: head.sample_rate_hz,
        rate_hz: f64::from(head.sample_rate_hz) / factor as f64,
        sample: decimators.into_iter().map(Decimator::finish).collect(),
        tops: tops
            .iter()
            .map(|t| {
                let rate = f64::from(head.sample_rate_hz);
                t.at_ceiling()
                    .map(|(end, run)| (end as f64 / rate, run))
                    .collect()
            })
            .collect(),
        peak: tops.iter().map(|t| t.peak).collect(),
        digest,
        device,
    })
}

/// BLAKE3 digest of a file, hex.
pub(super) fn digest(path: &Path) -> std::io::Result<String> {
    let mut hasher = blake3::Hasher::new();
    let mut file = std::fs::File::open(path)?;
    let mut buffer = vec![0u8; 1 << 16];
    loop {
        let count = file.read(&mut buffer)?;
        if count == 0 {
            return Ok(hasher.finalize().to_hex().to_string());
        }
        hasher.update(&buffer[..count]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// DERIVED: a clipped sine has corners; a whole one, even in 16 bits at 5 Hz, has none.
    #[test]
    fn only_corners_count_as_clipping() {
        let run = |ceiling: f64, f: f64| {
            let mut tops = Tops::default();
            for n in 0..96_000 {
                let x = (std::f64::consts::TAU * f * f64::from(n) / 48_000.0).sin();
                tops.push(((x.clamp(-ceiling, ceiling)) * 16_384.0).round() / 32_768.0);
            }
            tops.at_ceiling().map(|top| top.1).sum::<usize>()
        };
        for f in [5.0, 21.3, 180.0] {
            assert_eq!(run(2.0, f), 0, "{f} Hz");
        }
        for f in [60.0, 180.0] {
            assert!(run(0.8, f) > 1000, "{f} Hz: {}", run(0.8, f));
        }
    }

    /// DERIVED: quiet sweeps in 16 bits, with and without the noise of an input, have no clipped tops; a quiet channel that a
    /// stage ahead clipped in 24 bits, upwards only, has.
    #[test]
    fn rounding_and_noise_are_no_clipping() {
        let mut random = crate::special::deviates::Deviates::new(5, 1);
        let mut run = |peak: f64, steps: f64, noise: f64, ceiling: f64| {
            let mut tops = Tops::default();
            let mut phase = 0.0;
            for n in 0..384_000 {
                phase +=
                    std::f64::consts::TAU * 5.0 * 100f64.powf(f64::from(n) / 384_000.0) / 48_000.0;
                let x = phase.sin().min(ceiling) * peak + noise * random.normal();
                tops.push((x * steps).round() / steps);
            }
            tops.at_ceiling().map(|top| top.1).sum::<usize>()
        };
        for level_db in [-20.0, -30.0, -40.0, -50.0] {
            let peak = 10f64.powf(level_db / 20.0);
            for noise in [0.0, 3e-5, 1e-5] {
                let got = run(peak, 32_768.0, noise, 2.0);
                assert!(got < 12, "{level_db} dB, noise {noise}: {got}");
            }
            let got = run(peak, 8_388_608.0, 5e-6, 2.0);
            assert!(got < 12, "{level_db} dB in 24 bits: {got}");
            assert!(run(peak, 8_388_608.0, 0.0, 0.9) > 1000, "{level_db} dB");
        }
    }
}
