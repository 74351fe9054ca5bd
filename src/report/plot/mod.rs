//! Charts over frequency: one description, drawn once into a small scene, written as SVG or PNG.
//!
//! A curve is told from the others by colour, dash and width together; a verdict by shape and colour. The
//! colours are those of Okabe and Ito (2008, from memory), which stay apart for colour-blind readers. Numbers
//! that are not finite leave a gap in a curve and never stop the drawing.

mod axis;
pub mod bars;
mod draw;
pub mod intervals;
mod raster;
mod scene;
mod vector;

use super::ReportError;
use crate::verify::result::Verdict;
use std::path::{Path, PathBuf};

/// How an axis divides.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Scale {
    /// Equal steps.
    #[default]
    Linear,
    /// Equal ratios; values that are not positive are not drawn.
    Log,
}

/// How a curve looks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CurveStyle {
    /// Thick, unbroken, in the colour of the text.
    Measured,
    /// Dashed, blue.
    Designed,
    /// Thin, unbroken, vermilion.
    Aligned,
    /// The n-th of several equals; the dash changes with the colour.
    Numbered(usize),
}

/// One curve. `x` and `y` are as long as each other; the longer one is cut.
#[derive(Debug, Clone)]
pub struct CurveLine {
    /// Name in the legend.
    pub label: String,
    /// Abscissa, in the unit of the axis.
    pub x: Vec<f64>,
    /// Ordinate, in the unit of the axis.
    pub y: Vec<f64>,
    /// Look.
    pub style: CurveStyle,
}

/// A filled range between two curves: an uncertainty or a tolerance.
#[derive(Debug, Clone)]
pub struct RangeBand {
    /// Name in the legend.
    pub label: String,
    /// Abscissa.
    pub x: Vec<f64>,
    /// Lower edge.
    pub low: Vec<f64>,
    /// Upper edge.
    pub high: Vec<f64>,
}

/// A single value with its reach and verdict.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointMark {
    /// Abscissa.
    pub x: f64,
    /// Ordinate.
    pub y: f64,
    /// Half length of the whisker; NaN: none.
    pub reach: f64,
    /// Shape and colour.
    pub verdict: Verdict,
}

/// A region of the abscissa that does not count.
#[derive(Debug, Clone, PartialEq)]
pub struct Shaded {
    /// From, in the unit of the abscissa.
    pub from: f64,
    /// To.
    pub to: f64,
    /// Name in the legend.
    pub label: String,
}

/// A chart.
#[derive(Debug, Clone, Default)]
pub struct Chart {
    /// Title above the picture.
    pub title: String,
    /// What the picture shows in sentences, for those who do not see it; empty: made from the curves.
    pub description: String,
    /// Title of the abscissa, with its unit.
    pub x_label: String,
    /// Division of the abscissa.
    pub x_scale: Scale,
    /// Title of the ordinate, with its unit.
    pub y_label: String,
    /// Division of the ordinate.
    pub y_scale: Scale,
    /// Curves; later ones lie on top.
    pub curves: Vec<CurveLine>,
    /// Filled ranges, under the curves.
    pub bands: Vec<RangeBand>,
    /// Values with whiskers, on top.
    pub points: Vec<PointMark>,
    /// What marks mean in the legend (within, outside, unresolved), where they are no verdicts.
    pub mark_names: Option<[&'static str; 3]>,
    /// Regions that do not count.
    pub shaded: Vec<Shaded>,
    /// Ends of the abscissa.
    pub x_range: [f64; 2],
    /// Ends of the ordinate; `None`: from the data.
    pub y_range: Option<[f64; 2]>,
}

impl Chart {
    /// An empty chart over logarithmic frequency.
    #[must_use]
    pub fn over_frequency(
        title: &str,
        y_label: &str,
        y_scale: Scale,
        x_range_hz: [f64; 2],
    ) -> Self {
        Self {
            title: title.to_owned(),
            x_label: "frequency in Hz".to_owned(),
            x_scale: Scale::Log,
            y_label: y_label.to_owned(),
            y_scale,
            x_range: x_range_hz,
            ..Self::default()
        }
    }

    /// The picture in sentences: the description if there is one, else the extremes of every curve.
    #[must_use]
    pub fn in_words(&self) -> String {
        if !self.description.is_empty() {
            return self.description.clone();
        }
        let mut text = format!("{}, against {}.", self.y_label, self.x_label);
        for curve in &self.curves {
            let seen =
                curve.x.iter().zip(&curve.y).filter(|(x, y)| {
                    **x >= self.x_range[0] && **x <= self.x_range[1] && y.is_finite()
                });
            let mut low: Option<(f64, f64)> = None;
            let mut high: Option<(f64, f64)> = None;
            for (&x, &y) in seen {
                if low.is_none_or(|(_, best)| y < best) {
                    low = Some((x, y));
                }
                if high.is_none_or(|(_, best)| y > best) {
                    high = Some((x, y));
                }
            }
            match (low, high) {
                (Some(low), Some(high)) => text.push_str(&format!(
                    " {}: lowest {} at {}, highest {} at {}.",
                    curve.label,
                    axis::label(low.1),
                    axis::label(low.0),
                    axis::label(high.1),
                    axis::label(high.0)
                )),
                _ => text.push_str(&format!(" {}: no values.", curve.label)),
            }
        }
        text
    }
}

/// The chart as SVG with real text, `width` × `height` user units.
///
/// Colours are CSS variables (`--plot-text`, `--plot-1`, …) with fallbacks, so that a page can restyle it.
#[must_use]
pub fn svg(chart: &Chart, width: u32, height: u32) -> String {
    let scene = draw::scene(chart, f64::from(width.max(1)), f64::from(height.max(1)));
    vector::write(
        &scene,
        &chart.title,
        &chart.in_words(),
        width.max(1),
        height.max(1),
    )
}

/// The chart as a PNG of `width` × `height` pixels on white.
///
/// # Errors
/// [`ReportError::Size`] when the picture would be larger than 8000 pixels or empty; [`ReportError::Picture`]
/// when drawing or encoding fails.
pub fn png(chart: &Chart, width: u32, height: u32) -> Result<Vec<u8>, ReportError> {
    raster::png(width, height, |w, h| draw::scene(chart, w, h))
}

/// Writes `DIR/STEM.svg` and `DIR/STEM.png` (900 × 480, the PNG with twice the pixels).
///
/// # Errors
/// As [`png()`], and [`ReportError::File`] when a file cannot be written.
pub fn chart_to_files(dir: &Path, stem: &str, chart: &Chart) -> Result<[PathBuf; 2], ReportError> {
    let vector = dir.join(format!("{stem}.svg"));
    let pixels = dir.join(format!("{stem}.png"));
    crate::files::write_whole(&vector, svg(chart, WIDTH, HEIGHT).as_bytes())?;
    crate::files::write_whole(
        &pixels,
        &raster::png_scaled(WIDTH, HEIGHT, 2, |w, h| draw::scene(chart, w, h))?,
    )?;
    Ok([vector, pixels])
}

/// Size of a chart in a file, user units.
const WIDTH: u32 = 900;
/// See [`WIDTH`].
const HEIGHT: u32 = 480;

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn curve(x: &[f64], y: &[f64], style: CurveStyle) -> CurveLine {
        CurveLine {
            label: "a & <b>".to_owned(),
            x: x.to_vec(),
            y: y.to_vec(),
            style,
        }
    }

    fn full() -> Chart {
        let mut chart =
            Chart::over_frequency("Level", "level in dB", Scale::Linear, [10.0, 1000.0]);
        let x: Vec<f64> = (0..=48)
            .map(|n| 10.0 * 10f64.powf(f64::from(n) / 24.0))
            .collect();
        let y: Vec<f64> = x
            .iter()
            .map(|f| 90.0 - 10.0 * (f / 100.0).log10().abs())
            .collect();
        chart.curves.push(curve(&x, &y, CurveStyle::Measured));
        chart.curves.push(curve(&x, &y, CurveStyle::Designed));
        chart.bands.push(RangeBand {
            label: "range".to_owned(),
            low: y.iter().map(|v| v - 1.0).collect(),
            high: y.iter().map(|v| v + 1.0).collect(),
            x,
        });
        chart.shaded.push(Shaded {
            from: 10.0,
            to: 15.0,
            label: "not usable".to_owned(),
        });
        for verdict in [Verdict::Within, Verdict::Outside, Verdict::Unresolved] {
            chart.points.push(PointMark {
                x: 100.0,
                y: 85.0,
                reach: 2.0,
                verdict,
            });
        }
        chart
    }

    /// Charts that no data, one value, broken numbers or a hostile range make.
    fn odd() -> Vec<Chart> {
        let nan = f64::NAN;
        let mut list = vec![Chart::default()];
        let ranges = [
            [10.0, 100.0],
            [nan, nan],
            [0.0, 0.0],
            [100.0, 10.0],
            [-5.0, 1e300],
        ];
        for x_range in ranges {
            for y_scale in [Scale::Linear, Scale::Log] {
                for y_range in [None, Some([1.0, 1.0]), Some([nan, 2.0])] {
                    let mut chart = full();
                    chart.x_range = x_range;
                    chart.y_scale = y_scale;
                    chart.y_range = y_range;
                    chart.curves = vec![
                        curve(&[], &[], CurveStyle::Measured),
                        curve(&[50.0], &[1.0], CurveStyle::Aligned),
                        curve(
                            &[20.0, nan, 40.0, 80.0],
                            &[nan, 1.0, f64::INFINITY, -1e300],
                            CurveStyle::Numbered(77),
                        ),
                        curve(&[1.0, 2.0, 3.0], &[1.0], CurveStyle::Numbered(1)),
                        curve(
                            &[0.0, 1e-300, 1e300],
                            &[1e300, 0.0, -1e300],
                            CurveStyle::Designed,
                        ),
                    ];
                    chart.points.push(PointMark {
                        x: nan,
                        y: nan,
                        reach: nan,
                        verdict: Verdict::Within,
                    });
                    chart.points.push(PointMark {
                        x: 50.0,
                        y: 1.0,
                        reach: f64::INFINITY,
                        verdict: Verdict::Outside,
                    });
                    list.push(chart);
                }
            }
        }
        list
    }

    fn decoded(bytes: &[u8]) -> (u32, u32, Vec<u8>) {
        let mut reader = png::Decoder::new(bytes).read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size()];
        let info = reader.next_frame(&mut pixels).unwrap();
        (info.width, info.height, pixels)
    }

    #[test]
    fn no_chart_panics_or_writes_broken_numbers() {
        for chart in odd() {
            for (width, height) in [(640, 320), (40, 20), (1, 1)] {
                let text = svg(&chart, width, height);
                for broken in ["NaN", "inf"] {
                    assert!(!text.contains(broken), "{broken} in {text}");
                }
            }
        }
        let few = odd();
        for chart in [&few[0], &few[1], &few[4], &few[13]] {
            let (width, height, _) = decoded(&png(chart, 120, 90).unwrap());
            assert_eq!((width, height), (120, 90));
        }
    }

    #[test]
    fn the_png_has_the_size_and_something_on_it() {
        let (width, height, pixels) = decoded(&png(&full(), 320, 200).unwrap());
        assert_eq!((width, height), (320, 200));
        assert_eq!(&pixels[..3], &[255, 255, 255], "the paper is white");
        let dark = pixels
            .chunks(3)
            .filter(|p| p.iter().all(|c| *c < 80))
            .count();
        assert!(dark > 300, "{dark} dark pixels");
        assert!(matches!(png(&full(), 0, 10), Err(ReportError::Size { .. })));
        assert!(matches!(
            png(&full(), 10, 8001),
            Err(ReportError::Size { .. })
        ));
    }

    #[test]
    fn the_svg_is_for_everyone() {
        let text = svg(&full(), 640, 320);
        assert!(text.contains("role=\"img\"") && text.contains("aria-label=\"Level\""));
        assert!(text.contains("<title>Level</title>") && text.contains("<desc>"));
        assert!(text.contains(">a &amp; &lt;b&gt;</text>"));
        assert!(text.contains("stroke-dasharray"));
        for tick in [">10<", ">20<", ">50<", ">100<", ">200<"] {
            assert!(text.contains(tick), "{tick}");
        }
        // DERIVED: 90 dB at 100 Hz is the top of the example, 80 dB at both ends.
        let words = full().in_words();
        assert!(
            words.contains("lowest 80 at 10, highest 90 at 100"),
            "{words}"
        );
    }

    /// Nothing of a curve is drawn beyond the axes, however far the data go.
    #[test]
    fn curves_stay_inside() {
        let mut chart = full();
        chart.y_range = Some([84.0, 88.0]);
        chart.x_range = [30.0, 300.0];
        chart.shaded.clear();
        chart.bands.clear();
        chart.points.clear();
        let text = svg(&chart, 640, 320);
        let mut seen = 0;
        for line in text.lines().filter(|l| l.starts_with("<polyline")) {
            let points = line.split('"').nth(1).unwrap();
            for point in points.split(' ') {
                let (x, y) = point.split_once(',').unwrap();
                let (x, y): (f64, f64) = (x.parse().unwrap(), y.parse().unwrap());
                assert!(
                    (0.0..=620.1).contains(&x) && (30.0..=276.1).contains(&y),
                    "{point}"
                );
                seen += 1;
            }
        }
        assert!(seen > 20);
    }

    #[test]
    fn files_come_in_pairs() {
        let dir = tempfile::tempdir().unwrap();
        let [vector, pixels] = chart_to_files(dir.path(), "level", &full()).unwrap();
        assert!(std::fs::read_to_string(vector).unwrap().starts_with("<svg"));
        let (width, height, _) = decoded(&std::fs::read(pixels).unwrap());
        assert_eq!((width, height), (2 * WIDTH, 2 * HEIGHT));
    }
}
