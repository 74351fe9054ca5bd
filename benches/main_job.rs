//! Deconvolution, alignment and the whole verification of a sample unit.

use bassay::align::align;
use bassay::align::plan::plan;
use bassay::align::residual::{Bench, STATED_TEMPERATURE_SD_K};
use bassay::design::captures::SweepPlan;
use bassay::design::{captures_read, read};
use bassay::measure;
use bassay::signal::decimate::{Decimator, factor_for};
use bassay::signal::deconvolve::{Take, deconvolve};
use bassay::signal::sweep::Sweep;
use bassay::verify::verify;
use criterion::{Criterion, criterion_group, criterion_main};
use std::hint::black_box;
use std::path::Path;

fn deconvolution(c: &mut Criterion) {
    let plan = SweepPlan {
        duration_s: 7.5,
        ..SweepPlan::default()
    };
    let sweep = Sweep::new(plan).expect("the default sweep is sound");
    let x = sweep.samples();
    let y: Vec<f64> = x.iter().scale_down();
    c.bench_function(
        "deconvolution, 2 channels of 10 s at 48 kHz, planning counted",
        |b| {
            b.iter(|| {
                let factor = factor_for(48_000.0, 2500.0);
                let reduce = |samples: &[f64]| {
                    let mut d = Decimator::new(factor);
                    d.push(samples.iter().copied());
                    d.finish()
                };
                let (x, y) = (reduce(&x), reduce(&y));
                let take = Take {
                    rate_hz: 48_000.0 / factor as f64,
                    signal: &y,
                    reference: Some(&x),
                };
                black_box(deconvolve(&take, &sweep))
            });
        },
    );
    let n = 480_000;
    c.bench_function(
        "reference: three real transforms of 480,000 points, planning counted",
        |b| {
            b.iter(|| {
                let mut planner = realfft::RealFftPlanner::<f64>::new();
                let plan = planner.plan_fft_forward(n);
                let mut out = plan.make_output_vec();
                for _ in 0..3 {
                    let mut input = plan.make_input_vec();
                    plan.process(&mut input, &mut out)
                        .expect("the plan made both buffers");
                }
                black_box(out)
            });
        },
    );
}

trait Scale {
    fn scale_down(self) -> Vec<f64>;
}

impl<'a, I: Iterator<Item = &'a f64>> Scale for I {
    fn scale_down(self) -> Vec<f64> {
        self.map(|v| 0.3 * v).collect()
    }
}

fn main_job(c: &mut Criterion) {
    let set = captures_read::read(Path::new("sample-captures/sound/captures.toml"))
        .expect("the samples are there");
    let design = read::read(&set.design).expect("the samples are there");
    let responses = measure::load(&set, &mut |_| {}).expect("the samples are sound");
    let mut group = c.benchmark_group("main job");
    group.sample_size(10);
    group.bench_function("alignment of the sound sample unit, 4 observations", |b| {
        b.iter(|| {
            let mut responses = responses.clone();
            black_box(align(
                &design,
                &[],
                Bench {
                    air: set.air(design.air),
                    temperature_sd_k: STATED_TEMPERATURE_SD_K,
                    sweep: None,
                },
                &mut responses,
                &mut |_| {},
            ))
        });
    });
    let leaking = Path::new("sample-captures/leaking/captures.toml");
    let faulty = captures_read::read(leaking).expect("the samples are sound");
    let seen = measure::load(&faulty, &mut |_| {}).expect("the samples are sound");
    group.bench_function(
        "alignment of the sample unit with two faults, all findings",
        |b| {
            b.iter(|| {
                let bench = Bench::of(&faulty, design.air);
                black_box(align(&design, &[], bench, &mut seen.clone(), &mut |_| {}))
            });
        },
    );
    group.bench_function("plan of the sample design", |b| {
        b.iter(|| black_box(plan(&design, &[])));
    });
    group.bench_function("verify of the sound sample unit, 4 captures", |b| {
        b.iter(|| {
            let responses = measure::load(&set, &mut |_| {}).expect("the samples are sound");
            black_box(verify(&design, &set, responses, &mut |_| {}))
        });
    });
    group.finish();
}

criterion_group!(benches, deconvolution, main_job);
criterion_main!(benches);
