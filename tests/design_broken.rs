//! Broken design files: for each the line, the key and the words that a person is told.

#![allow(clippy::unwrap_used)]

use std::path::Path;

const DOME: &str = include_str!("designs/dome.toml");

/// Line of the first occurrence of a piece of text.
fn line_of(text: &str, piece: &str) -> usize {
    let at = text.find(piece).unwrap_or_else(|| panic!("no '{piece}'"));
    1 + text[..at].matches('\n').count()
}

/// (replace this, by that, piece of text on the line that is named, key, words of the message).
type Case = (
    &'static str,
    &'static str,
    &'static str,
    &'static str,
    &'static [&'static str],
);

#[rustfmt::skip] // One case in a line reads best.
const BROKEN: &[Case] = &[
    // Unknown and missing keys.
    ("length_m = 0.62", "lenght_m = 0.62", "lenght_m", "duct.d1.lenght_m", &["'length_m'"]),
    ("length_m = 0.62", "length_mm = 620", "length_mm", "duct.d1.length_mm", &["'length_m'"]),
    ("length_m = 0.62\n", "", "[[duct]]", "duct.d1.length_m", &["missing"]),
    ("re_ohm = 5.6\n", "", "[driver]", "driver.re_ohm", &["missing"]),
    ("[site]", "[sites]", "[sites]", "sites", &["'site'"]),
    ("[site]", "[rooms]\nx = 1\n[site]", "[rooms]", "rooms", &["not known"]),
    ("[[duct]]\nname = \"d1\"", "[[ducts]]\nname = \"d1\"", "[[ducts]]", "ducts", &["'duct'"]),
    ("format = \"bassay-design/1\"\n", "", "name", "format", &["missing"]),
    ("bassay-design/1", "bassay-design/2", "format", "format", &["bassay-design/1"]),
    ("bassay-design/1", "bassay-captures/1", "format", "format", &["bassay-captures/1"]),
    ("creep = 0.0", "creap = 0.0", "creap", "driver.creap", &["'creep'"]),
    // Types.
    ("length_m = 0.62", "length_m = \"0.62\"", "\"0.62\"", "duct.d1.length_m", &["text", "number"]),
    ("re_ohm = 5.6", "re_ohm = true", "re_ohm", "driver.re_ohm", &["true", "number"]),
    ("name = \"d1\"", "name = 1", "name = 1", "duct[1].name", &["found 1"]),
    ("[0.0200, 0.0248]", "[0.0200]", "[0.0200]", "duct.d1.area_m2", &["list of 2 numbers"]),
    ("[0.0200, 0.0248]", "0.02", "area_m2  = 0.02", "duct.d1.area_m2", &["list of 2 numbers"]),
    ("[driver]", "[[driver]]", "[[driver]]", "driver", &["one table [driver]"]),
    ("[[chamber]]", "[chamber]", "[chamber]", "chamber", &["[[chamber]]"]),
    // Ranges.
    ("volume_m3 = 0.055", "volume_m3 = -0.055", "-0.055", "chamber.rear-box.volume_m3", &["-0.055", "m³"]),
    ("volume_m3 = 0.055", "volume_m3 = nan", "nan", "chamber.rear-box.volume_m3", &["nan"]),
    ("volume_m3 = 0.055", "volume_m3 = inf", "= inf", "chamber.rear-box.volume_m3", &["inf"]),
    ("volume_m3 = 0.055", "volume_m3 = 1e400", "1e400", "chamber.rear-box.volume_m3", &["1e400"]),
    ("volume_m3 = 0.055", "volume_m3 = 0", "volume_m3 = 0", "chamber.rear-box.volume_m3", &["found 0"]),
    ("temperature_c = 20.0", "temperature_c = 293.15", "293.15", "air.temperature_c", &["-50 to 80 °C"]),
    ("humidity_pct  = 50.0", "humidity_pct  = 101", "= 101\n", "air.humidity_pct", &["0 to 100 %"]),
    ("pressure_kpa  = 101.325", "pressure_kpa  = 1013.25", "1013.25", "air.pressure_kpa", &["kPa"]),
    ("[0.0200, 0.0248]", "[0.0200,\n -0.0248]", "-0.0248", "duct.d1.area_m2", &["-0.0248"]),
    ("[18.0, 120.0]", "[120.0, 18.0]", "120.0, 18.0", "target.band_hz", &["lower"]),
    ("loss_factor = 1.0", "loss_factor = -1", "loss_factor = -1", "duct.d1.loss_factor", &["0 to"]),
    // Forms.
    ("mmd_kg = 0.150", "mmd_kg = 0.150\nfs_hz = 30", "fs_hz", "driver.fs_hz", &["never both"]),
    ("mmd_kg = 0.150", "mmd_kg = 0.150\nmms_kg = 0.17", "mms_kg", "driver.mms_kg", &["one of them"]),
    ("mmd_kg = 0.150", "mms_kg = 0.001", "mms_kg", "driver.mms_kg", &["air load"]),
    ("le_h = 1.1e-3", "le_h = 1.1e-3\nl2_h = 1e-3", "[driver]", "driver.r2_ohm", &["together with l2_h"]),
    ("specific_pa_s_per_m = 400.0", "specific_pa_s_per_m = 400.0\nresistance_pa_s_per_m3 = 4e4", "resistance_pa", "resistor.r1.resistance_pa_s_per_m3", &["exactly one"]),
    ("area_m2 = 0.0100\nspecific", "specific", "[[resistor]]", "resistor.r1.area_m2", &["missing", "specific"]),
    ("resistance_pa_s_per_m3 = 2.0e6", "slot = { length_m = 0.3, gap_m = 0.0004 }", "slot =", "leak.seam.slot.depth_m", &["missing"]),
    ("resistance_pa_s_per_m3 = 2.0e6\n", "", "[[leak]]", "leak.seam.resistance_pa_s_per_m3", &["exactly one", "slot"]),
    ("near = \"mouth\"", "near = \"mouth\"\ninside = \"m\"", "inside = \"m\"", "probe.mouth-near.inside", &["exactly one"]),
    ("near = \"mouth\"", "near = \"moth\"", "\"moth\"", "probe.mouth-near.near", &["'mouth'"]),
    ("inside = \"box\"", "inside = \"boxx\"", "boxx", "probe.box-inside.inside", &["'box'"]),
    ("inside = \"box\"", "inside = \"outside\"", "inside = \"outside\"", "probe.box-inside.inside", &["no element"]),
    ("profile  = \"exponential\"", "profile  = \"exponental\"", "exponental", "duct.d1.profile", &["'exponential'"]),
    ("profile  = \"exponential\"", "profile  = \"uniform\"", "uniform", "duct.d1.profile", &["0.02 and 0.0248"]),
    ("profile  = \"exponential\"\nsection", "section", "[[duct]]", "duct.d1.profile", &["missing"]),
    ("width_m = 0.40 }\nloss", "gap_m = 0.40 }\nloss", "gap_m = 0.40", "duct.d1.section.width_m", &["missing"]),
    ("shape = \"rectangular\", width_m = 0.40 }\nloss", "shape = \"rectangular\" }\nloss", "\"rectangular\" }", "duct.d1.section.width_m", &["missing"]),
    ("height_m = 0.30", "height_m = 0.20", "height_m = 0.20", "opening.mouth.shape", &["1 %"]),
    ("space = \"half\"", "space = \"full\"", "\"infinite\"", "opening.mouth.flange", &["none"]),
    ("space = \"half\"", "space = \"haf\"", "\"haf\"", "site.space", &["'half'"]),
    ("bend = \"none\"", "bend = \"round\"", "\"round\"", "duct.d1.bend", &["'rounded'"]),
    // Junctions and names.
    ("to   = \"j2\"", "to   = \"j22\"", "\"j22\"", "duct.d2.to", &["dangling", "'j2'"]),
    ("front = \"throat\"", "front = \"throta\"", "\"throta\"", "driver.front", &["dangling", "'throat'"]),
    ("at = \"m\"", "at = \"mm\"", "to   = \"m\"", "duct.d3.to", &["dangling", "'mm'"]),
    ("[[probe]]\nname = \"mouth-near\"", "[[chamber]]\nname=\"c2\"\nat=\"b2\"\nvolume_m3=1\n[[probe]]\nname = \"mouth-near\"", "b2", "chamber.c2.at", &["not connected with the driver"]),
    ("[[probe]]\nname = \"mouth-near\"", "[[duct]]\nname=\"z\"\nfrom=\"outside\"\nto=\"closed\"\narea_m2=[1,1]\nlength_m=1\n[[probe]]\nname = \"mouth-near\"", "from=\"outside\"", "duct.z.from", &["at least one end"]),
    ("at = \"m\"", "at = \"outside\"", "at = \"outside\"", "opening.mouth.at", &["reserved"]),
    ("to   = \"closed\"", "to   = \"Closed\"", "\"Closed\"", "duct.side1.to", &["closed"]),
    ("name = \"d2\"", "name = \"d1\"", "from = \"j1\"", "duct.d1.name", &["second time"]),
    ("name = \"d1\"", "name = \"d.1\"", "d.1", "duct[1].name", &["without ."]),
    ("name = \"floor-2m\"", "name = \"impedance\"", "\"impedance\"", "probe.impedance.name", &["impedance curve"]),
    ("[[probe]]\nname = \"mouth-near\"", "[[opening]]\nname=\"o2\"\nat=\"j1\"\narea_m2=0.1\n[[probe]]\nname = \"mouth-near\"", "name=\"o2\"", "opening.o2.position_m", &["'mouth' already is"]),
    // Tolerance and free parameters.
    ("\"driver.cms\" = 0.10", "\"driver.cmx\" = 0.10", "driver.cmx", "tolerance.\"driver.cmx\"", &["'driver.cms'"]),
    ("\"driver.cms\" = 0.10", "\"driver.cms_m_per_n\" = 0.10", "cms_m_per_n\" =", "tolerance.\"driver.cms_m_per_n\"", &["'driver.cms'"]),
    ("\"duct.*.length\" = ", "\"duct.*.lenght\" = ", "lenght", "tolerance.\"duct.*.lenght\"", &["'duct.*.length'"]),
    ("\"2 mm\"", "\"2 kg\"", "\"2 kg\"", "tolerance.\"duct.*.length\"", &["unit of m"]),
    ("\"2 mm\"", "\"2 %\"", "\"2 %\"", "tolerance.\"duct.*.length\"", &["0.10 for 10 %"]),
    ("\"2 mm\"", "-0.1", "= -0.1", "tolerance.\"duct.*.length\"", &["-0.1"]),
    ("\"driver.cms\" = 0.10", "\"driver.creep\" = 0.10", "driver.creep", "tolerance.\"driver.creep\"", &["value that is 0"]),
    ("\"resistor.r1.resistance\", ", "\"resistor.r3.resistance\", ", "resistor.r3", "align.free", &["'resistor.r1.resistance'"]),
    ("\"duct.*.loss\"]", "\"duct.*.loss\", \"duct.d1.loss\"]", "free =", "align.free", &["already free by 'duct.*.loss'"]),
    ("rms_kg_per_s = 4.0", "rms_kg_per_s = 0", "\"driver.rms\"", "tolerance.\"driver.rms\"", &["value that is 0"]),
    ("\"driver.cms\", \"driver.rms\",", "\"driver.cms\", \"driver.creep\", \"resistor.*.quadratic\", \"each driver.l\",", "free =", "align.free", &["driver.l"]),
    // Plates, cloths, rooms, coils, several drivers.
    ("specific_pa_s_per_m = 400.0", "perforated = { hole_diameter_m = 0.002, thickness_m = 0.001 }", "perforated", "resistor.r1.perforated.open_fraction", &["missing"]),
    ("specific_pa_s_per_m = 400.0", "perforated = { gap_m = 0.002, thickness_m = 0.001, open_fraction = 0.1 }", "perforated", "resistor.r1.perforated.hole_diameter_m", &["missing"]),
    ("specific_pa_s_per_m = 400.0", "slots = { gap_m = 0.002, thickness_m = 0.001, open_fraction = 1.5 }", "slots", "resistor.r1.slots.open_fraction", &["0.9"]),
    ("specific_pa_s_per_m = 400.0", "quadratic_pa_s2_per_m2 = 3.0\nslots = { gap_m = 0.002, thickness_m = 0.001, open_fraction = 0.1 }", "quadratic", "resistor.r1.quadratic_pa_s2_per_m2", &["follows from the dimensions"]),
    ("specific_pa_s_per_m = 400.0", "specific_pa_s_per_m = 400.0\nlimp = true", "[[resistor]]", "resistor.r1.areal_mass_kg_per_m2", &["limp cloth"]),
    ("bend = \"none\"", "lining = { specific_pa_s_per_m = 300.0 }", "lining", "duct.d1.lining.air_gap_m", &["air between"]),
    ("bend = \"none\"", "lining = { flow_resistivity_pa_s_per_m2 = 8000.0, thickness_m = 0.02, model = \"mikki\" }", "lining", "duct.d1.lining.model", &["'miki'"]),
    ("space = \"half\"", "space = \"quarter\"\n[room]\nfloor_m = 0.4", "floor_m", "room.floor_m", &["through the origin"]),
    ("space = \"half\"", "space = \"half\"\n[room]\nfloor_m = -0.4", "floor_m", "room.floor_m", &["-0.4"]),
    ("position_m = [2.0, 0.0, 0.0]", "position_m = [2.0, 0.0, -0.7]\n[room]\nfloor_m = 0.5", "-0.7", "probe.floor-2m.position_m", &["behind the floor"]),
    ("[[chamber]]\nname = \"rear-box\"", "[[driver.also]]\nfront = \"throat\"\nrear = \"closed\"\n[[chamber]]\nname = \"rear-box\"", "[[driver.also]]", "driver.also", &["cannot move"]),
    ("le_h = 1.1e-3", "le_h = 1.1e-3\nsemi_k_ohm_s_n = 0.05", "[driver]", "driver.semi_n", &["together with semi_k_ohm_s_n"]),
    ("le_h = 1.1e-3", "le_h = 1.1e-3\ncoil_metal = \"copper\"", "[driver]", "driver.coil_temperature_c", &["together with coil_metal"]),
    ("le_h = 1.1e-3", "le_h = 1.1e-3\nwiring = \"series\"", "wiring", "driver.wiring", &["one driver"]),
    ("[[chamber]]\nname = \"rear-box\"", "[[driver.also]]\nfront = \"throat\"\nrear = \"bax\"\n[[chamber]]\nname = \"rear-box\"", "\"bax\"", "driver.also[1].rear", &["dangling", "'box'"]),
    ("[[chamber]]\nname = \"rear-box\"", "[[driver.also]]\nfront = \"throat\"\nrear = \"box\"\nreversed = 1\n[[chamber]]\nname = \"rear-box\"", "reversed", "driver.also[1].reversed", &["true or false"]),
];

#[test]
fn every_broken_file_names_line_key_and_what_was_expected() {
    let mut wrong = String::new();
    for &(old, new, piece, key, words) in BROKEN {
        assert!(DOME.contains(old), "the case changes nothing: {old}");
        let text = DOME.replacen(old, new, 1);
        let Err(found) = bassay::design::read::read_text(&text, Path::new("design.toml")) else {
            wrong += &format!("{new}: accepted\n");
            continue;
        };
        let shown = found.to_string();
        let mut line = line_of(&text, piece);
        if key == "duct.d1.name" || key == "opening.o2.position_m" {
            // The name of the second element; the header of the element without a position.
            line -= 1;
        }
        let sound = found.0[0].key == key
            && words.iter().all(|word| found.0[0].text.contains(word))
            && shown.starts_with(&format!("design.toml:{line}: {key}: "))
            && shown.lines().count() <= 5;
        if !sound {
            wrong += &format!("{new}: expected line {line}, {key}, {words:?}:\n{shown}\n");
        }
    }
    assert!(wrong.is_empty(), "{wrong}");
}
