//! Findings in workshop words.

use crate::align::Estimate;
use crate::align::possible_leaks::{PAST_DRIVER, slot_gap_mm};
use crate::align::unknowns::Unknown;
use crate::design::path::{Element, Key};
use crate::design::{Design, LeakForm, Resistance};

/// What a change is called and what to do about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Words {
    /// What is wrong and by how much.
    pub text: String,
    /// What to do.
    pub remedy: String,
}

/// Ratio of the acoustic resistance below which a resistor counts as missing.
const MISSING: f64 = 0.05;
/// Ratio above which it counts as blocked.
const BLOCKED: f64 = 20.0;

/// A fitted value, SI, with its 95 % interval where one was computed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Amount {
    /// Value.
    pub fitted: f64,
    /// Ends, and whether each is open.
    pub interval: Option<[(f64, bool); 2]>,
}

impl From<&Estimate> for Amount {
    fn from(e: &Estimate) -> Self {
        Self {
            fitted: e.fitted,
            interval: Some([(e.low95, e.low_open), (e.high95, e.high_open)]),
        }
    }
}

impl Amount {
    fn ends(&self) -> [f64; 2] {
        self.interval
            .map_or([self.fitted; 2], |ends| ends.map(|end| end.0))
    }

    fn open(&self) -> [bool; 2] {
        self.interval
            .map_or([false; 2], |ends| ends.map(|end| end.1))
    }

    /// «, 95 % A to B» where there is an interval.
    fn between(&self, low: &str, high: &str) -> String {
        match self.interval {
            Some(_) => format!(", 95 % {low} to {high}"),
            None => String::new(),
        }
    }
}

/// Words for a value; `design` is the one that the unknown's members point into.
#[must_use]
pub fn describe(design: &Design, unknown: &Unknown, amount: Amount) -> Words {
    let fitted = amount.fitted;
    let [low95, high95] = amount.ends();
    let first = unknown.members[0];
    if unknown.absent
        && let Element::Leak(i) = first.element
    {
        return new_leak(design, i, amount);
    }
    let ratio = fitted / unknown.designed;
    let (low, high) = (low95 / unknown.designed, high95 / unknown.designed);
    let change = match amount.open() {
        [true, true] => "differs from the design, by how much cannot be told".to_string(),
        [true, false] => format!("at most {} of the design's", share(high)),
        [false, true] => format!("at least {} times the design's", number(low)),
        [false, false] => percent(amount, unknown.designed),
    };
    let several = unknown.members.len() > 1;
    let (text, remedy) = match (first.element, first.key) {
        (Element::Resistor(i), Key::Resistance) => {
            let name = &design.resistors[i].name;
            if high < MISSING {
                (
                    format!(
                        "resistor {name}: next to no resistance, {} of the design's: missing, torn, or passed by",
                        share(ratio)
                    ),
                    format!(
                        "open the cabinet at {name} and look whether its cloth is there, whole and sealed around"
                    ),
                )
            } else if low > BLOCKED {
                (
                    format!(
                        "resistor {name}: blocked, more than {:.0} times the design's resistance",
                        low
                    ),
                    format!(
                        "open the cabinet at {name} and look for glue, paint or a panel over the cloth"
                    ),
                )
            } else {
                let layers = 1.0 / ratio - 1.0;
                let advice = if ratio < 1.0 {
                    format!(
                        "add about {layers:.1} of what is there (layers in series), or cover {:.0} % of its area",
                        100.0 * (1.0 - ratio)
                    )
                } else {
                    format!(
                        "use cloth of {:.2} times its resistance, or open {:.2} times the area",
                        1.0 / ratio,
                        ratio
                    )
                };
                (format!("resistor {name}: resistance {change}"), advice)
            }
        }
        (Element::Leak(i), key) => {
            let name = &design.leaks[i].name;
            let at = &design.leaks[i].at;
            let more = if key == Key::Gap {
                ratio.powi(3)
            } else {
                1.0 / ratio
            };
            let amount = if more > 1.0 {
                format!("leaks {} times more air than designed", number(more))
            } else {
                format!("leaks {} of the air that was designed", share(more))
            };
            let slot = like_a_slot(design, i, key, fitted)
                .map_or(String::new(), |(length, gap)| {
                    format!(", like a slot {length:.0} mm long and {gap:.2} mm wide")
                });
            let advice = if more > 1.0 {
                format!(
                    "find and seal the leak of the space at {at} (soap water, a stethoscope hose, a quiet sine near the tuning)"
                )
            } else {
                "tighter than drawn: nothing to repair; correct the design's value".to_string()
            };
            (
                format!("leak {name}: {amount}{slot} (resistance {change})"),
                advice,
            )
        }
        (Element::Duct(i), Key::Length) if !several => {
            let name = &design.ducts[i].name;
            let mm = (fitted - unknown.designed) * 1e3;
            // Counted in the direction of the change: an end on the other side is negative.
            let side = if mm > 0.0 { 1.0 } else { -1.0 };
            let mut ends = [low95, high95].map(|v| side * (v - unknown.designed) * 1e3);
            ends.sort_by(f64::total_cmp);
            let interval = if amount.open() == [false, false] {
                amount.between(&format!("{:.0}", ends[0]), &format!("{:.0} mm", ends[1]))
            } else {
                ", by how much cannot be told".to_string()
            };
            (
                format!(
                    "channel {name}: {:.0} mm {} than drawn{interval}",
                    mm.abs(),
                    if mm > 0.0 { "longer" } else { "shorter" },
                ),
                format!(
                    "measure the centre line of {name} with a tape and compare it with the drawing"
                ),
            )
        }
        (Element::Duct(i), Key::Loss) => {
            let name = if several {
                "all channels".to_string()
            } else {
                format!("channel {}", design.ducts[i].name)
            };
            let times = format!(
                "{} times the wall loss of smooth rigid walls{}",
                number(fitted),
                amount.between(&number(low95), &number(high95))
            );
            (
                format!("{name}: {times}"),
                "look for rough or unsealed walls, loose lining, gaps between panels, or debris in the channel".to_string(),
            )
        }
        (Element::Duct(i), _) => {
            let name = if several {
                "all channels".to_string()
            } else {
                format!("channel {}", design.ducts[i].name)
            };
            (
                format!("{name}: {} {change}", first.key.name().replace('_', " ")),
                format!("measure {name} and compare it with the drawing"),
            )
        }
        (Element::Chamber(i), Key::Volume) => {
            let name = &design.chambers[i].name;
            (
                format!(
                    "chamber {name}: volume {change} ({:.1} instead of {:.1} litres)",
                    fitted * 1e3,
                    unknown.designed * 1e3
                ),
                format!(
                    "measure {name} inside; look for braces, fill or electronics that the drawing does not have"
                ),
            )
        }
        (Element::Chamber(i), key) => {
            let name = &design.chambers[i].name;
            (
                format!("chamber {name}: {} {change}", key.name().replace('_', " ")),
                format!("compare {name} with the drawing"),
            )
        }
        (Element::Driver, key) => (
            format!("driver: {} {change}", driver_word(key)),
            "measure the driver alone in free air, or try another one of the batch".to_string(),
        ),
        (Element::Opening(i), key) => {
            let name = &design.openings[i].name;
            (
                format!("opening {name}: {} {change}", key.name().replace('_', " ")),
                format!("look at {name} for a grille, a lip or something that stands before it"),
            )
        }
        (Element::Resistor(i), key) => {
            let name = &design.resistors[i].name;
            (
                format!("resistor {name}: {} {change}", key.name().replace('_', " ")),
                if matches!(design.resistors[i].resistance, Resistance::Plate(_)) {
                    format!(
                        "measure the openings of the plate {name}: size, number, thickness; look for paint and burrs"
                    )
                } else {
                    format!("check the cloth of {name}")
                },
            )
        }
        (Element::Probe(i), key) => {
            let name = &design.probes[i].name;
            (
                format!("probe {name}: {} {change}", key.name()),
                "check where the microphone stood".to_string(),
            )
        }
    };
    Words { text, remedy }
}

/// Words for a leak that the design has not.
fn new_leak(design: &Design, leak: usize, amount: Amount) -> Words {
    let l = &design.leaks[leak];
    let place = if l.name == PAST_DRIVER {
        "past the driver, from its front to its rear".to_string()
    } else {
        format!("from the space at {} to the outside", l.at)
    };
    let [low, high] = amount.ends().map(slot_gap_mm);
    let ends = match amount.open() {
        [false, false] => amount.between(&format!("{high:.2}"), &format!("{low:.2} mm")),
        [true, _] => format!(", at least {high:.2} mm"),
        [false, true] => format!(", at most {low:.2} mm"),
    };
    Words {
        text: format!(
            "a leak that the design has not, {place}: like a slot 300 mm long and {:.2} mm wide{ends}",
            slot_gap_mm(amount.fitted)
        ),
        remedy: if l.name == PAST_DRIVER {
            "check the driver's gasket, its screws and the cable's passage".to_string()
        } else {
            format!(
                "find and seal the leak of the space at {} (soap water, a stethoscope hose, a quiet sine near the tuning)",
                l.at
            )
        },
    }
}

fn driver_word(key: Key) -> &'static str {
    match key {
        Key::Re => "DC resistance Re",
        Key::Bl => "force factor Bl",
        Key::Mmd => "moving mass Mmd",
        Key::Mms => "moving mass Mms",
        Key::Cms => "suspension compliance Cms",
        Key::Rms => "mechanical resistance Rms",
        Key::Sd => "piston area Sd",
        Key::Le => "inductance Le",
        Key::L2 => "inductance L2",
        Key::R2 => "eddy-current resistance R2",
        Key::SemiK => "semi-inductance K",
        Key::SemiN => "exponent n of the semi-inductance",
        Key::CoilTemperature => "coil temperature",
        Key::Creep => "creep",
        Key::Fs => "resonance fs",
        Key::Qms => "mechanical Q",
        Key::Qes => "electrical Q",
        Key::Vas => "equivalent volume Vas",
        _ => "parameter",
    }
}

/// A slot of the same steady flow resistance: length and gap, mm.
fn like_a_slot(design: &Design, leak: usize, key: Key, fitted: f64) -> Option<(f64, f64)> {
    match (design.leaks[leak].form, key) {
        (LeakForm::Slot { length_m, .. }, Key::Gap) => Some((length_m * 1e3, fitted * 1e3)),
        (LeakForm::Resistance(_), Key::Resistance) => Some((300.0, slot_gap_mm(fitted))),
        _ => None,
    }
}

fn percent(amount: Amount, designed: f64) -> String {
    let ratio = amount.fitted / designed;
    let [low, high] = amount.ends().map(|v| v / designed);
    if !(ratio.is_finite() && low.is_finite() && high.is_finite()) {
        return "differs from the design".to_string();
    }
    if ratio > 3.0 || low > 2.0 {
        return format!(
            "{} times the design's{}",
            number(ratio),
            amount.between(&number(low), &number(high))
        );
    }
    let side = if ratio < 1.0 { "below" } else { "above" };
    let size = |r: f64| (r - 1.0) * 100.0 * if ratio < 1.0 { -1.0 } else { 1.0 };
    let (a, b) = (size(low).min(size(high)), size(low).max(size(high)));
    // A narrow interval needs a decimal to be seen.
    let digits = usize::from(b - a < 3.0);
    format!(
        "{:.0} % {side} the design{}",
        size(ratio),
        amount.between(&format!("{a:.digits$}"), &format!("{b:.digits$} %"))
    )
}

fn share(ratio: f64) -> String {
    format!("{} %", number(ratio * 100.0))
}

/// Two or three significant digits, without an exponent where people would not want one.
fn number(value: f64) -> String {
    let size = value.abs();
    if (100.0..1e5).contains(&size) {
        format!("{value:.0}")
    } else if (10.0..100.0).contains(&size) {
        format!("{value:.1}")
    } else if (0.01..10.0).contains(&size) {
        format!("{value:.2}")
    } else {
        format!("{value:.2e}")
    }
}
