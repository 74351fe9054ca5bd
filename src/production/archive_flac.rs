//! A WAV as FLAC and back, byte for byte.
//!
//! The samples become a FLAC stream that any player reads. What of the WAV is not samples lies in APPLICATION blocks with
//! the id `riff`, the way the reference implementation of FLAC keeps foreign metadata (from memory): the RIFF header; each
//! chunk ahead of the samples; the head of the `data` chunk; each chunk behind it. RFC 9639 describes stream and blocks.

use flac_codec::decode::FlacSampleReader;
use flac_codec::encode::{FlacSampleWriter, Options};
use flac_codec::metadata::Application;
use std::io::Cursor;

/// Largest chunk that is kept as a block, bytes; a FLAC block ends at 16 MiB.
const LARGEST_CHUNK: usize = 1 << 20;

/// The parts of a WAV.
struct Parts<'a> {
    channels: u8,
    rate_hz: u32,
    bits: u32,
    /// What is not samples, in order; the one at `data` is the head of the samples.
    others: Vec<&'a [u8]>,
    samples: &'a [u8],
}

/// FLAC of a WAV with 16 or 24-bit integers; `None` for anything else, which must be kept in another way.
#[must_use]
pub fn pack(wav: &[u8]) -> Option<Vec<u8>> {
    let parts = split(wav)?;
    let samples: Vec<i32> = match parts.bits {
        16 => parts
            .samples
            .chunks_exact(2)
            .map(|b| i32::from(i16::from_le_bytes([b[0], b[1]])))
            .collect(),
        _ => parts
            .samples
            .chunks_exact(3)
            .map(|b| i32::from_le_bytes([0, b[0], b[1], b[2]]) >> 8)
            .collect(),
    };
    let mut options = Options::default().no_padding().no_seektable();
    for other in &parts.others {
        options = options.application(Application {
            id: Application::RIFF,
            data: other.to_vec(),
        });
    }
    let mut packed = Cursor::new(Vec::new());
    let mut writer = FlacSampleWriter::new(
        &mut packed,
        options,
        parts.rate_hz,
        parts.bits,
        parts.channels,
        Some(samples.len() as u64),
    )
    .ok()?;
    writer.write(&samples).ok()?;
    writer.finalize().ok()?;
    Some(packed.into_inner())
}

fn split(wav: &[u8]) -> Option<Parts<'_>> {
    let word = |at: usize| -> Option<usize> {
        let bytes = wav.get(at..at + 4)?.try_into().ok()?;
        usize::try_from(u32::from_le_bytes(bytes)).ok()
    };
    let half = |at: usize| -> Option<u16> {
        Some(u16::from_le_bytes(wav.get(at..at + 2)?.try_into().ok()?))
    };
    if wav.get(..4)? != b"RIFF" || wav.get(8..12)? != b"WAVE" {
        return None;
    }
    let mut others = vec![&wav[..12]];
    let (mut at, mut form, mut samples) = (12, None, None);
    while at < wav.len() {
        let length = word(at + 4)?;
        let inside = at + 8;
        match wav.get(at..at + 4)? {
            b"data" if samples.is_none() => {
                others.push(wav.get(at..inside)?);
                samples = Some(wav.get(inside..inside.checked_add(length)?)?);
                at = inside + length;
                // A pad byte behind an odd number of them would not fit any chunk.
                if length % 2 == 1 {
                    return None;
                }
                continue;
            }
            b"fmt " => {
                // 1: integers; 0xFFFE: extensible, whose real format is checked by packing and unpacking anyway.
                let integers = matches!(half(inside)?, 1 | 0xFFFE);
                form = integers.then_some((
                    half(inside + 2)?,
                    u32::try_from(word(inside + 4)?).ok()?,
                    half(inside + 14)?,
                ));
            }
            _ => {}
        }
        let end = inside.checked_add(length)?.checked_add(length % 2)?;
        let chunk = wav.get(at..end)?;
        if chunk.len() > LARGEST_CHUNK {
            return None;
        }
        others.push(chunk);
        at = end;
    }
    let (samples, (channels, rate_hz, bits)) = (samples?, form?);
    let channels = u8::try_from(channels).ok()?;
    let frame = usize::from(channels) * usize::from(bits / 8);
    let fits = matches!(bits, 16 | 24) && (1..=8).contains(&channels) && !samples.is_empty();
    (fits && samples.len().is_multiple_of(frame)).then_some(Parts {
        channels,
        rate_hz,
        bits: u32::from(bits),
        others,
        samples,
    })
}

/// The WAV of a FLAC that [`pack`] made.
///
/// # Errors
/// What is wrong with it.
pub fn unpack(packed: &[u8]) -> Result<Vec<u8>, String> {
    use flac_codec::metadata::Metadata;
    let say = |cause: flac_codec::Error| format!("cannot be unpacked: {cause}");
    let mut reader = FlacSampleReader::new(Cursor::new(packed)).map_err(say)?;
    let bits = reader.bits_per_sample();
    let others: Vec<Vec<u8>> = reader
        .metadata()
        .get_all::<Application>()
        .filter(|block| block.id == Application::RIFF)
        .map(|block| block.data.clone())
        .collect();
    let mut samples = Vec::new();
    reader.read_to_end(&mut samples).map_err(say)?;
    let mut wav = Vec::with_capacity(samples.len() * 3 + 4096);
    let mut placed = false;
    for other in others {
        wav.extend_from_slice(&other);
        if !placed && other.len() == 8 && other.starts_with(b"data") {
            placed = true;
            for sample in &samples {
                let bytes = sample.to_le_bytes();
                wav.extend_from_slice(if bits == 16 { &bytes[..2] } else { &bytes[..3] });
            }
        }
    }
    if placed {
        Ok(wav)
    } else {
        Err("holds no head of a WAV, so it was not made by this program".to_string())
    }
}
