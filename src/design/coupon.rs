//! `coupon.toml`: a sample of a damping material in a tube, and the captures that were taken of it.
//!
//! ```toml
//! format = "bassay-coupon/1"
//! name = "felt 3 mm"
//! method = "two-microphone"          # or "closed-tube"
//! layers = 1
//!
//! [tube]
//! diameter_m = 0.100                 # or width_m and height_m
//! behind_m = 0.050                   # sample to the rigid end
//! spacing_m = 0.100                  # two-microphone: between the microphones
//! near_m = 0.120                     # two-microphone: the nearer one to the sample
//!
//! [sweep]                            # as in captures.toml
//!
//! [[capture]]
//! file = "normal.wav"
//! far_channel = 1
//! near_channel = 2
//!
//! [[capture]]                        # the microphones exchanged
//! file = "swapped.wav"
//! far_channel = 2
//! near_channel = 1
//! ```
//!
//! A channel belongs to a microphone, whatever place it stands in. The closed tube has `front_channel` and
//! `behind_channel` instead, and `from_end_m`, the distance of the microphone behind the sample from the rigid end.

use super::AirConditions;
use super::captures::SweepPlan;
use super::captures_read::read_sweep;
use super::materials::date;
use super::problem::Problems;
use super::quantity;
use super::toml_reader::{Range, Source, Table, bytes_of, check_format, parse, text_of};
use std::path::{Path, PathBuf};
use toml::de::DeTable;

/// The value of the `format` key.
pub const FORMAT: &str = "bassay-coupon/1";

/// Most channels of a WAV file.
const LARGEST_CHANNEL: u32 = 256;
/// Most captures of one coupon.
const LARGEST_CAPTURES: usize = 100;
/// Standard deviation of a distance in the tube where the file states none, m: where a microphone hears and where a
/// soft face begins (common practice, no published source).
const DISTANCE_SD_M: f64 = 0.000_5;

/// How the specific impedance is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// Transfer function between two places in front of the sample (ISO 10534-2:1998).
    TwoMicrophone,
    /// Pressure behind the sample, in a closed tube, over that in front of it.
    ClosedTube,
}

/// Inner section of the tube.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TubeSection {
    /// Round.
    Round {
        /// Diameter, m.
        diameter_m: f64,
    },
    /// Rectangular.
    Rectangular {
        /// Width, m.
        width_m: f64,
        /// Height, m.
        height_m: f64,
    },
}

impl TubeSection {
    /// Four times the area over the perimeter, m.
    #[must_use]
    pub fn hydraulic_diameter_m(self) -> f64 {
        match self {
            Self::Round { diameter_m } => diameter_m,
            Self::Rectangular { width_m, height_m } => {
                2.0 * width_m * height_m / (width_m + height_m)
            }
        }
    }

    /// The largest inner measure, m.
    #[must_use]
    pub fn largest_m(self) -> f64 {
        match self {
            Self::Round { diameter_m } => diameter_m,
            Self::Rectangular { width_m, height_m } => width_m.max(height_m),
        }
    }
}

/// One WAV file: which microphone stood where.
#[derive(Debug, Clone, PartialEq)]
pub struct CouponCapture {
    /// Path as written.
    pub file: String,
    /// Resolved path.
    pub path: PathBuf,
    /// Channel of the microphone at the far place, or in front of the sample.
    pub first_channel: Option<usize>,
    /// Channel of the microphone at the near place, or behind the sample.
    pub second_channel: Option<usize>,
    /// Loop-back of the sweep.
    pub reference_channel: Option<usize>,
}

/// A sample and its captures.
#[derive(Debug, Clone, PartialEq)]
pub struct Coupon {
    /// Name of the material.
    pub name: String,
    /// Method.
    pub method: Method,
    /// Layers in the tube, in series.
    pub layers: u32,
    /// When taken, `YYYY-MM-DD`.
    pub taken: Option<String>,
    /// Air in the tube.
    pub air: AirConditions,
    /// Section of the tube.
    pub section: TubeSection,
    /// Between the microphones, m (two-microphone; NaN otherwise).
    pub spacing_m: f64,
    /// From the nearer microphone to the sample's face, m (two-microphone; NaN otherwise).
    pub near_m: f64,
    /// From the sample's rear face to the rigid end, m.
    pub behind_m: f64,
    /// From the microphone behind the sample to the rigid end, m (closed tube; NaN otherwise).
    pub from_end_m: f64,
    /// Standard deviation of each distance, m.
    pub distance_sd_m: f64,
    /// Standard deviation of the temperature, K.
    pub temperature_sd_k: f64,
    /// The sweep as played.
    pub sweep: SweepPlan,
    /// Captures.
    pub captures: Vec<CouponCapture>,
    /// The coupon file itself.
    pub file: PathBuf,
    /// BLAKE3 digest (hex) of its bytes.
    pub digest: String,
}

/// Reads a coupon file.
///
/// # Errors
/// [`Problems`] with file, line and key of everything that is wrong.
pub fn read(path: &Path) -> Result<Coupon, Problems> {
    let bytes = bytes_of(path)?;
    read_text(text_of(&bytes, path)?, path)
}

/// Reads a coupon from text; `file` names it in messages and is what paths are resolved against.
///
/// # Errors
/// As [`read`].
pub fn read_text(text: &str, file: &Path) -> Result<Coupon, Problems> {
    let digest = blake3::hash(text.as_bytes()).to_hex().to_string();
    let text = text_of(text.as_bytes(), file)?;
    let document = parse(text, file, FORMAT)?;
    let source = Source::new(text, file);
    let coupon = read_document(&source, document.get_ref(), file, digest);
    source.finish(coupon)
}

fn read_document<'t>(
    source: &Source<'t>,
    document: &DeTable<'t>,
    file: &Path,
    digest: String,
) -> Option<Coupon> {
    check_format(source, document, FORMAT)?;
    let known = [
        "format",
        "name",
        "method",
        "layers",
        "taken",
        "temperature_c",
        "pressure_kpa",
        "humidity_pct",
        "temperature_sd_k",
        "tube",
        "sweep",
        "capture",
    ];
    let top = Table::open(source, document, 0, "", &known);
    let name = top.required_text("name", "the material's name as text");
    let methods = [
        ("two-microphone", Method::TwoMicrophone),
        ("closed-tube", Method::ClosedTube),
    ];
    if !top.has("method") {
        top.missing("method", "two-microphone or closed-tube");
    }
    let method = top.choice("method", &methods);
    let layers = top.whole("layers", 1, 1000).unwrap_or(1);
    let taken = date(&top, "taken");
    let usual = AirConditions::default();
    let air = AirConditions {
        temperature_c: top.number_or("temperature_c", quantity::TEMPERATURE, usual.temperature_c),
        pressure_kpa: top.number_or("pressure_kpa", quantity::PRESSURE, usual.pressure_kpa),
        humidity_pct: top.number_or("humidity_pct", quantity::HUMIDITY, usual.humidity_pct),
    };
    // A thermometer in the tube reads within half a kelvin; without a stated temperature the room may be 3 K off
    // (common practice, no published source).
    let guess = if top.has("temperature_c") { 0.5 } else { 3.0 };
    let temperature_sd_k = top.number_or("temperature_sd_k", Range::new(0.0, 20.0, "K"), guess);
    if !top.has("sweep") {
        top.missing("sweep", "a table [sweep] with the sweep as it was played");
    }
    let sweep = read_sweep(&top);
    let tube = match method {
        Some(method) => read_tube(&top, method),
        None => None,
    };
    if !top.has("capture") {
        top.missing("capture", "at least one [[capture]]");
    }
    let folder = file.parent().unwrap_or(Path::new(""));
    let tables = top.list("capture");
    if tables.len() > LARGEST_CAPTURES {
        top.problem(
            "capture",
            format!(
                "found {}; expected at most {LARGEST_CAPTURES}",
                tables.len()
            ),
        );
        return None;
    }
    let mut captures = Vec::new();
    for (n, (table, at)) in tables.into_iter().enumerate() {
        captures.extend(read_capture(source, table, at, n, method?, folder));
    }
    complete(&top, &captures);
    let tube = tube?;
    Some(Coupon {
        name: name?.to_string(),
        method: method?,
        layers,
        taken,
        air,
        section: tube.section?,
        spacing_m: tube.spacing_m,
        near_m: tube.near_m,
        behind_m: tube.behind_m,
        from_end_m: tube.from_end_m,
        distance_sd_m: tube.distance_sd_m,
        temperature_sd_k,
        sweep: sweep?,
        captures,
        file: file.to_path_buf(),
        digest,
    })
}

/// Both places must be heard: in one capture, or in two with a common loop-back.
fn complete(top: &Table<'_, '_>, captures: &[CouponCapture]) {
    let both = captures
        .iter()
        .any(|c| c.first_channel.is_some() && c.second_channel.is_some());
    let alone = |first: bool| {
        captures.iter().any(|c| {
            c.reference_channel.is_some()
                && c.first_channel.is_some() == first
                && c.second_channel.is_some() != first
        })
    };
    let apart = alone(true) && alone(false);
    if !(captures.is_empty() || both || apart) {
        top.problem(
            "capture",
            "no capture hears both places, and there are no two of one place each with a reference_channel; expected one or the other",
        );
    }
}

struct Tube {
    section: Option<TubeSection>,
    spacing_m: f64,
    near_m: f64,
    behind_m: f64,
    from_end_m: f64,
    distance_sd_m: f64,
}

fn read_tube(top: &Table<'_, '_>, method: Method) -> Option<Tube> {
    let known = [
        "diameter_m",
        "width_m",
        "height_m",
        "spacing_m",
        "near_m",
        "behind_m",
        "from_end_m",
        "distance_sd_m",
    ];
    if !top.has("tube") {
        top.missing("tube", "a table [tube] with its measures");
    }
    let table = top.sub("tube", &known)?;
    let foreign: &[&str] = match method {
        Method::TwoMicrophone => &["from_end_m"],
        Method::ClosedTube => &["spacing_m", "near_m"],
    };
    for key in foreign.iter().filter(|key| table.has(key)) {
        table.problem(
            key,
            "this key belongs to the other method; expected it to be left out",
        );
    }
    let section = if table.has("diameter_m") {
        for key in ["width_m", "height_m"] {
            if table.has(key) {
                table.problem(
                    key,
                    "it stands beside diameter_m; expected a round or a rectangular tube",
                );
            }
        }
        table
            .optional("diameter_m", quantity::LENGTH)
            .map(|diameter_m| TubeSection::Round { diameter_m })
    } else if table.has("width_m") || table.has("height_m") {
        let width_m = table.number("width_m", quantity::LENGTH);
        let height_m = table.number("height_m", quantity::LENGTH);
        Some(TubeSection::Rectangular { width_m, height_m })
    } else {
        table.missing(
            "diameter_m",
            "the inner diameter in m, or width_m and height_m",
        );
        None
    };
    let (spacing_m, near_m, from_end_m) = match method {
        Method::TwoMicrophone => (
            table.number("spacing_m", quantity::LENGTH),
            table.number("near_m", quantity::LENGTH),
            f64::NAN,
        ),
        Method::ClosedTube => (
            f64::NAN,
            f64::NAN,
            table.number("from_end_m", quantity::DISTANCE),
        ),
    };
    // A sheet on a rigid wall lets no air through and shows no resistance: there must be a tube behind it.
    let behind_m = table.number("behind_m", quantity::LENGTH);
    // NaN where the method has no such distance: nothing to compare.
    if from_end_m > behind_m {
        table.problem(
            "from_end_m",
            format!("found {from_end_m} m; expected at most behind_m, {behind_m} m"),
        );
    }
    let distance_sd_m = table.number_or("distance_sd_m", Range::new(0.0, 0.1, "m"), DISTANCE_SD_M);
    Some(Tube {
        section,
        spacing_m,
        near_m,
        behind_m,
        from_end_m,
        distance_sd_m,
    })
}

fn read_capture<'t>(
    source: &Source<'t>,
    table: &DeTable<'t>,
    at: usize,
    count: usize,
    method: Method,
    folder: &Path,
) -> Option<CouponCapture> {
    let (first, second) = match method {
        Method::TwoMicrophone => ("far_channel", "near_channel"),
        Method::ClosedTube => ("front_channel", "behind_channel"),
    };
    let known = ["file", first, second, "reference_channel"];
    let table = Table::open(source, table, at, format!("capture[{}]", count + 1), &known);
    let file = table.required_text("file", "a WAV file");
    let channel = |key: &str| table.whole(key, 1, LARGEST_CHANNEL).map(|c| c as usize);
    let used = [
        (first, channel(first)),
        (second, channel(second)),
        ("reference_channel", channel("reference_channel")),
    ];
    for (n, (key, found)) in used.iter().enumerate() {
        if let (Some(c), Some((other, _))) = (
            found,
            used[..n].iter().find(|(_, f)| f.is_some() && f == found),
        ) {
            table.problem(
                key,
                format!("found channel {c}, which is {other} too; expected a channel of its own"),
            );
        }
    }
    if !table.has(first) && !table.has(second) {
        table.missing(
            first,
            &format!("a channel, 1 to {LARGEST_CHANNEL}, or {second}"),
        );
    } else if used[2].1.is_none() && !(table.has(first) && table.has(second)) {
        table.missing(
            "reference_channel",
            "a loop-back of the sweep, because the capture hears one place only",
        );
    }
    let file = file?;
    Some(CouponCapture {
        file: file.to_string(),
        path: folder.join(file),
        first_channel: used[0].1,
        second_channel: used[1].1,
        reference_channel: used[2].1,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = r#"format = "bassay-coupon/1"
name = "felt"
method = "two-microphone"
[tube]
diameter_m = 0.1
spacing_m = 0.1
near_m = 0.12
behind_m = 0.05
[sweep]
start_hz = 20.0
stop_hz = 2000.0
duration_s = 4.0
[[capture]]
file = "normal.wav"
far_channel = 1
near_channel = 2
"#;

    fn told(text: &str) -> String {
        read_text(text, Path::new("shelf/coupon.toml"))
            .unwrap_err()
            .to_string()
    }

    #[test]
    fn a_sound_file_is_read() {
        let coupon = read_text(TEXT, Path::new("shelf/coupon.toml")).unwrap();
        assert_eq!(coupon.captures[0].path, Path::new("shelf/normal.wav"));
        assert_eq!((coupon.layers, coupon.method), (1, Method::TwoMicrophone));
        // No temperature is stated.
        assert!((coupon.temperature_sd_k - 3.0).abs() < 1e-12);
    }

    #[test]
    fn mistakes_are_told_with_line_and_key() {
        let typo = TEXT.replace("near_m ", "neer_m ");
        assert!(
            told(&typo).contains("coupon.toml:7: tube.neer_m"),
            "{}",
            told(&typo)
        );
        let same = TEXT.replace("near_channel = 2", "near_channel = 1");
        assert!(told(&same).contains("far_channel too"), "{}", told(&same));
        let one = TEXT.replace("near_channel = 2\n", "");
        assert!(told(&one).contains("reference_channel"), "{}", told(&one));
        let word = TEXT.replace("two-microphone", "two microphones");
        assert!(told(&word).contains("two-microphone"), "{}", told(&word));
        let closed = TEXT.replace("two-microphone", "closed-tube");
        assert!(told(&closed).contains("from_end_m"), "{}", told(&closed));
        assert!(told("format = \"bassay-design/1\"").contains("bassay-coupon/1"));
    }

    /// DERIVED: 4·A/P of 0.2 × 0.1 m is 4·0.02/0.6.
    #[test]
    fn hydraulic_diameter() {
        let tube = TubeSection::Rectangular {
            width_m: 0.2,
            height_m: 0.1,
        };
        assert!((tube.hydraulic_diameter_m() - 0.08 / 0.6).abs() < 1e-15);
    }
}
