//! `bassay compare A B`: two curve files, no model: A minus B by one-third-octave band.
//!
//! Both curves are interpolated, straight in level over the logarithm of the frequency, at the shared grid of 48
//! frequencies per octave inside their common band. A band counts if it lies wholly inside it. Band edges are
//! those of IEC 61260-1:2014 in base ten: midband 1000·10^(0.1·x) Hz, edges a factor 10^0.05 away.

use super::Exit;
use super::failure::Failure;
use super::ledger::which::nearest;
use super::output::Output;
use crate::curves::own::{self, Drive};
use crate::curves::{Curve, CurveTable, interpolate_log_frequency};
use crate::files::write_whole;
use crate::report::text::{folded, plain};
use crate::signal::grid::log_grid;
use serde::Serialize;
use std::fmt::Write;
use std::path::PathBuf;

/// Points of the shared grid per octave.
const POINTS_PER_OCTAVE: u32 = 48;
/// Nominal midbands of one decade (ISO 266).
const NOMINAL: [f64; 10] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0];

/// Mismatch of two curve files by one-third octave, without a model
#[derive(Debug, clap::Args)]
pub struct CompareArgs {
    /// Curve file, for instance what was measured
    a: PathBuf,
    /// Curve file that is subtracted
    b: PathBuf,
    /// The curve of A, where it holds several and the names do not pair them
    #[arg(long, value_name = "NAME")]
    curve_a: Option<String>,
    /// The curve of B
    #[arg(long, value_name = "NAME")]
    curve_b: Option<String>,
    /// Folder for comparison.json and comparison.csv
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
}

/// The result of `compare`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// `bassay-comparison/1`.
    pub format: &'static str,
    /// First file.
    pub a: String,
    /// Second file, which is subtracted.
    pub b: String,
    /// Bands of all curves, ascending within each curve.
    pub bands: Vec<BandDifference>,
    /// Curves that stand in one file only and were not compared.
    pub unmatched: Vec<String>,
    /// What must be known of the numbers.
    pub notes: Vec<String>,
}

/// A minus B in one one-third-octave band.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BandDifference {
    /// Name of the curve in A.
    pub observation: String,
    /// Name of the curve in B.
    pub against: String,
    /// Whether two levels were compared, and not two magnitudes.
    #[serde(skip)]
    pub levels: bool,
    /// Nominal midband, Hz.
    pub center_hz: f64,
    /// Lower edge, Hz.
    pub low_hz: f64,
    /// Upper edge, Hz.
    pub high_hz: f64,
    /// Mean of the level difference over the logarithm of the frequency, dB.
    pub difference_db: f64,
    /// Its root mean square, dB.
    pub rms_difference_db: f64,
    /// The difference of the largest size, with its sign, dB.
    pub largest_difference_db: f64,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for files that cannot be read or compared, or a folder that cannot be written.
pub fn run(args: &CompareArgs, out: Output) -> Result<Exit, Failure> {
    let a = own::read_any(&args.a).map_err(Failure::input)?;
    let b = own::read_any(&args.b).map_err(Failure::input)?;
    let chosen = [args.curve_a.as_deref(), args.curve_b.as_deref()];
    let mut comparison = compare(&a.tables, &b.tables, chosen)?;
    let levels = comparison.bands.iter().any(|b| b.levels);
    if levels && a.drive != b.drive && ![a.drive, b.drive].contains(&Drive::Unknown) {
        comparison.notes.push(
            "the levels of verify are those at 1 V, the levels of predict those at the design's drive voltage: all differences hold \
             20·lg of that voltage"
                .to_string(),
        );
    }
    for note in &comparison.notes {
        out.remark(format_args!("note: {note}"));
    }
    for name in &comparison.unmatched {
        out.remark(format_args!(
            "not compared, because only one file has it: {name}"
        ));
    }
    if let Some(folder) = &args.out {
        let json = serde_json::to_vec_pretty(&comparison)
            .map_err(|error| Failure::system(format!("the result cannot be written: {error}")))?;
        write_whole(&folder.join("comparison.json"), &json)?;
        write_whole(&folder.join("comparison.csv"), csv(&comparison).as_bytes())?;
        out.remark(format_args!("written: {}", folder.display()));
    }
    if out.json {
        out.document(&comparison)?;
    } else {
        out.line(text(&comparison).trim_end());
    }
    Ok(Exit::Done)
}

/// The curves of a file that may be compared: the one that is named, or all.
fn choose<'a>(
    tables: &'a [CurveTable],
    wanted: Option<&str>,
    option: &str,
) -> Result<Vec<Curve<'a>>, Failure> {
    let all: Vec<Curve<'a>> = tables.iter().flat_map(CurveTable::curves).collect();
    let Some(wanted) = wanted else { return Ok(all) };
    let names: Vec<&str> = all.iter().map(|c| label(c.name)).collect();
    let told = format!(
        "{option} «{}»: {} has no curve of this name; {}",
        wanted.chars().take(60).collect::<String>(),
        file_of(tables),
        nearest(wanted, &names)
    );
    let found: Vec<Curve<'a>> = all
        .into_iter()
        .filter(|c| label(c.name) == wanted)
        .collect();
    if found.is_empty() {
        return Err(Failure::input(told));
    }
    Ok(found)
}

fn file_of(tables: &[CurveTable]) -> String {
    tables
        .first()
        .map_or(String::new(), |t| t.file.display().to_string())
}

/// Names of curves, for a person who has to choose.
fn listed(curves: &[Curve<'_>]) -> String {
    let names: Vec<&str> = curves.iter().map(|c| label(c.name)).collect();
    names.join(", ")
}

/// Compares every curve that both files have; the only curve of each, or the ones that are `chosen`, whatever their names.
///
/// # Errors
/// [`Failure`] where nothing can be compared: no common name, no common one-third octave, or a level against a
/// magnitude, whose reference is not known.
pub fn compare(
    a: &[CurveTable],
    b: &[CurveTable],
    chosen: [Option<&str>; 2],
) -> Result<Comparison, Failure> {
    let in_a = choose(a, chosen[0], "--curve-a")?;
    let in_b = choose(b, chosen[1], "--curve-b")?;
    let (name_a, name_b) = (file_of(a), file_of(b));
    let mut pairs: Vec<(&Curve<'_>, &Curve<'_>)> = Vec::new();
    let mut unmatched = Vec::new();
    if let ([one], [other]) = (in_a.as_slice(), in_b.as_slice()) {
        pairs.push((one, other));
    } else {
        for curve in &in_a {
            match in_b.iter().find(|other| other.name == curve.name) {
                Some(other) => pairs.push((curve, other)),
                None => unmatched.push(format!("{} ({name_a})", label(curve.name))),
            }
        }
        for curve in &in_b {
            if !in_a.iter().any(|other| other.name == curve.name) {
                unmatched.push(format!("{} ({name_b})", label(curve.name)));
            }
        }
    }
    if pairs.is_empty() {
        return Err(Failure::input(format!(
            "{name_a} and {name_b} have no curve in common: {name_a} has {}; {name_b} has {}; expected the same names in the \
             headers, or one of each with --curve-a NAME --curve-b NAME",
            listed(&in_a),
            listed(&in_b)
        )));
    }
    let mut bands = Vec::new();
    for (one, other) in pairs {
        if one.is_level() != other.is_level() {
            let (level, magnitude) = if one.is_level() {
                (&name_a, &name_b)
            } else {
                (&name_b, &name_a)
            };
            return Err(Failure::input(format!(
                "curve {}: {level} gives a level in dB and {magnitude} a magnitude; expected two levels or two \
                 magnitudes, because the reference of the level is not known",
                label(one.name)
            )));
        }
        bands.extend(differences(one, other)?);
    }
    Ok(Comparison {
        format: "bassay-comparison/1",
        a: name_a,
        b: name_b,
        bands,
        unmatched,
        notes: Vec::new(),
    })
}

fn label(name: &str) -> &str {
    if name.is_empty() { "curve" } else { name }
}

fn differences(a: &Curve<'_>, b: &Curve<'_>) -> Result<Vec<BandDifference>, Failure> {
    let ends = |f: &[f64]| {
        (
            f.first().copied().unwrap_or(f64::NAN),
            f.last().copied().unwrap_or(f64::NAN),
        )
    };
    let (a_low, a_high) = ends(a.frequency_hz);
    let (b_low, b_high) = ends(b.frequency_hz);
    let (low_hz, high_hz) = (a_low.max(b_low), a_high.min(b_high));
    let grid = log_grid(low_hz, high_hz, POINTS_PER_OCTAVE);
    let level_a = interpolate_log_frequency(a.frequency_hz, &a.level_db(), &grid);
    let level_b = interpolate_log_frequency(b.frequency_hz, &b.level_db(), &grid);
    let difference: Vec<(f64, f64)> = grid
        .iter()
        .zip(level_a.iter().zip(&level_b))
        .filter_map(|(&f, (a, b))| Some((f, (*a)? - (*b)?)))
        .collect();
    let mut bands = Vec::new();
    for (center_hz, low, high) in whole_bands(low_hz, high_hz) {
        let inside: Vec<f64> = difference
            .iter()
            .filter(|(f, _)| (low..high).contains(f))
            .map(|&(_, d)| d)
            .collect();
        if inside.is_empty() {
            continue;
        }
        if let Some(bad) = inside.iter().find(|d| !d.is_finite()) {
            return Err(Failure::input(format!(
                "curve {}: the level difference is {bad} between {low:.1} and {high:.1} Hz; expected magnitudes \
                 above 0 in both files",
                label(a.name)
            )));
        }
        #[allow(clippy::cast_precision_loss)] // Sixteen points in a band.
        let count = inside.len() as f64;
        let mean = inside.iter().sum::<f64>() / count;
        let square = inside.iter().map(|d| d * d).sum::<f64>() / count;
        let largest = inside.iter().copied().fold(
            0.0,
            |most: f64, d| if d.abs() > most.abs() { d } else { most },
        );
        bands.push(BandDifference {
            observation: label(a.name).to_string(),
            against: label(b.name).to_string(),
            levels: a.is_level(),
            center_hz,
            low_hz: low,
            high_hz: high,
            difference_db: mean,
            rms_difference_db: square.sqrt(),
            largest_difference_db: largest,
        });
    }
    if bands.is_empty() {
        return Err(Failure::input(format!(
            "curve {}: the files cover {} to {} Hz and {} to {} Hz; expected a whole one-third octave in common",
            label(a.name),
            a_low,
            a_high,
            b_low,
            b_high
        )));
    }
    Ok(bands)
}

/// Nominal midband and edges of the one-third octaves that lie wholly between two frequencies, Hz.
fn whole_bands(low_hz: f64, high_hz: f64) -> Vec<(f64, f64, f64)> {
    // From 0.01 Hz to 1 MHz.
    (-50..=30)
        .map(|x: i32| {
            let exact = 1000.0 * 10f64.powf(0.1 * f64::from(x));
            let edge = 10f64.powf(0.05);
            let digit = NOMINAL[x.rem_euclid(10) as usize];
            let nominal = digit * 10f64.powi(3 + x.div_euclid(10));
            // Powers of ten below one are not exact; three digits are meant.
            let nominal = (nominal * 1e4).round() / 1e4;
            (nominal, exact / edge, exact * edge)
        })
        .filter(|&(_, low, high)| low >= low_hz * (1.0 - 1e-9) && high <= high_hz * (1.0 + 1e-9))
        .collect()
}

/// The table for people: at most 80 columns.
fn text(comparison: &Comparison) -> String {
    let mut text = format!("A: {}\nB: {}\n", comparison.a, comparison.b);
    let mut now = None;
    for band in &comparison.bands {
        if now != Some(&band.observation) {
            now = Some(&band.observation);
            let of = if band.observation == band.against {
                format!("{}: A minus B, dB", plain(&band.observation))
            } else {
                format!(
                    "{} of A minus {} of B, dB",
                    plain(&band.observation),
                    plain(&band.against)
                )
            };
            let _ = write!(
                text,
                "\n{}\n{:>9}  {:>7}  {:>7}  {:>7}\n",
                folded(&of, 0),
                "band/Hz",
                "mean",
                "rms",
                "largest"
            );
        }
        let _ = writeln!(
            text,
            "{:>9}  {:>+7.2}  {:>7.2}  {:>+7.2}",
            band.center_hz, band.difference_db, band.rms_difference_db, band.largest_difference_db
        );
    }
    text
}

fn csv(comparison: &Comparison) -> String {
    let mut text = String::from(
        "observation,center_hz,low_hz,high_hz,difference_db,rms_difference_db,largest_difference_db\n",
    );
    for band in &comparison.bands {
        let _ = writeln!(
            text,
            "{},{},{},{},{},{},{}",
            quoted_field(&band.observation),
            band.center_hz,
            band.low_hz,
            band.high_hz,
            band.difference_db,
            band.rms_difference_db,
            band.largest_difference_db
        );
    }
    text
}

fn quoted_field(field: &str) -> String {
    if field.contains([',', '"', '\n']) {
        format!("\"{}\"", field.replace('"', "\"\""))
    } else {
        field.to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    fn compare(a: &CurveTable, b: &CurveTable) -> Result<Comparison, Failure> {
        let one = std::slice::from_ref;
        super::compare(one(a), one(b), [None, None])
    }

    fn table(text: &str) -> CurveTable {
        crate::curves::read_text(text, Path::new("a.csv")).expect("sound")
    }

    /// A curve of `points` frequencies whose level over the other curve is known.
    fn sampled(low: f64, high: f64, points: usize, level: impl Fn(f64) -> f64) -> CurveTable {
        let mut text = String::from("f,level_db\n");
        for i in 0..points {
            let f = low * (high / low).powf(i as f64 / (points - 1) as f64);
            let _ = writeln!(text, "{f},{}", level(f));
        }
        table(&text)
    }

    #[test]
    fn a_slope_gives_the_difference_at_the_midband() {
        // DERIVED: 6·log2(f/100) dB over a flat curve; the mean over the logarithm of a band is the value at its
        // midband, up to half a step of the grid (6/96 dB) because the grid is not centred in the band.
        let a = sampled(10.0, 1000.0, 700, |f| 90.0 + 6.0 * (f / 100.0).log2());
        let b = sampled(15.0, 800.0, 300, |_| 90.0);
        let found = compare(&a, &b).expect("comparable");
        let centers: Vec<f64> = found.bands.iter().map(|b| b.center_hz).collect();
        // PUBLISHED (IEC 61260-1, ISO 266): bands with edges inside 15 to 800 Hz: 20 (17.78) to 630 (707.9).
        assert_eq!(
            centers,
            [
                20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0,
                400.0, 500.0, 630.0
            ]
        );
        for band in &found.bands {
            let middle = (band.low_hz * band.high_hz).sqrt();
            let wanted = 6.0 * (middle / 100.0).log2();
            assert!((band.difference_db - wanted).abs() < 6.0 / 96.0, "{band:?}");
            assert!(band.rms_difference_db + 1e-12 >= band.difference_db.abs());
            assert!(band.largest_difference_db.abs() + 1e-12 >= band.rms_difference_db);
        }
        // PUBLISHED (IEC 61260-1, exact edges of the band 1000 Hz, a decade lower): 89.1251 to 112.2018 Hz.
        let hundred = &found.bands[7];
        assert!(
            (hundred.low_hz - 89.1251).abs() < 1e-4 && (hundred.high_hz - 112.2018).abs() < 1e-4
        );
    }

    #[test]
    fn a_curve_less_itself_is_nothing_and_a_constant_shows_in_every_figure() {
        let a = sampled(20.0, 200.0, 100, |f| f.sqrt());
        let b = sampled(20.0, 200.0, 100, |f| f.sqrt() - 1.5);
        for band in compare(&a, &a).expect("comparable").bands {
            assert_eq!((band.difference_db, band.largest_difference_db), (0.0, 0.0));
        }
        for band in compare(&a, &b).expect("comparable").bands {
            for figure in [
                band.difference_db,
                band.rms_difference_db,
                band.largest_difference_db,
            ] {
                // Levels of about 14 dB carry 2e-15 of rounding.
                assert!((figure - 1.5).abs() < 1e-12, "{band:?}");
            }
        }
    }

    #[test]
    fn impedance_counts_by_its_magnitude_whatever_the_form() {
        let a = table("f,re,im\n20,6,8\n200,6,8\n");
        let b = table("f,z_ohm\n10,5\n400,5\n");
        // DERIVED: 20·lg(10/5) = 6.020599913279624 dB.
        for band in compare(&a, &b).expect("comparable").bands {
            assert!((band.difference_db - 6.020_599_913_279_624).abs() < 1e-12);
        }
    }

    #[test]
    fn names_pair_curves_and_the_rest_is_named() {
        let a = table("f,x level_db,y level_db\n20,1,2\n200,1,2\n");
        let b = table("f,y level_db,z level_db\n20,1,2\n200,1,2\n");
        let found = compare(&a, &b).expect("y is common");
        assert!(found.bands.iter().all(|band| band.observation == "y"));
        assert_eq!(found.unmatched.len(), 2);
        let c = table("f,p level_db,q level_db\n20,1,2\n200,1,2\n");
        assert!(compare(&a, &c).is_err());
    }

    #[test]
    fn curves_are_chosen_by_name() {
        let a = [table("f,x level_db,y level_db\n20,1,2\n200,1,2\n")];
        let b = [table("f,p level_db,q level_db\n20,4,8\n200,4,8\n")];
        let told = super::compare(&a, &b, [None, None]).expect_err("no common name");
        for name in ["has x, y", "has p, q", "--curve-a"] {
            assert!(told.message.contains(name), "{}", told.message);
        }
        let found = super::compare(&a, &b, [Some("y"), Some("q")]).expect("one of each");
        assert!(found.bands.iter().all(|b| b.difference_db == -6.0));
        let told = super::compare(&a, &b, [Some("y"), Some("z")]).expect_err("no z");
        assert!(told.message.contains("there is p, q"), "{}", told.message);
    }

    #[test]
    fn what_cannot_be_compared_is_told() {
        let level = table("f,dB\n20,1\n200,1\n");
        for (other, word) in [
            ("f,magnitude\n20,1\n200,1\n", "reference"),
            ("f,dB\n300,1\n900,1\n", "in common"),
            ("f,dB\n21,1\n22,1\n", "in common"),
        ] {
            let failure = compare(&level, &table(other)).expect_err(other);
            assert_eq!(failure.status, 2);
            assert!(failure.message.contains(word), "{}", failure.message);
        }
        let zero = table("f,magnitude\n20,0\n200,0\n");
        assert!(compare(&zero, &zero).is_err());
    }

    #[test]
    fn the_table_is_narrow() {
        let a = sampled(20.0, 20_000.0, 500, |_| -120.0);
        let b = sampled(20.0, 20_000.0, 500, |_| 0.0);
        let text = text(&compare(&a, &b).expect("comparable"));
        assert!(
            text.lines().all(|line| line.chars().count() <= 80),
            "{text}"
        );
        assert!(
            text.contains("    31.5  -120.00   120.00  -120.00"),
            "{text}"
        );
    }
}
