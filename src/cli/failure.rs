//! What a command ends with when it could not do what it was asked to.

use crate::files::FileError;

/// A message for a person (one to five lines) and the exit status.
#[derive(Debug)]
pub struct Failure {
    /// What failed, where, what was found, what was expected.
    pub message: String,
    /// 2 bad usage or bad input; 4 a device or a file system failed.
    pub status: u8,
}

impl Failure {
    /// Bad usage or bad input (exit status 2).
    pub fn input(message: impl std::fmt::Display) -> Self {
        Self {
            message: message.to_string(),
            status: 2,
        }
    }

    /// A key of a plan that was given as an option: `fade_in_s: found …` becomes `--fade-in-s: found …`.
    pub fn option(message: impl std::fmt::Display) -> Self {
        let text = message.to_string();
        let (key, rest) = text.split_at(text.find(':').unwrap_or(0));
        Self::input(format!("--{}{rest}", key.replace('_', "-")))
    }

    /// A device or the file system failed (exit status 4).
    pub fn system(message: impl std::fmt::Display) -> Self {
        Self {
            message: message.to_string(),
            status: 4,
        }
    }
}

impl From<FileError> for Failure {
    fn from(error: FileError) -> Self {
        match error {
            FileError::Read { .. } | FileError::Other { .. } | FileError::There { .. } => {
                Self::input(error)
            }
            FileError::Write { .. } => Self::system(error),
        }
    }
}
