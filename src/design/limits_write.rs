//! Writes a `limits.toml`, and signs one.

use super::limits::{BandLimit, FORMAT, Limits, METHODS, RULES};
use super::limits_read::body;
use std::fmt::Write;

/// The text of a limits file, without a signature.
#[must_use]
pub fn text(limits: &Limits) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = write_all(&mut out, limits);
    out
}

/// The text with a signature of its content as it stands; an older one is replaced.
///
/// `by` is a code without quotes and control characters; `date` such as `2026-03-14`.
#[must_use]
pub fn signed(text: &str, by: &str, date: &str) -> String {
    let body = body(text);
    let digest = blake3::hash(body.as_bytes()).to_hex();
    format!(
        "{body}\n\n[signed]\nby = {}\ndate = {date}\ndigest = \"{digest}\"\n",
        quote(by)
    )
}

/// A text as TOML writes it.
fn quote(text: &str) -> String {
    toml::Value::String(text.to_string()).to_string()
}

/// A number as the file holds it.
#[must_use]
pub fn as_written(value: f64) -> f64 {
    digits(value).parse().unwrap_or(value)
}

/// Six significant digits: more than any limit means.
fn digits(value: f64) -> String {
    let rounded: f64 = format!("{value:.5e}").parse().unwrap_or(value);
    let text = if rounded == 0.0 || (1e-4..1e7).contains(&rounded.abs()) {
        format!("{rounded}")
    } else {
        format!("{rounded:e}")
    };
    if text.contains(['.', 'e']) {
        text
    } else {
        format!("{text}.0")
    }
}

fn word<T: PartialEq>(words: &[(&'static str, T)], wanted: &T) -> &'static str {
    words
        .iter()
        .find(|(_, meaning)| meaning == wanted)
        .map_or("", |(word, _)| word)
}

fn write_all(out: &mut String, l: &Limits) -> std::fmt::Result {
    writeln!(out, "format = \"{FORMAT}\"")?;
    writeln!(out, "name = {}", quote(&l.name))?;
    writeln!(
        out,
        "# A band's value: mean over the one-third octave of 20 lg |measured/simulated|, dB,\n# simulated with the values of the design file."
    )?;
    writeln!(out, "compared = \"designed\"")?;
    if let Some(pattern) = &l.serial_pattern {
        writeln!(out, "serial_pattern = {}", quote(pattern))?;
    }
    writeln!(
        out,
        "\n[design]\nname = {}\ndigest = {}",
        quote(&l.design_name),
        quote(&l.design_digest)
    )?;
    write_origin(out, l)?;
    writeln!(
        out,
        "\n# conformity: passes what is proven inside, fails what is proven outside, else cannot tell.\n# non-conformity: fails only what is proven outside. simple: the value alone decides.\n# The guard band is guard_factor times the standard uncertainty."
    )?;
    writeln!(
        out,
        "[decision]\nrule = \"{}\"\nguard_factor = {}",
        word(&RULES, &l.decision.rule),
        digits(l.decision.guard_factor)
    )?;
    write_conditions(out, l)?;
    for b in &l.bands {
        write_band(out, b)?;
    }
    for p in &l.parameters {
        writeln!(out, "\n[[parameter]]\npath = {}", quote(&p.path))?;
        writeln!(out, "unit = {}", quote(&p.unit))?;
        optional(out, "low", p.low)?;
        optional(out, "high", p.high)?;
    }
    for r in &l.residue {
        writeln!(
            out,
            "\n[[residue]]\nobservation = {}",
            quote(&r.observation)
        )?;
        optional(out, "center_hz", r.center_hz)?;
        writeln!(out, "high_db = {}", digits(r.high_db))?;
    }
    for p in &l.polarity {
        writeln!(
            out,
            "\n[[polarity]]\nobservation = {}\nsign = {}",
            quote(&p.observation),
            p.sign
        )?;
    }
    Ok(())
}

fn optional(out: &mut String, key: &str, value: Option<f64>) -> std::fmt::Result {
    match value {
        Some(value) => writeln!(out, "{key} = {}", digits(value)),
        None => Ok(()),
    }
}

/// A sentence as comment lines of at most 78 characters.
fn comment(text: &str) -> String {
    let mut lines = vec!["#".to_string()];
    for word in text.split(' ') {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= 78 => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(format!("# {word}")),
        }
    }
    format!("{}.\n", lines.join("\n"))
}

fn write_origin(out: &mut String, l: &Limits) -> std::fmt::Result {
    let o = &l.origin;
    writeln!(
        out,
        "\n{}[origin]\nmethod = \"{}\"",
        comment(o.method.rests_on()),
        word(&METHODS, &o.method)
    )?;
    if let Some(made) = &o.made {
        writeln!(out, "made = {made}")?;
    }
    if let Some(software) = &o.software {
        writeln!(out, "software = {}", quote(software))?;
    }
    optional(out, "content", o.content)?;
    optional(out, "confidence", o.confidence)?;
    if let Some(drawn) = o.drawn {
        writeln!(out, "drawn = {drawn}")?;
    }
    if let Some(seed) = o.seed {
        writeln!(out, "seed = {seed}")?;
    }
    for (serial, digest) in &o.units {
        writeln!(
            out,
            "[[origin.unit]]\nserial = {}\ndigest = {}",
            quote(serial),
            quote(digest)
        )?;
    }
    Ok(())
}

fn write_conditions(out: &mut String, l: &Limits) -> std::fmt::Result {
    let e = &l.environment;
    let ranges = [
        ("temperature_c", e.temperature_c),
        ("pressure_kpa", e.pressure_kpa),
        ("humidity_pct", e.humidity_pct),
    ];
    if ranges.iter().any(|(_, range)| range.is_some()) {
        writeln!(out, "\n[environment]")?;
        for (key, range) in ranges {
            if let Some([low, high]) = range {
                writeln!(out, "{key} = [{}, {}]", digits(low), digits(high))?;
            }
        }
    }
    let s = &l.station;
    if s.check_within_h.is_some() || s.calibrated_within_days.is_some() {
        writeln!(out, "\n[station]")?;
        optional(out, "check_within_h", s.check_within_h)?;
        optional(out, "calibrated_within_days", s.calibrated_within_days)?;
    }
    Ok(())
}

fn write_band(out: &mut String, b: &BandLimit) -> std::fmt::Result {
    writeln!(
        out,
        "\n[[band]]\nobservation = {}\ncenter_hz = {}\nlow_db = {}\nhigh_db = {}",
        quote(&b.observation),
        digits(b.center_hz),
        digits(b.low_db),
        digits(b.high_db)
    )?;
    // The spec's own number: rounded, it would count other units as good than `verify` and `predict` do.
    if let Some(tolerance) = b.tolerance_db {
        writeln!(out, "tolerance_db = {tolerance:?}")?;
    }
    optional(out, "mean_db", b.mean_db)?;
    optional(out, "sd_db", b.sd_db)?;
    optional(out, "measurement_sd_db", b.measurement_sd_db)?;
    optional(out, "simulation_sd_db", b.simulation_sd_db)?;
    optional(out, "offset_db", b.offset_db)
}

#[cfg(test)]
#[path = "limits_tests.rs"]
mod tests;
