//! The table of outside checks: what each assertion expected, where that comes from, and what bassay gives.
//!
//! Every `assert_…` of this test program notes its comparison under the source that the test has named with [`source`].
//! Comparisons of one test under one name are one line, with the worst of them. The test `the_table_is_true` runs all
//! tests once more and compares the lines with `docs/checks.md`; `BASSAY_WRITE_CHECKS=1` writes that file.

use num_complex::Complex64;
use std::cell::RefCell;
use std::fmt::Write as _;

/// One line of the table.
#[derive(Debug, Clone)]
struct Line {
    tag: &'static str,
    source: &'static str,
    what: String,
    count: usize,
    expected: String,
    found: String,
    /// Deviation as a share of what is allowed; the largest is kept.
    share: f64,
    deviation: f64,
    allowed: f64,
    unit: &'static str,
}

#[derive(Default)]
struct Book {
    tag: &'static str,
    source: &'static str,
    lines: Vec<Line>,
}

thread_local! {
    static BOOK: RefCell<Book> = RefCell::new(Book::default());
}

/// Names the source of the comparisons that follow in this test. `tag` says of what kind it is: PUBLISHED (a printed
/// value or formula), DERIVED (a closed form), CROSS (another program, its script under `tests/reference/`).
pub fn source(tag: &'static str, source: &'static str) {
    BOOK.with_borrow_mut(|book| {
        book.tag = tag;
        book.source = source;
    });
}

/// How a deviation is measured.
#[derive(Debug, Clone, Copy)]
pub enum Measure {
    /// |found − expected|/|expected|.
    Relative,
    /// |found − expected|, in a unit.
    Absolute(&'static str),
}

fn note(
    what: &str,
    expected: String,
    found: String,
    deviation: f64,
    allowed: f64,
    unit: &'static str,
) {
    let share = if deviation == 0.0 {
        0.0
    } else {
        deviation / allowed
    };
    BOOK.with_borrow_mut(|book| {
        let (tag, source) = (book.tag, book.source);
        assert!(!source.is_empty(), "{what}: the test names no source");
        let same = |l: &&mut Line| l.source == source && l.what == what && l.unit == unit;
        match book.lines.iter_mut().find(same) {
            Some(line) => {
                line.count += 1;
                // Which of several roundings is the largest differs between machines.
                if share > line.share && deviation >= smallest(unit) {
                    (line.expected, line.found) = (expected, found);
                    (line.share, line.deviation, line.allowed) = (share, deviation, allowed);
                }
            }
            None => book.lines.push(Line {
                tag,
                source,
                what: what.to_string(),
                count: 1,
                expected,
                found,
                share,
                deviation,
                allowed,
                unit,
            }),
        }
    });
    assert!(
        deviation <= allowed,
        "{what}: {deviation:e} apart, {allowed:e}{unit} allowed"
    );
}

/// Asserts that a number is as expected.
pub fn check(what: &str, found: f64, expected: f64, allowed: f64, measure: Measure) {
    let (deviation, unit) = match measure {
        Measure::Relative => ((found / expected - 1.0).abs(), ""),
        Measure::Absolute(unit) => ((found - expected).abs(), unit),
    };
    note(
        what,
        digits(expected),
        digits(found),
        deviation,
        allowed,
        unit,
    );
}

/// Asserts that a complex number is as expected.
pub fn check_complex(
    what: &str,
    found: Complex64,
    expected: Complex64,
    allowed: f64,
    measure: Measure,
) {
    let apart = (found - expected).norm();
    let (deviation, unit) = match measure {
        Measure::Relative => (apart / expected.norm(), ""),
        Measure::Absolute(unit) => (apart, unit),
    };
    note(what, pair(expected), pair(found), deviation, allowed, unit);
}

/// Asserts that a word is as expected.
pub fn check_word(what: &str, found: &str, expected: &str) {
    let apart = f64::from(u8::from(found != expected));
    note(
        what,
        expected.to_string(),
        found.to_string(),
        apart,
        0.0,
        "",
    );
}

/// Six digits: what a handbook prints.
fn digits(value: f64) -> String {
    if value == 0.0 {
        return "0".into();
    }
    let size = value.abs();
    if (1e-3..1e6).contains(&size) {
        let places = (5 - size.log10().floor() as i32).max(0) as usize;
        let text = format!("{value:.places$}");
        let text = if text.contains('.') {
            text.trim_end_matches('0').trim_end_matches('.')
        } else {
            &text
        };
        text.replace('-', "−")
    } else {
        format!("{value:.5e}").replace('-', "−")
    }
}

fn pair(value: Complex64) -> String {
    // A part that is nothing but rounding is shown as nothing.
    let clean = |x: f64| {
        if x.abs() < 1e-9 * value.norm() {
            0.0
        } else {
            x
        }
    };
    let value = Complex64::new(clean(value.re), clean(value.im));
    let sign = if value.im < 0.0 { "− j" } else { "+ j" };
    format!("{} {sign}{}", digits(value.re), digits(value.im.abs()))
}

/// Deviations below this are rounding, which may differ between machines.
const ROUNDING: f64 = 1e-7;

fn smallest(unit: &str) -> f64 {
    if unit.is_empty() {
        ROUNDING
    } else {
        10.0 * ROUNDING
    }
}

/// A bound as it stands in the test.
fn bound(allowed: f64, unit: &str) -> String {
    let text = if allowed == 0.0 {
        "none".to_string()
    } else {
        format!("{allowed:.1e}").replace(".0e", "e")
    };
    format!("{text}{}{unit}", if unit.is_empty() { "" } else { " " })
}

/// One digit of a deviation.
fn size(deviation: f64, unit: &str) -> String {
    let small = smallest(unit);
    let text = if deviation < small {
        format!("< {small:.0e}")
    } else {
        // Rounded up, so that the figure is a bound.
        let power = 10f64.powf(deviation.log10().floor());
        format!("{:.0e}", (deviation / power).ceil() * power)
    };
    format!("{text}{}{unit}", if unit.is_empty() { "" } else { " " })
}

/// A heading and its tests.
pub type Group = (&'static str, &'static [fn()]);

/// Runs tests one after the other in this thread and gives the table of their comparisons.
pub fn table(groups: &[Group]) -> String {
    BOOK.with_borrow_mut(|book| *book = Book::default());
    let mut out = String::from(HEAD);
    let mut total = 0;
    let mut body = String::new();
    for (title, tests) in groups {
        BOOK.with_borrow_mut(|book| book.lines.clear());
        for test in *tests {
            BOOK.with_borrow_mut(|book| (book.tag, book.source) = ("", ""));
            test();
        }
        let lines = BOOK.with_borrow(|book| book.lines.clone());
        total += lines.len();
        let _ = write!(
            body,
            "\n## {title}\n\n| quantity | source | expected | bassay | deviation | allowed |\n|---|---|---|---|---|---|\n"
        );
        for l in lines {
            let times = if l.count > 1 {
                format!(" (worst of {})", l.count)
            } else {
                String::new()
            };
            let _ = writeln!(
                body,
                "| {}{times} | {}: {} | {} | {} | {} | {} |",
                l.what,
                l.tag,
                l.source,
                l.expected,
                l.found,
                size(l.deviation, l.unit),
                bound(l.allowed, l.unit),
            );
        }
    }
    let _ = write!(out, "\n{total} comparisons.\n{body}");
    out
}

const HEAD: &str = "# Outside checks

What bassay gives, beside values from outside the project: standards, papers, closed forms, general-purpose programs.
This page is written by the tests (`BASSAY_WRITE_CHECKS=1 cargo test --test outside`), and a test fails when it is no longer
true. Where a name stands for several comparisons the worst of them is shown. A deviation without a unit is relative, and
is rounded up. PUBLISHED is a printed value or formula (from memory where the line says so), DERIVED a closed form
that the test works out, CROSS another program whose script or netlist lies under `tests/reference/`.
";
