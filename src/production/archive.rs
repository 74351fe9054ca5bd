//! Raw captures beside the log: kept under the digest of their bytes, without loss and once each.
//!
//! `AB/ABCD….flac` or `AB/ABCD….zst`, where ABCD… is the BLAKE3 digest of the WAV. Integer WAVs of 16 and 24 bits become
//! FLAC ([`super::archive_flac`]); what does not come back byte for byte, and all others, are packed with zstd. A file is
//! only kept after it was unpacked again and its digest compared.

use super::archive_flac;
use crate::files::{FileError, write_whole};
use std::path::{Path, PathBuf};

/// Level of zstd: higher ones gain little on noise-like samples (common experience, no source).
const ZSTD_LEVEL: i32 = 9;

/// A folder of raw captures.
#[derive(Debug, Clone)]
pub struct Archive {
    folder: PathBuf,
}

/// What an archive holds under a digest.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Kept {
    /// The bytes that belong to it.
    Sound,
    /// Nothing.
    Missing,
    /// Something else, or what cannot be unpacked.
    Wrong {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        what: String,
    },
}

/// An archive that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ArchiveError {
    /// A file cannot be read or written.
    #[error(transparent)]
    File(#[from] FileError),
    /// Nothing is kept under a digest.
    #[error("{folder}: holds no capture with the digest {digest}; it was pruned, or the archive is another one", folder = .folder.display())]
    Missing {
        /// The archive.
        folder: PathBuf,
        /// The digest.
        digest: String,
    },
    /// What is kept is damaged.
    #[error("{path}: {what}; take it from a backup, its digest tells whether it is the right one", path = .path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        what: String,
    },
    /// Not a digest.
    #[error("«{found}» is no digest; expected 64 lower-case hex digits")]
    Digest {
        /// Found.
        found: String,
    },
}

impl Archive {
    /// An archive in this folder, which is made when something is kept.
    #[must_use]
    pub fn new(folder: &Path) -> Self {
        Self {
            folder: folder.to_path_buf(),
        }
    }

    /// The archive of a log in a file: `NAME.captures` beside it.
    #[must_use]
    pub fn beside(ledger: &Path) -> Self {
        let mut name = ledger.as_os_str().to_owned();
        name.push(".captures");
        Self::new(Path::new(&name))
    }

    /// The folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Keeps a WAV and gives back its digest; a second time nothing is written.
    ///
    /// # Errors
    /// [`ArchiveError`]; then nothing half-written is left.
    pub fn keep(&self, wav: &[u8]) -> Result<String, ArchiveError> {
        let digest = blake3::hash(wav).to_hex().to_string();
        if self.state(&digest)? == Kept::Sound {
            return Ok(digest);
        }
        let flac = archive_flac::pack(wav)
            .filter(|packed| archive_flac::unpack(packed).is_ok_and(|back| back == wav));
        let (bytes, end) = match flac {
            Some(packed) => (packed, "flac"),
            None => (self.zstd(wav, &digest)?, "zst"),
        };
        write_whole(&self.place(&digest, end), &bytes)?;
        Ok(digest)
    }

    /// The bytes of the WAV with this digest.
    ///
    /// # Errors
    /// [`ArchiveError`]; bytes with another digest are never given back.
    pub fn take(&self, digest: &str) -> Result<Vec<u8>, ArchiveError> {
        check(digest)?;
        let Some((path, packed)) = self.packed(digest)? else {
            return Err(ArchiveError::Missing {
                folder: self.folder.clone(),
                digest: digest.to_string(),
            });
        };
        let damaged = |what: String| ArchiveError::Damaged {
            path: path.clone(),
            what,
        };
        let wav = if path.extension().is_some_and(|e| e == "flac") {
            archive_flac::unpack(&packed).map_err(damaged)?
        } else {
            zstd::decode_all(packed.as_slice())
                .map_err(|cause| damaged(format!("cannot be unpacked: {cause}")))?
        };
        if blake3::hash(&wav).to_hex().as_str() != digest {
            return Err(damaged(
                "holds other bytes than the digest in its name".to_string(),
            ));
        }
        Ok(wav)
    }

    /// What is there under a digest, after unpacking it.
    ///
    /// # Errors
    /// [`ArchiveError`] for what is no digest or cannot be read.
    pub fn state(&self, digest: &str) -> Result<Kept, ArchiveError> {
        match self.take(digest) {
            Ok(_) => Ok(Kept::Sound),
            Err(ArchiveError::Missing { .. }) => Ok(Kept::Missing),
            Err(ArchiveError::Damaged { path, what }) => Ok(Kept::Wrong { path, what }),
            Err(other) => Err(other),
        }
    }

    /// Size of what is kept under a digest, bytes.
    #[must_use]
    pub fn size(&self, digest: &str) -> Option<u64> {
        ENDS.iter()
            .find_map(|end| std::fs::metadata(self.place(digest, end)).ok())
            .map(|about| about.len())
    }

    /// Removes what is kept under a digest; whether there was anything.
    ///
    /// # Errors
    /// [`ArchiveError`].
    pub fn remove(&self, digest: &str) -> Result<bool, ArchiveError> {
        check(digest)?;
        let mut any = false;
        for end in ENDS {
            let path = self.place(digest, end);
            match std::fs::remove_file(&path) {
                Ok(()) => any = true,
                Err(cause) if cause.kind() == std::io::ErrorKind::NotFound => {}
                Err(cause) => return Err(FileError::Write { path, cause }.into()),
            }
        }
        Ok(any)
    }

    fn place(&self, digest: &str, end: &str) -> PathBuf {
        let group = digest.get(..2).unwrap_or("00");
        self.folder.join(group).join(format!("{digest}.{end}"))
    }

    fn packed(&self, digest: &str) -> Result<Option<(PathBuf, Vec<u8>)>, ArchiveError> {
        for end in ENDS {
            let path = self.place(digest, end);
            match std::fs::read(&path) {
                Ok(bytes) => return Ok(Some((path, bytes))),
                Err(cause) if cause.kind() == std::io::ErrorKind::NotFound => {}
                Err(cause) => return Err(FileError::Read { path, cause }.into()),
            }
        }
        Ok(None)
    }

    fn zstd(&self, wav: &[u8], digest: &str) -> Result<Vec<u8>, ArchiveError> {
        zstd::encode_all(wav, ZSTD_LEVEL).map_err(|cause| {
            FileError::Write {
                path: self.place(digest, "zst"),
                cause,
            }
            .into()
        })
    }
}

const ENDS: [&str; 2] = ["flac", "zst"];

fn check(digest: &str) -> Result<(), ArchiveError> {
    if super::entry::is_digest(digest) {
        return Ok(());
    }
    Err(ArchiveError::Digest {
        found: digest.to_string(),
    })
}
