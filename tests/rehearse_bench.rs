//! The virtual bench: what options change, what must not change, and what holds for every unit.

#![allow(clippy::unwrap_used)]

mod cabinet;

use bassay::design::*;
use bassay::rehearse::air::Air;
use bassay::rehearse::settings::{Setting, build};
use bassay::rehearse::{Recording, Wanted, frequency_response, response_in, simulate};
use cabinet::cabinet;

fn short(design: &Design) -> Recording {
    let mut plan = Recording::of(design);
    plan.sweep.start_hz = 10.0;
    plan.sweep.duration_s = 1.5;
    plan.sweep.silence_before_s = 0.2;
    plan.sweep.silence_after_s = 0.5;
    plan.sweep.sample_rate_hz = 8_000;
    plan
}

fn rms(x: &[f64]) -> f64 {
    (x.iter().map(|x| x * x).sum::<f64>() / x.len() as f64).sqrt()
}

#[test]
fn one_seed_gives_one_recording_and_another_seed_another() {
    let design = cabinet();
    let plan = short(&design);
    let first = simulate(&design, &plan).unwrap();
    // DERIVED: same seed, same bits.
    assert_eq!(first, simulate(&design, &plan).unwrap());
    let other = simulate(&design, &Recording { seed: 2, ..plan }).unwrap();
    assert_ne!(first.captures[1].channel, other.captures[1].channel);
}

#[test]
fn every_option_changes_what_it_should() {
    let design = cabinet();
    let mut plan = short(&design);
    plan.noise_db_spl = None;
    let clean = simulate(&design, &plan).unwrap();
    let near = 1;
    let difference = |changed: &Recording, capture: usize, channel: usize| -> Vec<f64> {
        let got = simulate(&design, changed).unwrap();
        got.captures[capture].channel[channel]
            .iter()
            .zip(&clean.captures[capture].channel[channel])
            .map(|(a, b)| a - b)
            .collect()
    };
    let scale = clean.captures[near].kind.clone();
    let per_pa = match scale {
        captures::CaptureKind::Pressure { scale, .. } => 1.0 / scale.pa_per_unit().unwrap(),
        captures::CaptureKind::Impedance { .. } => unreachable!(),
    };
    // Noise of 60 dB is 0.02 Pa in the band (DERIVED), white and pink together a little more over all.
    let noisy = rms(&difference(
        &Recording {
            noise_db_spl: Some(60.0),
            ..plan.clone()
        },
        near,
        1,
    )) / per_pa;
    assert!((0.019..0.05).contains(&noisy), "{noisy}");
    // Hum of 60 dB at 50 Hz: 0.02·√(1 + 0.25 + 0.1) Pa (DERIVED).
    let hum = rms(&difference(
        &Recording {
            hum_db_spl: Some(60.0),
            ..plan.clone()
        },
        near,
        1,
    )) / per_pa;
    assert!((hum / (0.02 * 1.35f64.sqrt()) - 1.0).abs() < 0.02, "{hum}");
    let slam = difference(
        &Recording {
            slam: true,
            ..plan.clone()
        },
        near,
        1,
    );
    assert!(rms(&slam) / per_pa > 0.01);
    assert_eq!(
        rms(&difference(
            &Recording {
                slam: true,
                ..plan.clone()
            },
            near,
            0
        )),
        0.0
    );
    let offset = difference(
        &Recording {
            offset: 0.01,
            ..plan.clone()
        },
        near,
        1,
    );
    assert!(offset.iter().all(|x| (x - 0.01).abs() < 1e-12));
    // 100 ppm over 1.5 s are 0.15 ms (DERIVED): visible at once, in both channels.
    let drift = Recording {
        drift_ppm: 100.0,
        ..plan.clone()
    };
    assert!(rms(&difference(&drift, near, 0)) > 1e-3);
    let bent = Recording {
        nonlinear: 1.0,
        voltage_v: Some(20.0),
        ..plan.clone()
    };
    let straight = Recording {
        voltage_v: Some(20.0),
        ..plan.clone()
    };
    let linear = simulate(&design, &straight).unwrap();
    let crooked = simulate(&design, &bent).unwrap();
    assert_ne!(
        linear.captures[near].channel[1],
        crooked.captures[near].channel[1]
    );
    assert_eq!(
        linear.captures[near].channel[0],
        crooked.captures[near].channel[0]
    );
    let clipped = simulate(
        &design,
        &Recording {
            clip_db: Some(6.0),
            ..plan.clone()
        },
    )
    .unwrap();
    let full = clipped.captures[near].channel[1]
        .iter()
        .filter(|x| x.abs() >= 1.0)
        .count();
    assert!(full > 10, "{full}");
    let alone = simulate(
        &design,
        &Recording {
            reference: false,
            ..plan.clone()
        },
    )
    .unwrap();
    assert_eq!(alone.captures[near].channel.len(), 1);
    let loud = Recording {
        probe_gain: vec![("mouth-near".into(), 1.1)],
        ..plan.clone()
    };
    let loud = simulate(&design, &loud).unwrap();
    let ratio = rms(&loud.captures[near].channel[1]) / rms(&clean.captures[near].channel[1]);
    assert!(
        (ratio - 1.1).abs() < 1e-9 || (ratio * 10f64.sqrt() - 1.1).abs() < 1e-3,
        "{ratio}"
    );
}

#[test]
fn what_cannot_be_recorded_is_refused_by_name() {
    let design = cabinet();
    let mut plan = short(&design);
    plan.captures.push(Wanted::Pressure("mouth-naer".into()));
    let message = simulate(&design, &plan).unwrap_err().to_string();
    assert!(
        message.contains("mouth-naer") && message.contains("mouth-near"),
        "{message}"
    );
    let mut plan = short(&design);
    plan.sweep.stop_hz = 5.0;
    assert!(
        simulate(&design, &plan)
            .unwrap_err()
            .to_string()
            .contains("stop frequency")
    );
    let wrong: Setting = "duct.d9.length=x1.1".parse().unwrap();
    let message = build(&design, &[wrong], None).unwrap_err().to_string();
    assert!(
        message.contains("duct.d9.length") && message.contains("nearest is 'duct.d"),
        "{message}"
    );
    let wrong: Setting = "driver.cms=-5e-3".parse().unwrap();
    assert!(build(&design, &[wrong], None).is_err());
}

#[test]
fn settings_and_tolerances_reach_the_unit() {
    let mut design = cabinet();
    design.tolerance.push(ToleranceRule {
        pattern: "duct.*.length".into(),
        spread: Spread::Absolute(0.002),
    });
    design.tolerance.push(ToleranceRule {
        pattern: "driver.cms".into(),
        spread: Spread::Relative(0.1),
    });
    let settings: Vec<Setting> = ["resistor.*.resistance=x0.6", "probe.mouth-near.gain=1.05"]
        .iter()
        .map(|text| text.parse().unwrap())
        .collect();
    let drawn = build(&design, &settings, Some(5)).unwrap();
    let paths: Vec<&str> = drawn.differences.iter().map(|d| d.path.as_str()).collect();
    assert!(paths.contains(&"driver.cms") && paths.contains(&"duct.d0.length"));
    assert!(paths.contains(&"probe.mouth-near.gain"));
    let r = drawn
        .differences
        .iter()
        .find(|d| d.path == "resistor.r0.resistance")
        .unwrap();
    assert!((r.actual / r.designed - 0.6).abs() < 1e-12);
    assert_eq!(drawn, build(&design, &settings, Some(5)).unwrap());
    assert_ne!(
        drawn.design,
        build(&design, &settings, Some(6)).unwrap().design
    );
}

#[test]
fn halving_the_step_quarters_the_error() {
    let design = cabinet();
    let air = Air::new(design.air);
    let hz = [40.0, 110.0, 180.0, 260.0];
    let at = |finer: f64| {
        response_in(&design, &air, &hz, finer)
            .unwrap()
            .impedance_ohm
    };
    let (coarse, fine, finest) = (at(1.0), at(2.0), at(8.0));
    let error = |z: &[num_complex::Complex64]| -> f64 {
        z.iter()
            .zip(&finest)
            .map(|(a, b)| ((a - b) / b).norm_sqr())
            .sum::<f64>()
            .sqrt()
    };
    let ratio = error(&coarse) / error(&fine);
    eprintln!("{:.2e} {:.2e} {ratio:.2}", error(&coarse), error(&fine));
    // DERIVED: second order, 4·(1 − 1/64)/(1 − 1/16) = 4.2 against the eighth; cells are whole, so not exactly.
    assert!((2.5..7.0).contains(&ratio), "{ratio}");
    // The step that is used is good for 0.05 dB.
    assert!(error(&coarse) < 0.01);
}

#[test]
fn extreme_resistances_and_odd_connections_stay_finite_and_decay() {
    type Change = Box<dyn Fn(&mut Design)>;
    let cases: Vec<(&str, Change)> = vec![
        (
            "missing resistors",
            Box::new(|d| {
                d.resistors
                    .iter_mut()
                    .for_each(|r| r.resistance = Resistance::Acoustic(0.0))
            }),
        ),
        (
            "blocked resistors",
            Box::new(|d| {
                d.resistors
                    .iter_mut()
                    .for_each(|r| r.resistance = Resistance::Acoustic(1e12))
            }),
        ),
        ("open back", Box::new(|d| d.driver.rear = OUTSIDE.into())),
        ("blocked cone", Box::new(|d| d.driver.rear = CLOSED.into())),
        ("eighth space", Box::new(|d| d.space = Space::Eighth)),
        (
            "free space",
            Box::new(|d| {
                d.space = Space::Full;
                d.openings.iter_mut().for_each(|o| o.flange = Flange::None);
            }),
        ),
        ("short duct", Box::new(|d| d.ducts[1].length_m = 0.004)),
        (
            "mouth above the floor",
            Box::new(|d| {
                d.space = Space::Eighth;
                d.openings[0].position_m = [0.0, 0.6, 0.55];
            }),
        ),
        (
            "two mouths in a corner",
            Box::new(|d| {
                d.space = Space::Eighth;
                d.openings[0].position_m = [0.0, 0.2, 0.15];
                let mut more = d.openings[0].clone();
                more.name = "more".into();
                more.at = "j3".into();
                more.area_m2 = 0.06;
                more.shape = OpeningShape::Round;
                more.position_m = [0.0, 0.9, 0.2];
                d.openings.push(more);
            }),
        ),
        ("creep", Box::new(|d| d.driver.creep = 0.1)),
        (
            "three mouths",
            Box::new(|d| {
                for (k, y) in [0.45, -0.5].into_iter().enumerate() {
                    let mut more = d.openings[0].clone();
                    more.name = format!("more{k}");
                    more.at = format!("j{}", 4 + k);
                    more.area_m2 = 0.05;
                    more.position_m = [0.0, y, 0.0];
                    d.openings.push(more);
                }
            }),
        ),
        (
            "cone outside",
            Box::new(|d| {
                d.openings.push(Opening {
                    name: "cone".into(),
                    at: "back".into(),
                    position_m: [0.0, 1.0, 0.0],
                    area_m2: 0.0855,
                    ..d.openings[0].clone()
                });
                d.driver.rear = "back".into();
            }),
        ),
        (
            "end correction",
            Box::new(|d| d.openings[0].end_correction_factor = 1.3),
        ),
        ("mitred", Box::new(|d| d.ducts[2].bend = Bend::Mitred)),
    ];
    for (name, change) in cases {
        let mut design = cabinet();
        change(&mut design);
        // A response exists only if the free decay reached a billionth of its peak or stayed bounded for 12 s.
        let got = frequency_response(&design, &[20.0, 60.0, 150.0, 300.0])
            .unwrap_or_else(|error| panic!("{name}: {error}"));
        for z in &got.impedance_ohm {
            // DERIVED: a passive load behind Re.
            assert!(
                z.re >= design.driver.re_ohm * 0.999 && z.norm() < 1e4,
                "{name}: {z}"
            );
        }
        let p = &got.pressure_pa_per_v[0];
        assert!(p.iter().all(|p| p.norm().is_finite()), "{name}");
    }
}

/// Run by hand: `cargo test --release --test rehearse_bench speed -- --ignored --nocapture`.
#[test]
#[ignore = "a measurement, not a check"]
fn speed() {
    let design = cabinet();
    let plan = Recording::of(&design);
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build()
        .unwrap();
    for _ in 0..3 {
        let started = std::time::Instant::now();
        let got = pool.install(|| simulate(&design, &plan)).unwrap();
        eprintln!(
            "{} captures in {:.2?}",
            got.captures.len(),
            started.elapsed()
        );
    }
}
