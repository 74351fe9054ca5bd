//! Verdicts, parameters and the reason of a verdict in words; shared by the page and the terminal.

use super::number;
use crate::verify::bands::judge;
use crate::verify::result::{Band, Result as Outcome, Verdict};

/// One word for a band.
#[must_use]
pub fn short(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Within => "within",
        Verdict::Outside => "outside",
        Verdict::Unresolved => "unresolved",
    }
}

/// The whole verdict.
#[must_use]
pub fn long(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Within => "Within tolerance",
        Verdict::Outside => "Outside tolerance",
        Verdict::Unresolved => "Cannot be decided",
    }
}

/// A sign of its own shape.
#[must_use]
pub fn sign(verdict: Verdict) -> char {
    match verdict {
        Verdict::Within => '●',
        Verdict::Outside => '▲',
        Verdict::Unresolved => '◇',
    }
}

/// Sign and word of a band: one that nobody judges has its own.
#[must_use]
pub fn mark(band: &Band) -> (char, &'static str) {
    if band.disturbed {
        NOT_JUDGED
    } else {
        (sign(band.verdict), short(band.verdict))
    }
}

/// See [`mark`].
pub const NOT_JUDGED: (char, &str) = ('×', "not judged");

/// A parameter path in words: `leak.seam.resistance` is «leak seam: resistance».
#[must_use]
pub fn path(path: &str) -> String {
    let parts: Vec<&str> = path.trim_start_matches("each ").split('.').collect();
    match parts.as_slice() {
        ["driver", key] => format!("driver: {}", driver_key(key)),
        ["air", key] => format!("air: {key}"),
        [kind, "*", key] => format!("all {kind}s: {}", element_key(key)),
        [kind, name, key] => format!("{kind} {name}: {}", element_key(key)),
        _ => path.to_owned(),
    }
}

fn driver_key(key: &str) -> &str {
    match key {
        "re" => "voice-coil resistance",
        "bl" => "force factor",
        "mmd" => "moving mass",
        "mms" => "moving mass with air load",
        "cms" => "suspension compliance",
        "rms" => "mechanical resistance",
        "sd" => "cone area",
        "le" | "l2" => "voice-coil inductance",
        "r2" => "eddy-current resistance",
        "creep" => "suspension creep",
        "fs" => "resonance frequency",
        "qms" => "mechanical Q",
        "qes" => "electrical Q",
        "vas" => "equivalent volume",
        other => other,
    }
}

fn element_key(key: &str) -> String {
    match key {
        "loss" => "wall loss factor".to_owned(),
        "area_from" => "area at its start".to_owned(),
        "area_to" => "area at its end".to_owned(),
        other => other.replace('_', " "),
    }
}

fn place(band: &Band) -> String {
    format!(
        "{} at {}\u{202f}Hz",
        band.observation,
        number::band(band.center_hz)
    )
}

fn above(difference_db: f64) -> &'static str {
    if difference_db < 0.0 {
        "below"
    } else {
        "above"
    }
}

/// «measured 2.4 dB above the simulation (±0.5 dB)».
fn offset(band: &Band, difference_db: f64) -> String {
    let digits = if band.expanded_uncertainty_db < 0.095 {
        2
    } else {
        1
    };
    format!(
        "measured {}\u{202f}dB {} the simulation (±{}\u{202f}dB)",
        number::fixed(difference_db.abs(), digits),
        above(difference_db),
        number::fixed(band.expanded_uncertainty_db, digits)
    )
}

/// Parameters that were measured apart from the design, by 5 % or more, and are no findings because their tolerance allows it.
#[must_use]
pub fn apart(result: &Outcome) -> Vec<String> {
    result
        .parameters
        .iter()
        .filter(|p| {
            let ratio = p.fitted / p.designed;
            let outside = p.low95 > p.designed || p.high95 < p.designed;
            p.identifiable
                && outside
                && ratio > 0.0
                && (ratio - 1.0).abs() >= 0.05
                && !result.findings.iter().any(|f| f.path == p.path)
        })
        .map(|p| {
            let percent = |v: f64| 100.0 * (v / p.designed - 1.0).abs();
            let side = if p.fitted < p.designed {
                "below"
            } else {
                "above"
            };
            let mut ends = [percent(p.low95), percent(p.high95)];
            ends.sort_by(f64::total_cmp);
            format!(
                "{} {:.0} % {side} the design (95 % {:.0} to {:.0} %)",
                path(&p.path),
                percent(p.fitted),
                ends[0],
                ends[1]
            )
        })
        .collect()
}

/// Why the verdict is what it is: the band that decides and its margin, in one or two sentences.
#[must_use]
pub fn reason(result: &Outcome) -> String {
    let count = |verdict| result.bands.iter().filter(|b| b.verdict == verdict).count();
    let all = result.bands.len();
    if all == 0 {
        return "No one-third octave could be judged: no capture has a usable band.".to_owned();
    }
    // Distance of the nearest end to the limit for «outside», of the far end for the others.
    let excess = |band: &Band| {
        let size = band.difference_db(result.judged).abs();
        let sign = if result.verdict == Verdict::Outside {
            -1.0
        } else {
            1.0
        };
        size + sign * band.expanded_uncertainty_db - band.tolerance_db
    };
    let disturbed = result.bands.iter().filter(|b| b.disturbed).count();
    if disturbed > 0 && result.verdict == Verdict::Unresolved {
        let first = format!(
            "{disturbed} of {all} bands are not judged, because what was captured there is in doubt: put right what findings and \
             warnings name, and repeat these captures."
        );
        if disturbed == all {
            return first;
        }
        return format!(
            "{first} Of the others {} are within, {} outside and {} unresolved.",
            count(Verdict::Within),
            count(Verdict::Outside),
            count(Verdict::Unresolved) - disturbed
        );
    }
    // Whatever the number says there, noise or the end of the sweep lets nobody judge it.
    let unmeasured = |b: &Band| {
        b.verdict == Verdict::Unresolved
            && (!b.difference_db(result.judged).is_finite()
                || judge(
                    b.difference_db(result.judged),
                    b.expanded_uncertainty_db,
                    b.tolerance_db,
                ) != Verdict::Unresolved)
    };
    let silent = result.bands.iter().filter(|b| unmeasured(b)).count();
    let worst = result
        .bands
        .iter()
        .filter(|b| !unmeasured(b))
        .filter(|b| b.verdict == result.verdict && b.difference_db(result.judged).is_finite())
        .max_by(|a, b| excess(a).total_cmp(&excess(b)));
    let unresolved = count(Verdict::Unresolved);
    let bands = |n: usize| {
        if n == 1 {
            "band".to_owned()
        } else {
            "bands".to_owned()
        }
    };
    let Some(worst) = worst else {
        if silent > 0 {
            return format!(
                "No band is certainly outside, but {silent} of {all} {} could not be judged: too near the noise, or outside what was \
                 measured. The others are within.",
                bands(all)
            );
        }
        return format!(
            "Of {all} one-third-octave bands {} are within, {} outside and {unresolved} unresolved.",
            count(Verdict::Within),
            count(Verdict::Outside)
        );
    };
    let difference_db = worst.difference_db(result.judged);
    let margin_db = excess(worst);
    let allowed = if worst.tolerance_db.is_finite() {
        format!(
            "; allowed is ±{}\u{202f}dB",
            number::fixed(worst.tolerance_db, 1)
        )
    } else {
        String::new()
    };
    let shown = |text: String| {
        if margin_db.is_finite() {
            text
        } else {
            String::new()
        }
    };
    let margin = number::fixed(margin_db.abs(), 1);
    let what = format!(
        "{}, {}{allowed}",
        place(worst),
        offset(worst, difference_db)
    );
    match result.verdict {
        Verdict::Outside => {
            let n = count(Verdict::Outside);
            let rest = if unresolved > 0 {
                format!(", {unresolved} unresolved")
            } else {
                String::new()
            };
            format!(
                "{n} of {all} {} outside the tolerance{rest}. The worst: {what}{}.",
                if n == 1 { "bands is" } else { "bands are" },
                shown(format!(
                    ", exceeded by at least {margin}\u{202f}dB whatever the uncertainty"
                ))
            )
        }
        Verdict::Within => format!(
            "All {all} {} inside the tolerance, uncertainty included. Closest to its limit: {what}{}.",
            if all == 1 { "band is" } else { "bands are" },
            shown(format!(", {margin}\u{202f}dB to spare"))
        ),
        Verdict::Unresolved => {
            let rest = if silent > 0 {
                format!(
                    "; {silent} more {} too near the noise, or outside what was measured",
                    if silent == 1 { "is" } else { "are" }
                )
            } else {
                String::new()
            };
            format!(
                "No band is certainly outside, but in {} of {all} {} the uncertainty reaches across the \
                 limit{rest}. The widest: {what}. A measurement with less uncertainty can decide it.",
                unresolved - silent,
                bands(all)
            )
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_in_words() {
        assert_eq!(path("leak.seam.resistance"), "leak seam: resistance");
        assert_eq!(path("duct.*.loss"), "all ducts: wall loss factor");
        assert_eq!(path("driver.cms"), "driver: suspension compliance");
        assert_eq!(path("odd"), "odd");
    }

    /// What nobody measured is not said to be uncertain.
    #[test]
    fn the_reason_tells_the_unmeasured_from_the_uncertain() {
        let mut result = crate::report::example::result();
        result.bands.retain(|b| b.observation == "mouth-near");
        result.bands.truncate(3);
        result.verdict = Verdict::Unresolved;
        for band in &mut result.bands {
            band.verdict = Verdict::Within;
            band.designed_difference_db = 0.1;
            band.expanded_uncertainty_db = 0.5;
            band.tolerance_db = 1.5;
        }
        result.bands[0].verdict = Verdict::Unresolved;
        result.bands[0].designed_difference_db = f64::NAN;
        let said = reason(&result);
        assert!(said.contains("1 of 3 bands could not be judged"), "{said}");
        result.bands[1].verdict = Verdict::Unresolved;
        result.bands[1].designed_difference_db = 1.4;
        let said = reason(&result);
        assert!(said.contains("in 1 of 3 bands the uncertainty"), "{said}");
        assert!(said.contains("1 more is too near the noise"), "{said}");
    }

    /// DERIVED: 2.4 measured, less 0.5 uncertainty, less 1.5 allowed, is 0.4 dB beyond.
    #[test]
    fn the_reason_names_the_worst_band() {
        let mut result = crate::report::example::result();
        result.bands.retain(|b| b.observation == "mouth-near");
        for band in &mut result.bands {
            band.verdict = Verdict::Within;
        }
        let band = &mut result.bands[3];
        band.center_hz = 1000.0 * 10f64.powf(-1.5);
        band.designed_difference_db = 2.4;
        band.expanded_uncertainty_db = 0.5;
        band.tolerance_db = 1.5;
        band.verdict = Verdict::Outside;
        result.verdict = Verdict::Outside;
        let text = reason(&result).replace('\u{202f}', " ");
        assert!(
            text.contains("mouth-near at 31.5 Hz, measured 2.4 dB above"),
            "{text}"
        );
        assert!(text.contains("at least 0.4 dB"), "{text}");
        result.bands.clear();
        assert!(reason(&result).contains("no capture has a usable band"));
    }
}
