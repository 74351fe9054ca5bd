//! Charts over frequency: one description, drawn once into a small scene, written as SVG or PNG.
//!
//! A curve is told from the others by colour, dash and width together; a verdict by shape and colour. The
//! colours are those of Okabe and Ito (2008, from memory), which stay apart for colour-blind readers. Numbers
//! that are not finite leave a gap in a curve and never stop the drawing.

mod axis;
mod draw;
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
            let (mut low, mut high): (Option<(f64, f64)>, Option<(f64, f64)>) = (None, None);
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
/// As [`png`], and [`ReportError::File`] when a file cannot be written.
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
