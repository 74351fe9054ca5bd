//! Entries as the dome's units make them.

use bassay::production::entry::{
    Cause, Conditions, Entry, FORMAT, Judgement, Kind, RawFile, Value,
};

/// An inspection in the minute `minute` of 14 March 2026, which fails every seventh time.
pub fn inspection(unit: &str, minute: u32) -> Entry {
    let failed = minute.is_multiple_of(7);
    let verdict = if failed {
        Judgement::Fail
    } else {
        Judgement::Pass
    };
    Entry {
        format: FORMAT.to_string(),
        kind: Kind::Inspection,
        at: format!(
            "2026-03-{:02}T{:02}:{:02}:00Z",
            14 + minute / 1440,
            minute / 60 % 24,
            minute % 60
        ),
        taken: None,
        rehearsed: None,
        operator: "op-07".to_string(),
        unit: unit.to_string(),
        batch: Some(format!("B{}", minute / 100)),
        attempt: 1,
        refers_to: None,
        remark: None,
        verdict,
        also: Vec::new(),
        cause: failed.then(|| Cause {
            path: "leak.seam.resistance".to_string(),
            probability: 0.93,
            text: "a seam 0.3 m long is open 0.4 mm".to_string(),
        }),
        limits: digest_of("limits"),
        design: digest_of("design"),
        software: "bassay 0.1.0".to_string(),
        bench: None,
        measurement: None,
        conditions: Some(Conditions {
            temperature_c: 20.5,
            pressure_kpa: 100.1,
            humidity_pct: 44.0,
        }),
        values: bands(minute),
        files: Vec::new(),
    }
}

/// Forty values that no short decimal holds exactly.
fn bands(seed: u32) -> Vec<Value> {
    (0..40)
        .map(|i| Value {
            name: format!(
                "band:mouth-near:{:.1}",
                10.0 * 2f64.powf(f64::from(i) / 8.0)
            ),
            unit: "dB".to_string(),
            value: Some((f64::from(seed) + f64::from(i) / 3.0).sin()),
            expanded: Some(0.1 + f64::from(i) / 700.0),
            decided: None,
            low: Some(-1.5),
            high: Some(1.5),
            verdict: Judgement::Pass,
        })
        .collect()
}

/// A raw capture of these bytes.
pub fn raw(name: &str, bytes: &[u8]) -> RawFile {
    RawFile {
        name: name.to_string(),
        digest: blake3::hash(bytes).to_hex().to_string(),
        bytes: bytes.len() as u64,
    }
}

/// Some digest.
pub fn digest_of(what: &str) -> String {
    blake3::hash(what.as_bytes()).to_hex().to_string()
}
