use super::*;
use crate::design::limits::{
    Decision, Environment, Method, Origin, ParameterLimit, PolarityLimit, ResidueLimit, Rule,
    Signed, StationRule,
};
use crate::design::limits_read::read_text;
use std::path::Path;

fn example() -> Limits {
    Limits {
        name: "Dome bass unit, batch \"A\"".to_string(),
        design_name: "Dome bass unit".to_string(),
        design_digest: "ab".repeat(32),
        origin: Origin {
            method: Method::Both,
            made: Some("2026-03-14T10:20:00Z".to_string()),
            software: Some("bassay 0.1.0".to_string()),
            content: Some(0.99),
            confidence: Some(0.95),
            drawn: Some(10_000),
            seed: Some(1),
            units: vec![("dome-07".to_string(), "cd".repeat(32))],
        },
        decision: Decision {
            rule: Rule::NonConformity,
            guard_factor: 1.65,
        },
        bands: vec![BandLimit {
            observation: "mouth-near".to_string(),
            center_hz: 31.5,
            low_db: -0.8,
            high_db: 0.912345,
            tolerance_db: Some(1.2),
            mean_db: Some(0.05),
            sd_db: Some(0.2),
            measurement_sd_db: Some(0.13),
            simulation_sd_db: Some(0.1),
            offset_db: Some(0.2),
        }],
        parameters: vec![ParameterLimit {
            path: "leak.seam.resistance".to_string(),
            unit: "Pa·s/m³".to_string(),
            low: Some(1.1e6),
            high: None,
        }],
        residue: vec![ResidueLimit {
            observation: "mouth-near".to_string(),
            center_hz: None,
            high_db: -48.0,
        }],
        polarity: vec![PolarityLimit {
            observation: "mouth-near".to_string(),
            sign: -1,
        }],
        environment: Environment {
            temperature_c: Some([15.0, 25.0]),
            ..Environment::default()
        },
        station: StationRule {
            check_within_h: Some(24.0),
            calibrated_within_days: None,
        },
        serial_pattern: Some("DB-[0-9]{4}".to_string()),
        signature: None,
        file: Path::new("limits.toml").to_path_buf(),
        digest: String::new(),
        body_digest: String::new(),
    }
}

/// DERIVED: what is written is read back the same.
#[test]
fn written_and_read() {
    let text = text(&example());
    let mut read = read_text(&text, Path::new("limits.toml")).unwrap();
    assert_eq!(read.digest, blake3::hash(text.as_bytes()).to_hex().as_str());
    read.digest.clear();
    read.body_digest.clear();
    assert_eq!(read, example());
}

#[test]
fn a_signature_covers_every_byte_above_it() {
    let read = |text: &str| read_text(text, Path::new("limits.toml")).unwrap();
    let plain = text(&example());
    assert_eq!(read(&plain).signed(), Signed::Not);
    let text = signed(&plain, "QA-\"7\"", "2026-03-15");
    let sound = read(&text);
    assert_eq!(sound.signed(), Signed::Sound);
    let signature = sound.signature.clone().unwrap();
    assert_eq!(
        (signature.by.as_str(), signature.date.as_str()),
        ("QA-\"7\"", "2026-03-15")
    );
    // A limit moved, a comment added: both void it.
    for edited in [
        text.replace("high_db = 0.912345", "high_db = 1.912345"),
        text.replace("[decision]", "# wider from now on\n[decision]"),
    ] {
        let edited = read(&edited);
        assert_eq!(edited.signed(), Signed::Void);
        assert!(
            edited.signature_words().contains("void"),
            "{}",
            edited.signature_words()
        );
    }
    // A table moved below the signature would not be covered by it.
    let moved = format!(
        "{text}\n[[band]]\nobservation = \"x\"\ncenter_hz = 40.0\nlow_db = -9.0\nhigh_db = 9.0\n"
    );
    assert!(read_text(&moved, Path::new("limits.toml")).is_err());
    // Signing again makes it good.
    assert_eq!(
        read(&signed(&text, "QA-8", "2026-03-16")).signed(),
        Signed::Sound
    );
}

#[test]
fn problems_name_the_line_and_the_key() {
    let good = text(&example());
    for (from, to, expected) in [
        (
            "low_db = -0.8",
            "low_db = 2.0",
            "band[1].high_db: found 0.912345 dB; expected more than low_db, 2 dB",
        ),
        (
            "high_db = 0.912345",
            "high_dB = 1.0",
            "did you mean 'high_db'?",
        ),
        (
            "sign = -1",
            "sign = 0",
            "polarity[1].sign: found 0; expected 1 or -1",
        ),
        (
            "rule = \"non-conformity\"",
            "rule = \"strict\"",
            "decision.rule: found the text 'strict'; expected one of conformity, non-conformity, simple",
        ),
        ("DB-[0-9]{4}", "DB-[0-9", "no regular expression"),
        (
            "method = \"both\"",
            "method = \"bot\"",
            "did you mean 'both'?",
        ),
        (
            "compared = \"designed\"",
            "compared = \"aligned\"",
            "compared: found",
        ),
        (
            "temperature_c = [15.0, 25.0]",
            "temperature_c = [25.0, 15.0]",
            "the lower end first",
        ),
    ] {
        let bad = good.replace(from, to);
        assert_ne!(bad, good, "{from}");
        let message = read_text(&bad, Path::new("limits.toml"))
            .unwrap_err()
            .to_string();
        assert!(message.contains(expected), "{message}");
        assert!(message.starts_with("limits.toml:"), "{message}");
    }
    let twice = format!(
        "{good}\n[[band]]\nobservation = \"mouth-near\"\ncenter_hz = 31.6\nlow_db = -1\nhigh_db = 1\n"
    );
    let message = read_text(&twice, Path::new("l.toml"))
        .unwrap_err()
        .to_string();
    assert!(message.contains("each band once"), "{message}");
}
