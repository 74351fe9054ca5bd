//! Different ways to write one cabinet, and one cabinet at another size.

use super::random::{Kind, duct, frequency_hz, recipe, spread};
use super::{config, rounding};
use bassay::air::Air;
use bassay::design::{
    AirConditions, Bend, Design, Duct, LeakForm, Mechanics, OpeningShape, Profile, Resistance,
    Section,
};
use bassay::model::duct::{DuctGeometry, Transfer};
use bassay::model::network::Network;
use bassay::model::tone::Tone;
use num_complex::Complex64;
use proptest::prelude::*;
use std::f64::consts::TAU;

/// Air whose walls take no heat.
fn cold_walls() -> Air {
    Air {
        gamma: 1.0,
        ..Air::at(&AirConditions::default())
    }
}

/// The cabinet with every length times `s`; the driver with it, such that its acoustic admittance grows with the area.
fn scaled(design: &Design, s: f64) -> Design {
    let mut d = design.clone();
    for duct in &mut d.ducts {
        duct.length_m *= s;
        duct.area_m2 = duct.area_m2.map(|a| a * s * s);
        duct.end_correction_m = duct.end_correction_m.map(|l| l * s);
        duct.section = match duct.section {
            Section::Round => Section::Round,
            Section::Rectangular { width_m } => Section::Rectangular {
                width_m: width_m * s,
            },
            Section::Slit { gap_m } => Section::Slit { gap_m: gap_m * s },
        };
    }
    for chamber in &mut d.chambers {
        chamber.volume_m3 *= s * s * s;
    }
    for resistor in &mut d.resistors {
        resistor.area_m2 = resistor.area_m2.map(|a| a * s * s);
        if let Resistance::Acoustic(r) = &mut resistor.resistance {
            *r /= s * s;
        }
        resistor.areal_mass_kg_per_m2 *= s;
    }
    for leak in &mut d.leaks {
        if let LeakForm::Resistance(r) = &mut leak.form {
            *r /= s * s;
        }
    }
    for opening in &mut d.openings {
        opening.area_m2 *= s * s;
        opening.position_m = opening.position_m.map(|x| x * s);
        if let OpeningShape::Rectangular { width_m, height_m } = &mut opening.shape {
            *width_m *= s;
            *height_m *= s;
        }
    }
    let driver = &mut d.driver;
    driver.sd_m2 *= s * s;
    driver.le_h *= s;
    driver.l2_h = driver.l2_h.map(|l| l * s);
    if let Some(semi) = &mut driver.semi {
        semi.k_ohm_s_n *= s.powf(semi.n);
    }
    d.room.floor_m = d.room.floor_m.map(|x| x * s);
    d.room.wall_m = d.room.wall_m.map(|x| x * s);
    let driver = &mut d.driver;
    if let Mechanics::Mechanical {
        bl_n_per_a,
        mass_kg,
        cms_m_per_n,
        rms_kg_per_s,
        ..
    } = &mut driver.mechanics
    {
        *bl_n_per_a *= s;
        *mass_kg *= s * s * s;
        *cms_m_per_n /= s;
        *rms_kg_per_s *= s * s;
    }
    d
}

/// The same ducts written from the other end; a bend belongs to one end, and goes.
fn turned(duct: &Duct) -> Duct {
    Duct {
        from: duct.to.clone(),
        to: duct.from.clone(),
        area_m2: [duct.area_m2[1], duct.area_m2[0]],
        end_correction_m: [duct.end_correction_m[1], duct.end_correction_m[0]],
        bend: Bend::None,
        ..duct.clone()
    }
}

/// Area of a duct at the fraction `x` of its length.
fn area_at(duct: &Duct, x: f64) -> f64 {
    let [a, b] = duct.area_m2;
    match duct.profile {
        Profile::Uniform => a,
        Profile::Conical => (a.sqrt() + (b.sqrt() - a.sqrt()) * x).powi(2),
        Profile::Exponential => a * (b / a).powf(x),
        Profile::Parabolic => a + (b - a) * x,
    }
}

/// The two pieces of a duct that is cut at the fraction `x`.
fn cut(duct: &Duct, x: f64) -> [Duct; 2] {
    let between = format!("cut-{}", duct.name);
    let area = area_at(duct, x);
    [
        Duct {
            name: format!("{}-a", duct.name),
            to: between.clone(),
            length_m: duct.length_m * x,
            area_m2: [duct.area_m2[0], area],
            bend: Bend::None,
            end_correction_m: [duct.end_correction_m[0], 0.0],
            ..duct.clone()
        },
        Duct {
            name: format!("{}-b", duct.name),
            from: between,
            length_m: duct.length_m * (1.0 - x),
            area_m2: [area, duct.area_m2[1]],
            end_correction_m: [0.0, duct.end_correction_m[1]],
            ..duct.clone()
        },
    ]
}

fn then(first: &Transfer<Complex64>, second: &Transfer<Complex64>) -> Transfer<Complex64> {
    Transfer {
        pp: second.pp * first.pp + second.pu * first.up,
        pu: second.pp * first.pu + second.pu * first.uu,
        up: second.up * first.pp + second.uu * first.up,
        uu: second.up * first.pu + second.uu * first.uu,
    }
}

/// Difference of two transfer matrices in plane-wave terms of the mean area, over the size of the first.
fn apart(a: &Transfer<Complex64>, b: &Transfer<Complex64>, zc: f64) -> f64 {
    let list = |t: &Transfer<Complex64>| [t.pp, t.pu / zc, t.up * zc, t.uu];
    let size = list(a).iter().map(Complex64::norm_sqr).sum::<f64>().sqrt();
    let difference = list(a)
        .iter()
        .zip(list(b))
        .map(|(x, y)| (x - y).norm_sqr())
        .sum::<f64>()
        .sqrt();
    difference / size
}

/// How much of a duct's transfer a cut may change; `effect` is what loss and lining change of it.
fn allowed(duct: &Duct, effect: f64) -> f64 {
    // The whole and the pieces have their own steps.
    let steps = 2.0 * STEP_ERROR;
    match duct.profile {
        // One exact step whatever the length.
        Profile::Uniform => 1e-12,
        Profile::Parabolic => steps,
        // Exact but for loss and lining.
        Profile::Conical | Profile::Exponential => 1e-10 + steps.min(effect),
    }
}

/// What the steps of a tapered duct may leave up to 600 Hz. They are made for 5e-5 there, 3e-5 at 300 Hz and less below;
/// between those, at a resonance of the duct itself, it may be a few times as much.
const STEP_ERROR: f64 = 1.5e-4;

proptest! {
    #![proptest_config(config())]

    /// Lengths × s, areas × s², volumes × s³, frequency / s: all acoustic impedances become 1/s² of what they were and the terminals
    /// show the same. Without viscosity and heat, which know a size of their own.
    #[test]
    fn a_cabinet_of_another_size(recipe in recipe(), f in frequency_hz(), s in 0.2..5.0_f64) {
        let design = recipe.design(Kind::Scalable);
        let one = Network::in_air(&design, cold_walls()).unwrap();
        let other = Network::in_air(&scaled(&design, s), cold_walls()).unwrap();
        prop_assert_eq!(one.junctions(), other.junctions());
        // Without loss resonances are sharp: two more digits.
        let rounding = 100.0 * rounding(&one, f);
        let (a, b) = (super::impedances(&one, f), super::impedances(&other, f / s));
        for i in 0..a.len() {
            for j in 0..a.len() {
                let scale = (a[i][i].norm() * a[j][j].norm()).sqrt().max(a[i][j].norm());
                prop_assert!((b[i][j] * s * s - a[i][j]).norm() <= rounding * scale, "{i} {j}: {} {}", a[i][j], b[i][j] * s * s);
            }
        }
    }

    /// The order in a file, and which end of a duct is called `from`, mean nothing.
    #[test]
    fn notation_means_nothing(recipe in recipe(), f in frequency_hz(), turn in 0..7_usize) {
        let mut design = recipe.design(Kind::Every);
        for duct in &mut design.ducts {
            duct.bend = Bend::None;
        }
        let mut other = design.clone();
        let count = other.ducts.len();
        if count > 0 {
            other.ducts.rotate_left(turn % count);
            for duct in other.ducts.iter_mut().step_by(2) {
                *duct = turned(duct);
            }
        }
        other.resistors.reverse();
        other.chambers.reverse();
        other.leaks.reverse();
        other.openings.reverse();
        let one = Network::new(&design, &AirConditions::default()).unwrap();
        let rounding = rounding(&one, f);
        let one = one.solve(f, 2.83);
        let two = Network::new(&other, &AirConditions::default()).unwrap().solve(f, 2.83);
        prop_assert!((one.impedance - two.impedance).norm() <= rounding * one.impedance.norm(), "{} {}", one.impedance, two.impedance);
        for (a, b) in one.opening_flow.iter().zip(two.opening_flow.iter().rev()) {
            let cone = one.cone_velocity.iter().map(|v| v.norm()).sum::<f64>() * design.driver.sd_m2;
            let size = one.opening_flow.iter().map(|u| u.norm()).sum::<f64>() + cone;
            prop_assert!((a - b).norm() <= rounding * size, "{a} {b}");
        }
    }

    /// A duct in two pieces is the duct, for every profile and section, with loss, lining, end corrections and a bend.
    #[test]
    fn a_cut_duct_is_the_whole(kind in any::<u8>(), dice in prop::array::uniform8(0.0..1.0_f64), x in 0.05..0.95_f64, f in frequency_hz()) {
        let whole = duct("d".into(), "a".into(), "b".into(), kind, &dice);
        let tone = Tone::new(&Air::at(&AirConditions::default()), TAU * f);
        let of = |d: &Duct| DuctGeometry::<Complex64>::new(d, None).transfer(&tone);
        let [first, second] = cut(&whole, x);
        let zc = tone.rho_c() / area_at(&whole, 0.5);
        let error = apart(&of(&whole), &then(&of(&first), &of(&second)), zc);
        let smooth = Duct { loss_factor: 0.0, lining: None, ..whole.clone() };
        let effect = apart(&of(&whole), &of(&smooth), zc);
        prop_assert!(error <= allowed(&whole, effect), "{error:e} of {effect:e}: {whole:?}");
        // Its determinant is 1: it is reciprocal.
        let t = of(&whole);
        let (one, size) = (t.pp * t.uu - t.pu * t.up, t.pp.norm() * t.uu.norm() + t.pu.norm() * t.up.norm());
        prop_assert!((one - 1.0).norm() <= 1e-12 * (1.0 + size), "{one}");
    }

    /// And the cabinet does not notice that all its uniform ducts are cut.
    #[test]
    fn a_cabinet_of_cut_ducts(recipe in recipe(), f in frequency_hz(), x in 0.05..0.95_f64) {
        let mut design = recipe.design(Kind::Every);
        let mut other = design.clone();
        other.ducts.clear();
        for duct in &mut design.ducts {
            duct.profile = Profile::Uniform;
            duct.area_m2[1] = duct.area_m2[0];
            duct.bend = Bend::None;
            // From a rigid end to the outside nothing is left of the network.
            other.ducts.extend(cut(duct, x));
        }
        let one = Network::new(&design, &AirConditions::default()).unwrap();
        let rounding = rounding(&one, f);
        let one = one.solve(f, 2.83);
        let two = Network::new(&other, &AirConditions::default()).unwrap().solve(f, 2.83);
        prop_assert!((one.impedance - two.impedance).norm() <= rounding * one.impedance.norm(), "{} {}", one.impedance, two.impedance);
    }
}

/// The spread of values is even in the logarithm and reaches its ends.
#[test]
fn spread_reaches_its_ends() {
    assert_eq!(spread(0.0, 2.0, 200.0), 2.0);
    assert!(
        (spread(0.5, 2.0, 200.0) - 20.0).abs() < 1e-12
            && (spread(1.0, 2.0, 200.0) - 200.0).abs() < 1e-12
    );
}

proptest! {
    #![proptest_config(config())]

    /// The number of steps of a tapered duct leaves the error that it is chosen for. DERIVED: 512 steps of a method of
    /// fourth order are exact to rounding.
    #[test]
    fn the_steps_of_a_duct_leave_the_stated_error(kind in any::<u8>(), dice in prop::array::uniform8(0.0..1.0_f64), f in frequency_hz()) {
        let duct = duct("d".into(), "a".into(), "b".into(), kind, &dice);
        let tone = Tone::new(&Air::at(&AirConditions::default()), TAU * f);
        let geometry = DuctGeometry::<Complex64>::new(&duct, None);
        let fine = geometry.clone().in_steps(512).transfer(&tone);
        let error = apart(&fine, &geometry.transfer(&tone), tone.rho_c() / area_at(&duct, 0.5));
        prop_assert!(error <= STEP_ERROR, "{error:e} with {} steps: {duct:?}", geometry.steps());
    }
}
