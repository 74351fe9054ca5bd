//! The time-domain unit against the frequency-domain network, element by element.

#![allow(clippy::unwrap_used)]

mod cabinet;

use bassay::design::*;
use bassay::model::Observed;
use bassay::model::network::Network;
use bassay::rehearse::frequency_response;
use bassay::signal::grid::log_grid;
use cabinet::cabinet;

/// Drive at which nothing that rises with level has begun to: the unit's frequency response is the linear one.
const QUIET_V: f64 = 1e-6;

#[test]
fn both_models_agree_on_every_element() {
    type Change = Box<dyn Fn(&mut Design)>;
    let mouth = |d: &Design, name: &str, at: &str, area_m2: f64, position_m: [f64; 3]| Opening {
        name: name.into(),
        at: at.into(),
        area_m2,
        shape: OpeningShape::Round,
        position_m,
        ..d.openings[0].clone()
    };
    let plate = |d: &mut Design, k: usize, holes: Holes, thickness_m: f64, open_fraction: f64| {
        d.resistors[k].areal_mass_kg_per_m2 = 0.0;
        d.resistors[k].resistance = Resistance::Plate(Plate {
            holes,
            thickness_m,
            open_fraction,
            discharge: 0.76,
        });
    };
    let companion = |front: &str, rear: &str, reversed: bool| Companion {
        front: front.into(),
        rear: rear.into(),
        reversed,
    };
    // Allowed difference in dB: 0.2 between the models, 0.05 where both have the same formulas in a plain geometry.
    let cases: Vec<(&str, f64, Change)> = vec![
        ("as it is", 0.05, Box::new(|_| {})),
        ("30 °C", 0.05, Box::new(|d| d.air.temperature_c = 30.0)),
        ("creep", 0.05, Box::new(|d| d.driver.creep = 0.1)),
        (
            "small parameters",
            0.05,
            Box::new(|d| {
                d.driver.mechanics = Mechanics::Resonance {
                    fs_hz: 30.0,
                    qms: 5.0,
                    qes: 0.4,
                    vas_m3: 0.2,
                };
            }),
        ),
        (
            "semi-inductance",
            0.05,
            Box::new(|d| {
                d.driver.semi = Some(SemiInductance {
                    k_ohm_s_n: 0.06,
                    n: 0.6,
                });
            }),
        ),
        (
            "semi-inductance alone",
            0.05,
            Box::new(|d| {
                d.driver.le_h = 0.0;
                d.driver.l2_h = None;
                d.driver.r2_ohm = None;
                d.driver.semi = Some(SemiInductance {
                    k_ohm_s_n: 0.02,
                    n: 0.85,
                });
            }),
        ),
        (
            "fill",
            0.1,
            Box::new(|d| {
                d.chambers[0].fill = Some(Fill {
                    flow_resistivity_pa_s_per_m2: 5000.0,
                    fraction: 0.6,
                    model: PorousModel::JohnsonChampouxAllard,
                });
            }),
        ),
        (
            // Waves in a lined channel are slow, so that a cell is a larger part of the wave length.
            "lining",
            0.2,
            Box::new(|d| {
                d.ducts[6].lining = Some(Lining {
                    material: LiningMaterial::Porous {
                        flow_resistivity_pa_s_per_m2: 8000.0,
                        thickness_m: 0.03,
                        model: PorousModel::JohnsonChampouxAllard,
                    },
                    air_gap_m: 0.0,
                });
            }),
        ),
        (
            "slot leak, slit and round ducts",
            0.1,
            Box::new(|d| {
                d.leaks[0].form = LeakForm::Slot {
                    length_m: 0.3,
                    gap_m: 0.0008,
                    depth_m: 0.018,
                };
                d.ducts[6].section = Section::Slit { gap_m: 0.01 };
                d.ducts[7].section = Section::Round;
            }),
        ),
        (
            "bends and end corrections",
            0.1,
            Box::new(|d| {
                d.ducts[2].bend = Bend::Mitred;
                d.ducts[3].bend = Bend::Rounded;
                d.ducts[7].end_correction_m = [0.03, 0.0];
            }),
        ),
        (
            "end correction factor",
            0.1,
            Box::new(|d| d.openings[0].end_correction_factor = 1.15),
        ),
        (
            "free space",
            0.2,
            Box::new(|d| {
                d.space = Space::Full;
                d.openings[0].flange = Flange::None;
            }),
        ),
        ("on the floor", 0.2, Box::new(|d| d.space = Space::Quarter)),
        ("in a corner", 0.2, Box::new(|d| d.space = Space::Eighth)),
        (
            "over a floor, beside a wall",
            0.1,
            Box::new(|d| {
                d.room = Room {
                    floor_m: Some(0.55),
                    wall_m: Some(1.4),
                };
            }),
        ),
        (
            "near a floor and a wall",
            0.1,
            Box::new(|d| {
                d.room = Room {
                    floor_m: Some(0.3),
                    wall_m: Some(0.3),
                };
            }),
        ),
        (
            "beside a wall, on the floor",
            0.1,
            Box::new(|d| {
                d.space = Space::Quarter;
                d.room.wall_m = Some(0.35);
            }),
        ),
        (
            "free space over a floor",
            0.1,
            Box::new(|d| {
                d.space = Space::Full;
                d.openings[0].flange = Flange::None;
                d.room.floor_m = Some(0.4);
            }),
        ),
        (
            "two mouths",
            0.2,
            Box::new(move |d| {
                let more = mouth(d, "more", "j3", 0.03, [0.0, 0.7, 0.0]);
                d.openings.push(more);
            }),
        ),
        (
            "cone outside",
            0.2,
            Box::new(move |d| {
                let cone = mouth(d, "cone", "back", 0.0855, [0.0, 0.0, 0.9]);
                d.openings.push(cone);
                d.driver.rear = "back".into();
            }),
        ),
        (
            "two drivers in parallel",
            0.05,
            Box::new(move |d| {
                d.drive.source_ohm = 1.0;
                d.driver.also = vec![companion("j2", "box", false)];
            }),
        ),
        (
            "three drivers in series, one turned",
            0.05,
            Box::new(move |d| {
                d.drive.source_ohm = 3.0;
                d.driver.wiring = Wiring::Series;
                d.driver.also = vec![
                    companion("box", "j1", true),
                    companion("j3", OUTSIDE, false),
                ];
            }),
        ),
        (
            "two drivers against each other, with all else",
            0.05,
            Box::new(move |d| {
                d.driver.also = vec![companion("j1", "box", true)];
                d.driver.creep = 0.08;
                d.driver.coil_temperature_c = Some(120.0);
                d.driver.semi = Some(SemiInductance {
                    k_ohm_s_n: 0.06,
                    n: 0.6,
                });
            }),
        ),
        (
            "plates of fine holes and fine slots",
            0.1,
            Box::new(move |d| {
                plate(d, 0, Holes::Round { diameter_m: 3e-4 }, 1e-3, 0.03);
                plate(d, 1, Holes::Slots { gap_m: 3e-4 }, 2e-3, 0.08);
            }),
        ),
        (
            "plates of wide holes and wide slots",
            0.1,
            Box::new(move |d| {
                plate(d, 0, Holes::Round { diameter_m: 1e-3 }, 1e-3, 0.1);
                plate(d, 1, Holes::Slots { gap_m: 5e-4 }, 1e-3, 0.05);
            }),
        ),
        (
            "a thin plate of holes of 3 mm",
            0.1,
            Box::new(move |d| {
                plate(d, 0, Holes::Round { diameter_m: 3e-3 }, 1e-3, 0.1);
                plate(d, 1, Holes::Slots { gap_m: 2e-3 }, 1e-3, 0.05);
            }),
        ),
        (
            "missing and blocked resistors",
            0.05,
            Box::new(|d| {
                d.resistors[0].resistance = Resistance::Acoustic(1e-3);
                d.resistors[1].resistance = Resistance::Acoustic(1e12);
            }),
        ),
    ];
    let mut failed = Vec::new();
    for (name, allowed, change) in cases {
        let mut design = cabinet();
        change(&mut design);
        let f = log_grid(10.0, 300.0, 12);
        let network = Network::new(&design, &design.air).unwrap();
        let observed: Vec<Observed> = std::iter::once(Observed::Impedance)
            .chain((0..design.probes.len()).map(Observed::Probe))
            .collect();
        let model = network.respond(&f, &observed, QUIET_V);
        let unit = frequency_response(&design, &f).unwrap();
        let mut line = String::new();
        for (n, values) in model.iter().enumerate() {
            let of_unit = if n == 0 {
                &unit.impedance_ohm
            } else {
                &unit.pressure_pa_per_v[n - 1]
            };
            let (mut db, mut degrees) = (0.0f64, 0.0f64);
            for (m, u) in values.iter().zip(of_unit) {
                let ratio = u / m;
                db = db.max((20.0 * ratio.norm().log10()).abs());
                degrees = degrees.max(ratio.arg().to_degrees().abs());
            }
            line += &format!("  {db:.3} dB {degrees:.2}°");
            // CROSS: two programs that share the design reader and nothing else.
            if !(db < allowed && degrees < 2.0) {
                failed.push(format!(
                    "{name}, observation {n}: {db:.3} dB, {degrees:.2}°"
                ));
            }
        }
        eprintln!("{name:32}{line}");
    }
    assert!(failed.is_empty(), "{failed:#?}");
}
