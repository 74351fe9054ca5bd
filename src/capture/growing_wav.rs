//! A WAV file that can be read at every moment of its recording.
//!
//! It grows as `NAME.partial.wav` and is renamed to `NAME.wav` when it is complete. Samples are written first and the header
//! that counts them afterwards, in one piece, so that a killed process, a full disk or a pulled plug leave a file whose header
//! never announces more than is there. 24-bit integer samples under the extensible form of the header, which the format
//! wants for more than 16 bits or two channels. What the samples were recorded from stands ahead of them as a comment, so
//! that a take of the virtual bench can be told from one of a real bench wherever the file goes.

use crate::signal::wav::device_note;
use std::fs::File;
use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// Bytes ahead of the samples, without the note of the device.
const HEADER: usize = 68;
/// Largest whole number of a 24-bit sample, and one more.
const FULL: f32 = 8_388_608.0;
/// What the size fields of a WAV file can count, bytes.
const LARGEST: u64 = u32::MAX as u64;

/// A recording that cannot be written on.
#[derive(Debug, thiserror::Error)]
pub enum GrowingError {
    /// The file could not be made.
    #[error("{path}: cannot be written: {cause}; choose another place or make room", path = .path.display())]
    Create {
        /// The file.
        path: PathBuf,
        /// Why.
        cause: std::io::Error,
    },
    /// Nothing more could be added.
    #[error(
        "{path}: cannot be written on: {cause}; its first {kept_s:.2} s are sound and can be read; make room and record again",
        path = .path.display()
    )]
    Append {
        /// The incomplete file.
        path: PathBuf,
        /// What it holds, s.
        kept_s: f64,
        /// Why.
        cause: std::io::Error,
    },
    /// A WAV file cannot be larger.
    #[error(
        "{path}: a WAV file ends at 4 GiB; its {kept_s:.0} s can be read; keep fewer channels or record for a shorter time",
        path = .path.display()
    )]
    TooLong {
        /// The incomplete file.
        path: PathBuf,
        /// What it holds, s.
        kept_s: f64,
    },
    /// The complete file did not get its name.
    #[error(
        "{partial}: is complete and could not be renamed to {path}: {cause}; rename it yourself",
        partial = .partial.display(),
        path = .path.display()
    )]
    Rename {
        /// Where it is.
        partial: PathBuf,
        /// Where it should be.
        path: PathBuf,
        /// Why.
        cause: std::io::Error,
    },
}

/// The recording under way.
#[derive(Debug)]
pub struct GrowingWav {
    file: File,
    whole: PathBuf,
    partial: PathBuf,
    sample_rate_hz: u32,
    channels: usize,
    /// The part of the header that names the device.
    note: Vec<u8>,
    frames: u64,
    bytes: Vec<u8>,
}

/// `take.wav` grows as `take.partial.wav`; so for any other word in place of `partial`.
#[must_use]
pub fn beside(path: &Path, word: &str) -> PathBuf {
    path.with_extension(format!("{word}.wav"))
}

impl GrowingWav {
    /// Begins `path` as a file without samples beside it, recorded from `device`. An older incomplete file of that name is
    /// replaced; a complete one stays until [`GrowingWav::finish`].
    ///
    /// # Errors
    /// [`GrowingError::Create`].
    pub fn create(
        path: &Path,
        sample_rate_hz: u32,
        channels: usize,
        device: &str,
    ) -> Result<Self, GrowingError> {
        let note = device_note(device);
        let partial = beside(path, "partial");
        let fail = |cause| GrowingError::Create {
            path: partial.clone(),
            cause,
        };
        // It gets its name with the header in it: not even for an instant is there an empty file.
        crate::files::write_whole(&partial, &header(sample_rate_hz, channels, &note, 0)).map_err(
            |e| match e {
                crate::files::FileError::Read { cause, .. }
                | crate::files::FileError::Write { cause, .. } => fail(cause),
                other @ (crate::files::FileError::Other { .. }
                | crate::files::FileError::There { .. }) => {
                    fail(std::io::Error::other(other.to_string()))
                }
            },
        )?;
        let mut file = File::options().write(true).open(&partial).map_err(fail)?;
        file.seek(SeekFrom::End(0)).map_err(fail)?;
        Ok(Self {
            file,
            whole: path.to_path_buf(),
            partial,
            sample_rate_hz,
            channels,
            note,
            frames: 0,
            bytes: Vec::new(),
        })
    }

    /// The incomplete file.
    #[must_use]
    pub fn partial(&self) -> &Path {
        &self.partial
    }

    /// Frames that the header counts.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// What it holds, s.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        self.frames as f64 / f64::from(self.sample_rate_hz)
    }

    /// Adds whole frames of interleaved samples, limited to full scale = 1.0.
    ///
    /// # Errors
    /// [`GrowingError`]; what was added before stays readable.
    pub fn append(&mut self, frames: &[f32]) -> Result<(), GrowingError> {
        let count = (frames.len() / self.channels) as u64;
        let frame_bytes = 3 * self.channels as u64;
        let ahead = (HEADER + self.note.len()) as u64;
        if (self.frames + count) * frame_bytes + ahead > LARGEST {
            return Err(GrowingError::TooLong {
                path: self.partial.clone(),
                kept_s: self.seconds(),
            });
        }
        self.bytes.clear();
        for sample in &frames[..count as usize * self.channels] {
            let whole = (sample * FULL).round().clamp(-FULL, FULL - 1.0) as i32;
            self.bytes.extend_from_slice(&whole.to_le_bytes()[..3]);
        }
        let end = ahead + self.frames * frame_bytes;
        let header = header(
            self.sample_rate_hz,
            self.channels,
            &self.note,
            self.frames + count,
        );
        let done = self
            .file
            .seek(SeekFrom::Start(end))
            .and_then(|_| self.file.write_all(&self.bytes))
            .and_then(|()| self.file.seek(SeekFrom::Start(0)))
            .and_then(|_| self.file.write_all(&header));
        if let Err(cause) = done {
            // What was written behind the counted frames is cut off.
            let _ = self.file.set_len(end);
            return Err(GrowingError::Append {
                path: self.partial.clone(),
                kept_s: self.seconds(),
                cause,
            });
        }
        self.frames += count;
        Ok(())
    }

    /// Brings everything to the disk and gives the file its name.
    ///
    /// # Errors
    /// [`GrowingError`]; the incomplete file then stays.
    pub fn finish(self) -> Result<PathBuf, GrowingError> {
        let whole = self.whole.clone();
        self.rename(whole)
    }

    /// Brings everything to the disk and puts `word` in the name, for a recording that must not be taken for a sound one.
    ///
    /// # Errors
    /// [`GrowingError`]; the incomplete file then stays.
    pub fn set_aside(self, word: &str) -> Result<PathBuf, GrowingError> {
        let path = beside(&self.whole, word);
        self.rename(path)
    }

    /// Brings everything to the disk, as far as that works, and leaves the incomplete file under its name.
    #[must_use]
    pub fn leave(self) -> PathBuf {
        let _ = self.file.sync_all();
        self.partial
    }

    fn rename(self, path: PathBuf) -> Result<PathBuf, GrowingError> {
        self.file.sync_all().map_err(|cause| GrowingError::Append {
            path: self.partial.clone(),
            kept_s: self.seconds(),
            cause,
        })?;
        match std::fs::rename(&self.partial, &path) {
            Ok(()) => {
                // The name reaches the disk with its folder; where a folder cannot be opened, the system sees to it.
                #[cfg(unix)]
                if let Some(folder) = path.parent().filter(|p| !p.as_os_str().is_empty()) {
                    let _ = File::open(folder).and_then(|f| f.sync_all());
                }
                Ok(path)
            }
            Err(cause) => Err(GrowingError::Rename {
                partial: self.partial,
                path,
                cause,
            }),
        }
    }
}

/// RIFF header with an extensible `fmt ` part (Microsoft, Multiple Channel Audio Data and WAVE Files) for 24-bit samples,
/// and a whole part `note` ahead of the samples.
fn header(sample_rate_hz: u32, channels: usize, note: &[u8], frames: u64) -> Vec<u8> {
    let align = 3 * channels;
    // `append` keeps the sizes within 32 bits.
    let data = (frames * align as u64).min(LARGEST) as u32;
    let mut bytes = Vec::with_capacity(HEADER + note.len());
    let mut put = |part: &[u8]| bytes.extend_from_slice(part);
    put(b"RIFF");
    // A part of odd length is followed by a zero that its own size does not count; at the end of the file readers do
    // without, and `riff` counts only what is there.
    let rest = (HEADER + note.len() - 8) as u32;
    put(&data.saturating_add(rest).to_le_bytes());
    put(b"WAVEfmt ");
    put(&40u32.to_le_bytes());
    put(&0xFFFEu16.to_le_bytes());
    put(&(channels as u16).to_le_bytes());
    put(&sample_rate_hz.to_le_bytes());
    put(&(sample_rate_hz.saturating_mul(align as u32)).to_le_bytes());
    put(&(align as u16).to_le_bytes());
    put(&24u16.to_le_bytes());
    put(&22u16.to_le_bytes());
    put(&24u16.to_le_bytes());
    // Speaker positions: none.
    put(&0u32.to_le_bytes());
    // KSDATAFORMAT_SUBTYPE_PCM.
    put(&[
        0x01, 0x00, 0x00, 0x00, 0x00, 0x00, 0x10, 0x00, 0x80, 0x00, 0x00, 0xAA, 0x00, 0x38, 0x9B,
        0x71,
    ]);
    put(note);
    put(b"data");
    put(&data.to_le_bytes());
    bytes
}

#[cfg(test)]
#[path = "growing_wav_tests.rs"]
mod tests;
