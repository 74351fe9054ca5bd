//! Reads `[tolerance]` and `[align]`, whose entries are parameter paths, and compares them with the elements.

use super::path::{Key, Parameter, matches};
use super::problem::{number, quoted};
use super::quantity::{self, measured};
use super::toml_reader::{Source, Table, in_words, number_of};
use super::{Design, Spread, ToleranceRule};
use std::collections::BTreeMap;
use toml::Spanned;
use toml::de::DeValue;

/// Most patterns in one table; each is compared with every parameter.
const LARGEST_RULES: usize = 500;

/// Every parameter of a design under its path.
pub(super) struct Index {
    list: Vec<(String, Parameter)>,
    by_path: BTreeMap<String, Parameter>,
}

impl Index {
    /// Every parameter of a design.
    pub fn new(design: &Design) -> Self {
        let list: Vec<_> = design
            .parameters()
            .into_iter()
            .map(|p| (design.path_of(p), p))
            .collect();
        let by_path = list.iter().cloned().collect();
        Self { list, by_path }
    }

    /// The parameters that a pattern stands for, in file order.
    pub fn matching(&self, pattern: &str) -> Vec<Parameter> {
        if !pattern.contains('*') {
            return self.by_path.get(pattern).copied().into_iter().collect();
        }
        self.list
            .iter()
            .filter(|(path, _)| matches(pattern, path))
            .map(|&(_, p)| p)
            .collect()
    }

    /// ` (did you mean 'x'?)`: the nearest path, with `*` for the name where the pattern has it there.
    pub fn hint(&self, source: &Source<'_>, pattern: &str) -> String {
        if !pattern.contains('*') {
            return source.hint(pattern, self.list.iter().map(|(path, _)| path.as_str()));
        }
        let mut starred: Vec<String> = self
            .list
            .iter()
            .map(|(path, _)| {
                let parts: Vec<&str> = path.split('.').collect();
                match parts.as_slice() {
                    [kind, _, key] => format!("{kind}.*.{key}"),
                    _ => path.clone(),
                }
            })
            .collect();
        starred.sort_unstable();
        starred.dedup();
        source.hint(pattern, starred.iter().map(String::as_str))
    }

    /// The error of a pattern that matches nothing.
    pub fn nothing(&self, source: &Source<'_>, pattern: &str) -> String {
        format!(
            "no parameter is called {}; expected a path such as driver.cms or duct.NAME.length{}",
            quoted(pattern),
            self.hint(source, pattern)
        )
    }
}

/// An entry of `[tolerance]` with the place of its key.
type Entry<'s, 't> = (String, usize, &'s Spanned<DeValue<'t>>);

/// Paths written without quotes are nested tables to TOML.
fn flatten<'s, 't>(
    prefix: &str,
    entries: impl Iterator<Item = (&'s str, usize, &'s Spanned<DeValue<'t>>)>,
    depth: usize,
    into: &mut Vec<Entry<'s, 't>>,
) where
    't: 's,
{
    for (key, at, value) in entries {
        let path = if prefix.is_empty() {
            key.to_string()
        } else {
            format!("{prefix}.{key}")
        };
        match value.get_ref().as_table() {
            Some(table) if depth < 3 => {
                let inner = table
                    .iter()
                    .map(|(k, v)| (k.get_ref().as_ref(), k.span().start, v));
                let inner: Vec<_> = inner.collect();
                flatten(&path, inner.into_iter(), depth + 1, into);
            }
            _ => into.push((path, at, value)),
        }
    }
}

pub(super) fn tolerance(top: &Table<'_, '_>, design: &Design, index: &Index) -> Vec<ToleranceRule> {
    let Some(value) = top.raw("tolerance") else {
        return Vec::new();
    };
    let Some(table) = value.get_ref().as_table() else {
        top.wrong("tolerance", value.get_ref(), "a table [tolerance]");
        return Vec::new();
    };
    let mut entries = Vec::new();
    let outer: Vec<_> = table
        .iter()
        .map(|(k, v)| (k.get_ref().as_ref(), k.span().start, v))
        .collect();
    flatten("", outer.into_iter(), 0, &mut entries);
    entries.sort_by_key(|&(_, at, _)| at);
    if entries.len() > LARGEST_RULES {
        top.problem(
            "tolerance",
            format!(
                "found {} rules; expected at most {LARGEST_RULES}",
                entries.len()
            ),
        );
        return Vec::new();
    }
    let mut rules = Vec::new();
    for (pattern, at, value) in entries {
        let key = format!("tolerance.\"{pattern}\"");
        let found = index.matching(&pattern);
        if found.is_empty() {
            let text = index.nothing(top.source, &pattern);
            top.source.report(at, key, text);
            continue;
        }
        match spread(value.get_ref(), &found, design) {
            Ok(spread) => rules.push(ToleranceRule { pattern, spread }),
            Err(text) => top.source.report(value.span().start, key, text),
        }
    }
    rules
}

fn spread(value: &DeValue<'_>, found: &[Parameter], design: &Design) -> Result<Spread, String> {
    if let Some(text) = value.as_str() {
        return absolute(text, found);
    }
    let relative = match number_of(value) {
        Some(v) if (quantity::RELATIVE.low..=quantity::RELATIVE.high).contains(&v) => v,
        _ => {
            return Err(format!(
                "found {}; expected a relative spread, {}, or an absolute one as text, such as \"2 mm\"",
                in_words(value),
                quantity::RELATIVE.text()
            ));
        }
    };
    // A relative spread of zero is zero: it would be silently without effect.
    if found.iter().all(|&p| design.value(p) == 0.0) {
        let unit = found.first().map_or("", |p| p.key.unit(p.element));
        return Err(format!(
            "found a relative spread of a value that is 0; expected an absolute one, such as \"0.1{}{unit}\"",
            if unit.is_empty() { "" } else { " " }
        ));
    }
    Ok(Spread::Relative(relative))
}

fn absolute(text: &str, found: &[Parameter]) -> Result<Spread, String> {
    let spread = measured(text)
        .map_err(|expected| format!("found the text {}; expected {expected}", quoted(text)))?;
    if spread.value <= 0.0 {
        return Err(format!(
            "found the text {}; expected a spread of more than 0",
            quoted(text)
        ));
    }
    if spread.unit == "dB" {
        return if found.iter().all(|p| p.key == Key::Gain) {
            Ok(Spread::Relative(spread.value))
        } else {
            Err("found a spread in dB; expected it only for probe.NAME.gain".into())
        };
    }
    for parameter in found {
        let unit = parameter.key.unit(parameter.element);
        if unit != spread.unit {
            let wanted = if unit.is_empty() {
                "a plain number".to_string()
            } else {
                format!("a unit of {unit}")
            };
            return Err(format!(
                "found the text {}; expected {wanted} for {}",
                quoted(text),
                parameter.key.name()
            ));
        }
    }
    Ok(Spread::Absolute(spread.value))
}

pub(super) fn free(top: &Table<'_, '_>, design: &Design, index: &Index) -> Vec<String> {
    let Some(align) = top.sub("align", &["free"]) else {
        return Vec::new();
    };
    if !align.has("free") {
        align.missing(
            "free",
            "a list of parameter paths, such as [\"driver.cms\"]",
        );
        return Vec::new();
    }
    let value = align.raw("free").map(Spanned::get_ref);
    let Some(list) = value.and_then(DeValue::as_array) else {
        if let Some(value) = value {
            align.wrong("free", value, "a list of parameter paths");
        }
        return Vec::new();
    };
    if list.len() > LARGEST_RULES {
        align.problem(
            "free",
            format!(
                "found {} patterns; expected at most {LARGEST_RULES}",
                list.len()
            ),
        );
        return Vec::new();
    }
    let mut owner: BTreeMap<Parameter, &str> = BTreeMap::new();
    let mut patterns = Vec::new();
    for item in list.iter() {
        let report = |text: String| {
            top.source
                .report(item.span().start, align.key("free"), text)
        };
        let Some(text) = item.get_ref().as_str() else {
            report(format!(
                "found {}; expected a parameter path as text",
                in_words(item.get_ref())
            ));
            continue;
        };
        let pattern = text.strip_prefix("each ").unwrap_or(text).trim();
        let found = index.matching(pattern);
        if found.is_empty() {
            report(index.nothing(top.source, pattern));
            continue;
        }
        if let Some(text) = cannot_be_fitted(text, &found, design) {
            report(text);
            continue;
        }
        let twice = found.iter().find_map(|p| Some((p, *owner.get(p)?)));
        if let Some((&parameter, other)) = twice {
            report(format!(
                "{} is already free by {}; expected each parameter once",
                design.path_of(parameter),
                quoted(other)
            ));
            continue;
        }
        owner.extend(found.iter().map(|&p| (p, text)));
        patterns.push(text.to_string());
    }
    patterns
}

/// A value of zero has no logarithm and no common factor moves it.
fn cannot_be_fitted(text: &str, found: &[Parameter], design: &Design) -> Option<String> {
    let stuck = |p: &&Parameter| !p.key.is_linear() && design.value(**p) <= 0.0;
    let alone = text.starts_with("each ") || found.len() == 1;
    let zero = found.iter().find(stuck)?;
    if !alone && found.iter().filter(stuck).count() < found.len() {
        return None;
    }
    Some(format!(
        "{} is {}, and it is fitted by its logarithm; expected a value above 0 to start from",
        design.path_of(*zero),
        number(design.value(*zero))
    ))
}
