//! Where words go: results to standard output, progress and messages to standard error.

use super::failure::Failure;
use crate::report::text::{WIDTH, folded};
use std::io::{ErrorKind, IsTerminal, Write};
use std::sync::OnceLock;

/// Why a line of a result could not be written, if one could not.
static LOST: OnceLock<String> = OnceLock::new();

/// Options that every command takes.
#[derive(Debug, Clone, Copy, clap::Args)]
pub struct OutputArgs {
    /// Print one JSON document on standard output and nothing else there
    #[arg(long, global = true)]
    pub json: bool,
    /// No progress and no remarks
    #[arg(long, global = true)]
    pub quiet: bool,
}

/// The two streams of a command.
#[derive(Debug, Clone, Copy)]
pub struct Output {
    /// One JSON document on standard output instead of text.
    pub json: bool,
    /// No progress and no remarks.
    pub quiet: bool,
    /// Whether standard output may be coloured.
    pub colour: bool,
}

impl Output {
    /// From the options, the terminal and `NO_COLOR`.
    #[must_use]
    pub fn new(args: OutputArgs) -> Self {
        let plain = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
        Self {
            json: args.json,
            quiet: args.quiet,
            colour: !plain && std::io::stdout().is_terminal(),
        }
    }

    /// A line of the result on standard output; nothing with `--json`. A reader that went away is not an error; any other
    /// failure is kept for [`Output::ended`].
    pub fn line(&self, text: impl std::fmt::Display) {
        if !self.json
            && let Err(e) = writeln!(std::io::stdout().lock(), "{text}")
            && e.kind() != ErrorKind::BrokenPipe
        {
            let _ = LOST.set(e.to_string());
        }
    }

    /// Whether every line reached standard output.
    ///
    /// # Errors
    /// [`Failure`] where one did not, such as a full disk behind a redirection.
    pub fn ended(&self) -> Result<(), Failure> {
        match LOST.get() {
            None => Ok(()),
            Some(cause) => Err(Failure::system(format!(
                "the result cannot be written to standard output: {cause}"
            ))),
        }
    }

    /// The JSON document of something that does not name its own format.
    ///
    /// # Errors
    /// As [`Output::document`].
    pub fn named(
        &self,
        format: &'static str,
        value: &impl serde::Serialize,
    ) -> Result<(), Failure> {
        self.document(&Named {
            format,
            said: value,
        })
    }

    /// The JSON document: an object whose key `format` says what it is.
    ///
    /// # Errors
    /// [`Failure`] where it cannot be written.
    pub fn document(&self, value: &impl serde::Serialize) -> Result<(), Failure> {
        let text = serde_json::to_string_pretty(value).map_err(|error| {
            Failure::system(format!("the result cannot be written as JSON: {error}"))
        })?;
        debug_assert!(text.starts_with("{\n  \"format\": \"bassay-"), "{text}");
        // A reader that went away is no error; a full disk behind the redirection is.
        match writeln!(std::io::stdout().lock(), "{text}").and_then(|()| std::io::stdout().flush())
        {
            Err(e) if e.kind() != ErrorKind::BrokenPipe => Err(Failure::system(format!(
                "the result cannot be written to standard output: {e}"
            ))),
            _ => Ok(()),
        }
    }

    /// Progress or a remark on standard error; nothing with `--quiet`.
    pub fn remark(&self, text: impl std::fmt::Display) {
        if !self.quiet {
            let _ = writeln!(std::io::stderr().lock(), "{}", for_terminal(text));
        }
    }

    /// The reason of a failure on standard error.
    pub fn fail(&self, failure: &Failure) {
        let text = format!("bassay: {}", failure.message);
        let _ = writeln!(std::io::stderr().lock(), "{}", for_terminal(text));
    }
}

/// A document with its format ahead of it.
#[derive(serde::Serialize)]
struct Named<'a, T: serde::Serialize> {
    format: &'static str,
    #[serde(flatten)]
    said: &'a T,
}

/// Whether a person reads standard error: on a terminal, or where `COLUMNS` says how wide the reader's is.
fn person_reads_errors() -> bool {
    std::io::stderr().is_terminal() || std::env::var_os("COLUMNS").is_some_and(|v| !v.is_empty())
}

/// Long lines folded at words where a person reads them; a program gets each message on one line.
pub(super) fn for_terminal(text: impl std::fmt::Display) -> String {
    let text = text.to_string();
    if person_reads_errors() {
        narrow(&text)
    } else {
        text
    }
}

/// Every line that is too long folded at words, behind its own indent.
pub(super) fn narrow(text: &str) -> String {
    let fold = |line: &str| {
        let indent = line.chars().take_while(|c| *c == ' ').count();
        if line.chars().count() <= WIDTH {
            return line.to_string();
        }
        folded(line, indent)
    };
    text.split('\n').map(fold).collect::<Vec<_>>().join("\n")
}
