//! Checks a capture set against the design that it names.

use super::Design;
use super::captures::{CaptureKind, CaptureSet};
use super::captures_read::built_key;
use super::path::Parameter;
use super::problem::{Problems, number, quoted};
use super::rules::Index;
use super::toml_reader::{Source, text_of};
use toml::de::DeTable;

/// Checks the names in a capture set against the design: probes, and the parameters of `[built]`.
///
/// The lines in the messages come from the captures file, which is read again for them.
///
/// # Errors
/// [`Problems`] with the nearest probe or parameter.
pub fn check_against(set: &CaptureSet, design: &Design) -> Result<(), Problems> {
    let bytes = std::fs::read(&set.file).unwrap_or_default();
    let text = text_of(&bytes, &set.file).unwrap_or_default();
    let document = DeTable::parse(text).ok();
    let top = document.as_ref().map(toml::Spanned::get_ref);
    let source = Source::new(text, &set.file);
    let probes: Vec<&str> = design.probes.iter().map(|p| p.name.as_str()).collect();
    let kinds = set.captures.iter().enumerate().map(|(i, c)| match &c.kind {
        CaptureKind::Pressure { probe, .. } => ("capture", i, Some(probe)),
        CaptureKind::Impedance { .. } => ("capture", i, None),
    });
    let curves = set.curves.iter().enumerate();
    let curves = curves.map(|(i, c)| ("curve", i, c.probe.as_ref()));
    for (list, i, probe) in kinds.chain(curves) {
        let Some(probe) = probe.filter(|p| !probes.contains(&p.as_str())) else {
            continue;
        };
        let at = top
            .and_then(|t| t.get(list)?.get_ref().as_array()?.get(i))
            .and_then(|v| v.get_ref().as_table()?.get("probe"))
            .map_or(0, |v| v.span().start);
        source.report(
            at,
            format!("{list}[{}].probe", i + 1),
            format!(
                "the design has no probe {}; expected {}{}",
                quoted(probe),
                if probes.is_empty() {
                    "a design with [[probe]]".to_string()
                } else {
                    "one of its probes".to_string()
                },
                source.hint(probe, probes.iter().copied())
            ),
        );
    }
    for (i, c) in set.captures.iter().enumerate() {
        let Some(first) = set.captures[..i]
            .iter()
            .position(|other| other.path == c.path && other.kind == c.kind && other.take == c.take)
        else {
            continue;
        };
        let at = top
            .and_then(|t| t.get("capture")?.get_ref().as_array()?.get(i))
            .map_or(0, |v| v.span().start);
        source.report(
            at,
            format!("capture[{}]", i + 1),
            format!(
                "{} is the same capture as capture[{}]; expected each capture once, because two count as two measurements",
                quoted(&c.file),
                first + 1
            ),
        );
    }
    let index = Index::new(design);
    for built in &set.built {
        let at = top
            .and_then(|t| t.get("built")?.get_ref().as_table())
            .and_then(|t| t.get_key_value(built.path.as_str()))
            .map_or(0, |(key, _)| key.span().start);
        let text = match index.matching(&built.path).first() {
            None => Some(index.nothing(&source, &built.path)),
            Some(&parameter) => unsound(parameter, built.value),
        };
        if let Some(text) = text {
            source.report(at, built_key(&built.path), text);
        }
    }
    source.finish(Some(()))
}

/// What is wrong with a measured value of a parameter.
fn unsound(parameter: Parameter, value: f64) -> Option<String> {
    (!parameter.key.is_linear() && value <= 0.0).then(|| {
        format!(
            "found {}; expected more than 0 {}",
            number(value),
            parameter.key.unit(parameter.element)
        )
        .trim_end()
        .to_string()
    })
}
