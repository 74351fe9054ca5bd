//! Units drawn from what an alignment found: what is known of the measured unit, and units built like it.
#![allow(clippy::unwrap_used)]

use bassay::align::Fit;
use bassay::cli::output::{Output, OutputArgs};
use bassay::cli::verify::verification;
use bassay::design::AirConditions;
use bassay::model::Observed;
use bassay::model::monte_carlo::{Drawing, Outcome, Spread, band_frequencies, draw_units};
use bassay::model::network::Network;
use bassay::verify::spread::{of_fit, of_units_like};
use std::path::Path;

fn drawn(fit: &Fit, spread: &Spread, frequency_hz: &[f64]) -> Outcome {
    let drawing = Drawing {
        units: 3000,
        seed: 2,
        frequency_hz: frequency_hz.to_vec(),
    };
    draw_units(&fit.aligned, &AirConditions::default(), spread, &drawing).unwrap()
}

/// DERIVED: the variance of a band's level is gᵀ·Σ·g with g its derivatives along the coordinates at the fit and Σ the posterior
/// covariance, plus the tolerances' variances number by number for units like this one. Four standard errors, and 10 % of the deviation for
/// what the second derivatives add at spreads of up to 20 %.
#[test]
fn drawn_units_scatter_as_the_covariance_says() {
    let quiet = Output::new(OutputArgs {
        json: false,
        quiet: true,
    });
    let done = verification(Path::new("sample-captures/sound/captures.toml"), &quiet).unwrap();
    let fit = &done.fit;
    let design = &fit.aligned;
    let f = band_frequencies(design);
    let known = drawn(fit, &of_fit(fit).unwrap(), &f);
    let like = drawn(fit, &of_units_like(fit).unwrap(), &f);
    assert_eq!((known.lost, like.lost), (0, 0));

    let network = Network::new(design, &AirConditions::default()).unwrap();
    let observed: Vec<Observed> = std::iter::once(Observed::Impedance)
        .chain((0..design.probes.len()).map(Observed::Probe))
        .collect();
    let active = &fit.settled.active;
    let members: Vec<_> = active
        .iter()
        .flat_map(|&u| fit.unknowns[u].members.clone())
        .collect();
    let slopes = network.respond_with_slopes(&f, &observed, &members, design.drive.voltage_v);
    let mut compared = 0;
    for k in 0..observed.len() {
        for (one, all) in known.observations[k]
            .bands
            .iter()
            .zip(&like.observations[k].bands)
        {
            let inside: Vec<usize> = (0..f.len())
                .filter(|&i| f[i] >= one.low_hz && f[i] < one.high_hz)
                .collect();
            // Derivative of the band's level along θ of each number.
            let each: Vec<f64> = (0..members.len())
                .map(|m| {
                    let sum: f64 = inside
                        .iter()
                        .map(|&i| (slopes.slope[k][m][i] / slopes.value[k][i]).re)
                        .sum();
                    let by_theta = match members[m].key.is_linear() {
                        true => 1.0,
                        false => design.value(members[m]),
                    };
                    20.0 / std::f64::consts::LN_10 * sum * by_theta / inside.len() as f64
                })
                .collect();
            let (mut tied, mut own, mut at) = (Vec::new(), 0.0, 0);
            for &u in active {
                let unknown = &fit.unknowns[u];
                let part = &each[at..at + unknown.members.len()];
                at += unknown.members.len();
                tied.push(part.iter().sum::<f64>());
                let sd = unknown.stated_sd.unwrap_or(0.0);
                own += part.iter().map(|g| (g * sd).powi(2)).sum::<f64>();
            }
            let mut posterior = 0.0;
            for (i, a) in tied.iter().enumerate() {
                for (j, b) in tied.iter().enumerate() {
                    posterior += a * b * fit.settled.covariance[(i, j)];
                }
            }
            for (band, variance) in [(one, posterior), (all, posterior + own)] {
                let wanted = variance.sqrt();
                assert!(
                    (band.sd_db - wanted).abs() < 4.0 * band.sd_error_db + 0.1 * wanted,
                    "{} {} Hz: {} ± {}, {wanted}",
                    known.observations[k].observation,
                    band.center_hz,
                    band.sd_db,
                    band.sd_error_db
                );
                compared += 1;
            }
            // The measurement knows more than the tolerances.
            assert!(one.sd_db < all.sd_db);
        }
    }
    assert!(compared > 40, "{compared}");
}
