use super::*;
use crate::design::captures::SweepPlan;
use crate::rehearse::{Recording, simulate, sweep};

fn dome() -> Design {
    crate::design::read::read(std::path::Path::new("tests/designs/dome.toml")).unwrap()
}

fn short() -> SweepPlan {
    SweepPlan {
        duration_s: 1.5,
        silence_before_s: 0.1,
        silence_after_s: 0.4,
        ..SweepPlan::default()
    }
}

/// Everything without noise, so that only the simulation counts.
fn quiet() -> Live {
    Live {
        noise_db_spl: None,
        microphone_v_per_unit: 10.0,
        ..Live::default()
    }
}

/// What a stream hears of a sweep of 2.83 V, in blocks of changing size; channels in full scale.
fn streamed(
    design: &Design,
    wanted: &Wanted,
    live: &Live,
    plan: &SweepPlan,
) -> (Vec<[f64; 2]>, f64) {
    let mut unit = LiveUnit::new(design, wanted, live).unwrap();
    let rate = f64::from(live.sample_rate_hz);
    let level = std::f64::consts::SQRT_2 * 2.83 / live.amplifier_v_per_unit;
    let whole_s = plan.silence_before_s + plan.duration_s + plan.silence_after_s;
    let played: Vec<f64> = (0..(whole_s * rate) as usize)
        .map(|k| level * sweep::value(plan, k as f64 / rate - plan.silence_before_s))
        .collect();
    let mut heard = Vec::new();
    let (mut at, mut size) = (0, 1);
    while at < played.len() {
        let end = (at + size).min(played.len());
        unit.play(&played[at..end], &mut heard).unwrap();
        at = end;
        size = size * 3 % 1021 + 1;
    }
    (heard, unit.latency_s())
}

/// Largest difference between a stream and the recorded takes, over the takes' peak: first and second channel.
fn apart(design: &Design, live: &Live, wanted: &Wanted) -> [f64; 2] {
    let plan = SweepPlan {
        sample_rate_hz: live.sample_rate_hz,
        ..short()
    };
    let mut recording = Recording {
        captures: vec![wanted.clone()],
        sweep: plan,
        noise_db_spl: None,
        nonlinear: live.nonlinear,
        drift_ppm: live.drift_ppm,
        ..Recording::of(design)
    };
    recording.voltage_v = Some(2.83);
    let take = &simulate(design, &recording).unwrap().captures[0];
    let (heard, latency_s) = streamed(design, wanted, live, &plan);
    let late = (latency_s * f64::from(live.sample_rate_hz)).round() as usize;
    // Both in full scales of their own: compared as fractions of the peak.
    [0, 1].map(|channel| {
        let peak = |list: &mut dyn Iterator<Item = f64>| list.fold(0.0f64, |a, x| a.max(x.abs()));
        let most = peak(&mut take.channel[channel].iter().copied());
        let full = peak(&mut heard.iter().map(|frame| frame[channel]));
        let count = heard.len() - late;
        (0..count)
            .map(|k| heard[k + late][channel] / full - take.channel[channel][k] / most)
            .fold(0.0, |a: f64, x| a.max(x.abs()))
    })
}

#[test]
fn a_stream_hears_what_the_recorder_writes() {
    let design = dome();
    for wanted in [
        Wanted::Impedance,
        Wanted::Pressure("mouth-near".into()),
        Wanted::Pressure("floor-2m".into()),
        Wanted::Pressure("box-inside".into()),
    ] {
        for sample_rate_hz in [44_100, 48_000, 96_000] {
            let live = Live {
                sample_rate_hz,
                ..quiet()
            };
            // DERIVED: two interpolators of −100 dB each (tests of `resample`), and the same once more where the peak
            // is found: 3e-5.
            let off = apart(&design, &live, &wanted);
            assert!(
                off[0] < 3e-5 && off[1] < 3e-5,
                "{wanted:?} {sample_rate_hz}: {off:?}"
            );
        }
    }
}

#[test]
fn a_nonlinear_driver_streams_as_it_is_recorded() {
    let live = Live {
        nonlinear: 3.0,
        ..quiet()
    };
    let off = apart(&dome(), &live, &Wanted::Pressure("mouth-near".into()));
    // DERIVED: as above; the nonlinearity adds nothing of its own at this level.
    assert!(off[1] < 3e-5, "{off:?}");
}

#[test]
fn every_block_gives_its_frames_at_once_and_a_fast_recorder_more() {
    let design = dome();
    for (drift_ppm, more) in [(0.0, 0), (1_000.0, 96), (-1_000.0, -96)] {
        let live = Live {
            drift_ppm,
            ..quiet()
        };
        let (heard, _) = streamed(&design, &Wanted::Impedance, &live, &short());
        // DERIVED: 2 s at 48 kHz and a clock that is 1000 ppm off.
        assert_eq!(heard.len() as i64, 96_000 + more, "{drift_ppm}");
    }
    let mut unit = LiveUnit::new(&design, &Wanted::Impedance, &quiet()).unwrap();
    let mut heard = Vec::new();
    for n in 1..200 {
        unit.play(&vec![0.0; n], &mut heard).unwrap();
        assert_eq!(heard.len(), n * (n + 1) / 2);
    }
}

#[test]
fn a_drifting_recorder_hears_the_same_sound_stretched() {
    let design = dome();
    let wanted = Wanted::Pressure("mouth-near".into());
    let plan = short();
    let (exact, latency_s) = streamed(&design, &wanted, &quiet(), &plan);
    let live = Live {
        drift_ppm: 1_000.0,
        ..quiet()
    };
    let (fast, _) = streamed(&design, &wanted, &live, &plan);
    let peak = exact.iter().fold(0.0f64, |a, f| a.max(f[1].abs()));
    let _ = latency_s;
    // DERIVED: sample 1001·k of the fast recorder is sample 1000·k of the exact one. 1e-4: interpolation.
    for k in 0..95 {
        let (a, b) = (exact[1_000 * k][1], fast[1_001 * k][1]);
        assert!((a - b).abs() < 1e-4 * peak, "{k}: {a} {b}");
    }
}

#[test]
fn a_long_stream_does_not_grow() {
    let design = dome();
    let mut unit = LiveUnit::new(
        &design,
        &Wanted::Pressure("floor-2m".into()),
        &Live::default(),
    )
    .unwrap();
    let mut heard = Vec::new();
    let block = vec![0.01; 4_800];
    for _ in 0..200 {
        heard.clear();
        unit.play(&block, &mut heard).unwrap();
        let Behind::Room(inner, _) = &unit.behind else {
            panic!("the unit stands before a microphone");
        };
        let flow = inner.flow().iter().map(Vec::len).max().unwrap_or(0);
        let held = [&unit.played, &unit.first, &unit.second].map(|tape| tape.sample.len());
        let most = held.iter().fold(flow, |a, n| a.max(*n));
        // DERIVED: a block, the pieces of 8192 and 4096 in which the past is dropped, and filters of a few hundred: far
        // below the 960,000 frames that were played.
        assert!(most < 16_384, "{held:?} {flow}");
    }
}

#[test]
fn mistakes_are_what_they_say() {
    let design = dome();
    let (near, far) = (
        Wanted::Pressure("mouth-near".into()),
        Wanted::Pressure("floor-2m".into()),
    );
    let plan = SweepPlan {
        duration_s: 0.5,
        ..short()
    };
    let with = |mistake: Option<Mistake>, wanted: &Wanted| {
        let live = Live { mistake, ..quiet() };
        streamed(&design, wanted, &live, &plan).0
    };
    let right = with(None, &near);
    // DERIVED: by their definitions; the same arithmetic, so that they agree exactly.
    assert_eq!(
        with(Some(Mistake::LeftAt(far.clone())), &near),
        with(None, &far)
    );
    let inverted = with(Some(Mistake::Inverted), &near);
    assert!(
        right
            .iter()
            .zip(&inverted)
            .all(|(a, b)| a[0] == b[0] && a[1] == -b[1])
    );
    assert!(with(Some(Mistake::Dead), &near).iter().all(|f| f[1] == 0.0));
    let swapped = with(Some(Mistake::Swapped), &near);
    // Volts of the loop-back in the microphone's input: full scales of 40 and 10 V.
    let off = right.iter().zip(&swapped).fold(0.0f64, |a, (r, s)| {
        a.max((s[1] - (4.0 * r[0]).clamp(-1.0, 1.0)).abs())
            .max((4.0 * s[0] - r[1]).abs())
    });
    assert!(off < 1e-12, "{off}");
}

#[test]
fn room_noise_hum_slam_and_clipping_arrive() {
    let design = dome();
    let near = Wanted::Pressure("mouth-near".into());
    let silence = |live: &Live| {
        let mut unit = LiveUnit::new(&design, &near, live).unwrap();
        let mut heard = Vec::new();
        unit.play(&vec![0.0; 192_000], &mut heard).unwrap();
        let mean = heard.iter().map(|f| f[1] * f[1]).sum::<f64>() / heard.len() as f64;
        (
            mean.sqrt(),
            heard.iter().fold(0.0f64, |a, f| a.max(f[1].abs())),
        )
    };
    let rms = |live: &Live| silence(live).0;
    let hum = Live {
        hum_db_spl: Some(94.0),
        ..quiet()
    };
    // DERIVED: 94 dB are 1.0024 Pa, the second and third line 0.5 and 0.316 of the first; 12.5 mV/Pa over 10 V.
    // 1 %: whole periods within the stretch.
    let wanted = 1.0024 * (1.0f64 + 0.25 + 0.1).sqrt() * 0.00125;
    assert!(
        (rms(&hum) / wanted - 1.0).abs() < 0.01,
        "{} {wanted}",
        rms(&hum)
    );
    let slammed = Live {
        slam_s: Some([1.0, 2.0]),
        ..quiet()
    };
    // DERIVED: at least 2 Pa times the door's own waveform, whose peak is above a third of its scale.
    assert!(silence(&slammed).1 > 2.0 / 3.0 * 0.00125);
    assert_eq!(silence(&quiet()).1, 0.0);
    let clipped = Live {
        offset: 1.5,
        ..quiet()
    };
    assert_eq!(silence(&clipped).1, 1.0);
}

#[test]
fn a_probe_that_is_not_there_is_named() {
    let error = LiveUnit::new(&dome(), &Wanted::Pressure("attic".into()), &Live::default()).err();
    assert!(error.unwrap().to_string().contains("no probe 'attic'"));
}

/// How many seconds of sound a second computes; run by hand, because it reads the clock.
#[test]
#[ignore = "measures speed: cargo test --release --lib rehearse::live -- --ignored --nocapture"]
fn faster_than_real_time() {
    let design = dome();
    for what in [Wanted::Impedance, Wanted::Pressure("floor-2m".into())] {
        let mut unit = LiveUnit::new(&design, &what, &Live::default()).unwrap();
        let mut heard = Vec::new();
        let block = vec![0.1; 480];
        let started = std::time::Instant::now();
        for _ in 0..2_000 {
            heard.clear();
            unit.play(&block, &mut heard).unwrap();
        }
        let factor = 20.0 / started.elapsed().as_secs_f64();
        println!("{what:?}: {factor:.1} times real time");
        // A card in real time must keep up with room to spare.
        assert!(factor > 2.0, "{factor}");
    }
}

/// DERIVED: (R + leads)/(R + leads + reference) of a resistor, one of both inputs on a point, each times the ratio of gains; and a
/// tone of 20 µPa·10^(L/20) RMS through the microphone, its loop-back without any of it.
#[test]
fn known_things_are_what_they_are_said_to_be() {
    let live = Live {
        noise_db_spl: None,
        ..Live::to_train_at()
    };
    let rms = |x: &[f64]| (x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64).sqrt();
    // Whole periods of 100 Hz and of 1 kHz, behind the latency.
    let heard = |wired: &Wired| -> [f64; 2] {
        let played: Vec<f64> = (0..24_000)
            .map(|n| 0.1 * (TAU * 100.0 * f64::from(n) / 48_000.0).sin())
            .collect();
        let mut unit = LiveUnit::wired(&dome(), wired, &live).unwrap();
        let mut heard = Vec::new();
        unit.play(&played, &mut heard).unwrap();
        let late = &heard[9_600..19_200];
        [0, 1].map(|k| rms(&late.iter().map(|frame| frame[k]).collect::<Vec<f64>>()))
    };
    let expected = |ohm: f64| {
        let seen = ohm + live.lead_ohm;
        live.gain_ratio * seen / (seen + live.reference_ohm)
    };
    let mut cases: Vec<(Wired, f64)> = [0.0, 4.7, 22.0, 1e6]
        .map(|ohm| (Wired::Resistor(ohm), expected(ohm)))
        .into();
    cases.push((Wired::BothInputs, live.gain_ratio));
    for (wired, want) in cases {
        let [first, second] = heard(&wired);
        // The resampler's own error is common to both: rounding is left.
        assert!((second / first / want - 1.0).abs() < 1e-9, "{wired:?}");
    }
    let [first, second] = heard(&Wired::Calibrator(94.0));
    let volts = 20e-6 * 10f64.powf(94.0 / 20.0) * SENSITIVITY_V_PER_PA * live.gain_ratio;
    assert!((second * live.microphone_v_per_unit / volts - 1.0).abs() < 1e-9);
    // What is played stands on the loop-back all the same: 0.1 of full scale.
    assert!(
        (first / (0.1 / std::f64::consts::SQRT_2) - 1.0).abs() < 1e-3,
        "{first}"
    );
}
