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
