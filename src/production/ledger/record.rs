//! An entry as it lies in a store: the text that the digest covers, and its place.

use super::{LedgerError, Stored};
use crate::production::entry::{BEGIN, Entry, Judgement, Kind, digest, is_station, microseconds};
use serde::de::{Deserializer, Error as _, IgnoredAny, MapAccess, Visitor};
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// One link of a chain; also the line of an export that another ledger can import.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Record {
    /// Station whose chain it is.
    pub station: String,
    /// Place in the chain, from 1.
    pub number: u64,
    /// Digest of the record before it; 64 zeros for the first.
    pub previous: String,
    /// Its own digest.
    pub digest: String,
    /// The body, one line of JSON.
    pub body: String,
}

/// The last entry of a chain.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Head {
    /// Station whose chain it is.
    pub station: String,
    /// Number of the last entry, which is also how many there are.
    pub number: u64,
    /// Digest of the last entry.
    pub digest: String,
}

impl Head {
    /// The head of a chain without entries.
    #[must_use]
    pub fn begin(station: &str) -> Self {
        Self {
            station: station.to_string(),
            number: 0,
            digest: BEGIN.to_string(),
        }
    }
}

impl Record {
    /// The record that follows `head`.
    ///
    /// # Errors
    /// [`LedgerError::Station`], [`LedgerError::Entry`].
    pub fn after(head: &Head, entry: &Entry) -> Result<Self, LedgerError> {
        if !is_station(&head.station) {
            return Err(LedgerError::Station {
                found: head.station.clone(),
            });
        }
        let body = entry.body()?;
        let number = head.number + 1;
        let own = digest(&head.digest, &head.station, number, &body, &mut Vec::new());
        Ok(Self {
            station: head.station.clone(),
            number,
            previous: head.digest.clone(),
            digest: own.to_hex().to_string(),
            body,
        })
    }

    /// Whether its digest follows from what it says.
    ///
    /// # Errors
    /// [`LedgerError::Digest`], [`LedgerError::Station`].
    pub fn prove(&self) -> Result<(), LedgerError> {
        if !is_station(&self.station) {
            return Err(LedgerError::Station {
                found: self.station.clone(),
            });
        }
        let own = digest(
            &self.previous,
            &self.station,
            self.number,
            &self.body,
            &mut Vec::new(),
        );
        if own.to_hex().as_str() == self.digest {
            Ok(())
        } else {
            Err(LedgerError::Digest {
                station: self.station.clone(),
                number: self.number,
            })
        }
    }

    /// With its body read.
    ///
    /// # Errors
    /// [`LedgerError::Body`].
    pub fn read(self) -> Result<Stored, LedgerError> {
        let entry = serde_json::from_str(&self.body).map_err(|cause| LedgerError::Body {
            station: self.station.clone(),
            number: self.number,
            cause: cause.to_string(),
        })?;
        Ok(self.with(entry))
    }

    /// With what it says, as it was before it became a body.
    #[must_use]
    pub fn with(self, entry: Entry) -> Stored {
        Stored {
            station: self.station,
            number: self.number,
            previous: self.previous,
            digest: self.digest,
            entry,
        }
    }

    /// What the database keeps beside the body, so that it can be searched.
    ///
    /// # Errors
    /// [`LedgerError::Body`].
    pub fn marks(&self) -> Result<Marks<'_>, LedgerError> {
        Marks::of(&self.body).map_err(|cause| LedgerError::Body {
            station: self.station.clone(),
            number: self.number,
            cause,
        })
    }
}

/// The keys of a body that a database is searched by; they stand ahead of its values.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Marks<'a> {
    /// `kind`.
    pub kind: Cow<'a, str>,
    /// `at`, microseconds since 1970.
    pub at_us: i64,
    /// `unit`.
    pub unit: Cow<'a, str>,
    /// `batch`.
    pub batch: Option<Cow<'a, str>>,
    /// `refers_to`.
    pub refers_to: Option<Cow<'a, str>>,
    /// `verdict`.
    pub verdict: Cow<'a, str>,
}

impl<'a> Marks<'a> {
    /// Reads them, and stops behind the last: an audit of a million entries need not read forty million values.
    ///
    /// # Errors
    /// What is wrong with the body.
    pub fn of(body: &'a str) -> Result<Self, String> {
        let mut found = Found::default();
        let mut json = serde_json::Deserializer::from_str(body);
        let read = (&mut json).deserialize_map(Keys(&mut found));
        if let Err(cause) = read
            && !found.complete
        {
            return Err(cause.to_string());
        }
        let missing = |key: &str| format!("the key «{key}» is missing");
        let at = found.at.ok_or_else(|| missing("at"))?;
        let kind = found.kind.ok_or_else(|| missing("kind"))?;
        let verdict = found.verdict.ok_or_else(|| missing("verdict"))?;
        if Kind::of(&kind).is_none() {
            return Err(format!("kind «{kind}» is not known"));
        }
        if Judgement::of(&verdict).is_none() {
            return Err(format!("verdict «{verdict}» is not known"));
        }
        Ok(Self {
            kind,
            at_us: microseconds(&at).ok_or_else(|| format!("at «{at}» is no time"))?,
            unit: found.unit.ok_or_else(|| missing("unit"))?,
            batch: found.batch,
            refers_to: found.refers_to,
            verdict,
        })
    }
}

#[derive(Default)]
struct Found<'a> {
    kind: Option<Cow<'a, str>>,
    at: Option<Cow<'a, str>>,
    unit: Option<Cow<'a, str>>,
    batch: Option<Cow<'a, str>>,
    refers_to: Option<Cow<'a, str>>,
    verdict: Option<Cow<'a, str>>,
    complete: bool,
}

struct Keys<'f, 'a>(&'f mut Found<'a>);

impl<'a> Visitor<'a> for Keys<'_, 'a> {
    type Value = ();

    fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("the body of an entry")
    }

    fn visit_map<A: MapAccess<'a>>(self, mut map: A) -> Result<(), A::Error> {
        let found = self.0;
        while let Some(Text(key)) = map.next_key::<Text<'a>>()? {
            let place = match key.as_ref() {
                "kind" => &mut found.kind,
                "at" => &mut found.at,
                "unit" => &mut found.unit,
                "batch" => &mut found.batch,
                "refers_to" => &mut found.refers_to,
                "verdict" => &mut found.verdict,
                "values" => {
                    // The order of the keys is that of `Entry`: nothing that is wanted stands behind.
                    found.complete = found.verdict.is_some();
                    if found.complete {
                        return Err(A::Error::custom("enough"));
                    }
                    map.next_value::<IgnoredAny>()?;
                    continue;
                }
                _ => {
                    map.next_value::<IgnoredAny>()?;
                    continue;
                }
            };
            *place = map.next_value::<Option<Text<'a>>>()?.map(|t| t.0);
        }
        found.complete = true;
        Ok(())
    }
}

/// A text that is borrowed where it has no escapes.
#[derive(Deserialize)]
struct Text<'a>(#[serde(borrow)] Cow<'a, str>);

/// Filter times in microseconds.
pub(super) fn time(what: &'static str, text: Option<&String>) -> Result<Option<i64>, LedgerError> {
    text.map(|text| {
        microseconds(text).ok_or_else(|| LedgerError::Time {
            what,
            found: text.clone(),
        })
    })
    .transpose()
}
