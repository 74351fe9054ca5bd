//! A real sound card through cpal: two streams of their own, each with its own thread.
//!
//! The card is opened with exactly the rate that is asked for and with the fewest channels that are enough; channels beyond
//! those asked for are not handed on, and play silence. Where a device has more than one sample format the
//! finest is taken. Streams are opened and closed in threads of their own, because a sound system that has stopped
//! answers neither.

use super::card::{Card, CardError, Fault, FaultKind, Hear, Play, Running, Shape};
use super::hush::Hush;
use super::ports::{self, Direction, called};
use cpal::traits::{DeviceTrait, StreamTrait};
use cpal::{
    BufferSize, ErrorKind, FromSample, I24, Sample, SampleFormat, SizedSample, Stream,
    StreamConfig, SupportedStreamConfigRange,
};
use std::sync::Arc;
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::Duration;

/// Longest wait for a device to open.
const OPENS: Duration = Duration::from_secs(4);
/// Longest wait for both streams to end.
const ENDS: Duration = Duration::from_millis(1500);
/// Longest wait for the sound system inside a stream before it looks around.
const POLL: Duration = Duration::from_millis(500);
/// Frames that are converted at once.
const BLOCK: usize = 512;
/// Sample formats that are used, the finest first.
const FORMATS: [SampleFormat; 4] = [
    SampleFormat::F32,
    SampleFormat::I32,
    SampleFormat::I24,
    SampleFormat::I16,
];

/// An input and an output device, of one card or of two.
pub struct CpalCard {
    input: cpal::Device,
    output: cpal::Device,
}

impl CpalCard {
    /// Finds both devices: names or identities as `bassay devices` prints them, of which a part is enough if only one
    /// has it; the default device without a name.
    ///
    /// # Errors
    /// [`CardError::NoDevice`] or [`CardError::Ambiguous`] lists what there is.
    pub fn open(input: Option<&str>, output: Option<&str>) -> Result<Self, CardError> {
        Ok(Self {
            input: ports::find(input, Direction::Input)?,
            output: ports::find(output, Direction::Output)?,
        })
    }
}

impl Card for CpalCard {
    fn label(&self) -> String {
        let (input, output) = (called(&self.input).0, called(&self.output).0);
        if input == output {
            input
        } else {
            format!("{input} (in), {output} (out)")
        }
    }

    fn doubt(&self, sample_rate_hz: u32) -> Option<String> {
        let through = [&self.input, &self.output]
            .into_iter()
            .any(ports::may_convert);
        through.then(|| {
            format!(
                "{} is opened through the sound system, which may convert {sample_rate_hz} Hz from or to another rate of the hardware without telling; a hw: device of `bassay devices` cannot",
                self.label()
            )
        })
    }

    fn start(
        &mut self,
        shape: Shape,
        play: Play,
        hear: Hear,
        fault: Arc<Fault>,
    ) -> Result<Box<dyn Running>, CardError> {
        let device = self.label();
        let (input, output) = (self.input.clone(), self.output.clone());
        let (send, opened) = channel();
        let _hush = Hush::begin();
        let spawned = std::thread::Builder::new()
            .name("open sound card".to_string())
            .spawn(move || {
                let _ = send.send(open(&input, &output, shape, play, hear, &fault));
            });
        let failed = |cause: String| CardError::Start {
            device: device.clone(),
            cause,
        };
        spawned.map_err(|e| failed(e.to_string()))?;
        let streams = opened
            .recv_timeout(OPENS)
            .map_err(|_| failed("the sound system does not answer".to_string()))??;
        Ok(Box::new(Streams { device, streams }))
    }
}

struct Streams {
    device: String,
    streams: [Stream; 2],
}

impl Running for Streams {
    fn stop(self: Box<Self>) -> Result<(), CardError> {
        let Self { device, streams } = *self;
        let (send, ended) = channel();
        let _hush = Hush::begin();
        let spawned = std::thread::Builder::new()
            .name("close sound card".to_string())
            .spawn(move || {
                drop(streams);
                let _ = send.send(());
            });
        let done = spawned.is_ok() && ended.recv_timeout(ENDS) != Err(RecvTimeoutError::Timeout);
        if done {
            Ok(())
        } else {
            Err(CardError::Hangs { device })
        }
    }
}

/// Opens both streams and starts them, the input first.
fn open(
    input: &cpal::Device,
    output: &cpal::Device,
    shape: Shape,
    play: Play,
    hear: Hear,
    fault: &Arc<Fault>,
) -> Result<[Stream; 2], CardError> {
    let (config, format) = choose(input, Direction::Input, shape.inputs, shape)?;
    let heard = match format {
        SampleFormat::I16 => listen::<i16>(input, config, shape.inputs, hear, fault),
        SampleFormat::I24 => listen::<I24>(input, config, shape.inputs, hear, fault),
        SampleFormat::I32 => listen::<i32>(input, config, shape.inputs, hear, fault),
        _ => listen::<f32>(input, config, shape.inputs, hear, fault),
    }
    .map_err(|e| start_error(input, &e))?;
    let (config, format) = choose(output, Direction::Output, shape.outputs, shape)?;
    let played = match format {
        SampleFormat::I16 => speak::<i16>(output, config, shape.outputs, play, fault),
        SampleFormat::I24 => speak::<I24>(output, config, shape.outputs, play, fault),
        SampleFormat::I32 => speak::<i32>(output, config, shape.outputs, play, fault),
        _ => speak::<f32>(output, config, shape.outputs, play, fault),
    }
    .map_err(|e| start_error(output, &e))?;
    heard.play().map_err(|e| start_error(input, &e))?;
    played.play().map_err(|e| start_error(output, &e))?;
    Ok([heard, played])
}

fn start_error(device: &cpal::Device, error: &cpal::Error) -> CardError {
    CardError::Start {
        device: called(device).0,
        cause: error.to_string().trim_end_matches('.').to_string(),
    }
}

/// The finest format at exactly this rate with the fewest channels that are enough.
fn choose(
    device: &cpal::Device,
    direction: Direction,
    channels: usize,
    shape: Shape,
) -> Result<(StreamConfig, SampleFormat), CardError> {
    let ranges = direction.ranges(device);
    let rate = shape.sample_rate_hz;
    let best = pick(&ranges, channels, rate);
    let Some((channels, format)) = best else {
        return Err(CardError::Cannot {
            device: called(device).0,
            what: format!("{channels} {} channels at {rate} Hz", direction.word()),
            has: has(&ranges),
        });
    };
    let config = StreamConfig {
        channels,
        sample_rate: rate,
        buffer_size: BufferSize::Default,
    };
    Ok((config, format))
}

fn pick(
    ranges: &[SupportedStreamConfigRange],
    channels: usize,
    rate_hz: u32,
) -> Option<(u16, SampleFormat)> {
    let place = |format| FORMATS.iter().position(|f| *f == format);
    ranges
        .iter()
        .filter(|r| usize::from(r.channels()) >= channels)
        .filter(|r| (r.min_sample_rate()..=r.max_sample_rate()).contains(&rate_hz))
        .filter_map(|r| Some((r.channels(), place(r.sample_format())?)))
        .min()
        .map(|(channels, place)| (channels, FORMATS[place]))
}

/// What a device can do, in words.
fn has(ranges: &[SupportedStreamConfigRange]) -> String {
    let usable = |r: &&SupportedStreamConfigRange| FORMATS.contains(&r.sample_format());
    let mut rates: Vec<(u32, u32)> = ranges
        .iter()
        .filter(usable)
        .map(|r| (r.min_sample_rate(), r.max_sample_rate()))
        .collect();
    rates.sort_unstable();
    rates.dedup();
    let Some(most) = ranges.iter().filter(usable).map(|r| r.channels()).max() else {
        return "no channels in a format that can be used (16, 24 or 32-bit integer, 32-bit float)"
            .to_string();
    };
    let rates: Vec<String> = rates
        .iter()
        .map(|&(low, high)| {
            if low == high {
                low.to_string()
            } else {
                format!("{low} to {high}")
            }
        })
        .collect();
    format!("up to {most} channels, {} Hz", rates.join(", "))
}

/// Linux error numbers that mean that a device or its server is not there any more: EIO, ENXIO, ENODEV, EBADFD, ECONNRESET,
/// ENOTCONN, ECONNREFUSED. A sound server that is killed answers its clients' next question with EIO.
const GONE: [i32; 7] = [5, 6, 19, 77, 104, 107, 111];

/// Whether what the sound library says ends with such a number in brackets, of either sign; it has no other form for it.
fn tells_gone(message: &str) -> bool {
    let number = message.trim_end_matches(['\'', ')']).rsplit_once('(');
    number
        .and_then(|(_, n)| n.trim_start_matches('-').parse::<i32>().ok())
        .is_some_and(|n| GONE.contains(&n))
}

/// Leaves in `fault` what cpal reports: it may do so millions of times a second.
fn report(fault: &Arc<Fault>) -> impl FnMut(cpal::Error) + Send + 'static + use<> {
    let fault = Arc::clone(fault);
    move |error| match error.kind() {
        // Sound goes on at a lower priority.
        ErrorKind::RealtimeDenied => {}
        ErrorKind::Xrun => fault.set(FaultKind::Xrun),
        ErrorKind::DeviceNotAvailable | ErrorKind::HostUnavailable => fault.set(FaultKind::Gone),
        ErrorKind::StreamInvalidated | ErrorKind::DeviceChanged => fault.set(FaultKind::Changed),
        ErrorKind::BackendError if error.message().is_some_and(tells_gone) => {
            fault.set(FaultKind::Gone);
        }
        _ => fault.set(FaultKind::Other),
    }
}

fn listen<T: SizedSample>(
    device: &cpal::Device,
    config: StreamConfig,
    inputs: usize,
    mut hear: Hear,
    fault: &Arc<Fault>,
) -> Result<Stream, cpal::Error>
where
    f32: FromSample<T>,
{
    let there = usize::from(config.channels);
    let mut block = vec![0.0; BLOCK * inputs];
    device.build_input_stream::<T, _, _>(
        config,
        move |data, _| {
            for part in data.chunks(BLOCK * there) {
                let frames = part.len() / there;
                for (to, from) in block.chunks_exact_mut(inputs).zip(part.chunks_exact(there)) {
                    for (to, from) in to.iter_mut().zip(from) {
                        *to = f32::from_sample(*from);
                    }
                }
                hear(&block[..frames * inputs]);
            }
        },
        report(fault),
        Some(POLL),
    )
}

fn speak<T: SizedSample + FromSample<f32>>(
    device: &cpal::Device,
    config: StreamConfig,
    outputs: usize,
    mut play: Play,
    fault: &Arc<Fault>,
) -> Result<Stream, cpal::Error> {
    let there = usize::from(config.channels);
    let mut block = vec![0.0_f32; BLOCK * outputs];
    device.build_output_stream::<T, _, _>(
        config,
        move |data, _| {
            for part in data.chunks_mut(BLOCK * there) {
                let frames = part.len() / there;
                play(&mut block[..frames * outputs]);
                for (to, from) in part
                    .chunks_exact_mut(there)
                    .zip(block.chunks_exact(outputs))
                {
                    for (n, to) in to.iter_mut().enumerate() {
                        let value = from.get(n).copied().unwrap_or(0.0);
                        *to = T::from_sample(value.clamp(-1.0, 1.0));
                    }
                }
            }
        },
        report(fault),
        Some(POLL),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use cpal::SupportedBufferSize;

    fn range(
        channels: u16,
        low: u32,
        high: u32,
        format: SampleFormat,
    ) -> SupportedStreamConfigRange {
        SupportedStreamConfigRange::new(channels, low, high, SupportedBufferSize::Unknown, format)
    }

    #[test]
    fn the_fewest_channels_and_the_finest_format_are_taken() {
        let card = [
            range(2, 44_100, 48_000, SampleFormat::I16),
            range(2, 44_100, 48_000, SampleFormat::I24),
            range(8, 44_100, 96_000, SampleFormat::I32),
            range(4, 44_100, 96_000, SampleFormat::U8),
        ];
        assert_eq!(pick(&card, 1, 48_000), Some((2, SampleFormat::I24)));
        assert_eq!(pick(&card, 3, 48_000), Some((8, SampleFormat::I32)));
        assert_eq!(pick(&card, 2, 96_000), Some((8, SampleFormat::I32)));
        assert_eq!(pick(&card, 2, 192_000), None);
        assert_eq!(pick(&card, 9, 48_000), None);
        assert_eq!(
            has(&card),
            "up to 8 channels, 44100 to 48000, 44100 to 96000 Hz"
        );
        assert!(has(&card[3..]).contains("no channels in a format"));
    }

    /// DERIVED: integers over their full scale, exact in `f32` up to 24 bits.
    #[test]
    fn samples_are_whole_numbers_over_full_scale() {
        assert_eq!(f32::from_sample(-32_768_i16), -1.0);
        assert_eq!(f32::from_sample(1_i16), 1.0 / 32_768.0);
        for n in [-8_388_608, -8_388_607, -1, 1, 8_388_607] {
            // Within 24 bits.
            let sample = I24::new(n).unwrap();
            assert_eq!(f32::from_sample(sample), n as f32 / 8_388_608.0);
        }
        assert_eq!(i16::from_sample(1.0_f32), i16::MAX);
        assert_eq!(i32::from_sample(1.0_f32), i32::MAX);
        assert_eq!(I24::from_sample(-1.0_f32).inner(), -8_388_608);
    }
}
