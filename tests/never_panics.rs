//! Bad bytes never panic a reader, and whatever it says fits five lines.

#![allow(clippy::unwrap_used)]

use bassay::curves;
use bassay::design::{captures_read, coupon, materials, read, warnings};
use proptest::prelude::*;
use std::path::Path;

const DOME: &str = include_str!("designs/dome.toml");
const COUPON: &str = include_str!("designs/coupon.toml");
const MATERIALS: &str = "format = \"bassay-materials/1\"\n[[material]]\nname = \"felt\"\nspecific_pa_s_per_m = 180\n\
    relative_sd = 0.1\nsource = \"coupon\"\nmeasured = 2026-03-14\n";
const CURVE: &str = "frequency_hz,magnitude,phase_deg\n10,6.5,3\n20,7.5,-3\n40,5e1,90\n";

/// Pieces that are likely to reach a corner of a reader.
const PIECES: &[&str] = &[
    "",
    "\n",
    "\"",
    "'",
    "[",
    "]",
    "[[duct]]",
    "{",
    "}",
    "=",
    ",",
    ";",
    "\t",
    "nan",
    "-inf",
    "1e999",
    "-1",
    "0",
    "0x7fffffffffffffff",
    "99999999999999999999",
    "\u{0}",
    "é",
    "𝄞",
    "*",
    "each ",
    ".",
    "..",
    "closed",
    "outside",
    "\"\"",
    "[]",
    "{}",
    "true",
    "2026-03-14",
    "[driver]",
    "driver.cms",
    "\u{feff}",
    "2 mm",
    "%",
];

fn said_well(problems: &impl std::fmt::Display) {
    let shown = problems.to_string();
    assert!(!shown.is_empty() && shown.lines().count() <= 5, "{shown}");
}

fn all_readers(text: &str) {
    match read::read_text(text, Path::new("x")) {
        Ok(design) => {
            let _ = warnings::warnings(&design);
        }
        Err(problems) => said_well(&problems),
    }
    if let Err(problems) = captures_read::read_text(text, Path::new("x")) {
        said_well(&problems);
    }
    if let Err(problems) = coupon::read_text(text, Path::new("x")) {
        said_well(&problems);
    }
    if let Err(problems) = materials::read_text(text, Path::new("x")) {
        said_well(&problems);
    }
    if let Err(error) = curves::read_text(text, Path::new("x")) {
        said_well(&error);
    }
    let _ = curves::read_correction_text(text, Path::new("x"));
}

/// A file with some stretches replaced by pieces or removed.
fn mutated(text: &str, cuts: &[(usize, usize, usize)]) -> String {
    let mut chars: Vec<char> = text.chars().collect();
    for &(at, length, piece) in cuts {
        let at = at % (chars.len() + 1);
        let end = (at + length).min(chars.len());
        let piece = PIECES[piece % PIECES.len()].chars();
        chars.splice(at..end, piece);
    }
    chars.into_iter().collect()
}

fn cuts() -> impl Strategy<Value = Vec<(usize, usize, usize)>> {
    prop::collection::vec((any::<usize>(), 0..12_usize, any::<usize>()), 1..5)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 512, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn random_text(text in ".{0,400}") {
        all_readers(&text);
    }

    #[test]
    fn random_bytes(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("x");
        std::fs::write(&path, bytes).expect("written");
        if let Err(problems) = read::read(&path) {
            said_well(&problems);
        }
        if let Err(problems) = captures_read::read(&path) {
            said_well(&problems);
        }
        if let Err(error) = curves::read(&path) {
            said_well(&error);
        }
    }

    #[test]
    fn mutations_of_a_design(cuts in cuts()) {
        all_readers(&mutated(DOME, &cuts));
    }

    #[test]
    fn mutations_of_a_coupon(cuts in cuts()) {
        all_readers(&mutated(COUPON, &cuts));
        all_readers(&mutated(MATERIALS, &cuts));
    }

    #[test]
    fn mutations_of_a_curve(cuts in cuts()) {
        all_readers(&mutated(CURVE, &cuts));
    }

    #[test]
    fn numbers_of_a_design_may_be_anything(value in any::<f64>(), which in any::<usize>()) {
        // Every line with a number, one at a time.
        let lines: Vec<&str> = DOME.lines().collect();
        let numeric: Vec<usize> = (0..lines.len())
            .filter(|&i| lines[i].split_once('=').is_some_and(|(_, v)| v.trim().parse::<f64>().is_ok()))
            .collect();
        let i = numeric[which % numeric.len()];
        let (key, _) = lines[i].split_once('=').expect("chosen so");
        let value = format!("{key}= {value:?}").replace("NaN", "nan");
        let text: Vec<&str> = lines.iter().enumerate().map(|(k, line)| if k == i { value.as_str() } else { line }).collect();
        all_readers(&text.join("\n"));
    }
}
