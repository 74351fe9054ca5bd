//! Statistical tolerance factors: some of the tables that `tests/tolerance_factors.rs` goes through in full.

use super::assert_within;
use super::table::source;
use bassay::production::tolerance::{one_sided_factor, sample_size, two_sided_factor_pooled};
use serde_json::Value;

fn reference(name: &str) -> Vec<Value> {
    let text = std::fs::read_to_string("tests/reference/tolerance/tolerance.json").unwrap();
    let all: Value = serde_json::from_str(&text).unwrap();
    all[name].as_array().unwrap().clone()
}

/// PUBLISHED: ISO 16269-6:2014, annex F, whose last digit is rounded up: the factor lies in the unit below.
#[test]
pub fn two_sided_tolerance_factors() {
    source("PUBLISHED", "ISO 16269-6:2014, annex F");
    for row in reference("iso_16269_6_annex_f") {
        let number = |key: &str| row[key].as_f64().unwrap();
        let [n, m] = ["n", "samples"].map(|key| number(key) as usize);
        let (content, confidence) = (number("content"), number("confidence"));
        let k = two_sided_factor_pooled(n, m * (n - 1), content, confidence).unwrap();
        assert_within(
            k,
            number("factor") - 5e-5,
            5.001e-5,
            "",
            &format!("two-sided factor, content {content}, confidence {confidence}"),
        );
    }
}

/// PUBLISHED: Montgomery & Runger 2018, table XII. Printed digits.
#[test]
pub fn one_sided_tolerance_factors() {
    source("PUBLISHED", "Montgomery & Runger 2018, table XII");
    for row in reference("one_sided_published") {
        let number = |key: &str| row[key].as_f64().unwrap();
        let (content, confidence) = (number("content"), number("confidence"));
        let k = one_sided_factor(number("n") as usize, content, confidence).unwrap();
        assert_within(
            k,
            number("factor"),
            5.001e-4,
            "",
            &format!("one-sided factor, content {content}, confidence {confidence}"),
        );
    }
}

/// PUBLISHED: Wilks 1941; ISO 16269-6 (from memory): whole numbers.
#[test]
pub fn units_for_limits_without_a_distribution() {
    source("PUBLISHED", "Wilks 1941; ISO 16269-6:2014 (from memory)");
    for (content, confidence, units) in [(0.95, 0.95, 93), (0.99, 0.95, 473), (0.99, 0.99, 662)] {
        assert_within(
            sample_size(2, content, confidence).unwrap() as f64,
            f64::from(units),
            0.5,
            "",
            &format!("units whose extremes hold {content} with {confidence}"),
        );
    }
}
