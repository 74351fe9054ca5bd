//! Measurements of a gauge study, from long form (one row per measurement) to a complete crossed table.

use std::collections::BTreeMap;

/// One measurement.
#[derive(Debug, Clone, PartialEq)]
pub struct Measurement {
    /// Which part.
    pub part: String,
    /// Who measured it.
    pub person: String,
    /// What came out.
    pub value: f64,
    /// Where it stands, for messages.
    pub place: String,
}

/// Measurements that are no complete study.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TableError {
    /// A value that is no number.
    #[error("the value at {place} is {value}; expected a finite number")]
    Value {
        /// Where.
        place: String,
        /// What was found.
        value: f64,
    },
    /// Too few of something.
    #[error(
        "{found} {what}; expected at least 2: a study needs several parts, several people and repeats"
    )]
    Few {
        /// Of what.
        what: &'static str,
        /// How many.
        found: usize,
    },
    /// A cell that has another number of repeats.
    #[error(
        "part {part}, person {person}: {found} measurement(s){at}; expected {expected}, as of {first}: every person must measure every part equally often; measure the missing ones or leave out the part"
    )]
    Cell {
        /// Part.
        part: String,
        /// Person.
        person: String,
        /// How many.
        found: usize,
        /// How many there should be.
        expected: usize,
        /// Where those that there are stand, in brackets; empty where there are none.
        at: String,
        /// The cell that the others are held against, in words.
        first: String,
    },
}

/// The table `value[part][person][repeat]`, parts and people in the order of their names.
///
/// # Errors
/// [`TableError`] unless every person measured every part equally often, at least twice, with two parts and two people.
pub fn crossed(list: &[Measurement]) -> Result<Vec<Vec<Vec<f64>>>, TableError> {
    let mut cells: BTreeMap<&str, BTreeMap<&str, Vec<f64>>> = BTreeMap::new();
    let mut people: Vec<&str> = Vec::new();
    for m in list {
        if !m.value.is_finite() {
            return Err(TableError::Value {
                place: m.place.clone(),
                value: m.value,
            });
        }
        people.push(&m.person);
        cells
            .entry(&m.part)
            .or_default()
            .entry(&m.person)
            .or_default()
            .push(m.value);
    }
    people.sort_unstable();
    people.dedup();
    let few = |what, found| Err(TableError::Few { what, found });
    if cells.len() < 2 {
        return few("part(s)", cells.len());
    }
    if people.len() < 2 {
        return few("person(s)", people.len());
    }
    let first = cells
        .iter()
        .find_map(|(part, of)| of.keys().next().map(|person| (*part, *person)))
        .unwrap_or_default();
    let repeats = cells
        .values()
        .next()
        .and_then(|c| c.values().next())
        .map_or(0, Vec::len);
    for (part, of) in &cells {
        for person in &people {
            let found = of.get(person).map_or(0, Vec::len);
            if found != repeats {
                return Err(TableError::Cell {
                    part: (*part).to_owned(),
                    person: (*person).to_owned(),
                    found,
                    expected: repeats,
                    at: places(list, part, person),
                    first: format!("part {} by {}", first.0, first.1),
                });
            }
        }
    }
    if repeats < 2 {
        return few("repeat(s)", repeats);
    }
    Ok(cells
        .into_values()
        .map(|of| of.into_values().collect())
        .collect())
}

/// Where the measurements of a cell stand, the first few, in brackets.
fn places(list: &[Measurement], part: &str, person: &str) -> String {
    const SHOWN: usize = 3;
    let of = list.iter().filter(|m| m.part == part && m.person == person);
    let places: Vec<&str> = of.map(|m| m.place.as_str()).collect();
    match places.len() {
        0 => String::new(),
        n if n > SHOWN => format!(" ({}, ...)", places[..SHOWN].join("; ")),
        _ => format!(" ({})", places.join("; ")),
    }
}
