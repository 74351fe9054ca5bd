//! Planted changes are found: responses of a changed design, with noise and a small smooth error that the model
//! does not contain.

#![allow(clippy::unwrap_used)]

use bassay::align::align;
use bassay::design::{AirConditions, Design, read::read};
use bassay::measure::{Impulse, Observation, Response, Take};
use bassay::model::Observed;
use bassay::model::network::Network;
use num_complex::Complex64;
use std::path::Path;

/// A small generator (SplitMix64), normal numbers by Box and Muller.
struct Chance(u64);

impl Chance {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (-2.0 * self.next().max(1e-300).ln()).sqrt() * (std::f64::consts::TAU * self.next()).cos()
    }
}

/// Responses of a design with relative noise and a smooth error of 0.5 % (a sum of slow waves over ln f).
fn responses(design: &Design, seed: u64) -> Vec<Response> {
    let mut chance = Chance(seed);
    let frequency_hz = Response::grid(6.0, 400.0);
    let network = Network::new(design, &AirConditions::default()).unwrap();
    let mut list = Vec::new();
    let observed: Vec<Observed> = std::iter::once(Observed::Impedance)
        .chain((0..design.probes.len()).map(Observed::Probe))
        .collect();
    for (o, value) in observed
        .iter()
        .zip(network.respond(&frequency_hz, &observed, 2.83))
    {
        let waves: Vec<(f64, f64, f64, f64)> = (0..6)
            .map(|n| {
                (
                    0.8 + f64::from(n),
                    chance.next() * std::f64::consts::TAU,
                    0.0025 * chance.normal(),
                    0.0025 * chance.normal(),
                )
            })
            .collect();
        let noise = 1e-3;
        let mut measured = Vec::new();
        let mut noise_rms = Vec::new();
        for (f, v) in frequency_hz.iter().zip(&value) {
            let x = f.ln();
            let slow: Complex64 = waves
                .iter()
                .map(|&(rate, phase, a, b)| Complex64::new(a, b) * (rate * 2.0 * x + phase).sin())
                .sum();
            let random = Complex64::new(chance.normal(), chance.normal())
                * (noise / std::f64::consts::SQRT_2);
            measured.push(v * (slow + random).exp());
            noise_rms.push(v.norm() * noise);
        }
        let (observation, absolute) = match o {
            Observed::Impedance => (Observation::Impedance, true),
            Observed::Probe(i) => (
                Observation::Pressure {
                    probe: design.probes[*i].name.clone(),
                },
                true,
            ),
        };
        list.push(Response {
            observation,
            frequency_hz: frequency_hz.clone(),
            value: measured,
            noise_rms,
            calibration_relative: 0.0145,
            resolution_hz: 0.01,
            absolute,
            timed: true,
            has_phase: true,
            drive_v: Some(2.83),
            ahead_ohm: None,
            take: Take {
                file: "synthetic".to_string(),
                digest: String::new(),
                sample_rate_hz: 48000,
                snr_db: 60.0,
                snr_bands: Vec::new(),
                clipped: false,
                drift_ppm: 0.0,
                drift_sd_ppm: None,
                polarity: 1,
                usable_hz: [6.0, 400.0],
                start_s: 0.5,
                warnings: Vec::new(),
            },
            harmonics: Vec::new(),
            impulse: Impulse::default(),
        });
    }
    list
}

fn dome() -> Design {
    read(Path::new("tests/designs/dome.toml")).unwrap()
}

/// Builds the unit with changed values, aligns the design to it, and gives (found paths, truth inside 95 %).
fn find(changes: &[(&str, f64)], seed: u64) -> (Vec<String>, Vec<bool>) {
    let design = dome();
    let mut unit = design.clone();
    let mut truths = Vec::new();
    for (path, factor) in changes {
        for p in unit.matching(path) {
            unit.set(p, design.value(p) * factor);
            truths.push((path.to_string(), design.value(p) * factor));
        }
    }
    let mut measured = responses(&unit, seed);
    let fit = align(
        &design,
        &[],
        AirConditions::default(),
        &mut measured,
        None,
        &mut |_| {},
    )
    .unwrap();
    let found = fit
        .faults
        .iter()
        .map(|f| fit.unknowns[f.unknown].path.clone())
        .collect();
    let held = truths
        .iter()
        .map(|(path, value)| {
            fit.estimates.iter().any(|e| {
                fit.unknowns[e.unknown].path == *path && e.low95 <= *value && *value <= e.high95
            })
        })
        .collect();
    (found, held)
}

#[test]
fn a_sound_unit_has_no_finding() {
    for seed in 1..4 {
        let (found, _) = find(
            &[
                ("driver.cms", 1.07),
                ("resistor.r1.resistance", 0.95),
                ("leak.seam.resistance", 1.2),
            ],
            seed,
        );
        assert!(found.is_empty(), "{found:?}");
    }
}

#[test]
fn single_faults_are_named_and_inside_their_intervals() {
    for (path, factor) in [
        ("leak.seam.resistance", 0.1),
        ("resistor.r1.resistance", 0.4),
        ("resistor.r2.resistance", 2.5),
        ("resistor.r1.resistance", 1e-3),
        ("resistor.r1.resistance", 1e4),
        ("duct.d2.length", 0.94 / 0.90),
        ("chamber.rear-box.volume", 0.88),
        ("duct.*.loss", 3.0),
        ("driver.cms", 1.8),
    ] {
        let (found, held) = find(&[(path, factor)], 7);
        assert_eq!(
            found.first().map(String::as_str),
            Some(path),
            "{path} × {factor}: {found:?}"
        );
        let extreme = !(1e-2..1e2).contains(&factor);
        assert!(
            extreme || held[0],
            "{path} × {factor}: truth outside the interval"
        );
    }
}

#[test]
fn two_faults_are_named_together() {
    let (mut found, held) = find(
        &[
            ("leak.seam.resistance", 0.12),
            ("resistor.r1.resistance", 0.45),
        ],
        11,
    );
    found.sort();
    assert_eq!(found, ["leak.seam.resistance", "resistor.r1.resistance"]);
    assert!(held.iter().all(|h| *h));
}
