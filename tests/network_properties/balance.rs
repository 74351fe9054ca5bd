//! Volume velocity at every junction and power in the whole cabinet, from the elements' own equations.

use super::random::{Kind, frequency_hz, recipe};
use super::{config, rounding};
use bassay::design::{
    AirConditions, CLOSED, Design, Holes, LiningMaterial, OUTSIDE, PorousModel, Resistance, Room,
    Space, Wiring,
};
use bassay::model::duct::DuctGeometry;
use bassay::model::lumped;
use bassay::model::network::{Network, Solution};
use bassay::model::tone::Tone;
use num_complex::Complex64;
use proptest::prelude::*;
use std::f64::consts::{PI, TAU};

const NONE: Complex64 = Complex64::new(0.0, 0.0);

/// What kind of element takes power.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Taker {
    Duct,
    Resistor,
    Leak,
    Chamber,
    Radiation,
}

/// Volume velocity into an element at one of its ends, and the size of the terms that it is the difference of:
/// their rounding remains where it vanishes.
struct End {
    junction: String,
    flow: Complex64,
    size: f64,
}

/// The two ends of something that lets `y` pass for one pascal.
fn through(from: &str, to: &str, pressures: [Complex64; 2], y: Complex64) -> Vec<End> {
    let flow = (pressures[0] - pressures[1]) * y;
    let size = (pressures[0].norm() + pressures[1].norm()) * y.norm();
    vec![
        End {
            junction: from.into(),
            flow,
            size,
        },
        End {
            junction: to.into(),
            flow: -flow,
            size,
        },
    ]
}

/// Every element with the flows into its ends.
fn elements(design: &Design, network: &Network, s: &Solution, at: &Tone) -> Vec<(Taker, Vec<End>)> {
    let p = |name: &str| pressure(network, s, name);
    let mut list = Vec::new();
    for duct in &design.ducts {
        let t = DuctGeometry::<Complex64>::new(duct, None).transfer(at);
        let (a, b) = (p(&duct.from), p(&duct.to));
        // p_to = pp·p + pu·U, U_to = up·p + uu·U with determinant 1; a rigid end takes no flow.
        let [into, out] = if duct.to == CLOSED {
            [[-t.up / t.uu * a, NONE], [NONE; 2]]
        } else if duct.from == CLOSED {
            [[NONE; 2], [-t.up / t.pp * b, NONE]]
        } else {
            [[-t.pp / t.pu * a, b / t.pu], [a / t.pu, -t.uu / t.pu * b]]
        };
        let end = |junction: &String, [x, y]: [Complex64; 2]| End {
            junction: junction.clone(),
            flow: x + y,
            size: x.norm() + y.norm(),
        };
        list.push((Taker::Duct, vec![end(&duct.from, into), end(&duct.to, out)]));
    }
    for (resistor, &flow) in design.resistors.iter().zip(&s.resistor_flow) {
        // The solution's own flow, which knows what velocity adds; the resistance bounds its terms.
        let (a, b) = (p(&resistor.from), p(&resistor.to));
        let y = lumped::resistor::<Complex64>(resistor, at, 0.0, None);
        let size = (a.norm() + b.norm()) * y.norm();
        let end = |junction: &String, flow| End {
            junction: junction.clone(),
            flow,
            size,
        };
        list.push((
            Taker::Resistor,
            vec![end(&resistor.from, flow), end(&resistor.to, -flow)],
        ));
    }
    for leak in &design.leaks {
        let y = lumped::leak::<Complex64>(leak, at, None);
        list.push((
            Taker::Leak,
            through(&leak.at, &leak.to, [p(&leak.at), p(&leak.to)], y),
        ));
    }
    for chamber in &design.chambers {
        let y = lumped::chamber::<Complex64>(chamber, at, None);
        list.push((
            Taker::Chamber,
            through(&chamber.at, OUTSIDE, [p(&chamber.at), NONE], y),
        ));
    }
    // Openings exchange power among each other: they count as one element.
    let flows = design.openings.iter().zip(&s.opening_flow);
    let ends = flows.map(|(o, &flow)| End {
        junction: o.at.clone(),
        flow,
        size: flow.norm(),
    });
    list.push((Taker::Radiation, ends.collect()));
    list
}

/// What the coupling of openings as points may give back, in units of their resistance on their own at low frequency.
///
/// Two in half space give nothing. Three, or two beside a wall with their images, can be driven as a quadrupole or
/// with no net flow past a large one between them: radiation is then the small difference of terms of
/// which the opening's own is lowered by its size, (ka)²/6, and the coupling is not. And the load of an opening without
/// flange is a fit to 1e-3.
fn spare(design: &Design, s: &Solution, at: &Tone) -> f64 {
    let largest = design
        .openings
        .iter()
        .map(|o| o.area_m2)
        .fold(0.0, f64::max);
    let ka2 = at.wave_number().powi(2) * largest / PI;
    let (angle, share) = match design.space {
        Space::Half if design.openings.len() <= 2 && design.room == Room::default() => return 0.0,
        Space::Half | Space::Quarter | Space::Eighth => (TAU, ka2 / 3.0),
        Space::Full => (2.0 * TAU, 1e-3 + ka2 / 3.0),
    };
    let resistance = at.density_kg_per_m3 * at.omega_rad_per_s.powi(2) / (angle * at.speed_m_per_s);
    share * resistance * s.opening_flow.iter().map(Complex64::norm_sqr).sum::<f64>()
}

fn pressure(network: &Network, s: &Solution, name: &str) -> Complex64 {
    network
        .junctions()
        .iter()
        .position(|j| j == name)
        .map_or(NONE, |n| s.pressure[n])
}

proptest! {
    #![proptest_config(config())]

    /// At every junction the flows into the elements are what the cone gives; the power that the cone gives is
    /// what walls, resistors, leaks, chambers and radiation take, each of them at least nothing; and what the amplifier gives is that
    /// with the heat in coil and suspension.
    #[test]
    fn volume_velocity_and_power_balance(recipe in recipe(), f in frequency_hz(), drive_v in 1e-3..30.0_f64) {
        let design = recipe.design(Kind::Every);
        let network = Network::new(&design, &AirConditions::default()).unwrap();
        let s = network.solve(f, drive_v);
        let at = Tone::new(network.air(), TAU * f);
        let rounding = rounding(&network, f);
        let elements = elements(&design, &network, &s, &at);
        let cones: Vec<Complex64> = s.cone_velocity.iter().map(|v| v * design.driver.sd_m2).collect();

        for name in network.junctions() {
            let ends = elements.iter().flat_map(|(_, ends)| ends).filter(|e| e.junction == *name);
            let (mut sum, mut size) = (NONE, 0.0);
            for end in ends {
                sum -= end.flow;
                size += end.size;
            }
            for ((front, rear, _), cone) in design.driver.places().zip(&cones) {
                for (side, sign) in [(front, 1.0), (rear, -1.0)] {
                    if side == name {
                        sum += cone * sign;
                        size += cone.norm();
                    }
                }
            }
            prop_assert!(sum.norm() <= rounding * size, "{name}: {sum:e} of {size:e}, {rounding:e} allowed");
        }

        let mut taken = 0.0;
        let mut apparent = 0.0;
        for (taker, ends) in &elements {
            let mut power = NONE;
            let mut size = 0.0;
            for end in ends.iter().filter(|e| e.junction != OUTSIDE && e.junction != CLOSED) {
                let part = pressure(&network, &s, &end.junction) * end.flow.conj();
                power += part;
                size += pressure(&network, &s, &end.junction).norm() * end.size;
            }
            let spare = if *taker == Taker::Radiation { spare(&design, &s, &at) } else { 0.0 };
            prop_assert!(power.re >= -rounding * size - spare, "{taker:?} gives power: {power} of {size}, {spare} spare");
            taken += power.re;
            apparent += size;
        }
        let mut given = 0.0;
        for ((front, rear, _), cone) in design.driver.places().zip(&cones) {
            let difference = pressure(&network, &s, front) - pressure(&network, &s, rear);
            given += (difference * cone.conj()).re;
            apparent += difference.norm() * cone.norm();
        }
        prop_assert!((given - taken).abs() <= rounding * apparent, "{given} W given, {taken} W taken");

        // One volt at the amplifier: Re(i) = |i|²·Re(Ze) + |v|²·Re(Zm) + acoustic power.
        let numbers = bassay::model::driver::DriverNumbers::<Complex64>::new(&design.driver, design.drive.source_ohm, 1.2, 1.4e5, None);
        let port = numbers.port(TAU * f);
        // Ya = Sd²/(Zm + Bl²/Ze).
        let mechanical = port.sd * port.sd / port.admittance - port.bl * port.bl / port.blocked;
        let count = cones.len() as f64;
        // One coil without its share of the source.
        let coil = port.blocked - port.source_ohm * if design.driver.wiring == Wiring::Parallel { count } else { count.recip() };
        let mut heat = s.current.norm_sqr() * design.drive.source_ohm;
        let mut size = s.current.norm() + heat + apparent;
        for (v, i) in s.cone_velocity.iter().zip(&s.coil_current) {
            heat += i.norm_sqr() * coil.re + v.norm_sqr() * mechanical.re;
            size += i.norm_sqr() * coil.norm() + v.norm_sqr() * mechanical.norm();
        }
        let sum: Complex64 = design.driver.places().zip(&s.coil_current).map(|((_, _, sign), i)| i * sign).sum();
        let shared = if design.driver.wiring == Wiring::Parallel { sum } else { sum / count };
        prop_assert!((shared - s.current).norm() <= rounding * (s.current.norm() + s.coil_current[0].norm()), "{shared} {}", s.current);
        prop_assert!((s.current.re - heat - given).abs() <= rounding * size, "{} {heat} {given}", s.current.re);
    }
}

/// The random cabinets hold every kind of element, or the balance would prove little.
#[test]
fn random_cabinets_hold_every_element() {
    use proptest::strategy::ValueTree;
    let mut runner = proptest::test_runner::TestRunner::new(config());
    let mut seen = [0; 22];
    for _ in 0..200 {
        let d = recipe()
            .new_tree(&mut runner)
            .unwrap()
            .current()
            .design(Kind::Every);
        let loops = d
            .ducts
            .iter()
            .filter(|x| x.from != CLOSED && x.to != CLOSED && x.from != OUTSIDE && x.to != OUTSIDE)
            .count()
            + d.resistors.len();
        let junctions = Network::new(&d, &d.air).unwrap().junctions().len();
        for (n, here) in [
            d.resistors.iter().any(|r| r.quadratic_pa_s2_per_m2 > 0.0),
            !d.chambers.is_empty(),
            d.leaks
                .iter()
                .any(|l| matches!(l.form, bassay::design::LeakForm::Slot { .. })),
            d.openings.len() > 1,
            d.openings.len() > 2,
            d.ducts.iter().any(|x| x.lining.is_some()),
            d.ducts.iter().any(|x| x.to == CLOSED),
            d.ducts.iter().any(|x| x.from == CLOSED),
            loops >= junctions,
            d.driver.rear != OUTSIDE,
            d.resistors.iter().any(|r| r.limp),
            d.resistors.iter().any(|r| {
                matches!(r.resistance, Resistance::Plate(p) if matches!(p.holes, Holes::Round { .. }))
            }),
            d.resistors.iter().any(|r| {
                matches!(r.resistance, Resistance::Plate(p) if matches!(p.holes, Holes::Slots { .. }))
            }),
            d.ducts.iter().any(|x| {
                x.lining.is_some_and(|l| matches!(l.material, LiningMaterial::Cloth { .. }))
            }),
            d.ducts.iter().any(|x| x.lining.is_some_and(|l| l.air_gap_m > 0.0)),
            d.chambers.iter().any(|c| c.fill.is_some_and(|f| f.model == PorousModel::Miki)),
            d.room.floor_m.is_some(),
            d.room.wall_m.is_some(),
            d.driver.semi.is_some(),
            d.driver.count() > 1 && d.driver.wiring == Wiring::Series,
            d.driver.count() > 1 && d.driver.wiring == Wiring::Parallel,
            d.driver.also.iter().any(|a| a.reversed),
        ]
        .into_iter()
        .enumerate()
        {
            seen[n] += usize::from(here);
        }
    }
    assert!(seen.iter().all(|&n| n >= 10), "{seen:?}");
}
