//! Every path of a design that has everything, comments that stay, and what is refused.

use super::*;
use std::collections::BTreeSet;

const RESONANCE: &str = r#"
[driver]  # by its resonance
re_ohm = 5.6
fs_hz = 30.0
qms = 4.0
qes = 0.4
vas_m3 = 0.2
sd_m2 = 0.0520
le_h = 1.1e-3
l2_h = 0.8e-3   # second coil
r2_ohm = 9.0
semi_k_ohm_s_n = 0.05
semi_n = 0.65
coil_temperature_c = 35.0
front = "throat"
rear  = "box"
"#;

const MECHANICAL: &str = r#"
[driver]
re_ohm = 5.6
bl_n_per_a = 19.0
mms_kg = 0.160
cms_m_per_n = 1.5e-4
rms_kg_per_s = 4.0
sd_m2 = 0.0520
le_h = 1.1e-3
front = "throat"
rear  = "box"
"#;

/// A design that has every kind of number.
fn everything(driver: &str) -> String {
    format!(
        r#"# The first line is a comment.
format = "bassay-design/1"
name   = "Everything"   # a name

[drive]
voltage_v  = 2.83
source_ohm = 0.10
{driver}
[[chamber]]
name = "rear-box"
at = "box"
volume_m3 = 0.055       # litres would be 55
fill = {{ flow_resistivity_pa_s_per_m2 = 5000.0, fraction = 0.3 }}

[[duct]]
name = "d1"
from = "throat"
to   = "j1"
length_m = 0.62         # along the centre line
area_m2  = [0.0200, 0.0248]  # throat first
profile  = "exponential"
section  = {{ shape = "rectangular", width_m = 0.40 }}
bend = "mitred"
lining = {{ flow_resistivity_pa_s_per_m2 = 8000.0, thickness_m = 0.03, air_gap_m = 0.01 }}

[[duct]]
name = "d2"
from = "j1"
to   = "m"
length_m = 0.90
area_m2  = [0.12, 0.12]
section  = {{ shape = "slit", gap_m = 0.05 }}
lining = {{ specific_pa_s_per_m = 400.0, air_gap_m = 0.02 }}
end_correction_m = [0.01, 0.02]

[[duct]]
name = "side"
from = "s1"
to   = "closed"
length_m = 0.95
area_m2  = [0.0100, 0.0100]

[[duct]]
name = "side2"
from = "s2"
to   = "closed"
length_m = 0.5
area_m2  = [0.0100, 0.0100]

[[resistor]]
name = "r1"
from = "j1"
to   = "s1"
area_m2 = 0.0100
specific_pa_s_per_m = 400.0  # two layers

[[resistor]]
name = "r2"
from = "j1"
to   = "s2"
resistance_pa_s_per_m3 = 3.0e4

[[resistor]]
name = "holes"
from = "j1"
to   = "s1"
area_m2 = 0.01
perforated = {{ hole_diameter_m = 0.002, thickness_m = 0.001, open_fraction = 0.05 }}

[[resistor]]
name = "slots"
from = "j1"
to   = "s2"
area_m2 = 0.01
slots = {{ gap_m = 0.001, thickness_m = 0.002, open_fraction = 0.05, discharge_coefficient = 0.7 }}

[[leak]]
name = "seam"
at = "box"
resistance_pa_s_per_m3 = 2.0e6

[[leak]]
name = "lid"
at = "box"
slot = {{ length_m = 0.30, gap_m = 0.0004, depth_m = 0.018 }}

[[opening]]
name = "mouth"
at = "m"
area_m2 = 0.120

[[probe]]
name = "mouth-near"
near = "mouth"

[[probe]]
name = "box-inside"
inside = "box"

# Spreads of the workshop.
[tolerance]
"driver.re" = 0.03      # from the maker
"duct.*.length" = "2 mm"
leak.seam.resistance = 0.5
"#
    )
}

fn read(text: &str) -> Design {
    read_text(text, Path::new("design.toml"))
        .unwrap_or_else(|problems| panic!("{problems}\n{text}"))
}

fn write(
    text: &str,
    changes: &[Change],
    tolerances: &[NewTolerance],
) -> Result<String, WriteError> {
    with_changes(
        text,
        Path::new("design.toml"),
        &read(text),
        changes,
        tolerances,
        &[],
    )
}

#[test]
fn every_path_is_written_or_refused_with_a_reason() {
    let mut written = BTreeSet::new();
    let mut refused = BTreeSet::new();
    for driver in [
        RESONANCE,
        MECHANICAL,
        &MECHANICAL.replace("mms_kg = 0.160", "mmd_kg = 0.150"),
    ] {
        let text = everything(driver);
        let design = read(&text);
        for parameter in design.parameters() {
            let old = design.value(parameter);
            // 0.7 % more, or where the number is zero something that is not.
            let value = if old == 0.0 { 0.001 } else { old * 1.007 };
            let path = design.path_of(parameter);
            match write(&text, &[Change { parameter, value }], &[]) {
                Ok(new) => {
                    let other = read(&new);
                    // DERIVED: reading back gives the value to six digits, and no other line changed.
                    assert!(
                        (other.value(parameter) / value - 1.0).abs() < 6e-6,
                        "{path}"
                    );
                    let changed: Vec<(&str, &str)> = text
                        .lines()
                        .zip(new.lines())
                        .filter(|(a, b)| a != b)
                        .collect();
                    let longer = new.lines().count() - text.lines().count();
                    assert!(
                        longer == 1 || longer == 0 && changed.len() == 1,
                        "{path}: {changed:?}"
                    );
                    for word in text
                        .lines()
                        .filter_map(|l| l.split_once('#'))
                        .map(|(_, c)| c)
                    {
                        assert!(new.contains(word), "{path} lost '{word}':\n{new}");
                    }
                    written.insert(parameter.key);
                }
                Err(WriteError::NoKey { path: named, why }) => {
                    assert_eq!(named, path);
                    assert!(why.len() > 20);
                    refused.insert(path);
                }
                Err(other) => panic!("{path}: {other}"),
            }
        }
    }
    // What a file has no key for: the length of a bend and a microphone's gain; one end of a uniform duct.
    let expected = [
        "duct.d1.bend",
        "duct.d2.area_from",
        "duct.d2.area_to",
        "duct.side.area_from",
        "duct.side.area_to",
        "duct.side2.area_from",
        "duct.side2.area_to",
        "probe.box-inside.gain",
        "probe.mouth-near.gain",
    ];
    assert_eq!(refused, expected.map(String::from).into_iter().collect());
    // Every key of `path.rs` that a design can have but those two was written at least once (44 in the list there, less
    // bend, gain).
    use Key::*;
    for key in [
        Re,
        Bl,
        Mmd,
        Mms,
        Cms,
        Rms,
        Sd,
        Le,
        L2,
        R2,
        SemiK,
        SemiN,
        CoilTemperature,
        Creep,
        Fs,
        Qms,
        Qes,
        Vas,
        Volume,
        WallArea,
        FlowResistivity,
        Fraction,
        Length,
        Area,
        AreaFrom,
        AreaTo,
        Width,
        Gap,
        Loss,
        Thickness,
        AirGap,
        Specific,
        EndFrom,
        EndTo,
        Resistance,
        ArealMass,
        Quadratic,
        HoleDiameter,
        OpenFraction,
        Discharge,
        Depth,
        EndCorrection,
        Distance,
    ] {
        assert!(written.contains(&key), "{key:?} was never written");
    }
}

#[test]
fn a_design_of_the_contract_keeps_everything_but_the_numbers() {
    let text = include_str!("../../tests/designs/dome.toml");
    let design = read(text);
    let change = |path: &str, value| Change {
        parameter: design.matching(path)[0],
        value,
    };
    let new = with_changes(
        text,
        Path::new("dome.toml"),
        &design,
        &[
            change("driver.cms", 1.612_345_6e-4),
            change("resistor.r1.resistance", 37_654.3),
        ],
        &[NewTolerance {
            pattern: "driver.cms".into(),
            spread: Spread::Relative(0.0456),
            comment: "spread of 4 units".into(),
        }],
        &["aligned to units\n1 and 2".into()],
    )
    .unwrap();
    let expected = text
        .replace("cms_m_per_n = 1.5e-4", "cms_m_per_n = 1.61235e-4")
        .replacen(
            "specific_pa_s_per_m = 400.0",
            "specific_pa_s_per_m = 376.543",
            1,
        )
        .replace(
            "\"driver.cms\" = 0.10",
            "# bassay: spread of 4 units\n\"driver.cms\" = 0.0456",
        );
    assert_eq!(
        new,
        format!("# bassay: aligned to units 1 and 2\n{expected}")
    );
    // Written again, the comments are replaced and not heaped up.
    let again = with_changes(
        &new,
        Path::new("dome.toml"),
        &read(&new),
        &[],
        &[NewTolerance {
            pattern: "driver.cms".into(),
            spread: Spread::Relative(0.05),
            comment: "spread of 9 units".into(),
        }],
        &["aligned to unit 3".into()],
    )
    .unwrap();
    assert_eq!(again.matches("# bassay: ").count(), 2);
    assert!(
        again.contains("# bassay: spread of 9 units\n\"driver.cms\" = 0.05\n"),
        "{again}"
    );
}

#[test]
fn tolerances_are_changed_where_they_stand_or_added_where_they_count() {
    let text = everything(MECHANICAL);
    let new = |pattern: &str, spread| NewTolerance {
        pattern: pattern.into(),
        spread,
        comment: "of 5 units".into(),
    };
    let list = [
        new("driver.re", Spread::Relative(0.012_34)),
        new("duct.d1.length", Spread::Absolute(0.001_5)),
        new("leak.seam.resistance", Spread::Relative(0.25)),
        new("duct.d1.air_gap", Spread::Absolute(0.000_4)),
        new("duct.*.loss", Spread::Relative(0.1)),
    ];
    let written = write(&text, &[], &list).unwrap();
    let design = read(&written);
    assert!(
        written.contains("\"driver.re\" = 0.0123      # from the maker"),
        "{written}"
    );
    assert!(written.contains("leak.seam.resistance = 0.25"));
    assert!(written.contains("\"duct.d1.length\" = \"1.5 mm\""));
    // The pattern goes on to hold for the other ducts.
    let rule = |path: &str| {
        let of = design.tolerance.iter().rev();
        of.clone()
            .find(|r| matches(&r.pattern, path))
            .unwrap()
            .spread
    };
    assert_eq!(rule("duct.d2.length"), Spread::Absolute(0.002));
    assert_eq!(rule("duct.d1.length"), Spread::Absolute(0.001_5));
    // A later pattern that would overrule the entry: it moves behind that.
    let overruled = text.replace(
        "\"duct.*.length\" = \"2 mm\"",
        "\"duct.d1.length\" = \"9 mm\"\n\"duct.*.length\" = \"2 mm\"",
    );
    let written = write(&overruled, &[], &list[1..2]).unwrap();
    assert!(!written.contains("9 mm"), "{written}");
    // No table yet, and windows line ends.
    let without = text
        .split("\n# Spreads")
        .next()
        .unwrap()
        .replace('\n', "\r\n");
    let written = write(&without, &[], &list[..1]).unwrap();
    assert!(
        written.ends_with("[tolerance]\r\n# bassay: of 5 units\r\n\"driver.re\" = 0.0123\r\n"),
        "{written:?}"
    );
}

#[test]
fn what_would_not_be_a_sound_design_is_not_written() {
    let text = everything(MECHANICAL).replace(
        "area_m2 = 0.120\n",
        "area_m2 = 0.120\nshape = { width_m = 0.40, height_m = 0.30 }\n",
    );
    let design = read(&text);
    let parameter = design.matching("opening.mouth.area")[0];
    // The area of a rectangle is also its width times its height.
    let error = write(
        &text,
        &[Change {
            parameter,
            value: 0.15,
        }],
        &[],
    )
    .unwrap_err();
    assert!(error.to_string().contains("width times height"), "{error}");
    // Two entries for one number.
    let area = |path: &str, value| Change {
        parameter: design.matching(path)[0],
        value,
    };
    let error = write(
        &text,
        &[
            area("duct.d1.area", 0.021),
            area("duct.d1.area_from", 0.019),
        ],
        &[],
    )
    .unwrap_err();
    assert!(matches!(error, WriteError::NotKept { .. }), "{error}");
    assert!(error.to_string().contains("duct.d1.area"), "{error}");
    assert!(with_changes("format = ", Path::new("x"), &design, &[], &[], &[]).is_err());
}
