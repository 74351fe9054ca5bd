//! Takes made from the model itself, with one thing wrong at a time.

use super::*;
use std::path::Path;

fn design() -> Design {
    crate::design::read::read(Path::new("tests/designs/dome.toml")).unwrap()
}

/// The response of a place by the model, as a take of `label`.
fn take(design: &Design, place: &str, label: &str, change: impl Fn(f64) -> Complex64) -> Response {
    let network = Network::new(design, &design.air).unwrap();
    let frequency_hz = Response::grid(6.0, 400.0);
    let observed = match design.probes.iter().position(|p| p.name == place) {
        Some(i) => Observed::Probe(i),
        None => Observed::Impedance,
    };
    let value = network.respond(&frequency_hz, &[observed], 2.83)[0]
        .iter()
        .zip(&frequency_hz)
        .map(|(v, f)| v * change(*f))
        .collect();
    let observation = match label {
        "impedance" => Observation::Impedance,
        probe => Observation::Pressure {
            probe: probe.to_string(),
        },
    };
    Response::made(observation, &frequency_hz, value, 1e-3)
}

fn same(_: f64) -> Complex64 {
    Complex64::new(1.0, 0.0)
}

fn remarks(response: &Response, earlier: Option<&Response>) -> Vec<Remark> {
    let design = design();
    judge(&design, &design.air, response, earlier, 45.0).unwrap()
}

/// DERIVED: the model's own response has nothing wrong, at whatever gain and delay.
#[test]
fn a_sound_take_is_not_remarked_upon() {
    let design = design();
    for label in ["impedance", "mouth-near"] {
        assert_eq!(remarks(&take(&design, label, label, same), None), []);
    }
    let late = take(&design, "mouth-near", "mouth-near", |f| {
        Complex64::from_polar(0.3, -TAU * f * 0.004)
    });
    assert_eq!(remarks(&late, None), []);
}

/// DERIVED: times −1, with a delay besides.
#[test]
fn an_inverted_microphone_is_seen() {
    let design = design();
    let turned = take(&design, "mouth-near", "mouth-near", |f| {
        Complex64::from_polar(-1.0, -TAU * f * 0.003)
    });
    assert_eq!(remarks(&turned, None), [Remark::Inverted]);
}

/// DERIVED: one probe's response under the name of another.
#[test]
fn a_microphone_at_another_probe_is_named() {
    let design = design();
    let wrong = take(&design, "box-inside", "mouth-near", same);
    let list = remarks(&wrong, None);
    assert!(
        matches!(&list[..], [Remark::Elsewhere { place, .. }] if place == "box-inside"),
        "{list:?}"
    );
}

/// DERIVED: 1 dB more around 60 Hz than in the take before.
#[test]
fn a_take_that_does_not_repeat_is_told_with_its_band() {
    let design = design();
    let before = take(&design, "mouth-near", "mouth-near", same);
    let after = take(&design, "mouth-near", "mouth-near", |f| {
        let bump = (-(f / 63.0).log2().powi(2) / 0.02).exp();
        Complex64::new(10f64.powf(bump / 20.0), 0.0)
    });
    assert_eq!(remarks(&before, Some(&before)), []);
    match &remarks(&after, Some(&before))[..] {
        [
            Remark::NotRepeated {
                center_hz,
                difference_db,
                ..
            },
        ] => {
            assert_eq!(*center_hz, 63.0);
            assert!(
                *difference_db > 0.5 && *difference_db < 1.0,
                "{difference_db}"
            );
        }
        list => panic!("{list:?}"),
    }
}

/// DERIVED: noise that explains the difference excuses it.
#[test]
fn noise_excuses_a_difference() {
    let design = design();
    let before = take(&design, "mouth-near", "mouth-near", same);
    let louder = |r: &mut Response| {
        for (n, v) in r.noise_rms.iter_mut().zip(&r.value) {
            *n = 0.1 * v.norm();
        }
    };
    let mut after = take(&design, "mouth-near", "mouth-near", |_| {
        Complex64::new(1.08, 0.0)
    });
    assert_eq!(remarks(&after, Some(&before)).len(), 1);
    louder(&mut after);
    assert_eq!(remarks(&after, Some(&before)), []);
}

/// DERIVED: bands of the target under 20 dB must be recorded again; outside it they do not matter.
#[test]
fn too_near_to_the_noise_means_again() {
    let design = design();
    let mut quiet = take(&design, "mouth-near", "mouth-near", same);
    quiet.take.snr_bands = vec![(5.0, 3.0), (20.0, 17.0), (25.1, 12.0), (31.6, 55.0)];
    // The lower edge of the band at 31.6 Hz.
    quiet.take.usable_hz[0] = 28.2;
    let list = remarks(&quiet, None);
    assert!(
        matches!(&list[..], [Remark::TooQuiet { center_hz, least_db }]
            if *center_hz == [20.0, 25.0] && *least_db == 12.0),
        "{list:?}"
    );
    assert_eq!(list[0].weight(), Weight::Again);
}

/// DERIVED: a target from 18 to 120 Hz has midbands from 20 to 100 Hz; those that a sweep from 30 to 100 Hz does not wholly cover
/// are 20, 25, 31.5 (28.2 to 35.5 Hz) and 100 Hz (89.1 to 112 Hz).
#[test]
fn what_the_sweep_leaves_out_of_the_target_is_said() {
    let design = design();
    assert_eq!(design.target.unwrap().band_hz, [18.0, 120.0]);
    let mut short = take(&design, "mouth-near", "mouth-near", same);
    let inside = |f: f64| (30.0..=100.0).contains(&f);
    let kept: Vec<usize> = (0..short.frequency_hz.len())
        .filter(|&i| inside(short.frequency_hz[i]))
        .collect();
    short.value = kept.iter().map(|&i| short.value[i]).collect();
    short.noise_rms = kept.iter().map(|&i| short.noise_rms[i]).collect();
    short.frequency_hz = kept.iter().map(|&i| short.frequency_hz[i]).collect();
    short.take.usable_hz = [30.0, 100.0];
    let list = remarks(&short, None);
    assert!(
        matches!(&list[..], [Remark::Unswept { center_hz, .. }]
            if *center_hz == [20.0, 25.0, 31.5, 100.0]),
        "{list:?}"
    );
    assert_eq!(list[0].weight(), Weight::Look);
}
