//! `bassay devices`: inputs and outputs of the sound card.

use super::Exit;
use super::failure::Failure;
use super::output::Output;
use crate::capture::ports::{Port, ports};
use crate::report::text::folded;

/// Inputs and outputs of the sound card
#[derive(Debug, clap::Args)]
pub struct Args {}

/// What to do where nothing is listed.
const NOTHING: &str = "No sound device was found: nothing can be played or recorded here. Connect a sound card, \
check that the sound system runs and that you may use it (on Linux the group «audio», or a sound server of your own \
session), then list again. Without a sound card: `bassay record --virtual DESIGN` records a virtual unit, and \
`bassay sweep` writes the sweep for other equipment.";

/// Runs the command.
///
/// # Errors
/// [`Failure`] if the document cannot be written.
pub fn run(_: &Args, out: &Output) -> Result<Exit, Failure> {
    let list = ports();
    if out.json {
        return out
            .named("bassay-devices/1", &serde_json::json!({ "ports": list }))
            .map(|()| Exit::Done);
    }
    if list.is_empty() {
        out.line(folded(NOTHING, 0));
        return Ok(Exit::Done);
    }
    for p in &list {
        for line in lines(p) {
            out.line(line);
        }
    }
    for direction in ["input", "output"] {
        if list.iter().all(|p| p.direction != direction) {
            out.line(format!("There is no {direction}."));
        }
    }
    if list.iter().any(|p| p.may_convert) {
        out.line(folded(
            "* The sound system may convert a rate that the hardware does not have, without telling. A name that begins \
             with hw: leads straight to the hardware, where there is one.",
            0,
        ));
    }
    Ok(Exit::Done)
}

/// A port in lines of at most 80 columns, where its name is not longer.
fn lines(p: &Port) -> [String; 2] {
    let default = if p.default { ", the default" } else { "" };
    let [low, high] = p.sample_rate_hz;
    let rates = if low == high {
        format!("{low} Hz")
    } else {
        format!("{low} to {high} Hz")
    };
    let converted = if p.may_convert { "*" } else { "" };
    [
        format!(
            "{} {} [{}] ({}{default})",
            p.direction, p.device, p.id, p.host
        ),
        folded(
            &format!(
                "{} channels, {rates}{converted}, {}",
                p.channels,
                p.formats.join(" ")
            ),
            4,
        ),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_port_is_told_with_its_identity_and_what_may_be_converted() {
        let port = Port {
            host: "ALSA".to_string(),
            device: "Bench card".to_string(),
            id: "plughw:CARD=0".to_string(),
            direction: "input",
            default: true,
            channels: 2,
            sample_rate_hz: [48_000, 48_000],
            formats: vec!["i16".to_string(), "i32".to_string()],
            may_convert: true,
        };
        assert_eq!(
            lines(&port),
            [
                "input Bench card [plughw:CARD=0] (ALSA, the default)",
                "    2 channels, 48000 Hz*, i16 i32"
            ]
        );
        assert!(folded(NOTHING, 0).lines().all(|l| l.chars().count() <= 80));
    }
}
