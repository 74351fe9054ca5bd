//! Reading `design.toml`: the example of the documentation, defaults, several problems at once, files of another
//! kind, very large designs.

#![allow(clippy::unwrap_used)]

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
