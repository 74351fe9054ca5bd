use super::*;
use crate::production::entry::{Cause, Conditions};
use crate::production::inspect::FORMAT;

pub(in crate::report) fn example(verdict: Judgement) -> Inspection {
    let value = |name: &str, unit: &str, v: Option<f64>, ends: [Option<f64>; 2], verdict| Value {
        name: name.to_string(),
        unit: unit.to_string(),
        value: v,
        expanded: v.map(|v| 0.05 * f64::abs(v)),
        decided: None,
        low: ends[0],
        high: ends[1],
        verdict,
    };
    Inspection {
        format: FORMAT,
        software: "bassay 0.1.0".to_string(),
        unit: "DB-0042".to_string(),
        verdict,
        cause: (verdict == Judgement::Fail).then(|| Cause {
            path: "leak.seam.resistance".to_string(),
            probability: 0.94,
            text: "leak seam: like a slot 300 mm long and 0.42 mm wide".to_string(),
        }),
        also: Vec::new(),
        doubts: Vec::new(),
        design_name: "Dome bass unit".to_string(),
        design_digest: "ab".repeat(32),
        limits_name: "Dome bass unit, 2026".to_string(),
        limits_digest: "cd".repeat(32),
        limits_signature: "signed by QA-7 on 2026-03-14".to_string(),
        taken: Some("2026-03-14T10:20:00Z".to_string()),
        values: vec![
            value(
                "band:mouth-near:31.5",
                "dB",
                Some(-2.31),
                [Some(-0.8), Some(0.912)],
                verdict,
            ),
            value(
                "band:a-probe-with-a-very-long-name-indeed:100",
                "dB",
                None,
                [Some(-0.8), Some(0.9)],
                Judgement::Unresolved,
            ),
            value(
                "leak.seam.resistance",
                "Pa·s/m³",
                Some(412_345.0),
                [Some(1.1e6), None],
                verdict,
            ),
            value(
                "residue:mouth-near:40",
                "dB",
                Some(-38.2),
                [None, Some(-48.0)],
                verdict,
            ),
            value(
                "polarity:mouth-near",
                "",
                Some(1.0),
                [Some(0.5), Some(1.5)],
                Judgement::Pass,
            ),
            value(
                "driver.rms",
                "kg/s",
                Some(4.1),
                [None, None],
                Judgement::None,
            ),
        ],
        conditions: Conditions {
            temperature_c: 17.5,
            pressure_kpa: 101.3,
            humidity_pct: 50.0,
        },
        measurement: Default::default(),
        lasting: false,
        files: Vec::new(),
        warnings: vec!["mouth-near.wav: hum at 50 Hz".to_string()],
        parameters: Vec::new(),
    }
}

#[test]
fn everything_fits_80_columns_and_is_read_without_colour() {
    for verdict in [Judgement::Pass, Judgement::Fail, Judgement::Unresolved] {
        let plain = text(&example(verdict), 2, false, &[]);
        for line in plain.lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
        assert!(!plain.contains('\u{1b}'));
        let coloured = text(&example(verdict), 2, true, &[]);
        let mut bare = coloured;
        for code in ["1;32m", "1;31m", "1;36m", "32m", "31m", "36m", "0m"] {
            bare = bare.replace(&format!("\u{1b}[{code}"), "");
        }
        assert_eq!(bare, plain, "colour says nothing that the text does not");
        assert!(plain.contains("DB-0042") && plain.contains("test 2 of this serial"));
    }
    let failed = text(&example(Judgement::Fail), 1, false, &[]);
    for wanted in [
        "(94\u{202f}%)",
        "mouth-near at 31.5 Hz",
        "−2.31 ± 0.12\u{202f}dB",
        "−0.80 … 0.91",
        "up to −48.00",
        "not told",
        "signed by QA-7",
    ] {
        assert!(failed.contains(wanted), "{wanted} in {failed}");
    }
    assert!(!failed.contains("rms"), "what has no limits is not listed");
}

/// A failure without a cause shows what was measured and what was allowed, so that it is seen that nothing stands out.
#[test]
fn a_failure_without_a_cause_shows_the_parameters() {
    let parameter = |path: &str, fitted: f64, ends: [Option<f64>; 2], tolerance| Told {
        path: path.to_string(),
        unit: "Pa·s/m³".to_string(),
        designed: 4e4,
        fitted,
        low95: ends[0],
        high95: ends[1],
        tolerance,
    };
    let mut failed = example(Judgement::Fail);
    failed.cause = None;
    let said = text(&failed, 1, false, &[]);
    assert!(said.contains("no parameter can be told"), "{said}");
    let both = [Some(41_340.0), Some(41_880.0)];
    failed.parameters = vec![
        parameter(
            "resistor.r1.resistance",
            41_610.0,
            both,
            Some([32_882.0, 48_660.0]),
        ),
        parameter("leak.seam.resistance", 1.9e6, [Some(1.3e6), None], None),
    ];
    let said = text(&failed, 1, false, &[]).replace('\u{202f}', " ");
    for wanted in [
        "Measured, and allowed by its tolerance",
        "  resistor r1: resistance       10³ Pa·s/m³ 41.34 … 41.88      32.88 … 48.66\n",
        "from 1.30 on       none is stated",
    ] {
        assert!(said.contains(wanted), "{wanted} in {said}");
    }
    assert!(said.lines().all(|l| l.chars().count() <= 80), "{said}");
    failed.parameters[0].tolerance = Some([50_000.0, 60_000.0]);
    let said = text(&failed, 1, false, &[]);
    assert!(
        said.contains("▲ resistor r1") && !said.contains("allowed by"),
        "{said}"
    );
}

/// Every letter of every word is there: a missing one would leave a gap.
#[test]
fn big_letters_are_whole() {
    for verdict in [Judgement::Pass, Judgement::Fail, Judgement::Unresolved] {
        for c in word(verdict).chars().filter(|c| *c != ' ') {
            let (_, rows) = LETTERS.iter().find(|(l, _)| *l == c).unwrap();
            assert!(rows.iter().all(|r| r.chars().count() == 6), "{c}");
        }
        let banner = banner(verdict, false);
        assert_eq!(banner.lines().count(), 5);
        assert!(banner.lines().all(|l| l.chars().count() <= 80));
    }
}
