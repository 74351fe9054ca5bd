//! The network against the time-domain unit, which shares nothing with it but the design reader.

#![allow(clippy::unwrap_used)]

use bassay::design::read::read;
use bassay::model::Observed;
use bassay::model::network::Network;
use bassay::rehearse::frequency_response;
use bassay::signal::grid::log_grid;
use std::path::Path;

/// CROSS: 0.2 dB and 2° from 10 to 300 Hz on the linear case, for impedance and every probe.
#[test]
fn network_and_time_domain_unit_agree() {
    for file in ["tests/designs/dome.toml", "tests/designs/horn.toml"] {
        let design = read(Path::new(file)).unwrap();
        let f = log_grid(10.0, 300.0, 12);
        let network = Network::new(&design, &design.air).unwrap();
        let observed: Vec<Observed> = std::iter::once(Observed::Impedance)
            .chain((0..design.probes.len()).map(Observed::Probe))
            .collect();
        let model = network.respond(&f, &observed, 2.83);
        let unit = frequency_response(&design, &f).unwrap();
        for (n, values) in model.iter().enumerate() {
            let mut worst = (0.0_f64, 0.0_f64, 0.0);
            for (i, m) in values.iter().enumerate() {
                let u = if n == 0 {
                    unit.impedance_ohm[i]
                } else {
                    unit.pressure_pa_per_v[n - 1][i]
                };
                let ratio = u / m;
                let db = 20.0 * ratio.norm().log10();
                if db.abs() > worst.0 {
                    worst = (db.abs(), worst.1, f[i]);
                }
                worst.1 = worst.1.max(ratio.arg().to_degrees().abs());
            }
            assert!(
                worst.0 < 0.2 && worst.1 < 2.0,
                "{file} observation {n}: {worst:?} (dB, degrees, Hz)"
            );
        }
    }
}
