//! What can go wrong at the bench, in words, before the sound starts.

/// One caution.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Caution {
    /// In a word or two.
    pub title: &'static str,
    /// At most 76 columns a line.
    pub text: &'static str,
}

/// All cautions, the most likely harm first. They defer to the rules of the place and to people licensed for the work.
pub const CAUTIONS: [Caution; 7] = [
    Caution {
        title: "Hearing",
        text: "\
Loud low tones and infrasound hurt before they seem loud. Keep away from the
openings while it plays, wear hearing protection, warn others, and follow
the noise rules of your place of work.",
    },
    Caution {
        title: "Driver",
        text: "\
Below its tuning a horn does not hold the cone: begin 30 dB down where
nothing is forecast. A forecast is for the cabinet as designed; a leak, an
open hole or a driver in free air moves further: stop at the first knock or
smell.",
    },
    Caution {
        title: "Inputs",
        text: "\
An amplifier's output destroys the input of a sound card: use a divider, and
set inputs and volume low before anything is connected.",
    },
    Caution {
        title: "Bridged amplifiers",
        text: "\
Neither output of a bridged amplifier is at ground: an ordinary cable to the
sound card shorts it. Measure it through a differential divider or an
isolating transformer, or use an amplifier that is not bridged.",
    },
    Caution {
        title: "Mains",
        text: "\
Open no mains equipment and lift no protective earth against hum. Work on
mains belongs to people licensed for it, by the electrical code of the place.",
    },
    Caution {
        title: "Heavy cabinets",
        text: "\
Lift with enough people or a hoist, keep a cabinet from tipping, and hang or
build it in only as a competent person and the local code allow.",
    },
    Caution {
        title: "Surroundings",
        text: "\
Bass shakes shelves, lamps and ceilings loose, also next door. Start low, and
look at what rattles.",
    },
];

/// All cautions as they are shown before a sound starts, at most 80 columns a line.
#[must_use]
pub fn cautions() -> String {
    let mut text = "Before the sound starts".to_string();
    for caution in CAUTIONS {
        text.push_str(&format!("\n\n{}", caution.title));
        for line in caution.text.lines() {
            text.push_str(&format!("\n  {line}"));
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cautions_fit_a_terminal_with_their_indent() {
        for caution in CAUTIONS {
            for line in caution.text.lines() {
                assert!(line.chars().count() <= 77, "{line}");
            }
        }
    }
}
