//! Tests of radiation against published and multiple-precision values.

use super::*;
use crate::design::Planes;
use crate::design::Space;
use serde_json::Value;

fn reference(name: &str) -> Value {
    let text = include_str!("../../../tests/reference/reference.json");
    let document: Value = serde_json::from_str(text).expect("reference.json is JSON");
    document[name]["values"].clone()
}

fn rows(name: &str) -> Vec<Vec<f64>> {
    serde_json::from_value(reference(name)).expect("rows of numbers")
}

fn round(radius: f64) -> Piston {
    Piston::new(OpeningShape::Round, PI * radius * radius, Flange::Infinite)
}

fn unflanged(radius: f64) -> Piston {
    Piston::new(OpeningShape::Round, PI * radius * radius, Flange::None)
}

fn rectangle(width_m: f64, height_m: f64) -> Piston {
    Piston::new(
        OpeningShape::Rectangular { width_m, height_m },
        width_m * height_m,
        Flange::Infinite,
    )
}

fn all() -> Vec<Piston> {
    vec![
        round(0.2),
        rectangle(0.4, 0.3),
        rectangle(0.05, 0.9),
        unflanged(0.15),
    ]
}

fn assert_close(found: Complex64, expected: Complex64, tolerance: f64, what: &str) {
    assert!(
        (found - expected).norm() < tolerance,
        "{what}: found {found}, expected {expected}"
    );
}

#[test]
fn flanged_circle_matches_the_closed_form() {
    // CROSS (mpmath, 40 digits), reference.json.
    for row in rows("piston_radiation") {
        let found = round(0.1).self_impedance(row[0] / 0.1);
        assert!(
            (found.re / row[1] - 1.0).abs() < 1e-12,
            "R at ka {}",
            row[0]
        );
        assert!(
            (found.im / row[2] - 1.0).abs() < 1e-12,
            "X at ka {}",
            row[0]
        );
    }
    // PUBLISHED (tables of the piston functions, e.g. Beranek 1954), seven decimals.
    for (ka, r, x) in [
        (0.1, 0.004_991_7, 0.084_656_5),
        (0.5, 0.119_898_8, 0.396_914_7),
        (1.0, 0.423_275_2, 0.646_763_7),
        (2.0, 1.033_021_7, 0.534_863_3),
    ] {
        assert_close(
            round(1.0).self_impedance(ka),
            Complex64::new(r, x),
            1e-7,
            "piston",
        );
    }
}

#[test]
fn flanged_circle_has_its_mass_and_resistance_at_low_frequency() {
    // DERIVED: X → 8/(3π)·ka, R → (ka)²/2; the next terms are (ka)² smaller.
    let ka = 1e-4;
    let found = round(1.0).self_impedance(ka);
    assert!((found.im / ka / 0.848_826_363_156_775 - 1.0).abs() < 1e-8);
    assert!((found.re / (0.5 * ka * ka) - 1.0).abs() < 1e-8);
}

#[test]
fn flanged_end_correction_of_a_piston_exceeds_that_of_a_pipe() {
    // PUBLISHED (Norris & Sheng 1989, from memory): 0.8216·a with the pipe's own flow profile; a rigid piston
    // has 0.8488·a, 3.3 % more. R = (ka)²/2 in both.
    let found = round(1.0).self_impedance(1e-3).im / 1e-3;
    assert!((found / 0.8216 - 1.033).abs() < 1e-3);
}

#[test]
fn unflanged_pipe_matches_levine_and_schwinger() {
    // PUBLISHED (Levine & Schwinger 1948), integrals evaluated to six digits; the fit is good to 2e-5.
    for (ka, r, l) in [
        (0.1, 0.995_067, 0.610_987),
        (0.5, 0.896_441, 0.581_836),
        (1.0, 0.695_102, 0.527_431),
        (2.0, 0.346_176, 0.416_944),
    ] {
        let (found_r, found_l) = unflanged::reflection(ka);
        assert!((found_r / r - 1.0).abs() < 2e-5, "|R| at {ka}: {found_r}");
        assert!((found_l - l).abs() < 2e-6, "l/a at {ka}: {found_l}");
        // DERIVED: Z = (1 + R)/(1 − R).
        let reflected = -Complex64::from_polar(found_r, -2.0 * ka * found_l);
        let expected = (1.0 + reflected) / (1.0 - reflected);
        assert_close(unflanged(1.0).self_impedance(ka), expected, 1e-12, "Z");
    }
    // PUBLISHED: the literature prints 0.6133, the integral gives 0.6127; R → (ka)²/4.
    let found = unflanged(1.0).self_impedance(1e-3);
    assert!((found.im / 1e-3 - 0.6133).abs() < 1e-3);
    assert!((found.re / 0.25e-6 - 1.0).abs() < 1e-3);
}

#[test]
fn rectangles_match_the_low_frequency_closed_forms() {
    // DERIVED closed forms, reference.json.
    for entry in reference("rectangular_piston_low_frequency")
        .as_array()
        .expect("a list")
    {
        let number = |key: &str| entry[key].as_f64().expect("a number");
        let aspect = number("aspect");
        let piston = rectangle(aspect.sqrt(), 1.0 / aspect.sqrt());
        let k = 1e-4;
        // Z·S/(ρc) → jk·M/(2π·S) with S = 1; the next term is k² smaller.
        let mass = piston.self_impedance(k).im / k * 2.0 * PI;
        assert!((mass / number("mean_integral_over_S_1_5") - 1.0).abs() < 1e-8);
        let centre = piston.on_axis(k, 0.0).im / k * 2.0 * PI;
        // 16 nodes: 1e-8.
        assert!((centre / number("integral_over_sqrt_S") - 1.0).abs() < 2e-8);
        // DERIVED: R → k²S/(2π).
        assert!((piston.self_impedance(k).re / (k * k) * 2.0 * PI - 1.0).abs() < 1e-8);
    }
}

#[test]
fn rectangles_match_quadrature() {
    // CROSS (mpmath quad, 20 digits), reference.json.
    for row in rows("rectangular_piston") {
        let (aspect, ka) = (row[0], row[1]);
        let piston = rectangle(aspect.sqrt(), 1.0 / aspect.sqrt());
        let k = ka * PI.sqrt();
        let what = format!("aspect {aspect}, ka {ka}");
        let load = piston.self_impedance(k);
        assert_close(load, Complex64::new(row[4], row[5]), 1e-11, &what);
        // 16 nodes on the rim.
        let centre = piston.on_axis(k, 0.0);
        assert_close(centre, Complex64::new(row[2], row[3]), 2e-7, &what);
    }
}

#[test]
fn series_and_closed_forms_meet() {
    for piston in [
        round(1.0),
        rectangle(1.0, 1.0),
        rectangle(1.0, 4.0),
        rectangle(60.0, 1.0),
    ] {
        let [w, h] = piston.extent_m();
        let size = if matches!(piston.form, Form::Round) {
            w
        } else {
            w.hypot(h)
        };
        let k = series::LIMIT / size;
        let below = piston.self_impedance_with_slope(k * (1.0 - 1e-13));
        let above = piston.self_impedance_with_slope(k * (1.0 + 1e-13));
        // DERIVED: the same function; the series has lost five of 16 digits there.
        assert_close(below.0, above.0, 2e-10, "value");
        assert_close(below.1 / size, above.1 / size, 2e-10, "slope");
    }
}

#[test]
fn axis_of_a_flanged_circle_is_exact() {
    // DERIVED closed form, reference.json: ka, z/a, re, im.
    for row in rows("piston_on_axis") {
        let a = 0.1;
        let found = round(a).on_axis(row[0] / a, row[1] * a);
        let expected = Complex64::new(row[2], row[3]);
        assert_close(found, expected, 1e-12 * expected.norm(), "axis");
    }
}

#[test]
fn sixteen_directions_describe_the_rim_of_a_rectangle() {
    let rule = crate::special::gauss_legendre(24);
    for aspect in [1.0_f64, 3.0, 15.0] {
        let (w, h) = (1.0 / aspect.hypot(1.0), aspect / aspect.hypot(1.0));
        for (k, d) in [(0.1, 0.0), (3.0, 0.0), (6.0, 0.0), (6.0, 0.02), (6.0, 1.0)] {
            let mut rim = Complex64::new(0.0, 0.0);
            for (near, along) in [(w / 2.0, h / 2.0), (h / 2.0, w / 2.0)] {
                rectangular::over_edge(near, along, 6, &rule, |edge, weight| {
                    rim += Complex64::from_polar(weight * 2.0 / PI, -k * edge.radius.hypot(d));
                });
            }
            let expected = Complex64::from_polar(1.0, -k * d) - rim;
            // CROSS: 288 nodes instead of 16; the bound is the one stated for the form.
            let found = rectangle(w, h).on_axis(k, d);
            assert_close(
                found,
                expected,
                1e-6 * expected.norm(),
                &format!("{aspect}, {k}, {d}"),
            );
        }
    }
}

#[test]
fn near_and_far_pressure_have_keeles_ratio() {
    // PUBLISHED (Keele 1974): p_near/p_far = 2r/a, 26.02 dB at 1 m for a = 0.1 m, and −0.365 dB at ka = 1,
    // −0.947 dB at 1.6, against the far field jka²/(2r); −1 dB at a distance of 0.1154 a.
    let a = 0.1;
    let far = |ka: f64| ka * a / 2.0;
    let ratio = |ka: f64| round(a).on_axis(ka / a, 0.0).norm() / far(ka);
    assert!((20.0 * ratio(1e-3).log10() - 26.02).abs() < 1e-2);
    for (ka, db) in [(1.0, -0.365), (1.6, -0.947)] {
        let correction = 20.0 * (ratio(ka) / ratio(1e-3)).log10();
        assert!((correction - db).abs() < 1e-3, "{ka}: {correction}");
    }
    let drop = round(a).on_axis(0.01, 0.1154 * a).norm() / round(a).on_axis(0.01, 0.0).norm();
    assert!((20.0 * drop.log10() + 1.0).abs() < 1e-3);
    // CROSS, reference.json.
    for row in rows("piston_near_to_far") {
        // The table keeps the sign of the sine beyond ka = 2π.
        assert!((ratio(row[0]) * a / row[1].abs() - 1.0).abs() < 1e-10);
    }
}

#[test]
fn the_axis_tends_to_the_point_source() {
    let k = 0.5;
    for piston in all() {
        let free = matches!(piston.form, Form::Unflanged);
        let space = if free { Space::Full } else { Space::Half };
        let d = 400.0;
        let expected = mutual(space, k, d) * piston.area_m2();
        // DERIVED: near-field terms fall with a/d (the unflanged source lies 0.6·a in front) and k·a²/d.
        let found = piston.on_axis(k, d);
        assert_close(found, expected, 2e-3 * expected.norm(), "far");
    }
}

#[test]
fn unflanged_near_field_follows_the_static_solution() {
    // CROSS: tests/reference/unflanged_axis.py (Wiener–Hopf, k → 0), z and φ; the fit is good to 0.2 %.
    for (z, phi) in [
        (0.0, 0.709_434),
        (0.1, 0.639_705),
        (0.5, 0.423_317),
        (1.0, 0.269_325),
        (2.0, 0.141_987),
        (5.0, 0.054_399),
    ] {
        let found = unflanged(1.0).on_axis(1e-5, z).im / 1e-5;
        assert!((found / phi - 1.0).abs() < 2e-3, "{z}: {found}");
    }
    // DERIVED: far below the first mode the real part is (ka)²/4 near the plane.
    assert!((unflanged(1.0).on_axis(1e-3, 0.0).re / 0.25e-6 - 1.0).abs() < 1e-3);
}

#[test]
fn slopes_match_central_differences() {
    for piston in all() {
        for k in [0.3, 3.0, 11.0, 30.0, 80.0] {
            let step = 1e-6 * k;
            let (_, slope) = piston.self_impedance_with_slope(k);
            let expected =
                (piston.self_impedance(k + step) - piston.self_impedance(k - step)) / (2.0 * step);
            // Rounding 1e-12 over the step, 1e-12 truncation.
            assert_close(slope, expected, 1e-7 * (1.0 + 10.0 / k), "load");
            let area = piston.area_m2();
            let change = 1e-6 * area;
            let (up, down) = (
                piston.with_area(area + change),
                piston.with_area(area - change),
            );
            let (_, slope) = piston.self_impedance_by_area(k);
            let expected = (up.self_impedance(k) - down.self_impedance(k)) / (2.0 * change);
            assert_close(slope * area, expected * area, 1e-6, "load by area");
            for d in [0.0, 0.02, 0.7] {
                let found = piston.axis(d).pressure(k);
                let expected = (up.on_axis(k, d) - down.on_axis(k, d)) / (2.0 * change);
                assert_close(found.by_area * area, expected * area, 1e-7, "axis by area");
                let step = 1e-6 / (1.0 + k);
                let nearer = (d - step).max(0.0);
                let expected =
                    (piston.on_axis(k, d + step) - piston.on_axis(k, nearer)) / (d + step - nearer);
                // One-sided at the plane: second derivative, at most (k + 1/R)²·(1 + kR), times the step.
                let r = 0.5 * piston.extent_m()[0];
                let one_sided = step * (k + 1.0 / r).powi(2) * (1.0 + k * r);
                let tolerance = if d > 0.0 { 1e-7 * (1.0 + k) } else { one_sided };
                assert_close(found.by_distance, expected, tolerance, "axis by d");
            }
        }
    }
}

#[test]
fn every_load_is_passive_at_every_frequency() {
    for piston in all() {
        let mut k = 1e-4;
        while k < 400.0 {
            let load = piston.self_impedance(k);
            // DERIVED: no opening delivers energy by itself; mass-like below the first resonance.
            assert!(load.re > 0.0 && load.is_finite(), "k {k}: {load}");
            if k * piston.radius_m() < 0.5 {
                assert!(load.im > 0.0);
            }
            k *= 1.03;
        }
        // DERIVED: tends to ρc; ripple 1/√y³ at ka > 60.
        assert!((piston.self_impedance(400.0) - 1.0).norm() < 0.06);
        assert_eq!(piston.self_impedance(0.0), Complex64::new(0.0, 0.0));
    }
}

#[test]
fn two_touching_openings_stay_passive() {
    // DERIVED: the real part of the 2 × 2 matrix of acoustic impedances is positive definite.
    let piston = round(0.15);
    for ka in [0.01, 0.1, 0.5, 1.0, 1.5] {
        let k = ka / 0.15;
        let own = piston.self_impedance(k).re / piston.area_m2();
        let other = mutual(Space::Half, k, 0.3).re;
        assert!(own > other.abs(), "ka {ka}");
    }
}

#[test]
fn mutual_pressure_is_that_of_a_monopole() {
    // DERIVED: jωρ/(2πr)·e^(−jkr) over ρc; full space has half of it.
    let found = mutual(Space::Half, 2.0, 3.0);
    let expected = Complex64::new(0.0, 2.0) * Complex64::from_polar(1.0, -6.0) / (6.0 * PI);
    assert_close(found, expected, 1e-15, "half");
    assert_close(mutual(Space::Full, 2.0, 3.0) * 2.0, expected, 1e-15, "full");
    let (_, slope) = mutual_with_slope(Space::Quarter, 2.0, 3.0);
    let difference =
        (mutual(Space::Half, 2.0, 3.0 + 1e-6) - mutual(Space::Half, 2.0, 3.0 - 1e-6)) / 2e-6;
    assert_close(slope, difference, 1e-9, "slope");
    // DERIVED: Re Z of a small opening is that of the monopole at no distance, k²/(2π).
    let small = round(1e-3);
    let own = small.self_impedance(1.0).re / small.area_m2();
    assert!((mutual(Space::Half, 1.0, 1e-3).re / own - 1.0).abs() < 1e-5);
}

#[test]
fn images_mirror_floor_and_wall() {
    let at = [0.5, 0.2, 0.3];
    let floor = Planes {
        floor_z_m: Some(0.0),
        wall_y_m: None,
    };
    let corner = Planes {
        wall_y_m: Some(0.0),
        ..floor
    };
    assert!(images(Planes::default(), at).is_empty());
    assert_eq!(images(floor, at), [[0.5, 0.2, -0.3]]);
    assert_eq!(
        images(corner, at),
        [[0.5, 0.2, -0.3], [0.5, -0.2, 0.3], [0.5, -0.2, -0.3]]
    );
    // The opening stands on the floor and by the wall, 0.4 wide and 0.3 high.
    let own = own_image_distances(corner, [0.0; 3], [0.4, 0.3]);
    assert_eq!(own, [0.3, 0.4, 0.5]);
    let own = own_image_distances(floor, [0.0, 0.0, 1.0], [0.4, 0.3]);
    assert_eq!(own, [2.0]);
}

#[test]
fn a_rectangle_takes_the_area_and_keeps_its_proportions() {
    let shape = OpeningShape::Rectangular {
        width_m: 0.4,
        height_m: 0.3,
    };
    let piston = Piston::new(shape, 0.48, Flange::Infinite);
    // DERIVED: twice the lengths at four times the area.
    assert!(
        (piston.extent_m()[0] - 0.8).abs() < 1e-15 && (piston.extent_m()[1] - 0.6).abs() < 1e-15
    );
    assert_close(
        piston.self_impedance(2.0),
        rectangle(0.4, 0.3).self_impedance(4.0),
        1e-15,
        "scaling",
    );
    // DERIVED: the turned rectangle has the same load.
    assert_close(
        rectangle(0.3, 0.4).self_impedance(2.0),
        rectangle(0.4, 0.3).self_impedance(2.0),
        1e-14,
        "turned",
    );
}

/// Prints the cost of one call.
#[test]
#[ignore = "a measurement of time, not a check"]
fn cost() {
    for piston in all() {
        let axis = piston.axis(0.01);
        let mut sum = Complex64::new(0.0, 0.0);
        let calls = 1_000_000;
        let start = std::time::Instant::now();
        for i in 0..calls {
            sum += piston
                .self_impedance_with_slope(1e-6 * f64::from(i) * 8.0)
                .1;
        }
        let load = start.elapsed().as_secs_f64() / f64::from(calls);
        let start = std::time::Instant::now();
        for i in 0..calls {
            sum += axis.pressure(1e-6 * f64::from(i) * 8.0).by_area;
        }
        let axis = start.elapsed().as_secs_f64() / f64::from(calls);
        println!("load {load:.2e} s, axis {axis:.2e} s ({sum})");
    }
}
