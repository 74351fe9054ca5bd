//! Warnings about takes, in words, each with its remedy.

use super::{Response, TakeWarning};

/// The warnings of a response, each with its file. Noise beside the `wanted_hz` of the design's target is none.
#[must_use]
pub fn of(response: &Response, wanted_hz: Option<[f64; 2]>) -> Vec<String> {
    let file = &response.take.file;
    let beside = |w: &&TakeWarning| match (w, wanted_hz) {
        (TakeWarning::Noisy { low_hz, high_hz }, Some([from, to])) => {
            *low_hz <= from && *high_hz >= to
        }
        _ => false,
    };
    let list = response.take.warnings.iter().filter(|w| !beside(w));
    list.map(|w| format!("{file}: {}", text(w))).collect()
}

/// One sentence or two.
#[must_use]
pub fn text(warning: &TakeWarning) -> String {
    match warning {
        TakeWarning::Clipped { channel, samples } => format!(
            "channel {channel} is clipped ({samples} samples at its ceiling): lower its gain and record again"
        ),
        TakeWarning::Hum {
            frequency_hz,
            over_db,
        } => format!(
            "hum at {frequency_hz:.0} Hz, {over_db:.0} dB over its surroundings: look for a ground loop, keep cables apart"
        ),
        TakeWarning::Inverted => {
            "the reference channel is inverted: swap its leads, or the amplifier's".to_string()
        }
        TakeWarning::DriftCorrected { ppm } => {
            format!(
                "the recorder's clock runs {ppm:+.0} ppm against the player's; it was taken into account"
            )
        }
        TakeWarning::Noisy { low_hz, high_hz } if high_hz <= low_hz => {
            "nowhere 20 dB over the noise: raise the level, come closer, or wait for quiet"
                .to_string()
        }
        TakeWarning::Noisy { low_hz, high_hz } => format!(
            "20 dB over the noise only from {low_hz:.1} to {high_hz:.0} Hz: raise the level, use a longer sweep, or wait for quiet"
        ),
        TakeWarning::LostSamples { at_s, samples } => format!(
            "the recording jumps near {at_s:.2} s by about {} samples ({}): record again with larger buffers",
            samples.abs(),
            if *samples > 0 { "lost" } else { "repeated" }
        ),
        TakeWarning::ShortTail { tail_s } => {
            format!(
                "only {tail_s:.2} s were recorded after the sweep: leave 2 s, so that the cabinet can ring out"
            )
        }
        TakeWarning::RepeatDropped {
            file,
            start_s,
            center_hz,
            difference_db,
        } => format!(
            "the repeat in {file} at {start_s:.1} s was left out: it is {difference_db:.1} dB from the others at {center_hz:.0} Hz (a door, a voice, something touched?)"
        ),
        TakeWarning::RepeatsDisagree {
            center_hz,
            difference_db,
        } => format!(
            "the repeats differ by {difference_db:.1} dB at {center_hz:.0} Hz, more than their noise, and which is wrong cannot be told: record a third"
        ),
    }
}
