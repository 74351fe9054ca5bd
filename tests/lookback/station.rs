//! Whether a station may inspect.

use super::commands::{entry, value};
use bassay::production::entry::{Bench, Judgement, Kind};
use bassay::production::ledger::Stored;
use bassay::production::station_fit::{Fitness, station_is_fit};
use bassay::special::deviates::Deviates;
use jiff::{SignedDuration, Timestamp};

fn check(day: usize, number: f64, verdict: Judgement, file: &str) -> Stored {
    let at = format!("2026-03-{:02}T07:00:00Z", day + 1);
    let mut e = entry(Kind::StationCheck, &at, "", verdict);
    e.bench = Some(Bench {
        digest: file.into(),
        oldest_days: 1.0,
        check: None,
    });
    e.values.push(value("resistor", "Ω", number));
    Stored {
        station: "station-1".into(),
        number: day as u64 + 1,
        previous: "0".repeat(64),
        digest: format!("{day:064}"),
        entry: e,
    }
}

fn judge(list: &[Stored], at: &str) -> Fitness {
    station_is_fit(
        list,
        at.parse::<Timestamp>().unwrap(),
        "station-1",
        SignedDuration::from_hours(24),
    )
}

fn history(last: f64) -> Vec<Stored> {
    let mut random = Deviates::new(61, 0);
    let mut list: Vec<Stored> = (0..10)
        .map(|d| check(d, 8.0 + 0.01 * random.normal(), Judgement::Pass, "a"))
        .collect();
    list.push(check(10, last, Judgement::Pass, "a"));
    list
}

#[test]
fn a_fresh_check_in_control_is_fit() {
    assert_eq!(
        judge(&history(8.005), "2026-03-11T12:00:00Z"),
        Fitness::Fit(format!("{:064}", 10))
    );
}

#[test]
fn old_missing_failed_and_odd_checks_stop_the_station() {
    let list = history(8.005);
    assert!(
        matches!(judge(&list, "2026-03-12T12:00:00Z"), Fitness::TooOld(Some(_), text) if text.contains("29.0 h"))
    );
    assert!(
        matches!(judge(&list, "2026-03-11T06:00:00Z"), Fitness::TooOld(_, text) if text.contains("clock"))
    );
    assert!(matches!(
        judge(&[], "2026-03-11T06:00:00Z"),
        Fitness::TooOld(None, _)
    ));
    // Passed by its own limits, but 0.1 Ω off ten checks that scatter by 0.01 Ω.
    assert!(
        matches!(judge(&history(8.1), "2026-03-11T12:00:00Z"), Fitness::OutOfControl(text) if text.contains("resistor is 8.1"))
    );
    let mut failed = history(8.0);
    failed.push(check(11, 8.0, Judgement::Fail, "a"));
    assert!(
        matches!(judge(&failed, "2026-03-12T08:00:00Z"), Fitness::OutOfControl(text) if text.contains("failed"))
    );
    // Another station's checks do not help.
    let at = "2026-03-11T12:00:00Z".parse().unwrap();
    let other = station_is_fit(&list, at, "station-2", SignedDuration::from_hours(24));
    assert!(matches!(other, Fitness::TooOld(None, _)));
}

/// One mistyped date must not lock the bench for the checks that are written after it, nor hide one that failed.
#[test]
fn the_check_that_was_written_last_counts() {
    let mut list = history(8.0);
    let mut ahead = check(11, 8.0, Judgement::Pass, "a");
    ahead.entry.at = "2027-03-12T07:00:00Z".into();
    list.push(ahead.clone());
    let now = "2026-03-12T08:00:00Z";
    assert!(
        matches!(judge(&list, now), Fitness::TooOld(_, text) if text.contains("2027-03-12") && text.contains(now))
    );
    let mut next = check(11, 8.0, Judgement::Pass, "a");
    next.number = 13;
    next.digest = "d".repeat(64);
    // The log sorts by time: the mistyped one comes last.
    list.insert(11, next.clone());
    assert_eq!(judge(&list, now), Fitness::Fit("d".repeat(64)));
    // Recorded yesterday and written today: as old as the take.
    list[11].entry.taken = Some("2026-03-11T07:00:00Z".into());
    assert!(matches!(judge(&list, now), Fitness::TooOld(_, text) if text.contains("25.0 h")));
    list[11].entry.taken = None;
    list[11].entry.verdict = Judgement::Fail;
    assert!(matches!(
        judge(&list, now),
        Fitness::OutOfControl(text) if text.contains("failed")
    ));
}

#[test]
fn a_corrected_check_counts_as_corrected() {
    let now = "2026-03-11T12:00:00Z";
    let mut list = history(8.005);
    let correction = |digest: String, verdict: Judgement| {
        let mut e = entry(Kind::Correction, "2026-03-11T11:00:00Z", "", verdict);
        e.refers_to = Some(digest);
        Stored {
            station: "office".into(),
            number: 1,
            previous: "0".repeat(64),
            digest: "c".repeat(64),
            entry: e,
        }
    };
    list.push(correction(format!("{:064}", 10), Judgement::Fail));
    assert!(matches!(
        judge(&list, now),
        Fitness::OutOfControl(text) if text.contains("corrected to FAIL")
    ));
    // A correction of another check changes nothing of this one.
    *list.last_mut().unwrap() = correction(format!("{:064}", 3), Judgement::Fail);
    assert!(matches!(judge(&list, now), Fitness::Fit(_)));
}

/// A calibration (another station file) begins a new run.
#[test]
fn a_new_station_file_begins_anew() {
    let mut list = history(8.0);
    list.push(check(11, 8.1, Judgement::Pass, "b"));
    assert!(matches!(
        judge(&list, "2026-03-12T08:00:00Z"),
        Fitness::Fit(_)
    ));
}

/// DERIVED: one value of a steady station is out of control with the probability 1 − 0.9973, however few checks lie before it. Four
/// standard errors of 20,000 stations: 0.0015.
#[test]
fn a_steady_station_is_seldom_stopped() {
    let mut stopped = 0;
    let runs = 20_000;
    for seed in 0..runs {
        let mut random = Deviates::new(62, seed);
        let list: Vec<Stored> = (0..7)
            .map(|d| check(d, 8.0 + random.normal(), Judgement::Pass, "a"))
            .collect();
        let found = judge(&list, "2026-03-07T08:00:00Z");
        stopped += u32::from(matches!(found, Fitness::OutOfControl(_)));
    }
    let share = f64::from(stopped) / runs as f64;
    assert!((share - 0.0027).abs() < 0.0015, "{share}");
}
