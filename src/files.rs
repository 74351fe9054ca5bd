//! Files are written beside their place and renamed, so that none is ever half-written.

use std::io::Write;
use std::path::{Path, PathBuf};

/// A file or folder that could not be read or written.
#[derive(Debug, thiserror::Error)]
pub enum FileError {
    /// Reading failed.
    #[error("{path}: cannot be read: {cause}", path = .path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// Why.
        cause: std::io::Error,
    },
    /// The file that would be replaced is of another kind.
    #[error(
        "{path}: is there already and is no {kind}: it is not replaced; expected another name for the new one",
        path = .path.display()
    )]
    Other {
        /// The file.
        path: PathBuf,
        /// What would be written.
        kind: &'static str,
    },
    /// The file is there, and nobody asked for it to be replaced.
    #[error(
        "{path}: is there already and is not replaced unasked; expected another name for the new {kind}, or --replace to put it there",
        path = .path.display()
    )]
    There {
        /// The file.
        path: PathBuf,
        /// What would be written.
        kind: &'static str,
    },
    /// Writing failed.
    #[error("{path}: cannot be written: {cause}; nothing was changed there", path = .path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// Why.
        cause: std::io::Error,
    },
}

/// Whether `path` may be replaced by a `kind` of file, by how the one that is there begins: an output option must not take a
/// recording, a log or a design with it because a name was mistyped.
///
/// # Errors
/// [`FileError::Other`] for a file that begins with none of `beginnings` (in any case), a folder, or a device.
pub fn replaceable(path: &Path, kind: &'static str, beginnings: &[&str]) -> Result<(), FileError> {
    let other = || FileError::Other {
        path: path.to_path_buf(),
        kind,
    };
    let Ok(about) = std::fs::metadata(path) else {
        return Ok(());
    };
    if !about.is_file() {
        return Err(other());
    }
    let mut head = [0u8; 64];
    let mut file = std::fs::File::open(path).map_err(|_| other())?;
    let count = std::io::Read::read(&mut file, &mut head).map_err(|_| other())?;
    let begins = |b: &&str| {
        head[..count]
            .get(..b.len())
            .is_some_and(|have| have.eq_ignore_ascii_case(b.as_bytes()))
    };
    // An empty file holds nothing that could be lost.
    if count == 0 || beginnings.iter().any(begins) {
        Ok(())
    } else {
        Err(other())
    }
}

/// As [`replaceable`], and only where `asked` for: a file of the kind may have been edited by hand, or hold more than the new one.
///
/// # Errors
/// [`FileError::Other`], and [`FileError::There`] for a file that is not empty where nobody asked.
pub fn replaced(
    path: &Path,
    kind: &'static str,
    beginnings: &[&str],
    asked: bool,
) -> Result<(), FileError> {
    replaceable(path, kind, beginnings)?;
    if asked || std::fs::metadata(path).map_or(true, |about| about.len() == 0) {
        return Ok(());
    }
    Err(FileError::There {
        path: path.to_path_buf(),
        kind,
    })
}

/// How a page of ours begins.
pub const PAGE: &[&str] = &["<!doctype html"];

/// Writes `bytes` to `path`: a temporary file in the same folder is filled, synced and renamed. The folder is
/// made if it does not exist.
///
/// # Errors
/// [`FileError::Write`] names the file; an existing file is then untouched.
pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), FileError> {
    write_with(path, |file| file.write_all(bytes))?.map_err(|cause| FileError::Write {
        path: path.to_path_buf(),
        cause,
    })
}

/// As [`write_whole`], for what is too long to be held in memory: `fill` writes into the temporary file. Its own failure
/// comes back inside, and the file is then not written.
///
/// # Errors
/// [`FileError::Write`] names the file; an existing file is then untouched.
pub fn write_with<T, E>(
    path: &Path,
    fill: impl FnOnce(&mut std::io::BufWriter<&std::fs::File>) -> Result<T, E>,
) -> Result<Result<T, E>, FileError> {
    let fail = |cause| FileError::Write {
        path: path.to_path_buf(),
        cause,
    };
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    // A rename would put a file in the place of a device.
    if std::fs::metadata(path).is_ok_and(|about| !about.is_file()) {
        return Err(fail(std::io::Error::other("it is no ordinary file")));
    }
    std::fs::create_dir_all(folder).map_err(fail)?;
    let file = tempfile::Builder::new()
        .prefix(".bassay-")
        .suffix(".partial")
        .tempfile_in(folder)
        .map_err(fail)?;
    let mut out = std::io::BufWriter::new(file.as_file());
    let done = match fill(&mut out) {
        Ok(done) => done,
        Err(error) => return Ok(Err(error)),
    };
    out.flush().map_err(fail)?;
    drop(out);
    file.as_file().sync_all().map_err(fail)?;
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let readable = std::fs::Permissions::from_mode(0o644);
        file.as_file().set_permissions(readable).map_err(fail)?;
    }
    file.persist(path).map_err(|error| fail(error.error))?;
    Ok(Ok(done))
}

/// Largest text file that is read whole, bytes: a design or a curve is far smaller, so that a larger one is a
/// mistake.
const LARGEST_TEXT: u64 = 64 << 20;

/// Reads a whole text-like file (bytes, because the caller judges the encoding).
///
/// # Errors
/// [`FileError::Read`] for a missing file, a folder, missing rights, or more than 64 MiB.
pub fn read_whole(path: &Path) -> Result<Vec<u8>, FileError> {
    let fail = |cause| FileError::Read {
        path: path.to_path_buf(),
        cause,
    };
    let about = std::fs::metadata(path).map_err(fail)?;
    if about.is_dir() {
        return Err(fail(std::io::Error::other(
            "it is a folder, a file was expected",
        )));
    }
    if about.len() > LARGEST_TEXT {
        return Err(fail(std::io::Error::other(
            "it is larger than 64 MiB, so it cannot be a text file of this kind",
        )));
    }
    std::fs::read(path).map_err(fail)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_file_of_its_kind_is_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("x");
        assert!(replaceable(&file, "page", PAGE).is_ok());
        for (text, may) in [
            ("<!DOCTYPE html><p>", true),
            ("", true),
            ("RIFF....WAVE", false),
            ("SQLite format 3", false),
            ("<!", false),
        ] {
            std::fs::write(&file, text).unwrap();
            assert_eq!(replaceable(&file, "page", PAGE).is_ok(), may, "{text}");
        }
        let told = replaceable(&file, "page", PAGE).unwrap_err().to_string();
        assert!(told.contains("is no page"), "{told}");
        assert!(replaceable(folder.path(), "page", PAGE).is_err());
    }

    #[test]
    fn a_file_of_its_kind_is_replaced_only_where_asked() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("x");
        let may = |asked| replaced(&file, "page", PAGE, asked);
        assert!(may(false).is_ok());
        std::fs::write(&file, "").unwrap();
        assert!(may(false).is_ok());
        std::fs::write(&file, "<!DOCTYPE html><p>").unwrap();
        assert!(may(true).is_ok());
        let told = may(false).unwrap_err().to_string();
        assert!(
            told.contains("--replace") && told.contains("new page"),
            "{told}"
        );
        std::fs::write(&file, "RIFF....WAVE").unwrap();
        assert!(may(true).is_err());
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_device_is_not_replaced() {
        use std::os::unix::fs::FileTypeExt;
        let null = Path::new("/dev/null");
        assert!(write_whole(null, b"x").is_err());
        let kind = std::fs::metadata(null).unwrap().file_type();
        assert!(kind.is_char_device());
    }
}
