//! Reads where sound leaves and where microphones stand: `[[opening]]`, `[[probe]]`.

use super::junctions::{Role, Wiring};
use super::problem::{number, quoted};
use super::read_elements::{Names, at_junction, named, one_of};
use super::toml_reader::Table;
use super::{Flange, Opening, OpeningShape, Probe, ProbePlace, Room, Space, quantity};
use std::collections::{BTreeMap, BTreeSet};

/// Largest relative difference of two statements of the same area: they are written with a few digits.
const SAME_AREA: f64 = 0.01;

/// Reports a position below the floor or behind the side wall that `[room]` puts at a distance.
fn in_the_room(table: &Table<'_, '_>, room: Room, position_m: [f64; 3]) {
    let [_, y, z] = position_m;
    for (distance, at, axis, plane) in [
        (room.floor_m, z, "z", "floor"),
        (room.wall_m, y, "y", "wall"),
    ] {
        if let Some(distance) = distance.filter(|d| at < -d) {
            table.problem(
                "position_m",
                format!(
                    "{axis} is {} m, behind the {plane} at {} m ([room] {plane}_m); expected a place in the room",
                    number(at),
                    number(-distance)
                ),
            );
        }
    }
}

pub(super) fn openings<'t>(
    top: &Table<'t, '_>,
    wiring: &mut Wiring<'t>,
    (space, room): (Space, Room),
) -> Vec<Opening> {
    let mut names = Names::new("opening");
    let known = [
        "name",
        "at",
        "area_m2",
        "shape",
        "position_m",
        "flange",
        "end_correction_factor",
        "max_velocity_m_per_s",
    ];
    let mut places: BTreeMap<[u64; 3], String> = BTreeMap::new();
    let mut list = Vec::new();
    for (i, (table, at)) in top.list("opening").into_iter().enumerate() {
        let (table, name) = names.open(top, table, at, i, &known);
        let (_, at) = named(wiring, at_junction(&table, "at", Role::Load));
        let area_m2 = table.number("area_m2", quantity::AREA);
        let shape = read_shape(&table, area_m2);
        let position_m = table.numbers::<3>("position_m", quantity::POSITION);
        let sound = position_m.is_some() || !table.has("position_m");
        let position_m = position_m.unwrap_or([0.0; 3]);
        // Adding zero makes −0 and 0 one place.
        let place = position_m.map(|x| (x + 0.0).to_bits());
        if let Some(other) = places.get(&place).filter(|_| sound) {
            table.problem(
                "position_m",
                format!(
                    "found [{}], where opening {} already is; expected a place of its own",
                    position_m.map(number).join(", "),
                    quoted(other)
                ),
            );
        } else if sound {
            places.insert(place, name.clone());
        }
        in_the_room(&table, room, position_m);
        let flanges = [("infinite", Flange::Infinite), ("none", Flange::None)];
        let flange = table.choice("flange", &flanges);
        let wrong = !table.has("flange") || flange == Some(Flange::Infinite);
        if space == Space::Full && wrong {
            table.problem(
                "flange",
                "an infinite flange contradicts site.space = \"full\"; expected flange = \"none\", or \
                 space = \"half\"",
            );
        }
        list.push(Opening {
            name,
            at,
            area_m2,
            shape,
            position_m,
            flange: flange.unwrap_or(Flange::Infinite),
            end_correction_factor: table.number_or("end_correction_factor", quantity::FACTOR, 1.0),
            max_velocity_m_per_s: table.optional("max_velocity_m_per_s", quantity::VELOCITY),
        });
    }
    list
}

fn read_shape(table: &Table<'_, '_>, area_m2: f64) -> OpeningShape {
    let Some(value) = table.raw("shape") else {
        return OpeningShape::Round;
    };
    if value.get_ref().as_str() == Some("round") {
        return OpeningShape::Round;
    }
    if value.get_ref().as_table().is_none() {
        table.wrong(
            "shape",
            value.get_ref(),
            "\"round\" or { width_m = …, height_m = … }",
        );
        return OpeningShape::Round;
    }
    let Some(shape) = table.sub("shape", &["width_m", "height_m"]) else {
        return OpeningShape::Round;
    };
    let width_m = shape.number("width_m", quantity::LENGTH);
    let height_m = shape.number("height_m", quantity::LENGTH);
    if (width_m * height_m - area_m2).abs() > SAME_AREA * area_m2 {
        table.problem(
            "shape",
            format!(
                "width times height is {} m², the area {} m²; expected the same within 1 %",
                number(width_m * height_m),
                number(area_m2)
            ),
        );
    }
    OpeningShape::Rectangular { width_m, height_m }
}

pub(super) fn probes<'t>(
    top: &Table<'t, '_>,
    wiring: &Wiring<'t>,
    openings: &[Opening],
    room: Room,
) -> Vec<Probe> {
    let mut names = Names::new("probe");
    let known = ["name", "near", "distance_m", "position_m", "inside"];
    let junctions = wiring.junctions();
    let opening_names: BTreeSet<&str> = openings.iter().map(|o| o.name.as_str()).collect();
    let mut list = Vec::new();
    for (i, (table, at)) in top.list("probe").into_iter().enumerate() {
        let (table, name) = names.open(top, table, at, i, &known);
        if name == "impedance" {
            table.problem(
                "name",
                "found 'impedance', which is what the impedance curve is called; expected another name",
            );
        }
        let one = one_of(&table, &["near", "position_m", "inside"]);
        if table.has("distance_m") && one.is_some_and(|one| one != "near") {
            table.problem(
                "distance_m",
                "this key belongs to `near`; expected near = \"OPENING\" or no distance_m",
            );
        }
        let place = match one {
            Some("near") => table.text("near", "the name of an opening").map(|opening| {
                if !opening_names.contains(opening) {
                    let hint = table.source.hint(opening, opening_names.iter().copied());
                    table.problem(
                        "near",
                        format!("no opening is called {}; expected one{hint}", quoted(opening)),
                    );
                }
                ProbePlace::Near {
                    opening: opening.to_string(),
                    distance_m: table.number_or("distance_m", quantity::DISTANCE, 0.0),
                }
            }),
            Some("inside") => table.text("inside", "the name of a junction").map(|junction| {
                if !junctions.contains_key(junction) && !wiring.unsure {
                    let hint = table.source.hint(junction, junctions.keys().copied());
                    table.problem(
                        "inside",
                        format!(
                            "no element has a junction {}; expected one of the network{hint}",
                            quoted(junction)
                        ),
                    );
                }
                ProbePlace::Inside {
                    junction: junction.to_string(),
                }
            }),
            Some(_) => table
                .numbers::<3>("position_m", quantity::POSITION)
                .map(|position_m| {
                    in_the_room(&table, room, position_m);
                    if let Some(here) = openings.iter().find(|o| o.position_m == position_m) {
                        table.problem(
                            "position_m",
                            format!(
                                "the point lies in the middle of opening {}; expected near = \"{}\"",
                                quoted(&here.name),
                                here.name
                            ),
                        );
                    }
                    ProbePlace::Point { position_m }
                }),
            None => None,
        };
        list.push(Probe {
            name,
            place: place.unwrap_or(ProbePlace::Point {
                position_m: [f64::NAN; 3],
            }),
        });
    }
    list
}
