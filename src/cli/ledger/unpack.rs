//! `bassay ledger unpack DIGEST --out DIR`: the raw captures of an entry, byte for byte.

use super::place::Place;
use super::show::found;
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::files::write_whole;
use crate::production::ledger::sqlite::Purpose;
use std::path::{Path, PathBuf};

/// Writes the raw captures of an entry, byte for byte as they were recorded
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Digest of the entry, or how it begins
    digest: String,
    /// Folder to write into
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Folder of the raw captures; beside the file if left out
    #[arg(long, value_name = "DIR")]
    archive: Option<PathBuf>,
    #[command(flatten)]
    place: Place,
}

/// Runs the action.
///
/// # Errors
/// [`Failure`].
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let mut store = args.place.open(Purpose::Read, out)?;
    let one = found(store.as_mut(), &args.digest)?;
    let archive = args.place.archive(args.archive.as_ref())?;
    let mut written = Vec::new();
    for file in &one.entry.files {
        // A name in a log is a name, not a path.
        let name = Path::new(&file.name)
            .file_name()
            .unwrap_or(std::ffi::OsStr::new("capture.wav"));
        let path = args.out.join(name);
        if path.exists() {
            return Err(Failure::input(format!(
                "{}: is there already; expected a folder without files of these names",
                path.display()
            )));
        }
        write_whole(&path, &archive.take(&file.digest)?)?;
        written.push(path);
    }
    if out.json {
        return out
            .named(
                "bassay-unpacked/1",
                &serde_json::json!({ "files": written }),
            )
            .map(|()| Exit::Done);
    }
    if written.is_empty() {
        out.line("The entry names no captures.");
    }
    for path in &written {
        out.line(format!("written: {}", path.display()));
    }
    Ok(Exit::Done)
}
