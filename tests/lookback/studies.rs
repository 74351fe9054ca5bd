//! Gauge studies against simulation; the worked example and the general library are in `tests/outside/production.rs`.

use bassay::production::gauge::{MeanSquares, mean_squares};
use bassay::production::gauge_interval::gauge_study_of_draws;
use bassay::special::deviates::Deviates;

/// Intervals of simulated studies hold the truth: 10 parts, 3 people, 3 repeats, 1000 studies. 95 % less four standard
/// errors (2.8 %), and less than all.
#[test]
fn intervals_of_studies_hold() {
    // Standard deviations of parts, people, interaction, repeats.
    for [s_p, s_o, s_i, s_e] in [
        [1.0, 0.2, 0.1, 0.2],
        [1.0, 0.05, 0.0, 0.4],
        [0.3, 0.3, 0.3, 0.3],
    ] {
        let truth = [
            s_e * s_e,
            s_o * s_o + s_i * s_i,
            s_e * s_e + s_o * s_o + s_i * s_i,
            s_p * s_p,
        ];
        let mut held = [0_u32; 4];
        let mut told = 0;
        let runs = 1000;
        for seed in 0..runs {
            let squares = simulated(seed, [s_p, s_o, s_i, s_e]);
            let study = gauge_study_of_draws(squares, false, 0.95, 400);
            let list = [
                study.repeatability,
                study.reproducibility,
                study.gauge,
                study.parts,
            ];
            for ((count, e), truth) in held.iter_mut().zip(list).zip(truth) {
                *count += u32::from(e.low <= truth && truth <= e.high);
            }
            let categories = 1.41 * (truth[3] / truth[2]).sqrt();
            told += u32::from(
                study.categories.low <= categories && categories <= study.categories.high,
            );
        }
        for (what, count) in ["repeats", "people", "gauge", "parts", "categories"]
            .iter()
            .zip(held.into_iter().chain([told]))
        {
            let share = f64::from(count) / runs as f64;
            println!("{what}: {share}");
            assert!(share >= 0.922, "{what} of {s_p} {s_o} {s_i} {s_e}: {share}");
        }
    }
}

/// Mean squares of one simulated study.
fn simulated(seed: u64, [s_p, s_o, s_i, s_e]: [f64; 4]) -> MeanSquares {
    let mut random = Deviates::new(31, seed);
    let people: Vec<f64> = (0..3).map(|_| s_o * random.normal()).collect();
    let value: Vec<Vec<Vec<f64>>> = (0..10)
        .map(|_| {
            let part = s_p * random.normal();
            people
                .iter()
                .map(|person| {
                    let cell = part + person + s_i * random.normal();
                    (0..3).map(|_| cell + s_e * random.normal()).collect()
                })
                .collect()
        })
        .collect();
    mean_squares(&value).unwrap()
}
