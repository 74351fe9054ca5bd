use super::*;

use std::path::Path;

const SHAPE: Shape = Shape {
    sample_rate_hz: 48_000,
    inputs: 2,
    outputs: 2,
};

fn dome() -> Design {
    crate::design::read::read(Path::new("tests/designs/dome.toml")).unwrap()
}

fn free(bench: Live) -> Choices {
    Choices {
        bench,
        pace: Pace::Free,
        ..Choices::default()
    }
}

fn quiet() -> Live {
    Live {
        noise_db_spl: None,
        ..Live::default()
    }
}

/// Plays noise-like samples and takes `count` frames; (frames of the first input, of the second, fault).
fn take(
    card: &mut VirtualCard,
    shape: Shape,
    count: usize,
) -> (Vec<f32>, Vec<f32>, Option<FaultKind>) {
    let kept = Arc::new(Mutex::new(Vec::new()));
    let into = Arc::clone(&kept);
    let fault = Arc::new(Fault::default());
    let mut at = 0u64;
    let play = Box::new(move |frames: &mut [f32]| {
        for frame in frames.chunks_mut(shape.outputs) {
            at += 1;
            frame[0] = if at > 2_000 { tone(at) } else { 0.0 };
        }
    });
    let hear = Box::new(move |frames: &[f32]| {
        let mut kept: MutexGuard<'_, Vec<f32>> = into.lock().unwrap();
        if kept.len() < count * shape.inputs {
            kept.extend_from_slice(frames);
        }
    });
    let running = card.start(shape, play, hear, Arc::clone(&fault)).unwrap();
    for _ in 0..20_000 {
        if kept.lock().unwrap().len() >= count * shape.inputs || fault.get().is_some() {
            break;
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    running.stop().unwrap();
    let kept = kept.lock().unwrap();
    let channel = |c: usize| kept.iter().skip(c).step_by(shape.inputs).copied().collect();
    (channel(0), channel(1), fault.get())
}

fn tone(at: u64) -> f32 {
    0.25 * (std::f64::consts::TAU * 100.0 * at as f64 / 48_000.0).sin() as f32
}

/// First frame above a tenth of the largest.
fn onset(channel: &[f32]) -> usize {
    let most = channel.iter().fold(0.0f32, |a, x| a.max(x.abs()));
    channel.iter().position(|x| x.abs() > 0.1 * most).unwrap()
}

#[test]
fn latency_is_drawn_anew_and_the_sound_is_the_same() {
    let mut card = VirtualCard::new(&dome(), &[], None, free(quiet())).unwrap();
    let takes: Vec<_> = (0..3).map(|_| take(&mut card, SHAPE, 24_000)).collect();
    let starts: Vec<usize> = takes.iter().map(|t| onset(&t.0)).collect();
    assert!(
        starts[0] != starts[1] && starts[1] != starts[2],
        "{starts:?}"
    );
    for (t, start) in takes.iter().zip(&starts) {
        // The onset is known to a frame or two; the sudden start itself is left out, because its highs fold differently.
        let off = |shift: usize| {
            let pairs = t.1[start + 2_000..]
                .iter()
                .zip(&takes[0].1[starts[0] + 1_997 + shift..]);
            pairs.fold(0.0f32, |m, (a, b)| m.max((a - b).abs()))
        };
        let best = (0..7).map(off).fold(f32::MAX, f32::min);
        // DERIVED: the same steps, moved by whole frames on a grid of 3:1: interpolation, 1e-4 of 0.25.
        assert!(best < 2.5e-5, "{best}");
        assert_eq!(t.2, None);
    }
}

#[test]
fn what_is_connected_is_what_is_heard() {
    let mut card = VirtualCard::new(&dome(), &[], None, free(quiet())).unwrap();
    let operator = card.operator();
    let loudest = |card: &mut VirtualCard| {
        let (_, second, _) = take(card, SHAPE, 24_000);
        second.iter().fold(0.0f32, |a, x| a.max(x.abs()))
    };
    let jig = loudest(&mut card);
    operator.connect(&What::of("mouth-near")).unwrap();
    let near = loudest(&mut card);
    card.connect(&What::of("floor-2m")).unwrap();
    let far = loudest(&mut card);
    assert!(jig > 0.05 && near > 2.0 * far, "{jig} {near} {far}");
    operator.mistake(Some(left_at(&What::of("mouth-near"))));
    // A tone's peak depends on where the samples fall: 1 %.
    assert!((loudest(&mut card) / near - 1.0).abs() < 0.01);
    operator.mistake(Some(Mistake::Dead));
    assert_eq!(loudest(&mut card), 0.0);
    let error = operator.connect(&What::of("attic")).unwrap_err();
    assert!(error.to_string().contains("no probe 'attic'"));
}

#[test]
fn lost_and_repeated_frames_are_in_the_signal_and_nowhere_else() {
    for (mishap, frames) in [(Mishap::Lost(500), 500i64), (Mishap::Repeated(300), -300)] {
        let mut choices = free(quiet());
        choices.mishap = Some((0.4, mishap));
        let mut card = VirtualCard::new(&dome(), &[], None, choices).unwrap();
        let (first, _, fault) = take(&mut card, SHAPE, 48_000);
        assert_eq!(fault, None);
        let start = onset(&first);
        // A tone of 100 Hz repeats after 480 frames: its phase before and after tells how many are gone.
        let fit = |from: usize| -> f64 {
            let (mut re, mut im) = (0.0, 0.0);
            for k in 0..4_800 {
                let angle = std::f64::consts::TAU * (from + k) as f64 / 480.0;
                re += f64::from(first[from + k]) * angle.cos();
                im += f64::from(first[from + k]) * angle.sin();
            }
            re.atan2(im)
        };
        let jump = (fit(first.len() - 5_000) - fit(start + 2_000)) / std::f64::consts::TAU * 480.0;
        // DERIVED: the phase of a tone is modulo a period; 1 frame for the fit.
        let off = (jump - frames as f64).rem_euclid(480.0);
        assert!(!(1.0..=479.0).contains(&off), "{mishap:?}: {jump}");
    }
}

#[test]
fn a_card_that_fails_ends_in_a_fault_or_in_silence() {
    let with = |mishap| {
        let mut choices = free(quiet());
        choices.mishap = Some((0.1, mishap));
        VirtualCard::new(&dome(), &[], None, choices).unwrap()
    };
    let (.., fault) = take(&mut with(Mishap::Gone), SHAPE, 480_000);
    assert_eq!(fault, Some(FaultKind::Gone));
    for mishap in [Mishap::Mute, Mishap::Hangs] {
        let mut card = with(mishap);
        let fault = Arc::new(Fault::default());
        let running = card
            .start(
                SHAPE,
                Box::new(|_| {}),
                Box::new(|_| {}),
                Arc::clone(&fault),
            )
            .unwrap();
        std::thread::sleep(Duration::from_millis(300));
        let asked = Instant::now();
        let stopped = running.stop();
        assert_eq!(stopped.is_err(), mishap == Mishap::Hangs);
        assert!(asked.elapsed() < Duration::from_secs(2));
        assert_eq!(fault.get(), None);
    }
    let mut card = VirtualCard::new(&dome(), &[], None, free(quiet())).unwrap();
    let fault = Arc::new(Fault::default());
    let play: Play = Box::new(|_| panic!("a callback that panics"));
    let running = card
        .start(SHAPE, play, Box::new(|_| {}), Arc::clone(&fault))
        .unwrap();
    while fault.get().is_none() {
        std::thread::sleep(Duration::from_millis(1));
    }
    running.stop().unwrap();
    assert_eq!(fault.get(), Some(FaultKind::Other));
}

#[test]
fn channels_and_rates_that_it_does_not_have_are_refused() {
    let mut card = VirtualCard::new(&dome(), &[], None, free(quiet())).unwrap();
    for (shape, word) in [
        (
            Shape {
                sample_rate_hz: 22_050,
                ..SHAPE
            },
            "22050 Hz",
        ),
        (Shape { inputs: 1, ..SHAPE }, "1 inputs"),
        (Shape { inputs: 9, ..SHAPE }, "9 inputs"),
        (
            Shape {
                outputs: 0,
                ..SHAPE
            },
            "0 outputs",
        ),
    ] {
        let fault = Arc::new(Fault::default());
        let started = card.start(shape, Box::new(|_| {}), Box::new(|_| {}), fault);
        let text = started.err().unwrap().to_string();
        assert!(text.contains(word), "{text}");
    }
    let mut other = free(quiet());
    other.plugs = Plugs {
        output: 0,
        reference: None,
        signal: 0,
    };
    let mut mono = VirtualCard::new(&dome(), &[], None, other).unwrap();
    let shape = Shape {
        inputs: 1,
        outputs: 1,
        ..SHAPE
    };
    let (first, ..) = take(&mut mono, shape, 24_000);
    assert!(first.iter().any(|x| x.abs() > 0.01));
}

#[test]
fn faults_are_set_as_in_a_rehearsal() {
    let fault: Setting = "driver.cms=x0.5".parse().unwrap();
    assert!(VirtualCard::new(&dome(), &[fault], None, free(quiet())).is_ok());
    let fault: Setting = "driver.cmss=x0.5".parse().unwrap();
    let error = VirtualCard::new(&dome(), &[fault], None, free(quiet()))
        .err()
        .unwrap();
    assert!(
        error.to_string().contains("the nearest is 'driver.cms'"),
        "{error}"
    );
    // Tolerances are drawn by the seed: one unit per seed.
    let unit = |seed| {
        let card = VirtualCard::new(&dome(), &[], Some(seed), free(quiet())).unwrap();
        let state = card.operator.state();
        state.design.clone()
    };
    assert!(unit(1) == unit(1) && unit(1) != unit(2));
}
