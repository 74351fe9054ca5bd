//! WAV files, read in blocks and written whole: 16, 24 and 32-bit integer and 32-bit float, plain and extensible.

use std::io::{Read, Seek, Write};

/// A WAV file that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum WavError {
    /// Not a WAV file, or damaged ahead of its samples.
    #[error(
        "is no WAV file that can be read ({found}); expected RIFF/WAVE with 16, 24 or 32-bit integer or 32-bit float samples"
    )]
    Format {
        /// What was found.
        found: String,
    },
    /// The header is sound and there is nothing behind it.
    #[error("holds a header and no samples; record it again")]
    Empty,
    /// A number of the header is outside what can be measured with.
    #[error("{what}: found {found}; expected {expected}")]
    Header {
        /// What.
        what: &'static str,
        /// Found.
        found: String,
        /// Expected.
        expected: &'static str,
    },
    /// The file ends before the samples that its header announces.
    #[error(
        "ends after {have_s:.2} s of the {want_s:.2} s that its header announces: it is truncated; copy or record it again"
    )]
    Truncated {
        /// There, s.
        have_s: f64,
        /// Announced, s.
        want_s: f64,
    },
    /// A sample is not a number.
    #[error(
        "sample {frame} of channel {channel} is not a finite number; expected −1 to 1; export the file again"
    )]
    NotFinite {
        /// Channel, from 1.
        channel: usize,
        /// Frame, from 0.
        frame: u64,
    },
}

/// What a WAV header says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Head {
    /// Sample rate, Hz.
    pub sample_rate_hz: u32,
    /// Channels.
    pub channels: usize,
    /// Bits of a sample.
    pub bits: u16,
    /// Float samples.
    pub float: bool,
    /// Frames that the header announces.
    pub frames: u64,
}

/// Reads a WAV file in blocks: `block` gets interleaved samples, ±1 at full scale, and the channel count.
///
/// # Errors
/// [`WavError`] says what is wrong with the file.
pub fn read<R: Read + Seek>(
    mut from: R,
    mut block: impl FnMut(&Head, &[f64]),
) -> Result<Head, WavError> {
    let length = from.seek(std::io::SeekFrom::End(0)).unwrap_or(0);
    let _ = from.seek(std::io::SeekFrom::Start(0));
    if length == 0 {
        return Err(WavError::Format {
            found: "the file is empty".to_string(),
        });
    }
    let mut first = [0u8; 12];
    let _ = from.read(&mut first);
    let _ = from.seek(std::io::SeekFrom::Start(0));
    if &first[..4] != b"RIFF" || &first[8..] != b"WAVE" {
        let found = match &first[..4] {
            [0xFF, 0xD8, 0xFF, _] => "it is a JPEG picture".to_string(),
            b"RF64" => "it is an RF64 file, larger than a WAV file can be; split it".to_string(),
            b"fLaC" => "it is a FLAC file; decode it to WAV first".to_string(),
            _ => "it does not begin with RIFF and WAVE".to_string(),
        };
        return Err(WavError::Format { found });
    }
    let mut reader = hound::WavReader::new(from).map_err(|error| match error {
        // The header announces a data part and the file ends there.
        hound::Error::IoError(_) => WavError::Empty,
        other => WavError::Format {
            found: other.to_string(),
        },
    })?;
    let spec = reader.spec();
    let head = Head {
        sample_rate_hz: spec.sample_rate,
        channels: usize::from(spec.channels),
        bits: spec.bits_per_sample,
        float: spec.sample_format == hound::SampleFormat::Float,
        frames: u64::from(reader.duration()),
    };
    check(&head)?;
    if head.frames == 0 {
        return Err(WavError::Empty);
    }
    let size = 8192 * head.channels;
    let mut buffer: Vec<f64> = Vec::with_capacity(size);
    let mut done: u64 = 0;
    let announced = head.frames * head.channels as u64;
    let mut flush = |buffer: &mut Vec<f64>, done: &mut u64| {
        if let Some(at) = buffer.iter().position(|v| !v.is_finite()) {
            let sample = *done + at as u64;
            return Err(WavError::NotFinite {
                channel: (sample % head.channels as u64) as usize + 1,
                frame: sample / head.channels as u64,
            });
        }
        block(&head, buffer);
        *done += buffer.len() as u64;
        buffer.clear();
        Ok(())
    };
    let scale = 1.0 / 2f64.powi(i32::from(head.bits) - 1);
    if head.float {
        for sample in reader.samples::<f32>() {
            let Ok(sample) = sample else { break };
            buffer.push(f64::from(sample));
            if buffer.len() == size {
                flush(&mut buffer, &mut done)?;
            }
        }
    } else {
        for sample in reader.samples::<i32>() {
            let Ok(sample) = sample else { break };
            buffer.push(f64::from(sample) * scale);
            if buffer.len() == size {
                flush(&mut buffer, &mut done)?;
            }
        }
    }
    // A last frame that is not whole is cut with the rest.
    buffer.truncate(buffer.len() / head.channels * head.channels);
    flush(&mut buffer, &mut done)?;
    if done < announced {
        let seconds =
            |samples: u64| samples as f64 / head.channels as f64 / f64::from(head.sample_rate_hz);
        if done == 0 {
            return Err(WavError::Empty);
        }
        return Err(WavError::Truncated {
            have_s: seconds(done),
            want_s: seconds(announced),
        });
    }
    Ok(head)
}

/// What the comment that names a recording's device begins with.
const DEVICE: &str = "recorded from: ";
/// Parts of a file that are looked at for the comment: it stands near the head.
const MOST_PARTS: usize = 100;
/// Longest list of comments that is read, bytes.
const LONGEST_LIST: u32 = 1 << 16;

/// A whole part of a WAV file (`LIST` of the kind `INFO`, with `ICMT`; Microsoft, Multimedia Programming Interface and
/// Data Specifications 1.0) that says what was recorded from.
#[must_use]
pub fn device_note(device: &str) -> Vec<u8> {
    let mut text = format!("{DEVICE}{device}").into_bytes();
    text.truncate(1000);
    text.push(0);
    // The size counts the closing zero; a part of odd length is filled up, and the filling is not counted.
    let size = text.len() as u32;
    if text.len() % 2 == 1 {
        text.push(0);
    }
    let mut part = b"LIST".to_vec();
    part.extend((text.len() as u32 + 12).to_le_bytes());
    part.extend(b"INFOICMT");
    part.extend(size.to_le_bytes());
    part.extend(text);
    part
}

/// What a WAV file says that it was recorded from; `None` where it does not, or is no WAV file.
pub fn device<R: Read + Seek>(mut from: R) -> Option<String> {
    let mut first = [0u8; 12];
    from.read_exact(&mut first).ok()?;
    if &first[..4] != b"RIFF" || &first[8..] != b"WAVE" {
        return None;
    }
    for _ in 0..MOST_PARTS {
        let mut head = [0u8; 8];
        from.read_exact(&mut head).ok()?;
        let size = u32::from_le_bytes([head[4], head[5], head[6], head[7]]);
        if &head[..4] == b"LIST" && size <= LONGEST_LIST {
            let mut list = vec![0; size as usize];
            from.read_exact(&mut list).ok()?;
            if let Some(device) = device_of(&list) {
                return Some(device);
            }
            from.seek_relative(i64::from(size % 2)).ok()?;
        } else {
            from.seek_relative(i64::from(size) + i64::from(size % 2))
                .ok()?;
        }
    }
    None
}

fn device_of(list: &[u8]) -> Option<String> {
    let mut rest = list.strip_prefix(b"INFO")?;
    while let Some((head, behind)) = rest.split_at_checked(8) {
        let size = u32::from_le_bytes([head[4], head[5], head[6], head[7]]) as usize;
        let (text, behind) = behind.split_at_checked(size)?;
        if head.starts_with(b"ICMT") {
            let text = String::from_utf8_lossy(text);
            if let Some(device) = text.trim_end_matches('\0').strip_prefix(DEVICE) {
                return Some(device.to_string());
            }
        }
        rest = behind.get(size % 2..)?;
    }
    None
}

fn check(head: &Head) -> Result<(), WavError> {
    if !(8000..=192_000).contains(&head.sample_rate_hz) {
        return Err(WavError::Header {
            what: "sample rate",
            found: format!("{} Hz", head.sample_rate_hz),
            expected: "8000 to 192000 Hz",
        });
    }
    if head.channels == 0 || head.channels > 64 {
        return Err(WavError::Header {
            what: "channels",
            found: head.channels.to_string(),
            expected: "1 to 64",
        });
    }
    let sound = if head.float {
        head.bits == 32
    } else {
        matches!(head.bits, 16 | 24 | 32)
    };
    if !sound {
        let kind = if head.float { "float" } else { "integer" };
        return Err(WavError::Header {
            what: "samples",
            found: format!("{}-bit {kind}", head.bits),
            expected: "16, 24 or 32-bit integer or 32-bit float",
        });
    }
    Ok(())
}

/// How samples are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Storage {
    /// 16-bit integer.
    Int16,
    /// 24-bit integer.
    Int24,
    /// 32-bit integer.
    Int32,
    /// 32-bit float.
    Float32,
}

/// Writes channels of equal length as a WAV file into `to`; integers are rounded and limited to full scale.
///
/// # Errors
/// The text of what the encoder says.
pub fn write<W: Write + Seek>(
    to: W,
    channels: &[&[f64]],
    sample_rate_hz: u32,
    storage: Storage,
) -> Result<(), String> {
    let (bits, format) = match storage {
        Storage::Int16 => (16, hound::SampleFormat::Int),
        Storage::Int24 => (24, hound::SampleFormat::Int),
        Storage::Int32 => (32, hound::SampleFormat::Int),
        Storage::Float32 => (32, hound::SampleFormat::Float),
    };
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: sample_rate_hz,
        bits_per_sample: bits,
        sample_format: format,
    };
    let mut writer = hound::WavWriter::new(to, spec).map_err(|e| e.to_string())?;
    let frames = channels.iter().map(|c| c.len()).min().unwrap_or(0);
    let full = 2f64.powi(i32::from(bits) - 1);
    for n in 0..frames {
        for channel in channels {
            let value = channel[n];
            let done = if format == hound::SampleFormat::Float {
                writer.write_sample(value as f32)
            } else {
                writer.write_sample((value * full).round().clamp(-full, full - 1.0) as i32)
            };
            done.map_err(|e| e.to_string())?;
        }
    }
    writer.finalize().map_err(|e| e.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    fn written(storage: Storage) -> Vec<u8> {
        let a: Vec<f64> = (0..1000)
            .map(|n| 0.7 * (0.01 * f64::from(n)).sin())
            .collect();
        let b: Vec<f64> = a.iter().map(|v| -0.5 * v).collect();
        let mut bytes = Cursor::new(Vec::new());
        write(&mut bytes, &[&a, &b], 48_000, storage).unwrap();
        bytes.into_inner()
    }

    /// DERIVED: what is written comes back within half a step of the format.
    #[test]
    fn every_format_comes_back() {
        for (storage, step) in [
            (Storage::Int16, 2f64.powi(-16)),
            (Storage::Int24, 2f64.powi(-24)),
            (Storage::Int32, 2f64.powi(-32)),
            (Storage::Float32, 2f64.powi(-25)),
        ] {
            let mut samples = Vec::new();
            let head = read(Cursor::new(written(storage)), |_, block| {
                samples.extend_from_slice(block)
            })
            .unwrap();
            assert_eq!((head.channels, head.frames, samples.len()), (2, 1000, 2000));
            for n in 0..1000 {
                let want = 0.7 * (0.01 * n as f64).sin();
                assert!(
                    (samples[2 * n] - want).abs() <= step * 1.01,
                    "{storage:?} {n}"
                );
            }
        }
    }

    /// A file without a note, a list cut off in its middle, sizes beyond the file, and text that is no WAV file.
    #[test]
    fn a_note_that_is_not_there_is_not_found() {
        let whole = written(Storage::Int16);
        assert_eq!(device(Cursor::new(&whole)), None);
        assert_eq!(device(Cursor::new(b"some text that is long")), None);
        let mut noted = whole[..36].to_vec();
        noted.extend(device_note("a card"));
        noted.extend(&whole[36..]);
        assert_eq!(device(Cursor::new(&noted)).as_deref(), Some("a card"));
        for end in 0..noted.len().min(90) {
            let told = device(Cursor::new(&noted[..end]));
            assert!(told.is_none_or(|t| t == "a card"), "{end}");
        }
        for at in 36..70 {
            let mut bent = noted.clone();
            bent[at] = 0xFF;
            let _ = device(Cursor::new(&bent));
        }
    }

    #[test]
    fn nonsense_is_named() {
        let fails = |bytes: Vec<u8>| read(Cursor::new(bytes), |_, _| {}).unwrap_err().to_string();
        assert!(fails(Vec::new()).contains("empty"));
        assert!(fails(vec![0xFF, 0xD8, 0xFF, 0xE0, 1, 2, 3, 4, 5, 6, 7, 8, 9]).contains("JPEG"));
        assert!(fails(b"some text that is long enough".to_vec()).contains("RIFF"));
        let whole = written(Storage::Int16);
        assert!(
            fails(whole[..44].to_vec()).contains("no samples"),
            "{}",
            fails(whole[..44].to_vec())
        );
        assert!(fails(whole[..2044].to_vec()).contains("truncated"));
        // A length of 2 GB in the header.
        let mut long = whole.clone();
        long[40..44].copy_from_slice(&0x7FFF_FFF0u32.to_le_bytes());
        assert!(fails(long).contains("truncated"));
        let mut nan = written(Storage::Float32);
        let at = nan.len() - 8;
        nan[at..at + 4].copy_from_slice(&f32::NAN.to_le_bytes());
        assert!(fails(nan).contains("channel 1 is not a finite number"));
    }
}
