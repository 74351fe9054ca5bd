//! What a microphone hears far above the frequency that a sweep plays: rattles, loose parts, air hissing through a gap.
//!
//! A sound cabinet answers a tone at f with f and its low multiples. What touches or blows answers with short clicks or
//! noise at many times f. The recording is cut into short overlapping frames; in each, the power above `MULTIPLE`·f and the
//! reach of the window is taken, f being what the sweep plays in the middle of the frame:
//!
//! ```text
//! w(n) = sin⁸(π(n + ½)/W)                                       frames of W samples, side lobes fall 54 dB per octave
//! P_t  = 2·Σ_{k: a(t) ≤ f_k ≤ b} |X_t(k)|²/(W·Σw²)              mean square between a(t) and b
//! level = 10·lg((P − N)/S)                                       P, N: means over one one-third octave of the excitation
//! ```
//!
//! N is the same sum over the silence, S the mean square of the whole signal in its loudest one-third octave, so that one limit
//! serves all bands. Where P does not stand out of N, the residue is hidden: it is put at a tenth of the noise with a standard
//! uncertainty that reaches up to P at 1.65 of it, [`HIDDEN_DB`] or more.
//!
//! What rattles answers again one period later. A run of frames that stand out, no longer than one period and a window, without
//! another of a tenth of its height within three periods ahead or behind, is a single event: a knock in the room, a click on a
//! line, or a part that knocks once. The band is then put where it lies without that run, with a standard uncertainty that
//! reaches up to what it is with it at 1.65.
//!
//! | symbol | variable | unit |
//! | --- | --- | --- |
//! | a, b | `low_hz`, `high_hz` | Hz |
//! | level | `level_db` | dB |
//! | 10·lg(N/S) | `floor_db` | dB |
//!
//! **Range.** Harmonics up to the tenth of a driver's own distortion lie below `MULTIPLE`·f. Bands in which less than half an
//! octave is left up to 10 kHz or 0.45 of the sample rate are not told. The uncertainty holds the noise only: a rattle
//! itself changes from run to run.
//!
//! No published source for the limits of the listening band: common practice of production tests, chosen here.

use super::bands::third_octaves;
use super::sweep::Sweep;
use realfft::RealFftPlanner;
use std::f64::consts::PI;

/// Times the excitation's frequency from which is listened.
const MULTIPLE: f64 = 12.0;
/// Reach of the window in frequency, bins: its main lobe of 5, and side lobes below −90 dB from there.
const REACH: f64 = 7.0;
/// Highest frequency that is listened to, Hz.
const MOST_HZ: f64 = 10_000.0;
/// Length of a frame, s, at least.
const FRAME_S: f64 = 0.01;
/// Frames per length of one.
const OVERLAP: usize = 8;
/// Share of a frame that the window leaves, (Σw²)²/Σw⁴ over W.
const EFFECTIVE: f64 = 0.28;
/// Times the noise from which a frame stands out.
const OUT: f64 = 10.0;
/// Share of the highest frame of a run that another must reach to be its repetition.
const AGAIN: f64 = 0.1;
/// Periods of the excitation within which a rattle would come again.
const PERIODS: f64 = 3.0;
/// Shortest silence that tells the noise, s.
const LEAST_SILENCE_S: f64 = 0.05;

/// Standard uncertainty from which a residue is hidden by the noise, dB: one that is told has less than 1.5 dB.
pub const HIDDEN_DB: f64 = 5.0;

/// Standard uncertainties up to the level that a hidden residue lies below: 95 % on one side.
pub const BOUND: f64 = 1.65;

/// The residue while one one-third octave is played.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Residue {
    /// Nominal midband of the excitation, Hz.
    pub center_hz: f64,
    /// Residue over the loudest one-third octave of the response, dB.
    pub level_db: f64,
    /// Its standard uncertainty from the noise, dB.
    pub standard_db: f64,
    /// Noise over the loudest one-third octave of the response, dB.
    pub floor_db: f64,
    /// How much the loudest twentieth of the frames stands over their median, dB: 1 to 2 for steady noise, more for bursts.
    pub crest_db: f64,
    /// When a single event sounded that makes up what is told here, s from the beginning of the signal.
    pub event_s: Option<f64>,
}

impl Residue {
    /// Whether the residue stands out of the noise.
    #[must_use]
    pub fn told(&self) -> bool {
        self.standard_db < HIDDEN_DB
    }
}

/// Powers of one channel by frame and frequency.
struct Frames {
    hop: usize,
    bin_hz: f64,
    /// Per frame: Σ of the power from bin k on.
    above: Vec<Vec<f64>>,
    /// Highest bin that counts.
    last: usize,
}

impl Frames {
    fn of(signal: &[f64], rate_hz: f64) -> Self {
        let size = ((FRAME_S * rate_hz) as usize).next_power_of_two().max(32);
        let hop = size / OVERLAP;
        let window: Vec<f64> = (0..size)
            .map(|n| (PI * (n as f64 + 0.5) / size as f64).sin().powi(8))
            .collect();
        let energy: f64 = window.iter().map(|w| w * w).sum();
        let bin_hz = rate_hz / size as f64;
        let last = ((MOST_HZ.min(0.45 * rate_hz) / bin_hz) as usize).min(size / 2);
        let plan = RealFftPlanner::new().plan_fft_forward(size);
        let (mut input, mut bins) = (plan.make_input_vec(), plan.make_output_vec());
        let mut above = Vec::new();
        let mut from = 0;
        while from + size <= signal.len() {
            for ((x, s), w) in input
                .iter_mut()
                .zip(&signal[from..from + size])
                .zip(&window)
            {
                *x = s * w;
            }
            // The plan made both buffers, so that their lengths fit.
            let _ = plan.process(&mut input, &mut bins);
            let mut sums = vec![0.0; last + 2];
            for k in (0..=last).rev() {
                sums[k] = sums[k + 1] + 2.0 * bins[k].norm_sqr() / (size as f64 * energy);
            }
            above.push(sums);
            from += hop;
        }
        Self {
            hop,
            bin_hz,
            above,
            last,
        }
    }

    /// First bin at or above a frequency.
    fn bin(&self, hz: f64) -> usize {
        ((hz / self.bin_hz).ceil() as usize).min(self.last + 1)
    }

    /// Middle of a frame, s.
    fn middle_s(&self, frame: usize, rate_hz: f64) -> f64 {
        (frame as f64 + 0.5 * OVERLAP as f64) * self.hop as f64 / rate_hz
    }
}

/// Frames of single events, each with its highest frame.
struct Events(Vec<(std::ops::Range<usize>, usize)>);

impl Events {
    fn of(
        frames: &Frames,
        noise: &[f64],
        rate_hz: f64,
        [start_s, end_s]: [f64; 2],
        sweep: &Sweep,
    ) -> Self {
        let hop_s = frames.hop as f64 / rate_hz;
        let played_hz = |n: usize| {
            sweep.plan().start_hz * ((frames.middle_s(n, rate_hz) - start_s) / sweep.rate_s()).exp()
        };
        let swept: Vec<usize> = (0..frames.above.len())
            .filter(|&n| (start_s..end_s).contains(&frames.middle_s(n, rate_hz)))
            .collect();
        let Some((&first, &last)) = swept.first().zip(swept.last()) else {
            return Self(Vec::new());
        };
        let over: Vec<f64> = (first..=last)
            .map(|n| {
                let bin = frames.bin(MULTIPLE * played_hz(n) + REACH * frames.bin_hz);
                let power = frames.above[n][bin];
                if power > OUT * noise[bin] { power } else { 0.0 }
            })
            .collect();
        let mut found = Vec::new();
        let mut from = 0;
        while from < over.len() {
            if over[from] == 0.0 {
                from += 1;
                continue;
            }
            let to = (from..over.len())
                .find(|&i| over[i] == 0.0)
                .unwrap_or(over.len());
            let peak = (from..to).fold(from, |a, b| if over[b] > over[a] { b } else { a });
            let period = 1.0 / (played_hz(first + peak) * hop_s);
            let reach = (PERIODS * period).ceil() as usize;
            let again = (from.saturating_sub(reach)..from)
                .chain(to..(to + reach).min(over.len()))
                .any(|i| over[i] > AGAIN * over[peak]);
            if !again && (to - from) as f64 <= period + 2.0 * OVERLAP as f64 {
                found.push((first + from..first + to, first + peak));
            }
            from = to;
        }
        Self(found)
    }

    /// The highest frame of the event that a frame belongs to.
    fn at(&self, frame: usize) -> Option<usize> {
        let hit = self.0.iter().find(|(run, _)| run.contains(&frame))?;
        Some(hit.1)
    }
}

/// The residue by one-third octave of the excitation, ascending; empty where the silence is too short to tell the noise.
///
/// `signal` is the microphone's channel at its own rate, `start_s` where the sweep begins in it.
#[must_use]
pub fn residue(signal: &[f64], rate_hz: f64, start_s: f64, sweep: &Sweep) -> Vec<Residue> {
    let plan = sweep.plan();
    let frames = Frames::of(signal, rate_hz);
    let end_s = start_s + plan.duration_s;
    let edge_s = frames.hop as f64 * OVERLAP as f64 / rate_hz;
    let quiet = |frame: usize, before: bool| {
        let t = frames.middle_s(frame, rate_hz);
        if before {
            t < start_s - edge_s
        } else {
            t > end_s + 1.0
        }
    };
    let silent = |before: bool| -> Vec<usize> {
        (0..frames.above.len())
            .filter(|&n| quiet(n, before))
            .collect()
    };
    let hop_s = frames.hop as f64 / rate_hz;
    let (ahead, behind) = (silent(true), silent(false));
    let silence = if ahead.len() as f64 * hop_s >= LEAST_SILENCE_S {
        ahead
    } else {
        behind
    };
    let silence_s = silence.len() as f64 * hop_s;
    if silence_s < LEAST_SILENCE_S {
        return Vec::new();
    }
    let noise: Vec<f64> = (0..=frames.last + 1)
        .map(|k| silence.iter().map(|&n| frames.above[n][k]).sum::<f64>() / silence.len() as f64)
        .collect();
    let bands: Vec<_> = third_octaves(plan.start_hz, plan.stop_hz)
        .into_iter()
        .filter(|b| b.low_hz >= plan.start_hz * 0.99 && b.high_hz <= plan.stop_hz * 1.01)
        .map(|b| (b, [b.low_hz, b.high_hz].map(|f| start_s + sweep.time_s(f))))
        .collect();
    let loudest = bands
        .iter()
        .map(|(_, ends)| {
            let [from, to] = ends.map(|t| ((t * rate_hz).max(0.0) as usize).min(signal.len()));
            let part = &signal[from..to.max(from)];
            part.iter().map(|x| x * x).sum::<f64>() / part.len().max(1) as f64
        })
        .fold(0.0, f64::max);
    if !(loudest > 0.0 && loudest.is_finite()) {
        return Vec::new();
    }
    let high_hz = frames.last as f64 * frames.bin_hz;
    let events = Events::of(&frames, &noise, rate_hz, [start_s, end_s], sweep);
    let low_hz = |f: f64| MULTIPLE * f + REACH * frames.bin_hz;
    bands
        .into_iter()
        .filter(|(band, _)| low_hz(band.high_hz) * 2f64.sqrt() <= high_hz)
        .filter_map(|(band, ends)| {
            let (mut power, mut hidden, mut width_hz) = (Vec::new(), 0.0, 0.0);
            let (mut quiet, mut event) = (Vec::new(), None);
            for (n, sums) in frames.above.iter().enumerate() {
                let t = frames.middle_s(n, rate_hz);
                if t < ends[0] || t >= ends[1] {
                    continue;
                }
                let low = low_hz(plan.start_hz * ((t - start_s) / sweep.rate_s()).exp());
                let bin = frames.bin(low);
                power.push(sums[bin]);
                match events.at(n) {
                    Some(peak) => event = Some(frames.middle_s(peak, rate_hz)),
                    None => quiet.push(sums[bin]),
                }
                hidden += noise[bin];
                width_hz += high_hz - low;
            }
            if power.len() < 2 {
                return None;
            }
            let count = power.len() as f64;
            let mean = power.iter().sum::<f64>() / count;
            let without = quiet.iter().sum::<f64>() / quiet.len().max(1) as f64;
            let (hidden, width_hz) = (hidden / count, width_hz / count);
            // Relative variance of a mean square of noise: 1/(B·T).
            let spread = |time_s: f64| 1.0 / (width_hz * time_s.max(EFFECTIVE * edge_s));
            let sd = hidden * (spread(ends[1] - ends[0]) + spread(silence_s)).sqrt();
            let db = |ratio: f64| 10.0 * ratio.max(1e-30).log10();
            let of = |mean: f64| {
                let over = mean - hidden;
                if over > 0.1 * hidden + 3.0 * sd {
                    (over, 10.0 / std::f64::consts::LN_10 * sd / over)
                } else {
                    let least = (0.1 * hidden).max(1e-30 * loudest);
                    (least, (db(mean.max(hidden) / least) / BOUND).max(HIDDEN_DB))
                }
            };
            let (mut residue, mut standard_db) = of(mean);
            if event.is_some() {
                let (rest, rest_db) = of(without);
                standard_db = rest_db.max(db(mean.max(hidden) / rest) / BOUND);
                residue = rest;
            }
            power.sort_by(f64::total_cmp);
            let at = |share: f64| power[((power.len() - 1) as f64 * share).round() as usize];
            Some(Residue {
                center_hz: band.nominal_hz,
                level_db: db(residue / loudest),
                standard_db,
                floor_db: db(hidden / loudest),
                crest_db: db(at(0.95) / at(0.5).max(1e-30)),
                event_s: event,
            })
        })
        .collect()
}

#[cfg(test)]
#[path = "residue_tests.rs"]
mod tests;
