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
    /// Writing failed.
    #[error("{path}: cannot be written: {cause}; nothing was changed there", path = .path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// Why.
        cause: std::io::Error,
    },
}

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
