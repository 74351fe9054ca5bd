//! One model evaluation, the same with derivatives, and an alignment.
//!
//! The reference in the same run is the plain nodal solution of one ladder of the same size by complex products
//! of transfer matrices without any loss, which is the least that any such model must do.

use bassay::air::Air;
use bassay::design::{AirConditions, Design, read::read};
use bassay::model::Observed;
use bassay::model::duct::DuctGeometry;
use bassay::model::monte_carlo::{Drawing, band_frequencies, draw_units};
use bassay::model::network::Network;
use bassay::model::tone::Tone;
use bassay::signal::grid::log_grid;
use bassay::verify::spread::of_design;
use criterion::{Criterion, criterion_group, criterion_main};
use num_complex::Complex64;
use std::hint::black_box;
use std::path::Path;

fn horn() -> Design {
    read(Path::new("tests/designs/horn.toml")).expect("the shipped design reads")
}

fn frequencies() -> Vec<f64> {
    let mut f = log_grid(5.0, 500.0, 60);
    f.truncate(400);
    f
}

fn evaluation(c: &mut Criterion) {
    let design = horn();
    let air = AirConditions::default();
    let f = frequencies();
    let observed = [Observed::Impedance, Observed::Probe(0), Observed::Probe(1)];
    let free: Vec<_> = [
        "driver.cms",
        "driver.rms",
        "driver.bl",
        "chamber.rear-box.volume",
        "leak.seam.resistance",
        "resistor.r1.resistance",
        "resistor.r2.resistance",
        "duct.d1.length",
        "duct.d2.length",
        "duct.d3.length",
        "duct.d4.loss",
        "opening.mouth.end_correction",
    ]
    .iter()
    .flat_map(|path| design.matching(path))
    .collect();
    let network = Network::new(&design, &air).expect("the shipped design solves");
    let mut group = c.benchmark_group("model");
    group.bench_function(
        "evaluation, 6 ducts, 2 side channels, 400 frequencies",
        |b| {
            b.iter(|| black_box(network.respond(&f, &observed, 2.83)));
        },
    );
    group.bench_function("the same with 12 derivatives", |b| {
        b.iter(|| black_box(network.respond_with_slopes(&f, &observed, &free, 2.83)));
    });
    group.bench_function("reference: lossless sines of 8 ducts", |b| {
        let speed = Air::at(&air).speed_m_per_s;
        b.iter(|| {
            let mut sum = Complex64::new(0.0, 0.0);
            for &f in &f {
                let k = std::f64::consts::TAU * f / speed;
                let (mut p, mut u) = (Complex64::new(1.0, 0.0), Complex64::new(0.0, 0.0));
                for duct in &design.ducts {
                    let (sin, cos) = (k * duct.length_m).sin_cos();
                    let z = 413.0 / duct.area_m2[0];
                    let j = Complex64::new(0.0, 1.0);
                    (p, u) = (p * cos - j * u * z * sin, u * cos - j * p / z * sin);
                }
                sum += p / (u + 1.0);
            }
            black_box(sum)
        });
    });
    group.bench_function("one exponential duct with loss, 400 frequencies", |b| {
        let g = DuctGeometry::<Complex64>::new(&design.ducts[0], None);
        let air = Air::at(&air);
        b.iter(|| {
            f.iter()
                .map(|&f| g.transfer(&Tone::new(&air, std::f64::consts::TAU * f)).pp)
                .sum::<Complex64>()
        });
    });
    group.finish();
}

/// Units drawn from the tolerances, and the plain way: a network made anew for each of a hundredth of them.
fn drawing(c: &mut Criterion) {
    let mut group = c.benchmark_group("monte carlo");
    group.sample_size(10);
    for (name, path) in [
        ("5 ducts, 15 tolerances", "tests/designs/dome.toml"),
        ("sample unit, 22 tolerances", "sample-captures/dome.toml"),
    ] {
        let design = read(Path::new(path)).expect("the shipped design reads");
        let spread = of_design(&design, &[]).expect("it has tolerances");
        let drawing = Drawing {
            units: 10_000,
            seed: 1,
            frequency_hz: band_frequencies(&design),
        };
        group.bench_function(format!("{name}: 10000 units, 60 frequencies"), |b| {
            b.iter(|| black_box(draw_units(&design, &design.air, &spread, &drawing)));
        });
        let observed: Vec<Observed> = std::iter::once(Observed::Impedance)
            .chain((0..design.probes.len()).map(Observed::Probe))
            .collect();
        group.bench_function(format!("{name}: 100 networks, one thread"), |b| {
            b.iter(|| {
                for n in 0..100 {
                    let mut unit = design.clone();
                    for coordinate in spread.coordinates() {
                        for (&p, centre) in coordinate.members.iter().zip(&coordinate.centre) {
                            unit.set(p, centre * (1.0 + 1e-4 * f64::from(n)));
                        }
                    }
                    let network = Network::new(&unit, &unit.air).expect("it solves");
                    black_box(network.respond(&drawing.frequency_hz, &observed, 2.83));
                }
            });
        });
    }
    group.finish();
}

criterion_group!(benches, evaluation, drawing);
criterion_main!(benches);
