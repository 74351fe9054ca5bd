//! Simulated lines: do limits hold the share of the units that they promise, in as many lines as they promise?
//!
//! A line has an error of the simulation and a level of its station, which all of its units share, units that scatter, and a
//! measurement that scatters. Limits are made for it as for a real one, and the share of its further units inside them is
//! told from what the line truly is. The numbers come from a generator that the program does not have.

use super::tests::{measured, wanted};
use super::*;
use crate::design::limits::same_band;
use crate::design::read::read;
use crate::measure::take::CALIBRATOR;
use crate::special::probability::normal_cdf;
use crate::verify::bands::DB;
use std::path::Path;

const CONTENT: f64 = 0.95;
const CONFIDENCE: f64 = 0.90;
/// Lines of each case: a share of 0.9 of them scatters by 0.015.
const LINES: usize = 400;

/// Marsaglia's 64-bit shift register (from memory), and his polar method for normal deviates.
struct Chance(u64);

impl Chance {
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        loop {
            let (u, v) = (2.0 * self.uniform() - 1.0, 2.0 * self.uniform() - 1.0);
            let s = u * u + v * v;
            if s > 0.0 && s < 1.0 {
                return u * (-2.0 * s.ln() / s).sqrt();
            }
        }
    }
}

/// What a line truly is, dB.
struct Line {
    /// Scatter of its units.
    sigma: f64,
    /// Repeats of one measurement.
    repeats: f64,
    /// What all of its units share, and the level of its station.
    off: f64,
}

/// The limits of this line by a method, from `count` accepted units that state `standard` as their uncertainty.
fn limits(
    method: Method,
    line: &Line,
    count: usize,
    standard: f64,
    chance: &mut Chance,
) -> (f64, f64, f64) {
    let values: Vec<f64> = (0..count)
        .map(|_| line.off + line.sigma * chance.normal() + line.repeats * chance.normal())
        .collect();
    let accepted = measured(&values, standard);
    let drawn = vec![DrawnBand {
        observation: "mouth-near".to_string(),
        center_hz: 40.0,
        difference_db: (0..10_000).map(|_| line.sigma * chance.normal()).collect(),
    }];
    let wanted = Wanted {
        content: CONTENT,
        confidence: CONFIDENCE,
        seed: (chance.0 >> 40) as u32,
        ..wanted(method)
    };
    let design = read(Path::new("tests/designs/dome.toml")).unwrap();
    let made = make(&design, &accepted, &drawn, &[], &wanted).unwrap();
    let band = &made.limits.bands[0];
    assert!(made.limits.bands.len() == 1 && same_band(band.center_hz, 40.0));
    (
        band.low_db,
        band.high_db,
        band.simulation_sd_db.unwrap_or(0.0) * 3f64.sqrt(),
    )
}

/// Share of a line's further measurements inside limits.
fn content(line: &Line, low: f64, high: f64) -> f64 {
    let s = line.sigma.hypot(line.repeats);
    normal_cdf((high - line.off) / s) - normal_cdf((low - line.off) / s)
}

/// Half-width of the simulation's error in the band that the lines have, dB.
fn half(chance: &mut Chance) -> f64 {
    let line = Line {
        sigma: 0.1,
        repeats: 0.0,
        off: 0.0,
    };
    limits(Method::Model, &line, 1, 0.1, chance).2
}

/// The share of lines in which the limits hold what they promise, and their mean half-width.
fn holding(
    chance: &mut Chance,
    mut one: impl FnMut(&mut Chance) -> (Line, f64, f64),
) -> (f64, f64) {
    let (mut held, mut width) = (0, 0.0);
    let (mut inside, mut all, mut told) = (0, 0, 0.0);
    for _ in 0..LINES {
        let (line, low, high) = one(chance);
        let share = content(&line, low, high);
        held += usize::from(share >= CONTENT);
        width += 0.5 * (high - low) / LINES as f64;
        told += share / LINES as f64;
        // The same share counted, unit by unit.
        for _ in 0..50 {
            let y = line.off + line.sigma * chance.normal() + line.repeats * chance.normal();
            inside += usize::from(low <= y && y <= high);
            all += 1;
        }
    }
    let counted = f64::from(u32::try_from(inside).unwrap()) / f64::from(all);
    // 20,000 units: a share of 0.97 scatters by 0.0012, and a little more where units of one line go together.
    assert!((counted - told).abs() < 0.006, "{counted} {told}");
    (held as f64 / LINES as f64, width)
}

/// Half-width about 0 that holds the share of a line that lies off by `off`.
fn ideal(off: f64, sigma: f64, repeats: f64) -> f64 {
    let line = Line {
        sigma,
        repeats,
        off,
    };
    let (mut low, mut high) = (0.0, off + 10.0 * (sigma + repeats));
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if content(&line, -middle, middle) < CONTENT {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// DERIVED: the simulation's error is one number for the line and rectangular, the level one number and normal. The limits
/// hold in 90 % of the lines, and are no wider than a tenth of the confidence, given to the drawing, makes them.
#[test]
fn limits_from_the_model_hold_for_lines_that_lie_off() {
    let mut chance = Chance(0x1234_5678_9abc_def1);
    let h = half(&mut chance);
    let level = DB * CALIBRATOR;
    let off = |chance: &mut Chance| h * (2.0 * chance.uniform() - 1.0) + level * chance.normal();
    let mut sorted: Vec<f64> = (0..40_000).map(|_| off(&mut chance).abs()).collect();
    sorted.sort_by(f64::total_cmp);
    let reach = sorted[36_000];
    for (sigma, repeats) in [(0.05, 0.02), (0.2, 0.05), (0.8, 0.1)] {
        let standard = level.hypot(repeats);
        let (held, width) = holding(&mut chance, |chance| {
            let line = Line {
                sigma,
                repeats,
                off: off(chance),
            };
            let (low, high, _) = limits(Method::Model, &line, 1, standard, chance);
            (line, low, high)
        });
        // Three standard errors of counting so many lines.
        let error = 3.0 * (CONFIDENCE * (1.0 - CONFIDENCE) / LINES as f64).sqrt();
        assert!(held > CONFIDENCE - error, "{sigma} {repeats}: {held}");
        // 91 instead of 90 % of the lines is 1 % of the rectangle; 99 % for the drawing 2.3 times the 2.1 % of σ that a
        // 5 % quantile of 10,000 values scatters by, of a half-width of 2 σ at most.
        let known = ideal(reach, sigma, repeats);
        assert!(
            width > known && width < 1.04 * known,
            "{sigma} {repeats}: ± {width} dB, ± {known} dB if all were known"
        );
        // Taken as scatter, the same errors would make wider limits for units that scatter little.
        let scatter = 1.959_964 * (sigma * sigma + h * h / 3.0 + standard * standard).sqrt();
        assert!(sigma > 0.1 || width < scatter, "{width} {scatter}");
    }
}

/// DERIVED: with accepted units it does not matter by how much the simulation is off, not even by 3 dB; where their mean
/// is that of n units and the scatter is known, the limits hold in 90 % of the lines, no more and no less.
#[test]
fn accepted_units_take_the_common_error_out() {
    let mut chance = Chance(0x0dd_ba11_5eed_0007);
    let error = 3.0 * (CONFIDENCE * (1.0 - CONFIDENCE) / LINES as f64).sqrt();
    let mut widths = Vec::new();
    for (method, count) in [
        (Method::Both, 1),
        (Method::Both, 4),
        (Method::Both, 20),
        (Method::Units, 4),
        (Method::Units, 20),
    ] {
        let (held, width) = holding(&mut chance, |chance| {
            let line = Line {
                sigma: 0.2,
                repeats: 0.1,
                off: 6.0 * chance.uniform() - 3.0,
            };
            let (low, high, _) = limits(method, &line, count, 0.1, chance);
            (line, low, high)
        });
        assert!(
            (held - CONFIDENCE).abs() < error,
            "{method:?} of {count}: {held}, ± {width} dB"
        );
        widths.push(width);
    }
    // Four units alone hardly know their scatter.
    assert!(
        widths[3] > 1.5 * widths[1] && widths[0] > widths[1] && widths[1] > widths[2],
        "{widths:?}"
    );
}

/// A level that is stated with the units' uncertainty, and is the same in the tests to come, makes `both` wider than it need
/// be and never too narrow.
#[test]
fn a_level_that_stays_makes_both_wider_never_narrower() {
    let mut chance = Chance(0xfeed_0000_cafe_0001);
    let level = DB * CALIBRATOR;
    let (held, _) = holding(&mut chance, |chance| {
        let off = 2.0 * chance.uniform() - 1.0 + level * chance.normal();
        let line = Line {
            sigma: 0.2,
            repeats: 0.05,
            off,
        };
        let (low, high, _) = limits(Method::Both, &line, 4, level.hypot(0.05), chance);
        (line, low, high)
    });
    assert!(held > CONFIDENCE, "{held}");
}
