//! Intervals of one number beside each other, one panel per number: of several units with what they share, or of what is
//! known before and after captures; with the design's value.
//!
//! What counts is a filled mark, what does not an open one; colour alone tells nothing.

use super::axis::{Axis, label};
use super::scene::{Anchor, Ink, Scene, fitted};
use super::{ReportError, Scale, raster, vector};
use std::path::{Path, PathBuf};

/// One interval.
#[derive(Debug, Clone)]
pub struct Interval {
    /// What it belongs to.
    pub label: String,
    /// Low end, value, high end, in the unit of the panel; NaN: there is none.
    pub ends: [f64; 3],
    /// Whether it counts.
    pub counts: bool,
}

/// One number.
#[derive(Debug, Clone)]
pub struct Panel {
    /// What it is.
    pub title: String,
    /// Its unit.
    pub unit: String,
    /// Value of the design.
    pub designed: f64,
    /// Low end, value and high end of what the units share; NaN: nothing.
    pub shared: [f64; 3],
    /// A positive number, whose ratios count where the intervals are wide.
    pub log: bool,
    /// Intervals, from the top.
    pub rows: Vec<Interval>,
}

/// A picture of panels below each other.
#[derive(Debug, Clone)]
pub struct Sheet {
    /// Title.
    pub title: String,
    /// What lines and marks mean.
    pub key: &'static str,
    /// What stands in a row without an interval.
    pub none: &'static str,
    /// Panels.
    pub panels: Vec<Panel>,
}

const WIDTH: f64 = 760.0;
/// Room for the names of the units.
const LEFT: f64 = 170.0;
const RIGHT: f64 = 20.0;
const ROW: f64 = 20.0;
/// Title above and axis below the rows of a panel.
const ABOVE: f64 = 34.0;
const BELOW: f64 = 34.0;
const TOP: f64 = 60.0;

fn height(panels: &[Panel]) -> f64 {
    let of = |p: &Panel| ABOVE + ROW * p.rows.len() as f64 + BELOW;
    TOP + panels.iter().map(of).sum::<f64>() + 8.0
}

fn rectangle(x: [f64; 2], y: [f64; 2]) -> Vec<(f64, f64)> {
    vec![(x[0], y[0]), (x[1], y[0]), (x[1], y[1]), (x[0], y[1])]
}

fn axis(panel: &Panel) -> Axis {
    let all = panel
        .rows
        .iter()
        .flat_map(|r| r.ends)
        .chain(panel.shared)
        .chain([panel.designed]);
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for v in all.filter(|v| v.is_finite()) {
        (low, high) = (low.min(v), high.max(v));
    }
    if panel.log && low > 0.0 && high / low > 4.0 {
        return Axis::new(Scale::Log, [low / 1.1, high * 1.1], LEFT, WIDTH - RIGHT);
    }
    let room = 0.06 * (high - low);
    Axis::new(
        Scale::Linear,
        [low - room, high + room],
        LEFT,
        WIDTH - RIGHT,
    )
}

fn draw(sheet: &Sheet) -> Scene {
    let mut scene = Scene::default();
    scene.words(
        (16.0, 24.0),
        &fitted(&sheet.title, 16.0, WIDTH - 32.0),
        16.0,
        Anchor::Start,
        Ink::Text,
    );
    scene.words((16.0, 44.0), sheet.key, 12.0, Anchor::Start, Ink::Soft);
    let mut top = TOP;
    for panel in &sheet.panels {
        let first = top + ABOVE;
        let last = first + ROW * panel.rows.len() as f64;
        one(&mut scene, panel, sheet.none, [top, first, last]);
        top = last + BELOW;
    }
    scene
}

fn one(scene: &mut Scene, panel: &Panel, none: &str, [top, first, last]: [f64; 3]) {
    let axis = axis(panel);
    let heading = if panel.unit.is_empty() {
        panel.title.clone()
    } else {
        format!("{} in {}", panel.title, panel.unit)
    };
    let heading = fitted(&heading, 13.0, WIDTH - 32.0);
    scene.words((16.0, top + 22.0), &heading, 13.0, Anchor::Start, Ink::Text);
    // Each value lies inside its axis, whose range was taken from all of them.
    let at = |v: f64| axis.at(v).filter(|_| v.is_finite());
    if let [Some(low), Some(middle), Some(high)] = panel.shared.map(at) {
        scene.area(rectangle([low, high], [first, last]), Ink::Range, 0.28);
        scene.line(vec![(middle, first), (middle, last)], Ink::Soft, 1.5, &[]);
    }
    let mut used = f64::NEG_INFINITY;
    for (value, labelled) in axis.ticks(7) {
        let Some(x) = axis.at(value) else { continue };
        scene.line(vec![(x, first), (x, last)], Ink::Grid, 1.0, &[]);
        if labelled && x - used > 48.0 {
            used = x;
            scene.words(
                (x, last + 15.0),
                &label(value),
                11.0,
                Anchor::Middle,
                Ink::Soft,
            );
        }
    }
    scene.line(
        vec![(LEFT, last), (WIDTH - RIGHT, last)],
        Ink::Soft,
        1.0,
        &[],
    );
    if let Some(x) = at(panel.designed) {
        scene.line(
            vec![(x, first), (x, last)],
            Ink::Unresolved,
            1.5,
            &[5.0, 4.0],
        );
    }
    for (n, row) in panel.rows.iter().enumerate() {
        let y = first + ROW * (n as f64 + 0.5);
        let name = fitted(&row.label, 12.0, LEFT - 30.0);
        scene.words((LEFT - 10.0, y + 4.0), &name, 12.0, Anchor::End, Ink::Text);
        let ink = if row.counts { Ink::Text } else { Ink::Outside };
        let [low, middle, high] = row.ends.map(at);
        if let (Some(low), Some(high)) = (low, high) {
            scene.line(vec![(low, y), (high, y)], ink, 1.5, &[]);
        }
        let Some(x) = middle else {
            scene.words((LEFT + 6.0, y + 4.0), none, 11.0, Anchor::Start, Ink::Soft);
            continue;
        };
        let mark = rectangle([x - 3.5, x + 3.5], [y - 3.5, y + 3.5]);
        if row.counts {
            scene.area(mark, ink, 1.0);
        } else {
            let mut outline = mark.clone();
            outline.push(mark[0]);
            scene.area(mark, Ink::Paper, 1.0);
            scene.line(outline, ink, 1.5, &[]);
        }
    }
}

/// What the picture shows, in words.
fn in_words(panels: &[Panel]) -> String {
    let range = |ends: [f64; 3]| {
        let [low, middle, high] = ends.map(label);
        format!("{middle} ({low} to {high})")
    };
    let parts: Vec<String> = panels
        .iter()
        .map(|p| {
            let mut text = if p.designed.is_finite() {
                format!("{}: designed {} {}", p.title, label(p.designed), p.unit)
            } else {
                format!("{}, {}", p.title, p.unit)
            };
            if p.shared.iter().all(|v| v.is_finite()) {
                text.push_str(&format!(", shared {}", range(p.shared)));
            }
            for row in p
                .rows
                .iter()
                .filter(|r| r.ends.iter().all(|v| v.is_finite()))
            {
                text.push_str(&format!(", {} {}", row.label, range(row.ends)));
            }
            text
        })
        .collect();
    parts.join("; ")
}

impl Sheet {
    fn size(&self) -> (u32, u32) {
        (WIDTH as u32, height(&self.panels) as u32)
    }

    /// The picture as SVG.
    #[must_use]
    pub fn svg(&self) -> String {
        let (width, height) = self.size();
        vector::write(
            &draw(self),
            &self.title,
            &in_words(&self.panels),
            width,
            height,
        )
    }

    /// Writes `DIR/STEM.svg`, and `DIR/STEM.png` where that is not higher than a PNG may be; gives what was written.
    ///
    /// # Errors
    /// [`ReportError`] when the picture cannot be drawn or a file cannot be written.
    pub fn to_files(&self, dir: &Path, stem: &str) -> Result<Vec<PathBuf>, ReportError> {
        let (width, height) = self.size();
        let pixels = match raster::png(width, height, |_, _| draw(self)) {
            Ok(pixels) => Some(pixels),
            Err(ReportError::Size { .. }) => None,
            Err(other) => return Err(other),
        };
        let mut written = Vec::new();
        let name = |end: &str| dir.join(format!("{stem}.{end}"));
        crate::files::write_whole(&name("svg"), self.svg().as_bytes())?;
        written.push(name("svg"));
        if let Some(pixels) = pixels {
            crate::files::write_whole(&name("png"), &pixels)?;
            written.push(name("png"));
        }
        Ok(written)
    }
}
