//! Reading `design.toml`: the contract's example, defaults, and a table of broken files with the line, the key
//! and the words that a person is told.

use bassay::design::problem::Problems;
use bassay::design::{
    Bend, Flange, LeakForm, Mechanics, OpeningShape, ProbePlace, Profile, Resistance, Section,
    Space, Spread, read,
};
use std::path::Path;
use std::time::Instant;

const DOME: &str = include_str!("designs/dome.toml");

fn parse(text: &str) -> Result<bassay::design::Design, Problems> {
    read::read_text(text, Path::new("design.toml"))
}

/// Line of the first occurrence of a piece of text.
fn line_of(text: &str, piece: &str) -> usize {
    let at = text.find(piece).unwrap_or_else(|| panic!("no '{piece}'"));
    1 + text[..at].matches('\n').count()
}

fn problems(text: &str) -> Problems {
    match parse(text) {
        Ok(_) => panic!("this was accepted:\n{text}"),
        Err(problems) => problems,
    }
}

#[test]
fn the_example_reads_to_its_values() {
    let design = parse(DOME).expect("the example is sound");
    assert_eq!(design.name, "Dome bass unit, prototype 2");
    assert_eq!(design.digest.len(), 64);
    assert_eq!(design.air.humidity_pct, 50.0);
    assert_eq!(design.drive.max_voltage_v, Some(60.0));
    assert_eq!(design.space, Space::Half);
    let target = design.target.expect("it has a target");
    assert_eq!(target.band_hz, [18.0, 120.0]);
    assert_eq!(target.tolerance_impedance, 0.10);
    let Mechanics::Mechanical {
        bl_n_per_a,
        mass_kg,
        with_air_load,
        cms_m_per_n,
        rms_kg_per_s,
    } = design.driver.mechanics
    else {
        panic!("mechanical parameters");
    };
    assert_eq!(
        (bl_n_per_a, mass_kg, cms_m_per_n, rms_kg_per_s),
        (19.0, 0.150, 1.5e-4, 4.0)
    );
    assert!(!with_air_load);
    assert_eq!(
        (design.driver.front.as_str(), design.driver.rear.as_str()),
        ("throat", "box")
    );
    assert_eq!(design.chambers[0].wall_area_m2, None);
    let d1 = &design.ducts[0];
    assert_eq!(d1.area_m2, [0.0200, 0.0248]);
    assert_eq!(d1.profile, Profile::Exponential);
    assert_eq!(d1.section, Section::Rectangular { width_m: 0.40 });
    assert_eq!(design.ducts[1].bend, Bend::Mitred);
    let side1 = &design.ducts[3];
    assert_eq!(
        (side1.profile, side1.section),
        (Profile::Uniform, Section::Round)
    );
    assert_eq!((side1.loss_factor, side1.to.as_str()), (1.0, "closed"));
    assert_eq!(design.resistors[0].resistance, Resistance::Specific(400.0));
    // DERIVED: specific over area, 400/0.01.
    assert_eq!(design.resistors[0].acoustic_pa_s_per_m3(), 40_000.0);
    assert_eq!(design.leaks[0].to, "outside");
    assert_eq!(design.leaks[0].form, LeakForm::Resistance(2.0e6));
    let mouth = &design.openings[0];
    assert_eq!(mouth.flange, Flange::Infinite);
    assert_eq!(
        mouth.shape,
        OpeningShape::Rectangular {
            width_m: 0.40,
            height_m: 0.30
        }
    );
    assert_eq!(
        design.probes[1].place,
        ProbePlace::Point {
            position_m: [2.0, 0.0, 0.0]
        }
    );
    assert_eq!(design.tolerance.len(), 6);
    assert_eq!(design.tolerance[0].pattern, "driver.cms");
    assert_eq!(design.tolerance[5].spread, Spread::Absolute(0.002));
    assert_eq!(design.free.len(), 5);
    assert_eq!(design.free[4], "duct.*.loss");
}

#[test]
fn a_file_and_its_text_read_alike_and_the_digest_is_of_the_bytes() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/designs/dome.toml");
    let from_file = read::read(&path).expect("sound");
    assert_eq!(from_file, parse(DOME).expect("sound"));
    let with_mark = parse(&format!("\u{feff}{DOME}")).expect("a byte-order mark is no error");
    assert_ne!(with_mark.digest, from_file.digest);
    parse(&DOME.replace('\n', "\r\n")).expect("line ends of another system are no error");
}

/// The smallest sound design: a driver between two chambers.
const SMALL: &str = r#"format = "bassay-design/1"
drive = { voltage_v = 2.83, source_ohm = 0 }
[driver]
re_ohm = 6
sd_m2 = 0.05
le_h = 0
fs_hz = 25
qms = 4
qes = 0.4
vas_m3 = 0.12
front = "f"
rear = "r"
[[chamber]]
name = "a"
at = "f"
volume_m3 = 0.01
[[opening]]
name = "o"
at = "r"
area_m2 = 0.05
"#;

#[test]
fn defaults_are_those_of_the_contract() {
    let design = parse(SMALL).expect("sound");
    assert_eq!(design.name, "design");
    assert_eq!(
        (
            design.air.temperature_c,
            design.air.pressure_kpa,
            design.air.humidity_pct
        ),
        (20.0, 101.325, 50.0)
    );
    assert_eq!(design.space, Space::Half);
    assert!(design.target.is_none() && design.free.is_empty() && design.tolerance.is_empty());
    assert_eq!(design.openings[0].position_m, [0.0; 3]);
    assert_eq!(design.openings[0].end_correction_factor, 1.0);
    assert_eq!(design.openings[0].shape, OpeningShape::Round);
    assert!(matches!(
        design.driver.mechanics,
        Mechanics::Resonance { vas_m3: 0.12, .. }
    ));
}

/// (replace this, by that, piece of text on the line that is named, key, words of the message).
type Case = (
    &'static str,
    &'static str,
    &'static str,
    &'static str,
    &'static [&'static str],
);

const BROKEN: &[Case] = &[
    // Unknown and missing keys.
    (
        "length_m = 0.62",
        "lenght_m = 0.62",
        "lenght_m",
        "duct.d1.lenght_m",
        &["'length_m'"],
    ),
    (
        "length_m = 0.62",
        "length_mm = 620",
        "length_mm",
        "duct.d1.length_mm",
        &["'length_m'"],
    ),
    (
        "length_m = 0.62\n",
        "",
        "[[duct]]",
        "duct.d1.length_m",
        &["missing"],
    ),
    (
        "re_ohm = 5.6\n",
        "",
        "[driver]",
        "driver.re_ohm",
        &["missing"],
    ),
    ("[site]", "[sites]", "[sites]", "sites", &["'site'"]),
    (
        "[site]",
        "[room]\nx = 1\n[site]",
        "[room]",
        "room",
        &["not known"],
    ),
    (
        "[[duct]]\nname = \"d1\"",
        "[[ducts]]\nname = \"d1\"",
        "[[ducts]]",
        "ducts",
        &["'duct'"],
    ),
    (
        "format = \"bassay-design/1\"\n",
        "",
        "name",
        "format",
        &["missing"],
    ),
    (
        "bassay-design/1",
        "bassay-design/2",
        "format",
        "format",
        &["bassay-design/1"],
    ),
    (
        "bassay-design/1",
        "bassay-captures/1",
        "format",
        "format",
        &["bassay-captures/1"],
    ),
    (
        "creep = 0.0",
        "creap = 0.0",
        "creap",
        "driver.creap",
        &["'creep'"],
    ),
    // Types.
    (
        "length_m = 0.62",
        "length_m = \"0.62\"",
        "\"0.62\"",
        "duct.d1.length_m",
        &["text", "number"],
    ),
    (
        "re_ohm = 5.6",
        "re_ohm = true",
        "re_ohm",
        "driver.re_ohm",
        &["true", "number"],
    ),
    (
        "name = \"d1\"",
        "name = 1",
        "name = 1",
        "duct[1].name",
        &["found 1"],
    ),
    (
        "[0.0200, 0.0248]",
        "[0.0200]",
        "[0.0200]",
        "duct.d1.area_m2",
        &["list of 2 numbers"],
    ),
    (
        "[0.0200, 0.0248]",
        "0.02",
        "area_m2  = 0.02",
        "duct.d1.area_m2",
        &["list of 2 numbers"],
    ),
    (
        "[driver]",
        "[[driver]]",
        "[[driver]]",
        "driver",
        &["one table [driver]"],
    ),
    (
        "[[chamber]]",
        "[chamber]",
        "[chamber]",
        "chamber",
        &["[[chamber]]"],
    ),
    // Ranges.
    (
        "volume_m3 = 0.055",
        "volume_m3 = -0.055",
        "-0.055",
        "chamber.rear-box.volume_m3",
        &["-0.055", "m³"],
    ),
    (
        "volume_m3 = 0.055",
        "volume_m3 = nan",
        "nan",
        "chamber.rear-box.volume_m3",
        &["nan"],
    ),
    (
        "volume_m3 = 0.055",
        "volume_m3 = inf",
        "= inf",
        "chamber.rear-box.volume_m3",
        &["inf"],
    ),
    (
        "volume_m3 = 0.055",
        "volume_m3 = 1e400",
        "1e400",
        "chamber.rear-box.volume_m3",
        &["1e400"],
    ),
    (
        "volume_m3 = 0.055",
        "volume_m3 = 0",
        "volume_m3 = 0",
        "chamber.rear-box.volume_m3",
        &["found 0"],
    ),
    (
        "temperature_c = 20.0",
        "temperature_c = 293.15",
        "293.15",
        "air.temperature_c",
        &["-50 to 80 °C"],
    ),
    (
        "humidity_pct  = 50.0",
        "humidity_pct  = 101",
        "= 101\n",
        "air.humidity_pct",
        &["0 to 100 %"],
    ),
    (
        "pressure_kpa  = 101.325",
        "pressure_kpa  = 1013.25",
        "1013.25",
        "air.pressure_kpa",
        &["kPa"],
    ),
    (
        "[0.0200, 0.0248]",
        "[0.0200,\n -0.0248]",
        "-0.0248",
        "duct.d1.area_m2",
        &["-0.0248"],
    ),
    (
        "[18.0, 120.0]",
        "[120.0, 18.0]",
        "120.0, 18.0",
        "target.band_hz",
        &["lower"],
    ),
    (
        "loss_factor = 1.0",
        "loss_factor = -1",
        "loss_factor = -1",
        "duct.d1.loss_factor",
        &["0 to"],
    ),
    // Forms.
    (
        "mmd_kg = 0.150",
        "mmd_kg = 0.150\nfs_hz = 30",
        "fs_hz",
        "driver.fs_hz",
        &["never both"],
    ),
    (
        "mmd_kg = 0.150",
        "mmd_kg = 0.150\nmms_kg = 0.17",
        "mms_kg",
        "driver.mms_kg",
        &["one of them"],
    ),
    (
        "mmd_kg = 0.150",
        "mms_kg = 0.001",
        "mms_kg",
        "driver.mms_kg",
        &["air load"],
    ),
    (
        "le_h = 1.1e-3",
        "le_h = 1.1e-3\nl2_h = 1e-3",
        "[driver]",
        "driver.r2_ohm",
        &["together with l2_h"],
    ),
    (
        "specific_pa_s_per_m = 400.0",
        "specific_pa_s_per_m = 400.0\nresistance_pa_s_per_m3 = 4e4",
        "resistance_pa",
        "resistor.r1.resistance_pa_s_per_m3",
        &["exactly one"],
    ),
    (
        "area_m2 = 0.0100\nspecific",
        "specific",
        "[[resistor]]",
        "resistor.r1.area_m2",
        &["missing", "specific"],
    ),
    (
        "resistance_pa_s_per_m3 = 2.0e6",
        "slot = { length_m = 0.3, gap_m = 0.0004 }",
        "slot =",
        "leak.seam.slot.depth_m",
        &["missing"],
    ),
    (
        "resistance_pa_s_per_m3 = 2.0e6\n",
        "",
        "[[leak]]",
        "leak.seam.resistance_pa_s_per_m3",
        &["exactly one", "slot"],
    ),
    (
        "near = \"mouth\"",
        "near = \"mouth\"\ninside = \"m\"",
        "inside = \"m\"",
        "probe.mouth-near.inside",
        &["exactly one"],
    ),
    (
        "near = \"mouth\"",
        "near = \"moth\"",
        "\"moth\"",
        "probe.mouth-near.near",
        &["'mouth'"],
    ),
    (
        "inside = \"box\"",
        "inside = \"boxx\"",
        "boxx",
        "probe.box-inside.inside",
        &["'box'"],
    ),
    (
        "inside = \"box\"",
        "inside = \"outside\"",
        "inside = \"outside\"",
        "probe.box-inside.inside",
        &["no element"],
    ),
    (
        "profile  = \"exponential\"",
        "profile  = \"exponental\"",
        "exponental",
        "duct.d1.profile",
        &["'exponential'"],
    ),
    (
        "profile  = \"exponential\"",
        "profile  = \"uniform\"",
        "uniform",
        "duct.d1.profile",
        &["0.02 and 0.0248"],
    ),
    (
        "profile  = \"exponential\"\nsection",
        "section",
        "[[duct]]",
        "duct.d1.profile",
        &["missing"],
    ),
    (
        "width_m = 0.40 }\nloss",
        "gap_m = 0.40 }\nloss",
        "gap_m = 0.40",
        "duct.d1.section.width_m",
        &["missing"],
    ),
    (
        "shape = \"rectangular\", width_m = 0.40 }\nloss",
        "shape = \"rectangular\" }\nloss",
        "\"rectangular\" }",
        "duct.d1.section.width_m",
        &["missing"],
    ),
    (
        "height_m = 0.30",
        "height_m = 0.20",
        "height_m = 0.20",
        "opening.mouth.shape",
        &["1 %"],
    ),
    (
        "space = \"half\"",
        "space = \"full\"",
        "\"infinite\"",
        "opening.mouth.flange",
        &["none"],
    ),
    (
        "space = \"half\"",
        "space = \"haf\"",
        "\"haf\"",
        "site.space",
        &["'half'"],
    ),
    (
        "bend = \"none\"",
        "bend = \"round\"",
        "\"round\"",
        "duct.d1.bend",
        &["'rounded'"],
    ),
    // Junctions and names.
    (
        "to   = \"j2\"",
        "to   = \"j22\"",
        "\"j22\"",
        "duct.d2.to",
        &["dangling", "'j2'"],
    ),
    (
        "front = \"throat\"",
        "front = \"throta\"",
        "\"throta\"",
        "driver.front",
        &["dangling", "'throat'"],
    ),
    (
        "at = \"m\"",
        "at = \"mm\"",
        "to   = \"m\"",
        "duct.d3.to",
        &["dangling", "'mm'"],
    ),
    (
        "[[probe]]\nname = \"mouth-near\"",
        "[[chamber]]\nname=\"c2\"\nat=\"b2\"\nvolume_m3=1\n[[probe]]\nname = \"mouth-near\"",
        "b2",
        "chamber.c2.at",
        &["not connected with the driver"],
    ),
    (
        "[[probe]]\nname = \"mouth-near\"",
        "[[duct]]\nname=\"z\"\nfrom=\"outside\"\nto=\"closed\"\narea_m2=[1,1]\nlength_m=1\n[[probe]]\nname = \"mouth-near\"",
        "from=\"outside\"",
        "duct.z.from",
        &["at least one end"],
    ),
    (
        "at = \"m\"",
        "at = \"outside\"",
        "at = \"outside\"",
        "opening.mouth.at",
        &["reserved"],
    ),
    (
        "to   = \"closed\"",
        "to   = \"Closed\"",
        "\"Closed\"",
        "duct.side1.to",
        &["closed"],
    ),
    (
        "name = \"d2\"",
        "name = \"d1\"",
        "from = \"j1\"",
        "duct.d1.name",
        &["second time"],
    ),
    (
        "name = \"d1\"",
        "name = \"d.1\"",
        "d.1",
        "duct[1].name",
        &["without ."],
    ),
    (
        "name = \"floor-2m\"",
        "name = \"impedance\"",
        "\"impedance\"",
        "probe.impedance.name",
        &["impedance curve"],
    ),
    (
        "[[probe]]\nname = \"mouth-near\"",
        "[[opening]]\nname=\"o2\"\nat=\"j1\"\narea_m2=0.1\n[[probe]]\nname = \"mouth-near\"",
        "name=\"o2\"",
        "opening.o2.position_m",
        &["'mouth' already is"],
    ),
    // Tolerance and free parameters.
    (
        "\"driver.cms\" = 0.10",
        "\"driver.cmx\" = 0.10",
        "driver.cmx",
        "tolerance.\"driver.cmx\"",
        &["'driver.cms'"],
    ),
    (
        "\"driver.cms\" = 0.10",
        "\"driver.cms_m_per_n\" = 0.10",
        "cms_m_per_n\" =",
        "tolerance.\"driver.cms_m_per_n\"",
        &["'driver.cms'"],
    ),
    (
        "\"duct.*.length\" = ",
        "\"duct.*.lenght\" = ",
        "lenght",
        "tolerance.\"duct.*.lenght\"",
        &["'duct.*.length'"],
    ),
    (
        "\"2 mm\"",
        "\"2 kg\"",
        "\"2 kg\"",
        "tolerance.\"duct.*.length\"",
        &["unit of m"],
    ),
    (
        "\"2 mm\"",
        "\"2 %\"",
        "\"2 %\"",
        "tolerance.\"duct.*.length\"",
        &["0.10 for 10 %"],
    ),
    (
        "\"2 mm\"",
        "-0.1",
        "= -0.1",
        "tolerance.\"duct.*.length\"",
        &["-0.1"],
    ),
    (
        "\"driver.cms\" = 0.10",
        "\"driver.creep\" = 0.10",
        "driver.creep",
        "tolerance.\"driver.creep\"",
        &["value that is 0"],
    ),
    (
        "\"resistor.r1.resistance\", ",
        "\"resistor.r3.resistance\", ",
        "resistor.r3",
        "align.free",
        &["'resistor.r1.resistance'"],
    ),
    (
        "\"duct.*.loss\"]",
        "\"duct.*.loss\", \"duct.d1.loss\"]",
        "free =",
        "align.free",
        &["already free by 'duct.*.loss'"],
    ),
    (
        "rms_kg_per_s = 4.0",
        "rms_kg_per_s = 0",
        "\"driver.rms\"",
        "tolerance.\"driver.rms\"",
        &["value that is 0"],
    ),
    (
        "\"driver.cms\", \"driver.rms\",",
        "\"driver.cms\", \"driver.creep\", \"resistor.*.quadratic\", \"each driver.l\",",
        "free =",
        "align.free",
        &["driver.l"],
    ),
];

#[test]
fn every_broken_file_names_line_key_and_what_was_expected() {
    let mut wrong = String::new();
    for &(old, new, piece, key, words) in BROKEN {
        assert!(DOME.contains(old), "the case changes nothing: {old}");
        let text = DOME.replacen(old, new, 1);
        let Err(found) = parse(&text) else {
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

#[test]
fn one_slip_is_one_problem() {
    // A slip must not look like several: only cases whose cause is in one place.
    for (old, new) in [
        ("length_m = 0.62", "length_m = -1"),
        ("front = \"throat\"", "frnt = \"throat\""),
        ("near = \"mouth\"", "near = \"moth\""),
        ("bassay-design/1", "bassay-captures/1"),
    ] {
        let found = problems(&DOME.replacen(old, new, 1));
        assert_eq!(found.0.len(), 1, "{new}: {found}");
    }
}

#[test]
fn several_slips_are_told_at_once_in_the_order_of_lines() {
    let text = DOME
        .replacen("re_ohm = 5.6", "re_ohm = 0", 1)
        .replacen("length_m = 0.62", "length = 0.62", 1)
        .replacen("distance_m = 0.0", "distance_m = -1", 1);
    let found = problems(&text);
    let keys: Vec<&str> = found.0.iter().map(|p| p.key.as_str()).collect();
    assert_eq!(
        keys,
        [
            "driver.re_ohm",
            "duct.d1.length",
            "probe.mouth-near.distance_m"
        ]
    );
}

#[test]
fn a_value_of_zero_cannot_be_fitted_by_its_logarithm() {
    let found = problems(&format!(
        "{SMALL}[align]\nfree = [\"driver.qms\", \"driver.le\"]\n"
    ));
    assert_eq!((found.0.len(), found.0[0].key.as_str()), (1, "align.free"));
    assert!(found.0[0].text.starts_with("driver.le is 0"), "{found}");
    // A common factor moves the other ducts, and the lossless one stays so.
    let text = DOME.replacen("loss_factor = 1.0", "loss_factor = 0", 1);
    parse(&text).expect("a lossless duct among others is sound");
}

#[test]
fn what_is_no_design_file_is_told_in_one_line() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("x.toml");
    let jpeg = [0xff, 0xd8, 0xff, 0xe0, 0, 16, b'J', b'F', b'I', b'F', 0];
    for (bytes, word) in [
        (&b""[..], "empty"),
        (b" \n\n", "empty"),
        (&jpeg, "UTF-8"),
        (b"format = \"bassay-design/1\"\nname = \"\xff\"", "UTF-8"),
        (b"<html>\n</html>", "TOML"),
        (b"{\"format\": 1}", "TOML"),
        (b"a = 1\na = 2\n", "TOML"),
        (b"x = [[[[[[[[[[", "TOML"),
    ] {
        std::fs::write(&path, bytes).expect("written");
        let shown = read::read(&path).expect_err("no design").to_string();
        assert_eq!(shown.lines().count(), 1, "{shown}");
        assert!(shown.contains(word) && shown.contains("x.toml"), "{shown}");
    }
    let shown = read::read(folder.path()).expect_err("a folder").to_string();
    assert!(shown.contains("folder"), "{shown}");
    let missing = folder.path().join("none.toml");
    let shown = read::read(&missing).expect_err("no file").to_string();
    assert!(
        shown.contains("none.toml") && shown.lines().count() == 1,
        "{shown}"
    );
    std::fs::write(&path, b"a = 1\na = 2\n").expect("written");
    assert_eq!(read::read(&path).expect_err("twice").0[0].line, 2);
}

/// A chain of `count` ducts.
fn chain(count: usize, slip: bool) -> String {
    let mut text = SMALL.replace("at = \"r\"", &format!("at = \"j{count}\""));
    text += "[[duct]]\nname=\"d0\"\nfrom=\"r\"\nto=\"j0\"\nlength_m=0.1\narea_m2=[0.1,0.1]\n";
    for i in 0..count {
        let to = if slip {
            format!("x{i}")
        } else {
            format!("j{}", i + 1)
        };
        text += &format!(
            "[[duct]]\nname=\"e{i}\"\nfrom=\"j{i}\"\nto=\"{to}\"\nlength_m=0.1\narea_m2=[0.1,0.1]\n"
        );
    }
    text
}

#[test]
fn very_many_elements_are_refused_or_read_without_waiting() {
    // The bound of 5 s is far above what linear work needs here and far below what quadratic work needs.
    let start = Instant::now();
    let shown = problems(&chain(10_000, false)).to_string();
    assert!(shown.contains("2000"), "{shown}");
    let text = chain(1_900, false) + "[tolerance]\n\"duct.*.length\" = 0.1\n";
    assert_eq!(parse(&text).expect("sound").ducts.len(), 1_901);
    let found = problems(&chain(1_900, true));
    assert!(found.0.len() >= 1_000, "{found}");
    assert!(start.elapsed().as_secs() < 5, "{:?}", start.elapsed());
}
