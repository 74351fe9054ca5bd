//! What the production log says when it is looked back at: figures against simulation, commands as a person runs them. The
//! same figures against published values and general libraries are in `tests/outside/production.rs`.

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
