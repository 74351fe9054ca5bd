use super::*;
use std::convert::Infallible;

/// A bench whose input peaks `gain_db` above the output level and whose noise lies `floor_db` below the signal at 0 dBFS.
fn bench(gain_db: f64, snr_at_full_db: f64) -> impl FnMut(f64) -> Result<Heard, Infallible> {
    move |level_dbfs| {
        let snr = snr_at_full_db + level_dbfs;
        Ok(Heard {
            level_dbfs,
            peak_dbfs: (level_dbfs + gain_db).min(0.0),
            signal_db: level_dbfs + gain_db,
            snr_db: (snr > 3.0).then_some(snr),
        })
    }
}

fn run(aim: &Aim, play: impl FnMut(f64) -> Result<Heard, Infallible>) -> (Found, Vec<Heard>) {
    let Ok(result) = find(aim, play);
    result
}

#[test]
fn a_usual_bench_ends_at_the_wanted_snr() {
    for snr_at_full in [50.0, 60.0, 70.0, 85.0] {
        let (found, history) = run(&Aim::default(), bench(-10.0, snr_at_full));
        assert_eq!(found.reason, Reason::Enough, "{snr_at_full}");
        // DERIVED: the wanted 45 dB are reached at 45 − SNR(0 dBFS), within what counts as close.
        assert!(
            (found.level_dbfs - (45.0 - snr_at_full)).abs() <= CLOSE_DB,
            "{found:?}"
        );
        assert!((found.snr_db.unwrap() - 45.0).abs() <= CLOSE_DB);
        // No step is larger than allowed, and the first is the quiet start.
        assert_eq!(history[0].level_dbfs, START_DBFS);
        assert!(history.windows(2).all(|w| {
            let step = w[1].level_dbfs - w[0].level_dbfs;
            step > 0.0 && step <= STEP_DB + 1e-9
        }));
    }
}

#[test]
fn a_first_burst_that_is_good_enough_is_not_raised() {
    let (found, history) = run(&Aim::default(), bench(-10.0, 110.0));
    assert_eq!(
        (found.level_dbfs, found.reason, history.len()),
        (START_DBFS, Reason::Enough, 1)
    );
}

#[test]
fn near_full_inputs_stop_the_ramp_with_headroom() {
    let (found, history) = run(&Aim::default(), bench(20.0, 60.0));
    assert_eq!(found.reason, Reason::InputsFull);
    // DERIVED: peak −6 dBFS at the output level −26 dBFS.
    assert!((found.level_dbfs + 26.0).abs() < CLOSE_DB, "{found:?}");
    assert!(
        history.iter().all(|h| h.peak_dbfs <= -HEADROOM_DB + 1e-9),
        "{history:?}"
    );
}

#[test]
fn limits_are_never_exceeded_and_named() {
    for (highest_by, reason) in [
        (Some(Name::Displacement), Reason::Limit(Name::Displacement)),
        (None, Reason::Highest),
    ] {
        let aim = Aim {
            highest_dbfs: -33.3,
            highest_by,
            ..Aim::default()
        };
        let (found, history) = run(&aim, bench(-10.0, 60.0));
        assert_eq!(found.reason, reason);
        assert_eq!(found.level_dbfs, -33.3);
        assert!(history.iter().all(|h| h.level_dbfs <= -33.3));
    }
    // A limit below the start is not passed either.
    let aim = Aim {
        highest_dbfs: -70.0,
        highest_by: Some(Name::Level),
        ..Aim::default()
    };
    let (found, history) = run(&aim, bench(-10.0, 90.0));
    assert_eq!((found.level_dbfs, history.len()), (-70.0, 1));
}

#[test]
fn a_dead_bench_and_a_limiter_are_told_apart() {
    let dead = |level_dbfs| -> Result<Heard, Infallible> {
        Ok(Heard {
            level_dbfs,
            peak_dbfs: -80.0,
            signal_db: -90.0,
            snr_db: None,
        })
    };
    let (found, _) = run(&Aim::default(), dead);
    assert_eq!(found.reason, Reason::NothingHeard);
    assert!(!found.reason.is_usable());
    let limited = |level_dbfs: f64| -> Result<Heard, Infallible> {
        Ok(Heard {
            level_dbfs,
            peak_dbfs: -40.0,
            signal_db: -50.0,
            snr_db: Some(20.0),
        })
    };
    let (found, history) = run(&Aim::default(), limited);
    assert_eq!((found.reason, history.len()), (Reason::DoesNotFollow, 2));
    let (found, _) = run(&Aim::default(), bench(60.0, 60.0));
    assert_eq!(found.reason, Reason::TooSensitive);
}

#[test]
fn a_clipped_burst_is_taken_back() {
    let history = [-50.0, -44.0].map(|level_dbfs| Heard {
        level_dbfs,
        peak_dbfs: if level_dbfs < -45.0 { -20.0 } else { 0.0 },
        signal_db: level_dbfs,
        snr_db: None,
    });
    let Step::Done(found) = next(&history, &Aim::default()) else {
        panic!("plays on")
    };
    assert_eq!(
        (found.reason, found.level_dbfs),
        (Reason::InputsFull, -50.0)
    );
}

#[test]
fn an_error_of_the_player_ends_the_ramp() {
    let result = find(&Aim::default(), |_| Err::<Heard, _>("unplugged"));
    assert_eq!(result.unwrap_err(), "unplugged");
}

#[test]
fn a_longer_sweep_stands_higher() {
    let long = SweepPlan::default();
    let short = SweepPlan {
        duration_s: 2.0,
        ..long
    };
    // PUBLISHED (tests/reference/README.md row 32): twice the duration is 3.0103 dB; four times twice that.
    assert!((longer_db(&short, &long) - 6.0206).abs() < 1e-4);
}
