//! What the log is looked back at with: charts, run lengths, capability, gauge studies, risks, and how captures are kept.
//!
//! CROSS values: `tests/reference/lookback/make.py` (numpy and scipy), `tests/reference/guard/risks.py` (scipy).

use super::table::{check_word, source};
use super::{assert_near, assert_within};
use bassay::design::limits::{Decision, Rule as Deciding};
use bassay::production::archive::Archive;
use bassay::production::archive_flac;
use bassay::production::capability::{SampleCapability, distance_interval, sample_capability};
use bassay::production::ewma::{Ewma, Limits, Process};
use bassay::production::gauge::mean_squares;
use bassay::production::gauge_interval::gauge_study;
use bassay::production::guard::{Zone, risks};
use bassay::production::limits::offset::reach;
use bassay::production::run_rules::{Rule, moves_run_length, zones_run_length};
use bassay::special::beta::{f_quantile, f_tail, incomplete_beta, share_interval};
use serde_json::Value;

/// The table that the script made.
fn lookback() -> Value {
    let text = std::fs::read_to_string("tests/reference/lookback/lookback.json").unwrap();
    serde_json::from_str(&text).unwrap()
}

fn rows(name: &str) -> Vec<Value> {
    let rows = lookback()[name].as_array().unwrap().clone();
    assert!(!rows.is_empty(), "{name}");
    rows
}

fn number(row: &Value, key: &str) -> f64 {
    row[key].as_f64().unwrap()
}

fn count(row: &Value, key: &str) -> usize {
    row[key].as_u64().unwrap() as usize
}

/// Target 50, s = 2.0539, λ = 0.3, L = 3. Printed to two decimals, the limits to four; the handbook draws the steady limits.
#[test]
pub fn weighted_average_of_the_handbook() {
    source(
        "PUBLISHED",
        "NIST/SEMATECH e-Handbook 6.3.2.4 (data and printed averages from memory)",
    );
    let x = [
        52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8,
        51.2, 52.6, 52.4, 53.6, 52.1,
    ];
    let printed = [
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52,
        50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
    ];
    let chart = Ewma {
        lambda: 0.3,
        reach: 3.0,
    }
    .chart(&x, 50.0, 2.0539);
    for (found, wanted) in chart.iter().zip(printed) {
        // The handbook goes on from rounded averages: up to half a digit more.
        assert_within(found.value, wanted, 0.012, "", "weighted average, λ = 0.3");
        assert!(!found.signals());
    }
    // The 20th of the growing limits has 1 − 0.7⁴⁰ of the steady variance: 6e-7 less.
    assert_within(chart[19].high, 52.5884, 6e-5, "", "its upper limit");
    // The handbook prints 47.4115, which is not 100 − 52.5884: half a digit of its own.
    assert_within(chart[19].low, 47.4115, 2e-4, "", "its lower limit");
}

fn steady(lambda: f64, reach: f64, shift: f64) -> f64 {
    let process = Process {
        means: &[shift],
        sd: 1.0,
    };
    Ewma { lambda, reach }
        .run_length(Limits::Steady, process)
        .mean()
}

/// Charts of one false alarm in 500 values. The rows are those that I remember for certain.
#[test]
pub fn run_lengths_of_weighted_averages() {
    source(
        "PUBLISHED",
        "Lucas & Saccucci 1990, table 3 as textbooks reprint it (from memory)",
    );
    for (lambda, reach, row) in [
        (
            0.40,
            3.054,
            [500.0, 224.0, 71.2, 28.4, 14.3, 5.9, 3.5, 2.5, 2.0],
        ),
        (
            0.25,
            2.998,
            [500.0, 170.0, 48.2, 20.1, 11.1, 5.5, 3.6, 2.7, 2.3],
        ),
        (
            0.10,
            2.814,
            [500.0, 106.0, 31.3, 15.9, 10.3, 6.1, 4.4, 3.4, 2.9],
        ),
        (
            0.05,
            2.615,
            [500.0, 84.1, 28.8, 16.4, 11.4, 7.1, 5.2, 4.2, 3.5],
        ),
    ] {
        let shifts = [0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0];
        for (shift, wanted) in shifts.into_iter().zip(row) {
            // Half a unit of the last printed digit and 0.1 % for the table's own chain, which was coarser than ours can be
            // told to be by the finer chain below (48.2 is printed where that gives 48.294).
            let digit = if wanted >= 100.0 { 0.5 } else { 0.05 };
            assert_within(
                steady(lambda, reach, shift),
                wanted,
                digit + 0.001 * wanted,
                "",
                &format!("mean run length, λ = {lambda}, L = {reach}"),
            );
        }
    }
    source(
        "CROSS",
        "Brook & Evans's Markov chain in numpy, 801 cells extrapolated",
    );
    for row in rows("ewma") {
        let found = steady(
            number(&row, "lambda"),
            number(&row, "reach"),
            number(&row, "shift"),
        );
        // What extrapolation from 401 cells leaves.
        assert_near(
            found,
            number(&row, "mean"),
            1e-4,
            "mean run length of a weighted average",
        );
    }
    source("DERIVED", "geometric with p = 2·(1 − Φ(3)) where λ = 1");
    for limits in [Limits::Growing, Limits::Steady] {
        let chart = Ewma {
            lambda: 1.0,
            reach: 3.0,
        };
        let process = Process {
            means: &[],
            sd: 1.0,
        };
        assert_near(
            chart.run_length(limits, process).mean(),
            370.398_35,
            1e-7,
            "mean run length of single values at 3σ",
        );
    }
}

/// Printed to two decimals; orders of values by counting permutations, E₁₄ = 199360981 the zigzag number.
#[test]
pub fn run_lengths_of_run_rules() {
    use Rule::{EightOneSide, Far, FourOfFive, TwoOfThree};
    source("PUBLISHED", "Champ & Woodall 1987, table 1 (from memory)");
    for (what, rules, wanted) in [
        ("3σ", vec![Far], 370.40),
        ("3σ, two of three", vec![Far, TwoOfThree], 225.44),
        ("3σ, four of five", vec![Far, FourOfFive], 166.05),
        ("3σ, eight on one side", vec![Far, EightOneSide], 152.73),
        (
            "all four",
            vec![Far, TwoOfThree, FourOfFive, EightOneSide],
            91.75,
        ),
    ] {
        let found = zones_run_length(&rules, 0.0).mean();
        assert_within(
            found,
            wanted,
            0.006,
            "",
            &format!("mean run length of a steady process: {what}"),
        );
    }
    source("DERIVED", "permutations: 2/6!, 2·E₁₄/14!");
    let six = moves_run_length(Rule::Steps, 400).unwrap().survival(6);
    // 400 and 60 cells: the error falls with their square.
    assert_near(
        1.0 - six,
        2.0 / 720.0,
        5e-4,
        "chance of six in one direction",
    );
    let fourteen = moves_run_length(Rule::Alternating, 60)
        .unwrap()
        .survival(14);
    assert_near(
        1.0 - fourteen,
        2.0 * 199_360_981.0 / 87_178_291_200.0,
        2e-3,
        "chance of fourteen in turn",
    );
}

/// 1e-9 relative: what continued fraction and halving reach; of 10⁵ values, 1e-8.
#[test]
pub fn distributions_and_shares() {
    source("CROSS", "scipy");
    for row in rows("beta") {
        let found = incomplete_beta(number(&row, "a"), number(&row, "b"), number(&row, "x"));
        assert_near(found, number(&row, "value"), 1e-9, "incomplete beta");
    }
    for row in rows("f_quantile") {
        let [over, under, p] = ["over", "under", "p"].map(|key| number(&row, key));
        let found = f_quantile(over, under, p);
        assert_near(found, number(&row, "value"), 1e-9, "quantile of F");
        assert_near(f_tail(over, under, found), 1.0 - p, 1e-8, "tail of F");
    }
    for row in rows("share") {
        let confidence = number(&row, "confidence");
        let [low, high] = share_interval(count(&row, "found"), count(&row, "tried"), confidence);
        assert_within(
            low,
            number(&row, "low"),
            1e-8,
            "",
            "exact interval of a share: low",
        );
        assert_within(
            high,
            number(&row, "high"),
            1e-8,
            "",
            "exact interval of a share: high",
        );
    }
    source(
        "PUBLISHED",
        "NIST/SEMATECH e-Handbook 7.2.4.1 (from memory)",
    );
    let [low, high] = share_interval(4, 20, 0.90);
    assert_within(low, 0.071_354, 1e-6, "", "4 of 20, 90 %: low");
    assert_within(high, 0.401_029, 1.1e-6, "", "4 of 20, 90 %: high");
}

/// A sample of n values whose mean and deviation are exactly 0 and 1, with limits at these Cpk below and above.
fn of_shape(n: usize, below: f64, above: f64) -> SampleCapability {
    let raw: Vec<f64> = (0..n).map(|i| i as f64 - (n as f64 - 1.0) / 2.0).collect();
    let sd = (raw.iter().map(|v| v * v).sum::<f64>() / (n as f64 - 1.0)).sqrt();
    let values: Vec<f64> = raw.iter().map(|v| v / sd).collect();
    sample_capability(&values, Some(-3.0 * below), Some(3.0 * above), 0.95).unwrap()
}

/// The approximation is good for n of 30 and more: within 3 % of the half width at n = 200, far off the middle, where only
/// one limit counts.
#[test]
pub fn capability_intervals() {
    source("CROSS", "scipy's noncentral t and adaptive quadrature");
    for row in rows("distance") {
        let confidence = 1.0 - 2.0 * number(&row, "side");
        let ends = distance_interval(number(&row, "k"), count(&row, "n"), confidence);
        for (found, wanted) in ends.iter().zip(row["ends"].as_array().unwrap()) {
            // 1e-8 of a standard deviation: scipy's own noncentral t.
            assert_within(
                *found,
                wanted.as_f64().unwrap(),
                1e-8,
                "",
                "interval of a limit's distance in σ",
            );
        }
    }
    for row in rows("centred") {
        let cpk = number(&row, "cpk");
        let found = of_shape(count(&row, "n"), cpk, cpk).cpk.high;
        assert_near(
            found,
            number(&row, "high"),
            1e-7,
            "upper end of Cpk, centred",
        );
    }
    source("PUBLISHED", "Bissell 1990 (from memory)");
    for cpk in [0.8, 1.0, 1.33, 1.67] {
        let n = 200.0_f64;
        let found = of_shape(200, 3.0, cpk).cpk;
        let half = 1.959_964 * (1.0 / (9.0 * n) + cpk * cpk / (2.0 * (n - 1.0))).sqrt();
        assert_near(
            cpk - found.low,
            half,
            0.03,
            "half width of Cpk's interval, n = 200",
        );
        assert_near(found.value, cpk, 1e-12, "Cpk of a sample of known shape");
    }
    source("PUBLISHED", "χ² table, 19 degrees of freedom (from memory)");
    let cp = of_shape(20, 1.5, 1.5).cp.unwrap();
    assert_near(
        cp.low,
        1.5 * (8.907_f64 / 19.0).sqrt(),
        1e-4,
        "lower end of Cp, n = 20",
    );
    assert_near(
        cp.high,
        1.5 * (32.852_f64 / 19.0).sqrt(),
        1e-4,
        "upper end of Cp, n = 20",
    );
}

/// 10 parts, 3 people, 3 trials; the interaction counts among the repeats. Printed digits.
#[test]
pub fn gauge_study_of_the_handbook() {
    source(
        "PUBLISHED",
        "AIAG MSA, the study of 10 parts, 3 people, 3 trials (data and results from memory)",
    );
    let gauge = lookback()["gauge"].clone();
    let value: Vec<Vec<Vec<f64>>> = serde_json::from_value(gauge["value"].clone()).unwrap();
    let found = mean_squares(&value).unwrap();
    let [parts, people, both, within] = found.degrees();
    assert_eq!([parts, people, both, within], [9.0, 2.0, 18.0, 60.0]);
    for (what, square, printed) in [
        ("parts", found.parts * parts, 88.3619),
        ("people", found.people * people, 3.1673),
        ("both", found.interaction * both, 0.3590),
        ("repeats", found.repeats * within, 2.7589),
    ] {
        assert_within(
            square,
            printed,
            6e-5,
            "",
            &format!("sum of squares: {what}"),
        );
    }
    let study = gauge_study(found, true, 0.95);
    for (what, variance, printed, digit) in [
        ("repeats", study.repeatability.value, 0.199_933, 1e-6),
        ("people", study.reproducibility.value, 0.226_838, 1e-6),
        ("parts", study.parts.value, 1.042_327, 1e-6),
        // The sixth digit is not remembered.
        ("gauge", study.gauge.value, 0.302_37, 5e-6),
    ] {
        assert_within(
            variance.sqrt(),
            printed,
            digit,
            "",
            &format!("standard deviation: {what}"),
        );
    }
    assert_within(
        study.components.categories(),
        4.0,
        0.0,
        "",
        "distinct categories",
    );
    source(
        "CROSS",
        "least squares on dummy variables in numpy; scipy's F and χ²",
    );
    let wanted = gauge["mean_squares"].as_array().unwrap();
    let squares = [found.parts, found.people, found.interaction, found.repeats];
    for (found, wanted) in squares.iter().zip(wanted) {
        // Roundings.
        assert_near(*found, wanted.as_f64().unwrap(), 1e-10, "mean squares");
    }
    assert_near(
        found.interaction_chance(),
        number(&gauge, "interaction_chance"),
        1e-9,
        "chance of the interaction",
    );
    let exact = gauge_study(found, false, 0.95).repeatability;
    // `chi2.ppf` for 60 degrees of freedom, nine digits.
    assert_near(
        exact.low,
        found.repeats * 60.0 / 83.297_674_9,
        1e-8,
        "interval of the repeats: low",
    );
    assert_near(
        exact.high,
        found.repeats * 60.0 / 40.481_748_0,
        1e-8,
        "interval of the repeats: high",
    );
}

/// How often a good unit fails and a bad one passes; what all units of a line share.
#[test]
pub fn risks_of_a_decision() {
    source(
        "DERIVED",
        "bivariate normal over a wedge: arccos ρ/2π (Sheppard 1898, from memory)",
    );
    let simple = Decision {
        rule: Deciding::Simple,
        guard_factor: 0.0,
    };
    for (sd, u) in [(1.0_f64, 0.25_f64), (1.0, 1.0), (0.3, 0.01), (0.01, 2.0)] {
        let half = Zone {
            low: None,
            high: Some(0.0),
        };
        let r = risks((0.0, sd), u, half, half, simple);
        let want = (sd / sd.hypot(u)).acos() / std::f64::consts::TAU;
        for found in [r.pass_and_bad, r.fail_and_good] {
            assert_within(found, want, 1e-9, "", "risk of a single limit at the mean");
        }
        assert_within(r.good, 0.5, 1e-9, "", "share of good units");
    }
    source("CROSS", "scipy's bivariate normal");
    let text = std::fs::read_to_string("tests/reference/guard/risks.json").unwrap();
    let rows: Vec<Value> = serde_json::from_str(&text).unwrap();
    assert!(rows.len() >= 40, "{}", rows.len());
    for row in &rows {
        let number = |key: &str| number(row, key);
        let rule = match row["rule"].as_str().unwrap() {
            "conformity" => Deciding::Conformity,
            "non-conformity" => Deciding::NonConformity,
            _ => Deciding::Simple,
        };
        let r = risks(
            (number("mean"), number("sd")),
            number("u"),
            Zone::between(number("good_low"), number("good_high")),
            Zone::between(number("low"), number("high")),
            Decision {
                rule,
                guard_factor: number("factor"),
            },
        );
        for (what, found, key) in [
            ("good units", r.good, "good"),
            ("bad ones that pass", r.pass_and_bad, "pass_and_bad"),
            ("good ones that fail", r.fail_and_good, "fail_and_good"),
            (
                "units of which nothing can be said",
                r.unresolved,
                "unresolved",
            ),
        ] {
            // 1e-8 absolute was asked of the library's own integration.
            assert_within(found, number(key), 2e-7, "", &format!("share of {what}"));
        }
    }
    source("DERIVED", "a rectangle's share, a normal quantile");
    assert_near(
        reach(0.45, 0.0, 0.9),
        0.405,
        1e-12,
        "how far a line lies off: a rectangle alone",
    );
    assert_near(
        reach(0.0, 0.1, 0.95),
        0.195_996_4,
        1e-7,
        "how far a line lies off: a normal error alone",
    );
}

/// Frames of two channels of 16 bits at 48 kHz, of a generator that fills all bits.
fn wav(frames: u32) -> Vec<u8> {
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: 48_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut bytes = std::io::Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec).unwrap();
    let mut state = 1_u32;
    for _ in 0..2 * frames {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        writer.write_sample((state >> 16) as u16 as i16).unwrap();
    }
    writer.finalize().unwrap();
    bytes.into_inner()
}

/// The stream's own head, read bit by bit as the standard has it, and the bytes that come back.
#[test]
pub fn captures_are_kept_without_loss() {
    source("PUBLISHED", "RFC 9639, 8.2 (stream information)");
    let take = wav(5000);
    let packed = archive_flac::pack(&take).unwrap();
    check_word(
        "mark of a packed capture",
        &String::from_utf8_lossy(&packed[..4]),
        "fLaC",
    );
    // Behind mark and head of the block: 2 + 2 + 3 + 3 bytes of sizes, then 20 + 3 + 5 + 36 bits.
    let bits = packed[18..26]
        .iter()
        .fold(0_u64, |all, byte| all << 8 | u64::from(*byte));
    for (what, found, wanted) in [
        ("sample rate, Hz", bits >> 44, 48_000_u32),
        ("channels", (bits >> 41 & 7) + 1, 2),
        ("bits", (bits >> 36 & 31) + 1, 16),
        ("frames", bits & 0xf_ffff_ffff, 5000),
    ] {
        assert_within(
            found as f64,
            f64::from(wanted),
            0.0,
            "",
            &format!("packed capture: {what}"),
        );
    }
    source("DERIVED", "lossless: the very bytes come back");
    let back = archive_flac::unpack(&packed).unwrap();
    let differ = back.iter().zip(&take).filter(|(a, b)| a != b).count();
    assert_within(
        (differ + back.len().abs_diff(take.len())) as f64,
        0.0,
        0.0,
        "",
        "bytes that differ after packing and unpacking",
    );
    source("PUBLISHED", "BLAKE3 test vectors (from memory)");
    let folder = tempfile::tempdir().unwrap();
    let archive = Archive::new(folder.path());
    for (what, bytes, wanted) in [
        (
            "digest of nothing",
            &b""[..],
            "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262",
        ),
        (
            "digest of abc",
            b"abc",
            "6437b3ac38465133ffb63b75273a8db548c558465d79db03fd359c6cd5bd9d85",
        ),
    ] {
        check_word(what, &archive.keep(bytes).unwrap(), wanted);
    }
}
