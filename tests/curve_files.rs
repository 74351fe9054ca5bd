//! Reading curves: separators, decimal commas, headers, and what is refused with line and column.

#![allow(clippy::unwrap_used)]

use bassay::curves::{self, ColumnKind, CurveError, CurveTable};
use std::path::Path;

fn parse(text: &str) -> Result<CurveTable, CurveError> {
    curves::read_text(text, Path::new("a.csv"))
}

#[test]
fn every_separator_and_decimal_mark_gives_the_same_table() {
    let plain = parse("frequency_hz,magnitude,phase_deg\n20.5,6.25,-10\n41,7,20\n").expect("sound");
    for text in [
        "frequency_hz;magnitude;phase_deg\n20,5;6,25;-10\n41;7;20\n",
        "frequency_hz\tmagnitude\tphase_deg\n20,5\t6,25\t-10\n41\t7\t20",
        "frequency_hz magnitude phase_deg\n  20,5   6,25 -10\n  41   7 20\n",
        "\u{feff}# a comment\r\n* another\r\nfrequency_hz,magnitude,phase_deg\r\n20.5, 6.25, -1e1\r\n\r\n// end\r\n41,7,20\r\n",
        "\"frequency_hz\",\"magnitude\",\"phase_deg\"\n20.5,6.25,-10,\n41,7,20,\n",
        "# frequency_hz magnitude phase_deg\n20.5 6.25 -10\n41 7 20\n",
    ] {
        let found = parse(text).unwrap_or_else(|error| panic!("{text}: {error}"));
        assert_eq!(found.frequency_hz, plain.frequency_hz, "{text}");
        assert_eq!(found.columns, plain.columns, "{text}");
    }
}

#[test]
fn conversions_agree_between_the_forms() {
    // DERIVED: |3 + 4j| = 5, its angle atan(4/3); 20·lg 5 = 13.979400086720375 dB.
    let phase = 4f64.atan2(3.0).to_degrees();
    let level = 20.0 * 5f64.log10();
    for text in [
        "f,re,im\n10,3,4\n20,3,4\n".to_string(),
        format!("f,magnitude,phase\n10,5,{phase}\n20,5,{phase}\n"),
        format!("f,level_db,phase\n10,{level},{phase}\n20,{level},{phase}\n"),
    ] {
        let table = parse(&text).expect("sound");
        let curve = table.only_curve().expect("one curve");
        let z = curve.complex().expect("with phase")[0];
        // A few roundings through logarithm, exponential and cosine.
        assert!(
            (z.re - 3.0).abs() < 1e-13 && (z.im - 4.0).abs() < 1e-13,
            "{text}: {z}"
        );
        assert!((curve.level_db()[1] - 13.979_400_086_720_375).abs() < 1e-12);
        assert!((curve.magnitude()[1] - 5.0).abs() < 1e-13);
        assert!((curve.phase_deg().expect("phase")[0] - phase).abs() < 1e-12);
    }
    let table = parse("f,dB\n10,0\n20,6\n").expect("sound");
    let curve = table.only_curve().expect("one");
    assert!(curve.complex().is_none() && curve.is_level());
}

#[test]
fn several_curves_in_one_file_go_by_their_names() {
    let table =
        parse("f,mouth level_db,port level_db,coherence\n10,1,2,0.9\n20,3,4,1\n").expect("sound");
    let names: Vec<&str> = table.curves().iter().map(|c| c.name).collect();
    assert_eq!(names, ["mouth", "port"]);
    assert_eq!(table.columns[2].kind, ColumnKind::Other);
    assert!(table.only_curve().is_err());
}

#[test]
fn a_correction_needs_no_header_and_a_curve_does() {
    let text = "* mic 0412\n10 -1.5 3\n20 -0.5 2\n";
    let table = curves::read_correction_text(text, Path::new("mic.txt")).expect("sound");
    assert_eq!(table.only_curve().expect("one").level_db(), [-1.5, -0.5]);
    let two =
        curves::read_correction_text("10;-1,5\n20;-0,5\n", Path::new("mic.txt")).expect("sound");
    assert_eq!(two.columns.len(), 1);
    assert!(
        parse(text)
            .expect_err("no header")
            .to_string()
            .contains("without a header")
    );
    assert!(curves::read_correction_text("1,2,3,4\n2,3,4,5\n", Path::new("m")).is_err());
}

#[test]
fn what_is_wrong_is_told_with_line_and_column() {
    for (text, start, word) in [
        ("", "a.csv:1: line", "no data"),
        ("# only\n", "a.csv:1: line", "no data"),
        ("f,magnitude\n", "a.csv:1: line", "no row"),
        ("f,magnitude\n10,1\n", "a.csv:2: line", "at least two"),
        (
            "f,magnitude\n10,1\n10,1\n",
            "a.csv:3: column 1",
            "a second time",
        ),
        (
            "f,magnitude\n20,1\n10,1\n",
            "a.csv:3: column 1",
            "ascending",
        ),
        (
            "f,magnitude\n0,1\n10,1\n",
            "a.csv:2: column 1",
            "more than 0 Hz",
        ),
        ("f,magnitude\n10,1\n20,nan\n", "a.csv:3: column 2", "'nan'"),
        ("f,magnitude\n10,1\n20,x\n", "a.csv:3: column 2", "'x'"),
        (
            "f,magnitude\n10,1\n20,1e999\n",
            "a.csv:3: column 2",
            "finite",
        ),
        (
            "f,magnitude\n10,1\n20,-1\n",
            "a.csv:3: column 2",
            "level_db",
        ),
        ("f,magnitude\n10,1\n20,1,1\n", "a.csv:3: line", "3 fields"),
        ("f,magnitude\n10,1\n20\n", "a.csv:3: line", "1 fields"),
        ("f,magnitude\n10,1\n20,\n", "a.csv:3: line", "1 fields"),
        (
            "f,magnitude,mag\n10,1,1\n20,1,1\n",
            "a.csv:1: column 3",
            "a second time",
        ),
        ("f,re\n10,1\n20,1\n", "a.csv:1: column 2", "im beside"),
        (
            "f,phase\n10,1\n20,1\n",
            "a.csv:1: column 2",
            "magnitude or level_db",
        ),
        ("f,xyz\n10,1\n20,1\n", "a.csv:1: column 2", "'xyz'"),
        (
            "time,magnitude\n10,1\n20,1\n",
            "a.csv:1: column 1",
            "frequency_hz",
        ),
        ("hello\nworld\n", "a.csv:2: line", "two numbers"),
    ] {
        let shown = parse(text).map(|_| ()).expect_err(text).to_string();
        assert!(
            shown.starts_with(start) && shown.contains(word),
            "{text:?}: {shown}"
        );
        assert_eq!(shown.lines().count(), 1, "{shown}");
    }
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("x.csv");
    std::fs::write(&path, b"f,mag\n10,\xff\n").expect("written");
    assert!(
        curves::read(&path)
            .expect_err("bytes")
            .to_string()
            .contains("x.csv:2")
    );
    assert!(
        curves::read(folder.path())
            .expect_err("folder")
            .to_string()
            .contains("folder")
    );
}
