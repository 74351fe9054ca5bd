//! What every store must do; run on each of them.

use crate::entries::inspection;
use bassay::production::entry::{BEGIN, Judgement, Kind, digest};
use bassay::production::ledger::export::walk;
use bassay::production::ledger::{Filter, Head, LedgerError, Record, Store};

/// Runs everything on an empty store.
pub fn run(store: &mut dyn Store) {
    chains(store);
    questions(store);
    refusals(store);
    delivery(store);
}

/// DERIVED: the chain computed here, from the definition in `entry.rs` alone.
/// After entry 8 of «bench-1», a failed one of unit D-7, was edited: nothing that needs it is told, and the rest is.
pub fn refuses_the_edited(store: &mut dyn Store, digest: &str, what: &str) {
    let refused = |error: LedgerError| {
        let text = error.to_string();
        assert!(
            matches!(&error, LedgerError::Edited { station, number: 8, .. } if station == "bench-1"),
            "{text}"
        );
        assert!(
            text.contains("entry 8") && text.contains("«bench-1»") && text.contains(what),
            "{text}"
        );
        assert!(text.contains("ledger audit"), "{text}");
    };
    let of = |unit: &str| Filter {
        unit: Some(unit.to_string()),
        ..Filter::default()
    };
    refused(store.select(&Filter::default()).unwrap_err());
    refused(store.select(&of("D-7")).unwrap_err());
    refused(store.find(digest).unwrap_err());
    refused(walk(store, &of("D-7"), &mut |_| Ok(())).unwrap_err());
    assert_eq!(store.select(&of("D-6")).unwrap().len(), 1);
    walk(store, &of("D-6"), &mut |_| Ok(())).unwrap();
}

/// The log that [`refuses_the_edited`] is asked about, before it is edited; gives the digest of entry 8.
pub fn before_the_edit(store: &mut dyn Store) -> String {
    let mut write = |minute: u32| {
        store
            .append("bench-1", &inspection(&format!("D-{minute}"), minute))
            .unwrap()
    };
    let written: Vec<_> = (0..12).map(&mut write).collect();
    let digest = written[7].digest.clone();
    assert_eq!(store.select(&Filter::default()).unwrap().len(), 12);
    digest
}

/// Edits of entry 8 in the table of this name, and what is said of each.
pub fn edits(table: &str) -> [(String, &'static str); 2] {
    let at = "WHERE station = 'bench-1' AND number = 8";
    [
        (
            format!(
                "UPDATE {table} SET body = replace(body, '\"verdict\":\"fail\"', '\"verdict\":\"pass\"'), verdict = 'pass' {at}"
            ),
            "digest",
        ),
        (
            format!("UPDATE {table} SET verdict = 'pass' {at}"),
            "columns",
        ),
    ]
}

fn chains(store: &mut dyn Store) {
    let mut previous = BEGIN.to_string();
    for minute in 0..5u32 {
        let entry = inspection(&format!("D-{minute:04}"), minute);
        let stored = store.append("bench-1", &entry).unwrap();
        let text = format!(
            "{previous}bench-1\n{}\n{}",
            minute + 1,
            serde_json::to_string(&entry).unwrap()
        );
        let expected = blake3::hash(text.as_bytes()).to_hex().to_string();
        assert_eq!(stored.number, u64::from(minute) + 1);
        assert_eq!(stored.previous, previous);
        assert_eq!(stored.digest, expected);
        assert_eq!(stored.entry, entry);
        previous = expected;
    }
    let other = store.append("bench-2", &inspection("D-0001", 90)).unwrap();
    assert_eq!((other.number, other.previous.as_str()), (1, BEGIN));
    let heads = store.heads().unwrap();
    assert_eq!(heads.len(), 2);
    assert_eq!(
        heads[0],
        Head {
            station: "bench-1".to_string(),
            number: 5,
            digest: previous
        }
    );
    let records = store.records("bench-1", 2, 2).unwrap();
    let numbers: Vec<u64> = records.iter().map(|r| r.number).collect();
    assert_eq!(numbers, [3, 4]);
    for record in records {
        record.prove().unwrap();
    }
}

fn questions(store: &mut dyn Store) {
    let units = |store: &mut dyn Store, filter: Filter| -> Vec<String> {
        let found = store.select(&filter).unwrap();
        found.into_iter().map(|s| s.entry.unit).collect()
    };
    let all = units(store, Filter::default());
    let expected = ["D-0000", "D-0001", "D-0002", "D-0003", "D-0004", "D-0001"];
    assert_eq!(all, expected);
    let latest = Filter {
        latest: Some(2),
        ..Filter::default()
    };
    assert_eq!(units(store, latest), ["D-0004", "D-0001"]);
    let of_unit = Filter {
        unit: Some("D-0001".to_string()),
        kind: Some(Kind::Inspection),
        ..Filter::default()
    };
    assert_eq!(units(store, of_unit).len(), 2);
    let failed = Filter {
        verdict: Some(Judgement::Fail),
        batch: Some("B0".to_string()),
        station: Some("bench-1".to_string()),
        ..Filter::default()
    };
    assert_eq!(units(store, failed), ["D-0000"]);
    // 01:02 in a zone one hour ahead is 00:02 UTC; the end is not counted.
    let between = Filter {
        from: Some("2026-03-14T01:02:00+01:00".to_string()),
        to: Some("2026-03-14T00:04:00Z".to_string()),
        ..Filter::default()
    };
    assert_eq!(units(store, between), ["D-0002", "D-0003"]);
    let no_time = Filter {
        from: Some("yesterday".to_string()),
        ..Filter::default()
    };
    assert!(matches!(
        store.select(&no_time),
        Err(LedgerError::Time { what: "from", .. })
    ));
    assert_eq!(store.attempts("D-0001").unwrap(), 2);
    assert_eq!(store.attempts("D-9999").unwrap(), 0);
    let first = store.select(&Filter::default()).unwrap().remove(0);
    assert_eq!(store.find(&first.digest).unwrap().as_ref(), Some(&first));
    assert_eq!(store.find(&first.digest[..16]).unwrap(), Some(first));
    assert_eq!(store.find("zz").unwrap(), None);
    assert!(matches!(store.find(""), Err(LedgerError::Ambiguous { .. })));
}

fn refusals(store: &mut dyn Store) {
    let before = store.heads().unwrap();
    let mut bad = inspection("D-0009", 9);
    bad.values[3].value = Some(f64::NAN);
    let error = store.append("bench-1", &bad).unwrap_err().to_string();
    assert!(
        error.contains("values.band:mouth-near:13.0.value"),
        "{error}"
    );
    assert!(error.contains("NaN") && error.contains("finite"), "{error}");
    let mut bad = inspection("D-0009", 9);
    bad.at = "noon".to_string();
    assert!(store.append("bench-1", &bad).is_err());
    let mut bad = inspection("D-0009", 9);
    bad.limits = "none".to_string();
    assert!(store.append("bench-1", &bad).is_err());
    for name in ["", "two\nlines", " bench", &"x".repeat(65)] {
        let error = store.append(name, &inspection("D-0009", 9)).unwrap_err();
        assert!(matches!(error, LedgerError::Station { .. }), "{name:?}");
    }
    assert_eq!(store.heads().unwrap(), before);
}

fn delivery(store: &mut dyn Store) {
    let mut head = Head::begin("far-bench");
    let mut written = Vec::new();
    for minute in 0..6 {
        let record = Record::after(&head, &inspection("F-0001", minute)).unwrap();
        head = Head {
            station: head.station,
            number: record.number,
            digest: record.digest.clone(),
        };
        written.push(record);
    }
    assert_eq!(store.deliver(&written[..3]).unwrap(), 3);
    // The answer was lost and the station sends again: once in the log.
    assert_eq!(store.deliver(&written[..4]).unwrap(), 1);
    let gap = store.deliver(&written[5..]).unwrap_err();
    assert!(
        matches!(
            gap,
            LedgerError::Gap {
                number: 6,
                head: 4,
                ..
            }
        ),
        "{gap}"
    );
    let mut forged = written[4].clone();
    forged.body = forged.body.replace("op-07", "op-08");
    let error = store.deliver(&[forged]).unwrap_err();
    assert!(
        matches!(error, LedgerError::Digest { number: 5, .. }),
        "{error}"
    );
    // Another bench under the same name.
    let other = Record::after(&Head::begin("far-bench"), &inspection("G-0001", 5)).unwrap();
    let error = store.deliver(&[other]).unwrap_err();
    assert!(
        matches!(error, LedgerError::Fork { number: 1, .. }),
        "{error}"
    );
    let mut after_another = written[4].clone();
    after_another.previous = BEGIN.to_string();
    after_another.digest = digest(BEGIN, "far-bench", 5, &after_another.body, &mut Vec::new())
        .to_hex()
        .to_string();
    // All or none: the fifth is sound and stays out with the sixth, which is not.
    let mut sixth = written[5].clone();
    sixth.digest = BEGIN.to_string();
    assert!(store.deliver(&[written[4].clone(), sixth]).is_err());
    assert_eq!(store.records("far-bench", 0, 100).unwrap(), written[..4]);
    let error = store.deliver(&[after_another]).unwrap_err();
    assert!(
        matches!(error, LedgerError::Fork { number: 4, .. }),
        "{error}"
    );
    assert_eq!(store.deliver(&written).unwrap(), 2);
    assert_eq!(store.records("far-bench", 0, 100).unwrap(), written);
    assert_eq!(store.integrity().unwrap(), None);
}
