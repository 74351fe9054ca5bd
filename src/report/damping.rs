//! The calibration of damping resistors and the measurement of a coupon: pictures, and the summary in the terminal.

use super::number::{self, significant};
use super::plot::{Chart, CurveLine, CurveStyle, RangeBand, Scale, Shaded};
use super::text::{plain, wrapped};
use crate::damping::coupon::{CouponResult, Value};
use crate::damping::in_place::Reach;
use crate::damping::{Curves, Damping, Resistor, Verdict};
use std::path::Path;

/// The pictures, with the stem of their file names: all chosen resistors together, then each alone.
#[must_use]
pub fn charts(damping: &Damping) -> Vec<(String, Chart)> {
    damping
        .curves
        .iter()
        .enumerate()
        .map(|(n, curves)| {
            let stem = if n == 0 {
                "damping".to_string()
            } else {
                format!("damping-{}", file_stem(&curves.resistors.join("-")))
            };
            (stem, chart(damping, curves))
        })
        .collect()
}

/// A name of the design as part of a file name.
fn file_stem(name: &str) -> String {
    name.chars()
        .map(|c| {
            if c.is_alphanumeric() || c == '-' || c == '_' {
                c
            } else {
                '_'
            }
        })
        .take(60)
        .collect()
}

fn chart(damping: &Damping, curves: &Curves) -> Chart {
    let f = &curves.frequency_hz;
    let range = [
        f.first().copied().unwrap_or(1.0),
        f.last().copied().unwrap_or(2.0),
    ];
    let names = curves.resistors.join(", ");
    let mut chart = Chart::over_frequency(
        &format!(
            "Level and ripple for other resistances of {names}: {}",
            damping.place
        ),
        "level in dB re 20 µPa",
        Scale::Linear,
        range,
    );
    let mut others = 0;
    for line in &curves.lines {
        let style = match line.factor {
            None => CurveStyle::Aligned,
            Some(1.0) => CurveStyle::Measured,
            Some(_) => {
                others += 1;
                // The second colour is the one of the target.
                CurveStyle::Numbered([0, 2, 3, 4][(others - 1) % 4])
            }
        };
        let label = match line.factor {
            None => format!("target, ripple {} dB", number::fixed(line.ripple_db, 2)),
            Some(1.0) => format!("as it is, {} dB", number::fixed(line.ripple_db, 2)),
            Some(factor) => format!("× {factor}, {} dB", number::fixed(line.ripple_db, 2)),
        };
        chart.curves.push(CurveLine {
            label,
            x: f.clone(),
            y: line.level_db.clone(),
            style,
        });
    }
    for (from, to) in [
        (range[0], damping.band_hz[0]),
        (damping.band_hz[1], range[1]),
    ] {
        if to > from {
            chart.shaded.push(Shaded {
                from,
                to,
                label: "outside the target band".into(),
            });
        }
    }
    chart
}

/// A value with its 95 % interval; an open end in words.
#[must_use]
pub fn reach(reach: &Reach) -> String {
    let n = |v: f64| significant(v, 3);
    match (reach.low95, reach.high95) {
        (Some(low), Some(high)) => format!("{} ({} to {})", n(reach.value), n(low), n(high)),
        (None, Some(high)) => format!("at most {}", n(high)),
        (Some(low), None) => format!("at least {}", n(low)),
        (None, None) => "cannot tell".into(),
    }
}

/// The resistance of a resistor in place with its unit: specific where there is an area.
#[must_use]
pub fn resistance(r: &Resistor) -> (String, &'static str) {
    match &r.in_place.specific_pa_s_per_m {
        Some(specific) => (reach(specific), "Pa·s/m"),
        None => (reach(&r.in_place.resistance_pa_s_per_m3), "Pa·s/m³"),
    }
}

/// Designed and wanted resistance in the same unit as [`resistance`].
#[must_use]
pub fn designed_and_wanted(r: &Resistor) -> (f64, Option<f64>) {
    match r.in_place.designed_pa_s_per_m {
        Some(designed) => (designed, r.target_pa_s_per_m),
        None => (r.in_place.designed_pa_s_per_m3, r.target_pa_s_per_m3),
    }
}

/// One word for a verdict.
#[must_use]
pub fn verdict(v: Verdict) -> &'static str {
    match v {
        Verdict::Keep => "keep",
        Verdict::Change => "change",
        Verdict::CannotTell => "cannot tell",
    }
}

/// The least ripple in a sentence; `None` where it was not looked for.
#[must_use]
pub fn ripple_words(damping: &Damping) -> Option<String> {
    let o = damping.least_ripple.as_ref()?;
    let one = |r: crate::damping::ripple::Ripple| match r.sd_db {
        Some(sd) => format!(
            "{} ± {} dB",
            number::fixed(r.db, 2),
            number::fixed(1.96 * sd, 2)
        ),
        None => format!("{} dB", number::fixed(r.db, 2)),
    };
    let mut text = format!(
        "Ripple (rms off a straight line) from {} to {} Hz: now {}, with the design's resistances {}, at best {}.",
        number::hz(o.band_hz[0]),
        number::hz(o.band_hz[1]),
        one(o.now),
        one(o.design),
        one(o.optimum)
    );
    for best in &o.best {
        let Some(r) = damping
            .resistors
            .iter()
            .find(|r| r.target_pa_s_per_m3 == Some(best.resistance_pa_s_per_m3))
        else {
            continue;
        };
        let factor = r.in_place.area_m2.unwrap_or(1.0);
        let n = |v: f64| significant(v * factor, 3);
        let unit = if r.in_place.area_m2.is_some() {
            "Pa·s/m"
        } else {
            "Pa·s/m³"
        };
        let interval = best
            .interval95_pa_s_per_m3
            .map_or(String::new(), |[low, high]| {
                format!(" ({} to {}, 95 %)", n(low), n(high))
            });
        text.push_str(&format!(
            " {}: {}{interval} {unit}; {} to {} do as well within 0.1 dB.",
            r.in_place.name,
            n(best.resistance_pa_s_per_m3),
            n(best.as_good_pa_s_per_m3[0]),
            n(best.as_good_pa_s_per_m3[1])
        ));
    }
    Some(text)
}

/// The summary in the terminal, 80 columns.
#[must_use]
pub fn summary(damping: &Damping, page: Option<&Path>) -> String {
    let mut out = String::new();
    wrapped(
        &mut out,
        &format!(
            "Damping resistors of unit {}, design «{}»",
            plain(&damping.unit),
            plain(&damping.design)
        ),
        0,
    );
    wrapped(&mut out, &format!("target: {}", damping.target), 2);
    if let Some(text) = ripple_words(damping) {
        wrapped(&mut out, &text, 2);
    }
    for r in &damping.resistors {
        let (value, unit) = resistance(r);
        let (designed, wanted) = designed_and_wanted(r);
        out.push('\n');
        let word = r.verdict.map_or("as it is", verdict);
        wrapped(&mut out, &format!("{}: {word}", plain(&r.in_place.name)), 0);
        wrapped(&mut out, &format!("in place: {value} {unit}, 95 %"), 2);
        let mut line = format!("designed: {} {unit}", significant(designed, 3));
        if let Some(wanted) = wanted {
            line.push_str(&format!(", wanted {}", significant(wanted, 3)));
        }
        wrapped(&mut out, &line, 2);
        if r.in_place.area_m2.is_some() {
            wrapped(
                &mut out,
                &format!(
                    "acoustic: {} Pa·s/m³",
                    reach(&r.in_place.resistance_pa_s_per_m3)
                ),
                2,
            );
        }
        wrapped(&mut out, &format!("level: {}", r.linearity), 2);
        wrapped(&mut out, &format!("to do: {}", plain(&r.advice)), 2);
        for (n, recipe) in r.recipes.iter().enumerate() {
            wrapped(&mut out, &format!("{}. {}", n + 1, plain(&recipe.text)), 5);
        }
    }
    if !damping.warnings.is_empty() {
        out.push_str("\nWarnings\n");
        for warning in &damping.warnings {
            wrapped(&mut out, &format!("! {}", plain(warning)), 2);
        }
    }
    if let Some(page) = page {
        out.push_str(&format!("\nReport: {}\n", page.display()));
    }
    out.trim_end().to_string()
}

fn value(v: &Value) -> String {
    let row = number::row("", f64::NAN, v.value, v.low95, v.high95);
    let text = format!("{} ({} to {}, 95 %)", row.fitted, row.low, row.high);
    if row.unit.is_empty() {
        text
    } else {
        format!("{text} {}", row.unit)
    }
}

/// What a coupon shows, 80 columns.
#[must_use]
pub fn coupon(result: &CouponResult) -> String {
    let mut out = String::new();
    let layers = if result.layers == 1 {
        "1 layer".to_string()
    } else {
        format!("{} layers", result.layers)
    };
    wrapped(
        &mut out,
        &format!("{}, {layers} in the tube", plain(&result.name)),
        0,
    );
    match (&result.specific_pa_s_per_m, result.told) {
        (Some(v), true) => wrapped(
            &mut out,
            &format!("specific resistance of one layer: {} Pa·s/m", value(v)),
            2,
        ),
        (Some(v), false) => wrapped(
            &mut out,
            &format!(
                "specific resistance: cannot tell (best value {} Pa·s/m)",
                value(v)
            ),
            2,
        ),
        (None, _) => wrapped(&mut out, "specific resistance: cannot tell", 2),
    }
    if let Some(why) = &result.why_not {
        wrapped(&mut out, &plain(why), 2);
    }
    if let Some(m) = &result.areal_mass_kg_per_m2 {
        let text = if m.low95 > 0.0 || m.high95 < 0.0 {
            value(m)
        } else {
            format!(
                "not told from nothing, at most {}",
                significant(m.high95, 2)
            )
        };
        wrapped(
            &mut out,
            &format!("mass per area from the reactance: {text} kg/m²"),
            2,
        );
    }
    if let Some([low, high]) = result.used_hz {
        wrapped(
            &mut out,
            &format!("used {} to {} Hz", number::hz(low), number::hz(high)),
            2,
        );
    }
    if result.grows_with_frequency {
        wrapped(
            &mut out,
            "the resistance grows with frequency; the value is that towards low frequency",
            2,
        );
    }
    let p = &result.parts;
    if result.specific_pa_s_per_m.is_some() {
        let n = |v: f64| significant(v, 2);
        wrapped(
            &mut out,
            &format!(
                "standard deviations, all layers, Pa·s/m: noise {}, distances {}, temperature {}, microphones {}, scatter over frequency {}",
                n(p.noise),
                n(p.distances),
                n(p.temperature),
                n(p.calibration),
                n(p.scatter)
            ),
            2,
        );
    }
    for warning in &result.warnings {
        wrapped(&mut out, &format!("! {}", plain(warning)), 2);
    }
    out.trim_end().to_string()
}

/// Resistance and reactance of all layers over frequency.
#[must_use]
pub fn coupon_chart(result: &CouponResult) -> Option<Chart> {
    let f: Vec<f64> = result.points.iter().map(|p| p.frequency_hz).collect();
    let range = [*f.first()?, *f.last()?];
    let mut chart = Chart::over_frequency(
        &format!("Specific impedance of {}", result.name),
        "specific impedance in Pa·s/m",
        Scale::Linear,
        range,
    );
    let list = |pick: &dyn Fn(&crate::damping::coupon::Point) -> f64| -> Vec<f64> {
        result.points.iter().map(pick).collect()
    };
    let line = |label: &str, y: Vec<f64>, style| CurveLine {
        label: label.into(),
        x: f.clone(),
        y,
        style,
    };
    chart.bands.push(RangeBand {
        label: "95 % at each frequency".into(),
        x: f.clone(),
        low: list(&|p| p.resistance_pa_s_per_m - 1.96 * p.sd_pa_s_per_m),
        high: list(&|p| p.resistance_pa_s_per_m + 1.96 * p.sd_pa_s_per_m),
    });
    chart.curves.push(line(
        "resistance",
        list(&|p| p.resistance_pa_s_per_m),
        CurveStyle::Measured,
    ));
    chart.curves.push(line(
        "reactance",
        list(&|p| p.reactance_pa_s_per_m),
        CurveStyle::Designed,
    ));
    if let Some(v) = &result.specific_pa_s_per_m {
        let all = v.value * f64::from(result.layers);
        chart
            .curves
            .push(line("value", vec![all; f.len()], CurveStyle::Aligned));
    }
    // Frequencies where a closed tube hides the sample reach far: the scale follows the result.
    let typical = result
        .specific_pa_s_per_m
        .map_or(1000.0, |v| v.value.abs() * f64::from(result.layers));
    let mut all: Vec<f64> = list(&|p| p.reactance_pa_s_per_m);
    all.extend(list(&|p| p.resistance_pa_s_per_m));
    let low = all.iter().copied().fold(0.0, f64::min).max(-2.0 * typical);
    let high = all
        .iter()
        .copied()
        .fold(0.0, f64::max)
        .clamp(1.2 * typical, 3.0 * typical);
    chart.y_range = Some([low, high]);
    Some(chart)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::damping::coupon::{Parts, Point};

    #[test]
    fn open_ends_are_said_in_words() {
        let of = |low95, high95| {
            reach(&Reach {
                value: 400.0,
                low95,
                high95,
            })
        };
        assert_eq!(of(Some(380.0), Some(420.0)), "400 (380 to 420)");
        assert_eq!(of(None, Some(420.0)), "at most 420");
        assert_eq!(of(Some(380.0), None), "at least 380");
        assert_eq!(of(None, None), "cannot tell");
    }

    #[test]
    fn names_stay_inside_the_folder() {
        assert_eq!(file_stem("../r 1/é"), "___r_1_é");
    }

    /// Nothing told is said so, in 80 columns, and there is no picture of nothing.
    #[test]
    fn a_coupon_that_tells_nothing() {
        let mut result = CouponResult {
            format: "bassay-coupon-result/1",
            name: "a\u{1b}[31m".into(),
            layers: 2,
            told: false,
            why_not: Some("the signal is too weak".into()),
            specific_pa_s_per_m: None,
            areal_mass_kg_per_m2: None,
            used_hz: None,
            allowed_hz: [172.0, 1548.0],
            grows_with_frequency: false,
            calibrated: false,
            parts: Parts::default(),
            points: Vec::new(),
            warnings: vec!["w ".repeat(100)],
            digest: String::new(),
        };
        let text = coupon(&result);
        assert!(
            text.contains("cannot tell") && text.contains("too weak") && !text.contains('\u{1b}')
        );
        assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
        assert!(coupon_chart(&result).is_none());
        result.points = [200.0, 400.0]
            .map(|frequency_hz| Point {
                frequency_hz,
                resistance_pa_s_per_m: f64::NAN,
                reactance_pa_s_per_m: 1e300,
                sd_pa_s_per_m: f64::INFINITY,
            })
            .to_vec();
        let chart = coupon_chart(&result).unwrap();
        assert!(!crate::report::plot::svg(&chart, 400, 300).contains("NaN"));
    }
}
