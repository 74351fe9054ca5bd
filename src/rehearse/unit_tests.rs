//! Tests of single elements inside the stepped unit, where the frequency response does not show them.

use super::*;
use crate::design::{Companion, Design, Mechanics, SemiInductance, Wiring, read::read_text};
use std::path::Path;

/// A driver in front of a chamber `j`; `more` are the elements behind it.
fn design(more: &str) -> Design {
    let text = format!(
        r#"format = "bassay-design/1"
drive = {{ voltage_v = 2.83, source_ohm = 0.5 }}
[driver]
re_ohm = 5.0
le_h = 0.0005
bl_n_per_a = 15.0
mmd_kg = 0.05
cms_m_per_n = 0.0003
rms_kg_per_s = 2.0
sd_m2 = 0.05
front = "j"
rear = "outside"
[[chamber]]
name = "front"
at = "j"
volume_m3 = 0.01
{more}"#
    );
    read_text(&text, Path::new("test.toml")).unwrap_or_else(|e| panic!("{e}"))
}

fn unit(design: &Design, quadratic: bool) -> Unit {
    let grid = Grid {
        rate_hz: 16_000.0,
        low_hz: 5.0,
        high_hz: 500.0,
        nonlinear: 0.0,
        quadratic,
    };
    let air = Air::new(design.air);
    Unit::new(design, &air, grid, design.drive.source_ohm).unwrap_or_else(|e| panic!("{e:?}"))
}

#[test]
fn a_plate_takes_the_energy_of_its_jets() {
    let design = design(
        r#"
[[resistor]]
name = "plate"
from = "j"
to = "k"
area_m2 = 0.01
perforated = { hole_diameter_m = 0.001, thickness_m = 0.001, open_fraction = 0.1, discharge_coefficient = 0.8 }
[[opening]]
name = "mouth"
at = "k"
area_m2 = 0.01
"#,
    );
    // Pressure across the plate and volume velocity at the greatest flow, where the mass takes no part.
    let peak = |quadratic: bool| -> (f64, f64) {
        let mut unit = unit(&design, quadratic);
        let (mut across, mut peak) = (0.0, (0.0, 0.0f64));
        let [near, far] = ["j", "k"].map(|name| unit.junction(name).unwrap_or_default());
        for n in 0..8_000 {
            let t = (f64::from(n) + 0.5) * unit.step_s();
            unit.step(30.0 * (std::f64::consts::TAU * 10.0 * t).sin());
            let before = across;
            across = unit.pressure_pa(near) - unit.pressure_pa(far);
            let flow = unit.flow()[0].last().copied().unwrap_or_default();
            if n > 3_200 && flow > peak.1 {
                peak = (0.5 * (before + across), flow);
            }
        }
        peak
    };
    let (linear_pa, linear) = peak(false);
    let (across_pa, flow) = peak(true);
    // DERIVED: Δp = R·U + q·(U/S)², q = ρ(1 − σ²)/(2·Cd²·σ²) (Ingard & Ising 1967, as in the design); R from the linear
    // run. 0.1 %: the greatest flow is met to within a step, and R·U is 3 % of the whole.
    let rho = Air::new(design.air).density_kg_per_m3;
    let q = rho * (1.0 - 0.01) / (2.0 * 0.64 * 0.01);
    let wanted = linear_pa / linear * flow + q * (flow / 0.01).powi(2);
    assert!(
        (across_pa / wanted - 1.0).abs() < 1e-3,
        "{across_pa} {wanted}"
    );
    assert!(across_pa > 3.0 * linear_pa / linear * flow);
}

/// Current and front pressure of a closed box in front of drivers that are strongly nonlinear, over 0.2 s of 40 Hz.
fn boxed(change: impl FnOnce(&mut Design), nonlinear: f64) -> Vec<[f64; 2]> {
    let mut design = design("");
    change(&mut design);
    let grid = Grid {
        rate_hz: 16_000.0,
        low_hz: 5.0,
        high_hz: 500.0,
        nonlinear,
        quadratic: false,
    };
    let air = Air::new(design.air);
    let mut unit = Unit::new(&design, &air, grid, 0.7).unwrap_or_else(|e| panic!("{e:?}"));
    let junction = unit.junction("j").unwrap_or_default();
    (0..3_200)
        .map(|n| {
            let t = (f64::from(n) + 0.5) * unit.step_s();
            let step = unit.step(40.0 * (std::f64::consts::TAU * 40.0 * t).sin());
            [step.current_a, unit.pressure_pa(junction)]
        })
        .collect()
}

/// Largest difference over the largest value, of current and of pressure.
fn apart(got: &[[f64; 2]], wanted: &[[f64; 2]]) -> f64 {
    (0..2)
        .map(|k| {
            let largest = |f: &dyn Fn(usize) -> f64| (0..wanted.len()).map(f).fold(0.0, larger);
            largest(&|n| got[n][k] - wanted[n][k]) / largest(&|n| wanted[n][k])
        })
        .fold(0.0, larger)
}

fn companions(design: &mut Design, count: usize, turned: bool) {
    let driver = &mut design.driver;
    let (mut front, mut rear) = (driver.front.clone(), driver.rear.clone());
    if turned {
        std::mem::swap(&mut front, &mut rear);
    }
    let companion = Companion {
        front,
        rear,
        reversed: turned,
    };
    driver.also = vec![companion; count - 1];
}

/// One driver of `count` cones and coils together; coils count as `coils` in series and `count/coils` in parallel.
fn together(design: &mut Design, count: f64, coils: f64) {
    let driver = &mut design.driver;
    let electric = coils * coils / count;
    driver.re_ohm *= electric;
    driver.le_h *= electric;
    driver.semi = driver.semi.map(|semi| SemiInductance {
        k_ohm_s_n: semi.k_ohm_s_n * electric,
        ..semi
    });
    driver.sd_m2 *= count;
    if let Mechanics::Mechanical {
        bl_n_per_a,
        mass_kg,
        cms_m_per_n,
        rms_kg_per_s,
        ..
    } = &mut driver.mechanics
    {
        *bl_n_per_a *= coils;
        *mass_kg *= count;
        *cms_m_per_n /= count;
        *rms_kg_per_s *= count;
    }
}

fn creeping(design: &mut Design) {
    design.driver.xmax_m = Some(0.0003);
    design.driver.creep = 0.1;
    design.driver.semi = Some(SemiInductance {
        k_ohm_s_n: 0.05,
        n: 0.6,
    });
}

#[test]
fn drivers_in_one_place_are_one_larger_driver() {
    for (wiring, coils) in [(Wiring::Parallel, 1.0), (Wiring::Series, 3.0)] {
        let three = boxed(
            |d| {
                creeping(d);
                companions(d, 3, false);
                d.driver.wiring = wiring;
            },
            1.0,
        );
        let one = boxed(
            |d| {
                creeping(d);
                together(d, 3.0, coils);
            },
            1.0,
        );
        // DERIVED: the same equations times three. 1e-9: rounding.
        let off = apart(&three, &one);
        assert!(off < 1e-9, "{wiring:?}: {off}");
        // The nonlinearity is strong enough to matter in this check.
        let linear = boxed(
            |d| {
                creeping(d);
                together(d, 3.0, coils);
            },
            0.0,
        );
        let off = apart(&linear, &one);
        assert!(off > 0.05, "{wiring:?}: {off}");
    }
}

#[test]
fn a_driver_turned_around_with_its_leads_exchanged_does_the_same() {
    for wiring in [Wiring::Parallel, Wiring::Series] {
        let wired = |turned: bool| {
            boxed(
                |d| {
                    companions(d, 2, turned);
                    d.driver.wiring = wiring;
                },
                0.0,
            )
        };
        // DERIVED: both signs cancel in every equation of a linear driver. 1e-9: rounding.
        assert!(apart(&wired(true), &wired(false)) < 1e-9);
        // DERIVED: leads exchanged alone, in one place: the cones cancel each other and the coils see no motion.
        let silent = boxed(
            |d| {
                companions(d, 2, false);
                d.driver.also[0].reversed = true;
                d.driver.wiring = wiring;
            },
            0.0,
        );
        let loudest = silent.iter().map(|s| s[1]).fold(0.0, larger);
        let heard = wired(false).iter().map(|s| s[1]).fold(0.0, larger);
        assert!(loudest < 1e-9 * heard, "{wiring:?} {loudest} {heard}");
    }
}
