//! What of a unit differs from its design: faults set by hand and tolerances drawn at random.
//!
//! A setting is `PATH=VALUE`: `driver.cms=1.2e-4` (SI), `duct.*.loss=x1.12` or `*1.12` (factor),
//! `duct.d1.length=+0.004` or `=-0.004` (added, SI): a sign always means that something is added. The path may hold `*`.
//! Tolerances are drawn around the design's values first, a relative one as the standard deviation of the logarithm;
//! settings then act on what was drawn.

use super::random::Random;
use crate::design::path::{Element, Key, Parameter};
use crate::design::{Design, Spread};
use serde::Serialize;

/// How a person writes a setting, for the help of commands.
pub const HELP: &str = "PATH=VALUE (SI unit), PATH=x1.12 (factor), PATH=+0.004 or PATH=-0.004 (added to the value, SI unit); \
PATH may hold *";

/// How a setting changes a value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Change {
    /// To this value, SI.
    To(f64),
    /// Times this factor.
    Times(f64),
    /// Plus this increment, SI.
    Plus(f64),
}

/// One `PATH=VALUE`.
#[derive(Debug, Clone, PartialEq)]
pub struct Setting {
    /// Parameter path, may hold `*`.
    pub pattern: String,
    /// Change.
    pub change: Change,
}

/// A setting that cannot be read or applied.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SettingError {
    /// Not `PATH=VALUE`.
    #[error(
        "'{text}' is not PATH=VALUE; expected driver.cms=1.2e-4 (SI unit), driver.cms=x1.12 (factor), or \
         duct.d1.length=+0.004 or -0.004 (added, SI unit)"
    )]
    Form {
        /// As typed.
        text: String,
    },
    /// The path matches nothing.
    #[error("the design has no parameter '{path}'; the nearest is '{nearest}'")]
    Path {
        /// As typed.
        path: String,
        /// Nearest existing path.
        nearest: String,
    },
    /// The value is not physical.
    #[error("{path} would become {value}; expected {range}")]
    Value {
        /// Parameter.
        path: String,
        /// Value, SI.
        value: f64,
        /// Allowed.
        range: &'static str,
    },
}

impl std::str::FromStr for Setting {
    type Err = SettingError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let fail = || SettingError::Form {
            text: text.to_string(),
        };
        let (pattern, value) = text.split_once('=').ok_or_else(fail)?;
        let (pattern, value) = (pattern.trim(), value.trim());
        let number = |text: &str| {
            text.trim()
                .parse::<f64>()
                .ok()
                .filter(|x| x.is_finite())
                .ok_or_else(fail)
        };
        let change = match value.chars().next() {
            Some('x' | '*' | '×') => {
                Change::Times(number(value.trim_start_matches(['x', '*', '×']))?)
            }
            Some('+' | '-') => Change::Plus(number(value)?),
            _ => Change::To(number(value)?),
        };
        if pattern.is_empty() {
            return Err(fail());
        }
        Ok(Self {
            pattern: pattern.to_string(),
            change,
        })
    }
}

/// One value that differs from the design.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Difference {
    /// Parameter path.
    pub path: String,
    /// SI unit, "" for a ratio.
    pub unit: &'static str,
    /// The design's value.
    pub designed: f64,
    /// The unit's value.
    pub actual: f64,
}

impl std::fmt::Display for Difference {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let unit = if self.unit.is_empty() { "" } else { " " };
        write!(
            f,
            "{} is {:.5e}{unit}{} ({:.5e} as designed)",
            self.path, self.actual, self.unit, self.designed
        )
    }
}

/// A unit as built: a design with its differences.
#[derive(Debug, Clone, PartialEq)]
pub struct AsBuilt {
    /// The design with the unit's values.
    pub design: Design,
    /// Gain of each microphone that is not exact: probe name and factor.
    pub probe_gain: Vec<(String, f64)>,
    /// What differs, in the order of the design's parameters.
    pub differences: Vec<Difference>,
}

/// Builds a unit: draws the design's tolerances if `seed` is given, then applies the settings in order.
///
/// # Errors
/// [`SettingError`] for a path that matches nothing or a value out of its physical range.
pub fn build(
    design: &Design,
    settings: &[Setting],
    seed: Option<u64>,
) -> Result<AsBuilt, SettingError> {
    let mut built = design.clone();
    let mut gain = vec![1.0; design.probes.len()];
    if let Some(seed) = seed {
        let mut random = Random::new(seed, 0x746f_6c65);
        for parameter in design.parameters() {
            let path = design.path_of(parameter);
            let rule = design
                .tolerance
                .iter()
                .rev()
                .find(|rule| crate::design::path::matches(&rule.pattern, &path));
            let Some(rule) = rule else { continue };
            let before = value(&built, &gain, parameter);
            // A draw that no build could show (a negative length) is drawn again.
            for _ in 0..100 {
                let drawn = match rule.spread {
                    Spread::Relative(sd) => before * libm::exp(sd * random.normal()),
                    Spread::Absolute(sd) => before + sd * random.normal(),
                };
                if refused(parameter.key, drawn).is_none() {
                    set(&mut built, &mut gain, parameter, drawn);
                    break;
                }
            }
        }
    }
    for setting in settings {
        let list = design.matching(&setting.pattern);
        if list.is_empty() {
            return Err(SettingError::Path {
                path: setting.pattern.clone(),
                nearest: nearest(design, &setting.pattern),
            });
        }
        for parameter in list {
            let before = value(&built, &gain, parameter);
            let after = match setting.change {
                Change::To(value) => value,
                Change::Times(factor) => before * factor,
                Change::Plus(increment) => before + increment,
            };
            if let Some(range) = refused(parameter.key, after) {
                return Err(SettingError::Value {
                    path: design.path_of(parameter),
                    value: after,
                    range,
                });
            }
            set(&mut built, &mut gain, parameter, after);
        }
    }
    let ones = vec![1.0; gain.len()];
    let differences = design
        .parameters()
        .into_iter()
        .filter_map(|parameter| {
            let designed = value(design, &ones, parameter);
            let actual = value(&built, &gain, parameter);
            (designed != actual).then(|| Difference {
                path: design.path_of(parameter),
                unit: parameter.key.unit(parameter.element),
                designed,
                actual,
            })
        })
        .collect();
    let probe_gain = design
        .probes
        .iter()
        .zip(&gain)
        .filter(|(_, gain)| **gain != 1.0)
        .map(|(probe, gain)| (probe.name.clone(), *gain))
        .collect();
    Ok(AsBuilt {
        design: built,
        probe_gain,
        differences,
    })
}

fn value(design: &Design, gain: &[f64], parameter: Parameter) -> f64 {
    match (parameter.element, parameter.key) {
        (Element::Probe(i), Key::Gain) => gain[i],
        _ => design.value(parameter),
    }
}

fn set(design: &mut Design, gain: &mut [f64], parameter: Parameter, value: f64) {
    match (parameter.element, parameter.key) {
        (Element::Probe(i), Key::Gain) => gain[i] = value,
        _ => design.set(parameter, value),
    }
}

/// The allowed range if the value lies outside it.
fn refused(key: Key, value: f64) -> Option<&'static str> {
    let (ok, range) = match key {
        Key::EndFrom | Key::EndTo => (value >= -1.0, "a length of at least -1 m"),
        Key::Fraction => ((0.0..=1.0).contains(&value), "0 to 1"),
        Key::Creep => ((0.0..=0.5).contains(&value), "0 to 0.5"),
        Key::ArealMass
        | Key::Quadratic
        | Key::Distance
        | Key::Le
        | Key::Loss
        | Key::Resistance
        | Key::EndCorrection => (value >= 0.0, "a number of at least 0"),
        _ => (value > 0.0, "a number above 0"),
    };
    (!(ok && value.is_finite())).then_some(range)
}

fn nearest(design: &Design, wanted: &str) -> String {
    design
        .parameters()
        .into_iter()
        .map(|parameter| design.path_of(parameter))
        .max_by(|a, b| strsim::jaro_winkler(a, wanted).total_cmp(&strsim::jaro_winkler(b, wanted)))
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_are_read_as_value_factor_or_increment() {
        let change = |text: &str| text.parse::<Setting>().map(|s| s.change);
        assert_eq!(change("driver.cms=1.2e-4"), Ok(Change::To(1.2e-4)));
        assert_eq!(change("duct.*.loss=x1.12"), Ok(Change::Times(1.12)));
        assert_eq!(change("duct.*.loss = *0.6"), Ok(Change::Times(0.6)));
        assert_eq!(change("duct.d1.length=+0.04"), Ok(Change::Plus(0.04)));
        assert_eq!(change("duct.d1.length=-0.04"), Ok(Change::Plus(-0.04)));
        for bad in [
            "driver.cms",
            "=3",
            "driver.cms=",
            "driver.cms=stiff",
            "driver.cms=xinf",
        ] {
            assert!(change(bad).is_err(), "{bad}");
        }
    }
}
