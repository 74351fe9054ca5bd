//! Random cabinets: trees and loops of every element, values over decades.

use bassay::design::*;
use proptest::prelude::*;

/// Numbers from 0 to 1 that an element makes its values of.
type Dice = [f64; 8];

/// What a random cabinet is made of; shrinking takes elements away.
#[derive(Debug, Clone)]
pub struct Recipe {
    tree: Vec<(u8, u16, Dice)>,
    loops: Vec<(u8, u16, u16, Dice)>,
    loads: Vec<(u8, u16, Dice)>,
    driver: (u16, u16, Dice),
    /// Further drivers, room and coil.
    more: (u16, u16, Dice),
    space: u8,
}

/// Any recipe: 2 to 8 junctions, up to 3 edges that close loops or end somewhere else, up to 6 loads.
pub fn recipe() -> impl Strategy<Value = Recipe> {
    let dice = || prop::array::uniform8(0.0..1.0_f64);
    (
        prop::collection::vec((any::<u8>(), any::<u16>(), dice()), 1..8),
        prop::collection::vec((any::<u8>(), any::<u16>(), any::<u16>(), dice()), 0..4),
        prop::collection::vec((any::<u8>(), any::<u16>(), dice()), 0..7),
        (any::<u16>(), any::<u16>(), dice()),
        (any::<u16>(), any::<u16>(), dice()),
        any::<u8>(),
    )
        .prop_map(|(tree, loops, loads, driver, more, space)| Recipe {
            tree,
            loops,
            loads,
            driver,
            more,
            space,
        })
}

/// A frequency, 2 to 600 Hz, for which the model makes the steps of its ducts.
pub fn frequency_hz() -> impl Strategy<Value = f64> {
    (0.0..1.0_f64).prop_map(|x| spread(x, 2.0, 600.0))
}

/// From 0..1 to low..high, evenly in the logarithm.
pub fn spread(x: f64, low: f64, high: f64) -> f64 {
    low * (high / low).powf(x)
}

/// Which elements of a recipe are built.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// All.
    Every,
    /// Those whose impedance follows from size over wavelength alone: no viscosity, no heat, no lining.
    Scalable,
}

const PROFILES: [Profile; 4] = [
    Profile::Uniform,
    Profile::Conical,
    Profile::Exponential,
    Profile::Parabolic,
];

/// A duct between two junctions.
pub fn duct(name: String, from: String, to: String, kind: u8, d: &Dice) -> Duct {
    let first = spread(d[0], 2e-4, 0.2);
    // Areas of the two ends within a factor of 10.
    let last = first * spread(d[1], 0.1, 10.0);
    let profile = PROFILES[usize::from(kind) % 4];
    let small = first.min(last);
    let section = match kind / 4 % 3 {
        0 => Section::Round,
        1 => Section::Rectangular {
            width_m: small.sqrt() * spread(d[2], 0.2, 5.0),
        },
        _ => Section::Slit {
            gap_m: small.sqrt() * spread(d[2], 0.02, 0.5),
        },
    };
    Duct {
        name,
        from,
        to,
        length_m: spread(d[3], 0.01, 3.0),
        area_m2: if profile == Profile::Uniform {
            [first; 2]
        } else {
            [first, last]
        },
        profile,
        section,
        loss_factor: if kind & 16 == 0 {
            1.0
        } else {
            spread(d[4], 0.1, 10.0)
        },
        bend: match kind / 32 % 4 {
            0 => Bend::Mitred,
            1 => Bend::Rounded,
            _ => Bend::None,
        },
        // Behind the walls of a slit a lining would take all: attenuation beyond e^700, which no number holds.
        lining: (kind & 128 != 0 && d[5] < 0.5 && !matches!(section, Section::Slit { .. })).then(
            || Lining {
                material: if d[4] < 0.3 {
                    LiningMaterial::Cloth {
                        specific_pa_s_per_m: spread(d[5] * 2.0, 10.0, 1e4),
                    }
                } else {
                    LiningMaterial::Porous {
                        flow_resistivity_pa_s_per_m2: spread(d[5] * 2.0, 1e3, 1e5),
                        // No thicker than half the duct is wide.
                        thickness_m: small.sqrt() * spread(d[6], 0.05, 0.5),
                        model: porous(d[3]),
                    }
                },
                air_gap_m: if d[4] < 0.6 {
                    small.sqrt() * spread(d[2], 0.05, 0.5)
                } else {
                    0.0
                },
            },
        ),
        end_correction_m: if d[7] < 0.3 {
            [0.3 * d[7], 0.1 * d[6]]
        } else {
            [0.0; 2]
        },
        bend_excess: (kind & 64 != 0).then_some(0.4 * d[1] - 0.3),
    }
}

fn porous(x: f64) -> PorousModel {
    if x < 0.5 {
        PorousModel::Miki
    } else {
        PorousModel::JohnsonChampouxAllard
    }
}

fn plate(d: &Dice) -> Plate {
    Plate {
        holes: if d[2] < 0.75 {
            Holes::Round {
                diameter_m: spread(d[3], 2e-4, 0.01),
            }
        } else {
            Holes::Slots {
                gap_m: spread(d[3], 1e-4, 5e-3),
            }
        },
        thickness_m: spread(d[4], 2e-4, 0.02),
        open_fraction: spread(d[5], 0.003, 0.5),
        discharge: 0.61,
    }
}

fn resistor(name: String, from: String, to: String, d: &Dice) -> Resistor {
    let area = spread(d[0], 1e-4, 0.1);
    let specific = Resistance::Specific(spread(d[1], 1.0, 1e5));
    Resistor {
        name,
        from,
        to,
        area_m2: Some(area),
        resistance: if d[2] < 0.4 {
            specific
        } else if d[2] > 0.7 {
            Resistance::Plate(plate(d))
        } else {
            Resistance::Acoustic(spread(d[1], 1e2, 1e8))
        },
        areal_mass_kg_per_m2: if d[3] < 0.5 || d[2] > 0.7 {
            0.0
        } else {
            spread(d[3], 1e-3, 10.0)
        },
        quadratic_pa_s2_per_m2: if d[4] < 0.7 || d[2] > 0.7 {
            0.0
        } else {
            spread(d[5], 1.0, 1e4)
        },
        limp: d[3] > 0.75 && d[2] <= 0.7,
        max_velocity_m_per_s: None,
    }
}

impl Recipe {
    /// The cabinet.
    pub fn design(&self, wanted: Kind) -> Design {
        let count = self.tree.len() + 1;
        let junction = |i: usize| format!("j{i}");
        let picked = |i: u16| junction(usize::from(i) % count);
        let mut ducts = Vec::new();
        let mut resistors = Vec::new();
        let mut edge = |kind: u8, from: String, to: String, d: &Dice| {
            // One edge in four is a resistor.
            if kind % 4 == 3 && from != CLOSED && to != CLOSED {
                resistors.push(resistor(format!("r{}", resistors.len()), from, to, d));
            } else {
                let kind = kind.rotate_left(3);
                ducts.push(duct(format!("d{}", ducts.len()), from, to, kind, d));
            }
        };
        for (i, (kind, parent, d)) in self.tree.iter().enumerate() {
            edge(
                *kind,
                junction(usize::from(*parent) % (i + 1)),
                junction(i + 1),
                d,
            );
        }
        for (kind, from, to, d) in &self.loops {
            let to = match to % 5 {
                0 => CLOSED.to_string(),
                1 => OUTSIDE.to_string(),
                _ => picked(to / 5),
            };
            // Either way round.
            if from % 2 == 0 {
                edge(*kind, picked(from / 2), to, d);
            } else {
                edge(*kind, to, picked(from / 2), d);
            }
        }
        let mut chambers = Vec::new();
        let mut leaks = Vec::new();
        // Resistors alone would leave the mean pressure open: some air is everywhere.
        chambers.push(Chamber {
            name: "air".into(),
            at: junction(0),
            volume_m3: spread(self.driver.2[6], 1e-5, 0.1),
            wall_area_m2: None,
            fill: None,
        });
        let mut openings: Vec<Opening> = Vec::new();
        let space = [
            Space::Half,
            Space::Half,
            Space::Full,
            Space::Quarter,
            Space::Eighth,
        ][usize::from(self.space) % 5];
        let plain = matches!(space, Space::Half | Space::Full);
        for (n, (kind, at, d)) in self.loads.iter().enumerate() {
            let (name, at) = (format!("l{n}"), picked(*at));
            match kind % 8 {
                0 | 1 => chambers.push(Chamber {
                    name,
                    at,
                    volume_m3: spread(d[0], 1e-5, 1.0),
                    wall_area_m2: None,
                    fill: (d[1] < 0.3).then(|| Fill {
                        flow_resistivity_pa_s_per_m2: spread(d[2], 1e3, 1e5),
                        fraction: d[3],
                        model: porous(d[4]),
                    }),
                }),
                2 => leaks.push(Leak {
                    name,
                    at,
                    to: if d[1] < 0.5 {
                        OUTSIDE.into()
                    } else {
                        junction(n % count)
                    },
                    form: LeakForm::Resistance(spread(d[0], 1e3, 1e9)),
                }),
                3 if wanted == Kind::Every => leaks.push(Leak {
                    name,
                    at,
                    to: OUTSIDE.into(),
                    form: LeakForm::Slot {
                        length_m: spread(d[0], 0.01, 1.0),
                        gap_m: spread(d[1], 1e-4, 3e-3),
                        depth_m: spread(d[2], 3e-3, 0.05),
                    },
                }),
                _ => openings.push(opening(name, at, space, *kind, d, openings.last())),
            }
        }
        let mut design = Design {
            name: "random".into(),
            digest: String::new(),
            air: AirConditions::default(),
            drive: Drive {
                voltage_v: 2.83,
                source_ohm: self.driver.2[7],
                max_voltage_v: None,
                max_current_a: None,
            },
            space,
            target: None,
            driver: self.driver(count),
            chambers,
            ducts,
            resistors,
            leaks,
            openings,
            probes: Vec::new(),
            tolerance: Vec::new(),
            free: Vec::new(),
            room: Room {
                floor_m: (self.more.2[0] < 0.3 && plain).then_some(self.more.2[1]),
                wall_m: (self.more.2[2] < 0.3 && plain).then_some(3.0 * self.more.2[3]),
            },
        };
        if wanted == Kind::Scalable {
            for duct in &mut design.ducts {
                duct.loss_factor = 0.0;
                duct.lining = None;
                // A parabolic duct has its steps made for one wave length: their error does not scale.
                if duct.profile == Profile::Parabolic {
                    duct.profile = Profile::Conical;
                }
            }
            for resistor in &mut design.resistors {
                resistor.quadratic_pa_s2_per_m2 = 0.0;
                if let Resistance::Plate(_) = resistor.resistance {
                    resistor.resistance = Resistance::Specific(400.0);
                }
            }
            for chamber in &mut design.chambers {
                chamber.fill = None;
            }
        }
        design
    }

    /// Up to two further drivers, at junctions of their own or the same, either way round.
    fn also(&self, count: usize) -> Vec<Companion> {
        let (front, rear, _) = &self.more;
        let at = |n: u16| match usize::from(n) % (count + 1) {
            0 => OUTSIDE.to_string(),
            i => format!("j{}", i - 1),
        };
        [(front, rear), (rear, front)]
            .into_iter()
            .take(usize::from(front / 256) % 3)
            .enumerate()
            .map(|(n, (front, rear))| Companion {
                front: at(front / 4 + n as u16),
                rear: at(rear / 4),
                reversed: rear % 2 == 1,
            })
            .filter(|d| d.front != d.rear)
            .collect()
    }

    fn driver(&self, count: usize) -> Driver {
        let (front, rear, d) = &self.driver;
        let e = &self.more.2;
        let front = usize::from(*front) % count;
        // Outside, or another junction than the front.
        let rear = match usize::from(*rear) % count {
            0 => OUTSIDE.to_string(),
            step => format!("j{}", (front + step) % count),
        };
        Driver {
            re_ohm: spread(d[0], 2.0, 20.0),
            mechanics: Mechanics::Mechanical {
                bl_n_per_a: spread(d[1], 2.0, 30.0),
                mass_kg: spread(d[2], 0.005, 0.5),
                with_air_load: false,
                cms_m_per_n: spread(d[3], 3e-5, 3e-3),
                rms_kg_per_s: spread(d[4], 0.1, 20.0),
            },
            sd_m2: spread(d[5], 0.003, 0.15),
            le_h: spread(d[6], 1e-5, 5e-3),
            l2_h: (d[7] < 0.5).then_some(1e-3),
            r2_ohm: (d[7] < 0.5).then_some(5.0),
            xmax_m: None,
            power_w: None,
            creep: if d[6] < 0.5 { 0.0 } else { 0.1 * d[6] },
            front: format!("j{front}"),
            rear,
            semi: (e[4] < 0.3).then(|| SemiInductance {
                k_ohm_s_n: spread(e[5], 0.003, 0.3),
                n: 0.3 + 0.6 * e[6],
            }),
            coil_temperature_c: (e[7] < 0.3).then_some(500.0 * e[7]),
            coil_metal: CoilMetal::Copper,
            also: self.also(count),
            wiring: if e[7] < 0.5 {
                Wiring::Parallel
            } else {
                Wiring::Series
            },
        }
    }
}

/// An opening beside the one before, no nearer than two circles around them touch, above the floor by more than the largest
/// opening is high: the range that is stated for the coupling of openings. (Two tall rectangles side by side lie
/// outside it: in antiphase their coupling as points is stronger than their own radiation.)
fn opening(
    name: String,
    at: String,
    space: Space,
    kind: u8,
    d: &Dice,
    last: Option<&Opening>,
) -> Opening {
    let area = spread(d[0], 1e-4, 0.3);
    let aspect = spread(d[1], 0.25, 4.0);
    let across = |o: &Opening| match o.shape {
        OpeningShape::Round => 2.0 * (o.area_m2 / std::f64::consts::PI).sqrt(),
        OpeningShape::Rectangular { width_m, height_m } => width_m.hypot(height_m),
    };
    let mut opening = Opening {
        name,
        at,
        area_m2: area,
        shape: if kind & 64 == 0 {
            OpeningShape::Round
        } else {
            OpeningShape::Rectangular {
                width_m: (area * aspect).sqrt(),
                height_m: (area / aspect).sqrt(),
            }
        },
        position_m: [0.0; 3],
        flange: if space == Space::Full {
            Flange::None
        } else {
            Flange::Infinite
        },
        end_correction_factor: spread(d[2], 0.7, 1.4),
        max_velocity_m_per_s: None,
    };
    let left = last.map_or(1.2, |o| o.position_m[1] + 0.5 * across(o));
    opening.position_m = [
        0.0,
        left + 0.5 * across(&opening) + spread(d[3], 1e-3, 10.0),
        1.2,
    ];
    opening
}
