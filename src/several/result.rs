//! What `bassay align` says about several units, as the JSON document `bassay-several/1`.

use super::{Number, Standing};
use serde::Serialize;

/// The value of the `format` key.
pub const FORMAT: &str = "bassay-several/1";

/// The design of all units.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DesignMark {
    /// Name for people.
    pub name: String,
    /// BLAKE3 digest (hex) of the design file.
    pub digest: String,
}

/// Something at fault in one unit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Finding {
    /// Parameter path.
    pub path: String,
    /// Probability.
    pub probability: f64,
    /// In workshop words.
    pub text: String,
}

/// One unit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct UnitMark {
    /// Serial number.
    pub unit: String,
    /// Its captures file.
    pub file: String,
    /// BLAKE3 digest (hex) of that file.
    pub digest: String,
    /// Whether its fit converged.
    pub converged: bool,
    /// What is at fault there.
    pub findings: Vec<Finding>,
}

/// A unit's own value.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct UnitValue {
    /// Serial number.
    pub unit: String,
    /// `counts`, `at fault`, `at the end of its range` or `not fitted`; only the first is part of the shared value.
    pub standing: &'static str,
    /// Value, SI.
    pub value: Option<f64>,
    /// 95 % interval, SI.
    pub low95: Option<f64>,
    /// 95 % interval, SI.
    pub high95: Option<f64>,
}

/// A number that the units share. What cannot be told is `null`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Parameter {
    /// Path or pattern.
    pub path: String,
    /// SI unit ("" for a ratio).
    pub unit: String,
    /// Value of the design, SI.
    pub designed: f64,
    /// Shared value, SI.
    pub shared: Option<f64>,
    /// 95 % interval, SI.
    pub low95: Option<f64>,
    /// 95 % interval, SI.
    pub high95: Option<f64>,
    /// Whether the shared value is known better than the design states it.
    pub identifiable: bool,
    /// Whether most units have the same fault there, so that the design is off.
    pub design_off: bool,
    /// Units that count.
    pub units: usize,
    /// `relative`: the spreads are standard deviations of the logarithm; `absolute`: in the SI unit.
    pub spread_kind: &'static str,
    /// Standard deviation over the units.
    pub spread: Option<f64>,
    /// 95 % interval of the spread.
    pub spread_low95: Option<f64>,
    /// 95 % interval of the spread; null where it has no end.
    pub spread_high95: Option<f64>,
    /// Whether that interval says anything.
    pub spread_told: bool,
    /// Spread that the design states.
    pub spread_designed: Option<f64>,
    /// Units at which the spread would be told, where it is not and that can be said.
    pub units_wanted: Option<usize>,
    /// Own values of the units.
    pub values: Vec<UnitValue>,
}

/// Several units of one design.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Several {
    /// [`FORMAT`].
    pub format: &'static str,
    /// Program and version.
    pub software: String,
    /// The design.
    pub design: DesignMark,
    /// The units, in the order of the command line.
    pub units: Vec<UnitMark>,
    /// What they share.
    pub parameters: Vec<Parameter>,
    /// The design file that was written.
    pub written: Option<String>,
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// A number in SI values, for units of these names.
#[must_use]
pub fn parameter(number: &Number, names: &[&str]) -> Parameter {
    let u = &number.unknown;
    let at = |coordinate: f64| finite(number.value(coordinate));
    let scatter = number.scatter;
    Parameter {
        path: u.path.clone(),
        unit: u.unit.to_string(),
        designed: u.designed,
        shared: at(number.shared),
        low95: at(number.shared - number.half_width),
        high95: at(number.shared + number.half_width),
        identifiable: number.identifiable,
        design_off: number.design_off,
        units: number.units,
        spread_kind: if u.log { "relative" } else { "absolute" },
        spread: scatter.map(|s| s.sd),
        spread_low95: scatter.map(|s| s.low95),
        spread_high95: scatter.and_then(|s| finite(s.high95)),
        spread_told: scatter.is_some_and(|s| s.told),
        spread_designed: u.stated_sd,
        units_wanted: number.units_wanted,
        values: names
            .iter()
            .zip(&number.own)
            .map(|(name, own)| UnitValue {
                unit: (*name).to_string(),
                standing: word(own.standing),
                value: at(own.value),
                low95: at(own.value - own.half_width),
                high95: at(own.value + own.half_width),
            })
            .collect(),
    }
}

fn word(standing: Standing) -> &'static str {
    match standing {
        Standing::Counts => "counts",
        Standing::AtFault => "at fault",
        Standing::AtEnd => "at the end of its range",
        Standing::NotFitted => "not fitted",
    }
}
