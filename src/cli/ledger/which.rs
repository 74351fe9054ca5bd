//! Which entries an action is about.

use crate::cli::failure::Failure;
use crate::production::entry::{Judgement, Kind};
use crate::production::ledger::{Filter, Stored};
use crate::report::text::plain;
use std::collections::BTreeSet;

/// A choice of entries; what is left out is not asked about.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct Which {
    /// Only this serial number
    #[arg(long)]
    pub unit: Option<String>,
    /// Only this batch
    #[arg(long)]
    pub batch: Option<String>,
    /// Only this station's chain
    #[arg(long = "of-station", value_name = "STATION")]
    pub station: Option<String>,
    /// Only inspection, correction, station-check, reference, gauge or retention
    #[arg(long, value_parser = kind)]
    pub kind: Option<Kind>,
    /// Only pass, fail, unresolved or none
    #[arg(long, value_parser = verdict)]
    pub verdict: Option<Judgement>,
    /// Not before this day or time (2026-03-14, 2026-03-14T10:20:00+01:00)
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub from: Option<String>,
    /// Before this day or time; a day alone begins at midnight UTC
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub to: Option<String>,
    /// Only the latest so many
    #[arg(long, value_name = "N")]
    pub latest: Option<usize>,
}

impl Which {
    /// As a question to a log.
    ///
    /// # Errors
    /// [`Failure`] if nothing can lie between the times.
    pub fn filter(&self) -> Result<Filter, Failure> {
        if let (Some(from), Some(to)) = (&self.from, &self.to)
            && crate::production::entry::microseconds(from)
                >= crate::production::entry::microseconds(to)
        {
            return Err(Failure::input(format!(
                "--from {from} is not before --to {to}; nothing can lie between"
            )));
        }
        Ok(Filter {
            kind: self.kind,
            unit: self.unit.clone(),
            batch: self.batch.clone(),
            station: self.station.clone(),
            verdict: self.verdict,
            from: self.from.clone(),
            to: self.to.clone(),
            latest: self.latest,
        })
    }
}

impl Which {
    /// A name among the choices that none of these entries has, with the nearest ones that they have; `None` where each is had.
    #[must_use]
    pub fn unknown(&self, entries: &[Stored]) -> Option<String> {
        let of = |wanted: &Option<String>, name: &dyn Fn(&Stored) -> Option<String>, what: &str| {
            let wanted = wanted.as_deref()?;
            let known: BTreeSet<String> = entries.iter().filter_map(name).collect();
            let list: Vec<&str> = known.iter().map(String::as_str).collect();
            (!known.contains(wanted)).then(|| {
                format!(
                    "{what} «{}» is not in this log; {}",
                    plain(wanted).chars().take(40).collect::<String>(),
                    nearest(wanted, &list)
                )
            })
        };
        let some = |name: &str| Some(name.to_string()).filter(|n| !n.is_empty());
        of(&self.unit, &|s| some(&s.entry.unit), "unit")
            .or_else(|| of(&self.batch, &|s| s.entry.batch.clone(), "batch"))
            .or_else(|| of(&self.station, &|s| some(&s.station), "station"))
    }
}

/// What there is, in words, the nearest to a wanted name first.
#[must_use]
pub fn nearest(wanted: &str, known: &[&str]) -> String {
    const SHOWN: usize = 5;
    if known.is_empty() {
        return "it has none".to_string();
    }
    let mut list = known.to_vec();
    list.sort_by(|a, b| {
        let like = |other: &str| strsim::jaro_winkler(wanted, other);
        like(b).total_cmp(&like(a)).then_with(|| a.cmp(b))
    });
    let shown: Vec<String> = list.iter().take(SHOWN).map(|n| plain(n)).collect();
    let names = shown.join(", ");
    match list.len() {
        n if n <= SHOWN => format!("there is {names}"),
        n => format!("the nearest of {n} are {names}"),
    }
}

fn words<T>(all: impl IntoIterator<Item = T>, word: impl Fn(T) -> &'static str) -> String {
    all.into_iter().map(word).collect::<Vec<_>>().join(", ")
}

fn kind(text: &str) -> Result<Kind, String> {
    Kind::of(text).ok_or_else(|| format!("expected one of {}", words(Kind::ALL, Kind::word)))
}

/// A judgement as typed.
pub(super) fn verdict(text: &str) -> Result<Judgement, String> {
    Judgement::of(text)
        .ok_or_else(|| format!("expected one of {}", words(Judgement::ALL, Judgement::word)))
}

/// A day, which begins at midnight UTC, or a time with its offset; RFC 3339.
///
/// # Errors
/// What is expected.
pub fn time(text: &str) -> Result<String, String> {
    let whole = match text.parse::<jiff::civil::Date>() {
        Ok(_) if text.len() == 10 => format!("{text}T00:00:00Z"),
        _ => text.to_string(),
    };
    match crate::production::entry::microseconds(&whole) {
        Some(_) => Ok(whole),
        None => Err(
            "expected a day (2026-03-14) or a time with offset (2026-03-14T10:20:00Z)".to_string(),
        ),
    }
}
