//! `bassay devices`: inputs and outputs of the sound card.

use super::Exit;
use super::failure::Failure;
use super::output::Output;
use crate::capture::ports::ports;

/// Inputs and outputs of the sound card
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
///
/// # Errors
/// [`Failure`] if the document cannot be written.
pub fn run(_: &Args, out: &Output) -> Result<Exit, Failure> {
    let list = ports();
    if out.json {
        return out.document(&list).map(|()| Exit::Done);
    }
    if list.is_empty() {
        out.line(
            "No sound device was found: connect one, or check that the sound system is running.",
        );
    }
    for p in &list {
        out.line(format!("{} {} ({})", p.direction, p.device, p.host));
        out.line(format!(
            "    {} channels, {} to {} Hz, {}",
            p.channels,
            p.sample_rate_hz[0],
            p.sample_rate_hz[1],
            p.formats.join(" ")
        ));
    }
    Ok(Exit::Done)
}
