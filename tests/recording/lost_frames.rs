//! Frames that a card loses or repeats without a word: the take is refused, with their place and number.

use bassay::capture::take::{Go, TakeError, TakePlan, refused_beside, take};
use bassay::capture::virtual_card::{Choices, Mishap, Pace, VirtualCard};
use bassay::design::captures::SweepPlan;
use bassay::design::read;
use bassay::signal::sweep::Sweep;
use std::path::Path;

/// Two seconds, 5 to 500 Hz; at 2 s after the start it is near 80 Hz.
fn attempt(folder: &Path, mishap: Option<(f64, Mishap)>) -> (TakePlan, Result<(), TakeError>) {
    let design = read::read(Path::new("tests/designs/dome.toml")).unwrap();
    let choices = Choices {
        pace: Pace::Times(20.0),
        mishap,
        ..Choices::default()
    };
    let mut card = VirtualCard::new(&design, &[], None, choices).unwrap();
    let sweep = SweepPlan {
        duration_s: 2.0,
        ..SweepPlan::default()
    };
    let played = Sweep::new(sweep).unwrap();
    let signal: Vec<f32> = (0..216_000)
        .map(|n| played.at(f64::from(n) / 48_000.0 - sweep.silence_before_s) as f32)
        .collect();
    let plan = TakePlan {
        sample_rate_hz: 48_000,
        signal: signal.into(),
        output_channel: 1,
        outputs: 2,
        inputs: 2,
        keep: vec![1, 2],
        file: folder.join("take.wav"),
        reference: Some(0),
        sweep,
    };
    let done = take(&mut card, &plan, &mut |_| Go::On).map(|_| ());
    (plan, done)
}

#[test]
fn a_whole_take_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let (plan, done) = attempt(folder.path(), None);
    done.unwrap();
    assert!(plan.file.exists() && !refused_beside(&plan.file).exists());
}

/// DERIVED: what was put in comes back. 60 frames near 80 Hz are 0.6 rad of phase; a sixth of a period is told to a tenth,
/// longer ones by their slope to a fifth (as in the tests of `continuity`).
#[test]
fn lost_and_repeated_frames_are_refused() {
    for (mishap, frames) in [
        (Mishap::Lost(60), 60.0),
        (Mishap::Lost(500), 500.0),
        (Mishap::Lost(2_000), 2_000.0),
        (Mishap::Repeated(60), -60.0),
        (Mishap::Repeated(500), -500.0),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let (plan, done) = attempt(folder.path(), Some((2.0, mishap)));
        let error = done.unwrap_err();
        println!("{frames}: {error}");
        let TakeError::Broken { step, file } = error else {
            panic!("{frames}: {error}");
        };
        assert!(
            !step.silent && (step.frames - frames).abs() < 0.2 * frames.abs(),
            "{step:?}"
        );
        // The virtual card's latency and a period and a half of 80 Hz.
        assert!((step.at_s - 2.0).abs() < 0.2, "{step:?}");
        assert_eq!(file, refused_beside(&plan.file));
        assert!(file.exists() && !plan.file.exists());
    }
}
