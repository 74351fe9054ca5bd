//! `bassay limits sign FILE --by CODE`.

use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::design::{limits_read, limits_write};
use crate::files::{read_whole, write_whole};
use std::path::PathBuf;

/// Sign limits off; a later edit voids the signature
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The limits (limits.toml)
    file: PathBuf,
    /// Code of who signs
    #[arg(long, value_name = "CODE")]
    by: String,
    /// Date, such as 2026-03-14 [default: today, UTC]
    #[arg(long, value_name = "DATE")]
    date: Option<String>,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input or a file that cannot be written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let sound = !args.by.trim().is_empty() && !args.by.chars().any(char::is_control);
    if !sound || args.by.chars().count() > 64 {
        return Err(Failure::input(format!(
            "--by {:?}: expected a code of 1 to 64 printable characters",
            args.by
        )));
    }
    let date = match &args.date {
        Some(text) => text
            .parse::<jiff::civil::Date>()
            .map_err(|_| {
                Failure::input(format!(
                    "--date {text:?}: expected a date, such as 2026-03-14"
                ))
            })?
            .to_string(),
        None => jiff::Timestamp::now().strftime("%Y-%m-%d").to_string(),
    };
    // Only sound limits are signed.
    let before = limits_read::read(&args.file).map_err(Failure::input)?;
    let text = String::from_utf8(read_whole(&args.file)?).map_err(Failure::input)?;
    let text = limits_write::signed(&text, args.by.trim(), &date);
    let after = limits_read::read_text(&text, &args.file).map_err(Failure::input)?;
    write_whole(&args.file, text.as_bytes())?;
    if let Some(old) = &before.signature {
        out.remark(format!(
            "the signature of {} on {} is replaced",
            old.by, old.date
        ));
    }
    if out.json {
        let document = serde_json::json!({
            "file": args.file.display().to_string(),
            "by": args.by.trim(),
            "date": date,
            "covers": after.body_digest,
            "digest": after.digest,
        });
        return out
            .named("bassay-limits-signed/1", &document)
            .map(|()| Exit::Done);
    }
    out.line(format!(
        "{}: {}, digest {}",
        args.file.display(),
        after.signature_words(),
        after.digest.get(..12).unwrap_or_default()
    ));
    Ok(Exit::Done)
}
