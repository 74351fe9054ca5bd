//! Ranges of several things on one common axis, one row each.

use super::axis::Axis;
use super::scene::{Anchor, Ink, Scene, fitted};
use super::{ReportError, Scale, raster, vector};
use crate::files::write_whole;
use std::path::{Path, PathBuf};

/// One row.
#[derive(Debug, Clone)]
pub struct Bar {
    /// What it is.
    pub label: String,
    /// Ranges by series, in the order of [`Bars::series`]; `None`: nothing limits it, and the row says so.
    pub ranges: Vec<Option<[f64; 2]>>,
    /// Marked points by series; NaN where there is none.
    pub points: Vec<f64>,
}

/// Rows of ranges.
#[derive(Debug, Clone)]
pub struct Bars {
    /// Title.
    pub title: String,
    /// Name of the axis.
    pub axis: String,
    /// Spacing of the axis.
    pub scale: Scale,
    /// A value to compare with: a line through all rows.
    pub zero: Option<f64>,
    /// Names of the series.
    pub series: Vec<String>,
    /// Rows, from the top.
    pub rows: Vec<Bar>,
}

/// Height of a row, user units.
const ROW: f64 = 34.0;
/// Room above and below the rows.
const EDGE: [f64; 2] = [64.0, 56.0];
/// Width of the picture.
const WIDTH: f64 = 900.0;
/// Room for the labels.
const LABELS: f64 = 250.0;

impl Bars {
    fn height(&self) -> f64 {
        EDGE[0] + EDGE[1] + ROW * self.rows.len().max(1) as f64
    }

    fn scene(&self, width: f64, height: f64) -> Scene {
        let mut scene = Scene::default();
        scene.words((16.0, 24.0), &self.title, 16.0, Anchor::Start, Ink::Text);
        let mut at = LABELS;
        for (n, name) in self.series.iter().enumerate() {
            scene.line(
                vec![(at, 44.0), (at + 22.0, 44.0)],
                Ink::Series(n),
                5.0,
                &[],
            );
            scene.words((at + 28.0, 48.0), name, 12.0, Anchor::Start, Ink::Text);
            at += 44.0 + 7.0 * name.chars().count() as f64;
        }
        let ends = self.rows.iter().flat_map(|r| r.ranges.iter().flatten());
        let values = ends
            .flat_map(|r| r.iter().copied())
            .chain(self.rows.iter().flat_map(|r| r.points.iter().copied()))
            .chain(self.zero);
        let range = super::axis::fit_range(self.scale, values.filter(|v| v.is_finite()));
        let axis = Axis::new(self.scale, range, LABELS, width - 30.0);
        let bottom = height - EDGE[1];
        for (value, labelled) in axis.ticks(9) {
            let Some(x) = axis.at(value) else { continue };
            scene.line(vec![(x, EDGE[0]), (x, bottom)], Ink::Grid, 1.0, &[]);
            if labelled {
                let text = super::axis::label(value);
                scene.words((x, bottom + 18.0), &text, 12.0, Anchor::Middle, Ink::Soft);
            }
        }
        scene.words(
            (0.5 * (LABELS + width - 30.0), height - 14.0),
            &self.axis,
            12.0,
            Anchor::Middle,
            Ink::Soft,
        );
        if let Some(x) = self.zero.and_then(|z| axis.at(z)) {
            scene.line(vec![(x, EDGE[0]), (x, bottom)], Ink::Soft, 1.5, &[5.0, 4.0]);
        }
        for (n, row) in self.rows.iter().enumerate() {
            let middle = EDGE[0] + ROW * (n as f64 + 0.5);
            let label = fitted(&row.label, 13.0, LABELS - 30.0);
            scene.words(
                (LABELS - 14.0, middle + 4.0),
                &label,
                13.0,
                Anchor::End,
                Ink::Text,
            );
            let gap = 9.0;
            let first = middle - 0.5 * gap * (row.ranges.len() as f64 - 1.0);
            for (k, range) in row.ranges.iter().enumerate() {
                let y = first + gap * k as f64;
                let [low, high] = axis.range();
                match range {
                    Some(r) => {
                        let ends = r.map(|v| axis.at(v.clamp(low, high)));
                        if let [Some(a), Some(b)] = ends {
                            scene.line(vec![(a, y), (b.max(a + 2.0), y)], Ink::Series(k), 5.0, &[]);
                        }
                    }
                    None => {
                        let text = "not limited by the captures";
                        scene.words(
                            (LABELS + 8.0, y + 4.0),
                            text,
                            11.0,
                            Anchor::Start,
                            Ink::Series(k),
                        );
                    }
                }
                if let Some(x) = row.points.get(k).and_then(|&p| axis.at(p)) {
                    let tick = vec![(x, y - 5.0), (x, y + 5.0)];
                    scene.line(tick, Ink::Text, 2.0, &[]);
                }
            }
        }
        scene
    }

    /// The same in words, for who cannot see it.
    #[must_use]
    pub fn in_words(&self) -> String {
        let rows: Vec<String> = self
            .rows
            .iter()
            .map(|r| {
                let ranges: Vec<String> = r
                    .ranges
                    .iter()
                    .zip(&self.series)
                    .map(|(range, name)| match range {
                        Some([a, b]) => format!("{name} {a:.3} to {b:.3}"),
                        None => format!("{name} not limited"),
                    })
                    .collect();
                format!("{}: {}", r.label, ranges.join("; "))
            })
            .collect();
        format!("{}. {}", self.axis, rows.join(". "))
    }

    /// The picture as SVG.
    #[must_use]
    pub fn svg(&self) -> String {
        let scene = self.scene(WIDTH, self.height());
        let words = self.in_words();
        vector::write(
            &scene,
            &self.title,
            &words,
            WIDTH as u32,
            self.height() as u32,
        )
    }

    /// Writes `DIR/STEM.svg` and `DIR/STEM.png`.
    ///
    /// # Errors
    /// [`ReportError`] where a picture cannot be drawn or a file not written.
    pub fn to_files(&self, dir: &Path, stem: &str) -> Result<[PathBuf; 2], ReportError> {
        let vector = dir.join(format!("{stem}.svg"));
        let pixels = dir.join(format!("{stem}.png"));
        write_whole(&vector, self.svg().as_bytes())?;
        let height = self.height() as u32;
        let bytes = raster::png_scaled(WIDTH as u32, height, 2, |w, h| self.scene(w, h))?;
        write_whole(&pixels, &bytes)?;
        Ok([vector, pixels])
    }
}
