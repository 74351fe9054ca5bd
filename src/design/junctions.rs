//! Whether the elements of a design hang together: no junction that is named only once, no part that is not
//! connected with the driver.
//!
//! A duct or resistor that ends in nothing has to say so (`to = "closed"`), because a mistyped junction looks
//! the same.

use super::problem::quoted;
use super::toml_reader::Source;
use super::{CLOSED, OUTSIDE};
use std::collections::BTreeMap;

/// What names a junction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Role {
    /// Front or rear of the driver.
    Driver,
    /// End of a duct or resistor, either end of a leak: alone it is dangling.
    End,
    /// Chamber or opening.
    Load,
}

/// One place in the file that names a junction.
#[derive(Debug, Clone)]
pub(super) struct Mention<'t> {
    pub junction: &'t str,
    pub at: usize,
    pub key: String,
    pub role: Role,
}

/// All mentions of junctions, and which of them an element ties together.
#[derive(Debug, Default)]
pub(super) struct Wiring<'t> {
    mentions: Vec<Mention<'t>>,
    ties: Vec<(usize, usize)>,
    /// A junction could not be read, so that the rest would look wrongly connected.
    pub unsure: bool,
}

/// Whether a name is one of the two reserved ones.
pub(super) fn is_reserved(junction: &str) -> bool {
    junction == OUTSIDE || junction == CLOSED
}

impl<'t> Wiring<'t> {
    /// Notes a mention; `None` (not readable) makes the wiring unsure.
    pub fn mention(&mut self, mention: Option<Mention<'t>>) -> Option<usize> {
        let Some(mention) = mention else {
            self.unsure = true;
            return None;
        };
        self.mentions.push(mention);
        Some(self.mentions.len() - 1)
    }

    /// Notes that an element connects two mentions.
    pub fn tie(&mut self, a: Option<usize>, b: Option<usize>) {
        if let (Some(a), Some(b)) = (a, b) {
            self.ties.push((a, b));
        }
    }

    /// Names of the junctions, each once, without the reserved ones.
    pub fn junctions(&self) -> BTreeMap<&'t str, Vec<usize>> {
        let mut map: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
        for (i, mention) in self.mentions.iter().enumerate() {
            if !is_reserved(mention.junction) {
                map.entry(mention.junction).or_default().push(i);
            }
        }
        map
    }

    /// Reports dangling junctions and parts that are not connected with the driver.
    pub fn check(&self, source: &Source<'_>) {
        if self.unsure {
            return;
        }
        let junctions = self.junctions();
        let index: BTreeMap<&str, usize> = junctions
            .keys()
            .enumerate()
            .map(|(i, &name)| (name, i))
            .collect();
        let mut parts = Parts::new(index.len());
        for &(a, b) in &self.ties {
            let (a, b) = (&self.mentions[a], &self.mentions[b]);
            match (index.get(a.junction), index.get(b.junction)) {
                (Some(&i), Some(&j)) => parts.join(i, j),
                (None, None) if a.role != Role::Driver => source.report(
                    a.at,
                    a.key.clone(),
                    format!(
                        "it runs from '{}' to '{}'; expected at least one end at a junction of the network",
                        a.junction, b.junction
                    ),
                ),
                _ => {}
            }
        }
        let mut told = vec![false; index.len()];
        for (name, mentions) in &junctions {
            let [only] = mentions.as_slice() else {
                continue;
            };
            let mention = &self.mentions[*only];
            let others = || {
                let names = junctions.keys().copied();
                source.hint(name, names.chain([OUTSIDE, CLOSED]))
            };
            let expected = match mention.role {
                Role::End => "a second element there, or \"closed\" for a rigid end",
                Role::Driver => "a chamber, duct or opening there, or \"outside\"",
                Role::Load => continue,
            };
            source.report(
                mention.at,
                mention.key.clone(),
                format!(
                    "dangling junction: nothing else names {}; expected {expected}{}",
                    quoted(name),
                    others()
                ),
            );
            let part = parts.of(index[name]);
            told[part] = true;
        }
        self.check_parts(source, &junctions, &index, &mut parts, &mut told);
    }

    fn check_parts(
        &self,
        source: &Source<'_>,
        junctions: &BTreeMap<&str, Vec<usize>>,
        index: &BTreeMap<&str, usize>,
        parts: &mut Parts,
        told: &mut [bool],
    ) {
        let driven: Vec<(&str, usize)> = self
            .mentions
            .iter()
            .filter(|m| m.role == Role::Driver)
            .filter_map(|m| Some((m.junction, *index.get(m.junction)?)))
            .collect();
        let driven_parts: Vec<usize> = driven.iter().map(|&(_, i)| parts.of(i)).collect();
        let names: Vec<&str> = driven.iter().map(|&(name, _)| name).collect();
        let mut first: BTreeMap<usize, usize> = BTreeMap::new();
        for (name, mentions) in junctions {
            let part = parts.of(index[name]);
            if told[part] || driven_parts.contains(&part) {
                continue;
            }
            let earliest = mentions
                .iter()
                .copied()
                .min_by_key(|&m| self.mentions[m].at);
            if let Some(mention) = earliest {
                let best = first.entry(part).or_insert(mention);
                if self.mentions[mention].at < self.mentions[*best].at {
                    *best = mention;
                }
            }
        }
        for mention in first.into_values() {
            let mention = &self.mentions[mention];
            source.report(
                mention.at,
                mention.key.clone(),
                format!(
                    "junction {} is not connected with the driver; expected ducts, resistors or leaks to {}{}",
                    quoted(mention.junction),
                    if names.is_empty() {
                        "a junction of the driver".to_string()
                    } else {
                        names.iter().map(|n| quoted(n)).collect::<Vec<_>>().join(" or ")
                    },
                    source.hint(
                        mention.junction,
                        junctions.keys().copied().filter(|n| driven_parts.contains(&parts.of(index[n])))
                    )
                ),
            );
        }
    }
}

/// Disjoint sets with path halving.
struct Parts(Vec<usize>);

impl Parts {
    fn new(count: usize) -> Self {
        Self((0..count).collect())
    }

    fn of(&mut self, mut i: usize) -> usize {
        while self.0[i] != i {
            self.0[i] = self.0[self.0[i]];
            i = self.0[i];
        }
        i
    }

    fn join(&mut self, i: usize, j: usize) {
        let (i, j) = (self.of(i), self.of(j));
        self.0[i.max(j)] = i.min(j);
    }
}
