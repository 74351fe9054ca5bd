//! What the production log says when it is looked back at: figures against published values and general libraries, commands as
//! a person runs them.
//!
//! CROSS values: `tests/reference/lookback/make.py` (numpy and scipy).

#![allow(clippy::unwrap_used)]

mod charts;
mod commands;
mod million;
mod process;
mod station;
mod studies;

use serde_json::Value;
use std::path::Path;

/// The table that the script made.
fn reference() -> Value {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/lookback/lookback.json");
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

/// The rows of one list of it.
fn rows(name: &str) -> Vec<Value> {
    let rows = reference()[name].as_array().unwrap().clone();
    assert!(!rows.is_empty(), "{name}");
    rows
}

fn number(row: &Value, key: &str) -> f64 {
    row[key].as_f64().unwrap()
}

#[track_caller]
fn near(found: f64, wanted: f64, relative: f64) {
    assert!(
        (found - wanted).abs() <= relative * wanted.abs(),
        "found {found}, wanted {wanted} within {relative:e}"
    );
}
