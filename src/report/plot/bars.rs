//! Counts as bars, the largest first, each with its name, its number and the share of it and all above.

use super::axis::Axis;
use super::scene::{Anchor, Ink, Scene, fitted};
use super::{ReportError, Scale, raster, vector};
use std::path::{Path, PathBuf};

/// One bar.
#[derive(Debug, Clone)]
pub struct Bar {
    /// What is counted.
    pub label: String,
    /// How many.
    pub count: usize,
    /// What stands behind the bar.
    pub note: String,
}

/// A picture of bars.
#[derive(Debug, Clone)]
pub struct Bars {
    /// Title.
    pub title: String,
    /// What the numbers are.
    pub key: String,
    /// Bars from the top.
    pub bars: Vec<Bar>,
}

const WIDTH: f64 = 760.0;
/// Room for the names.
const LEFT: f64 = 240.0;
/// Room for what stands behind the longest bar.
const RIGHT: f64 = 190.0;
const ROW: f64 = 28.0;
const TOP: f64 = 62.0;

impl Bars {
    fn size(&self) -> (u32, u32) {
        (
            WIDTH as u32,
            (TOP + ROW * self.bars.len() as f64 + 14.0) as u32,
        )
    }

    fn draw(&self) -> Scene {
        let (width, height) = self.size();
        let (width, height) = (f64::from(width), f64::from(height));
        let mut scene = Scene::default();
        scene.area(
            vec![(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)],
            Ink::Paper,
            1.0,
        );
        let words = [
            (&self.title, 16.0, 24.0, Ink::Text),
            (&self.key, 12.0, 44.0, Ink::Soft),
        ];
        for (text, size, y, ink) in words {
            let text = fitted(text, size, WIDTH - 32.0);
            scene.words((16.0, y), &text, size, Anchor::Start, ink);
        }
        let most = self.bars.iter().map(|b| b.count).max().unwrap_or(0).max(1);
        let axis = Axis::new(Scale::Linear, [0.0, most as f64], LEFT, WIDTH - RIGHT);
        for (n, bar) in self.bars.iter().enumerate() {
            let top = TOP + ROW * n as f64;
            let middle = top + 0.5 * ROW + 4.0;
            let name = fitted(&bar.label, 12.0, LEFT - 28.0);
            scene.words((LEFT - 10.0, middle), &name, 12.0, Anchor::End, Ink::Text);
            let Some(end) = axis.at(bar.count as f64) else {
                continue;
            };
            let [upper, lower] = [top + 4.0, top + ROW - 4.0];
            scene.area(
                vec![(LEFT, upper), (end, upper), (end, lower), (LEFT, lower)],
                Ink::Series(0),
                1.0,
            );
            let text = fitted(&bar.note, 12.0, WIDTH - end - 12.0);
            scene.words((end + 8.0, middle), &text, 12.0, Anchor::Start, Ink::Text);
        }
        let bottom = TOP + ROW * self.bars.len() as f64;
        scene.line(vec![(LEFT, TOP), (LEFT, bottom)], Ink::Soft, 1.0, &[]);
        scene
    }

    /// The picture as SVG.
    #[must_use]
    pub fn svg(&self) -> String {
        let (width, height) = self.size();
        let list: Vec<String> = self
            .bars
            .iter()
            .map(|b| format!("{}: {}", b.label, b.note))
            .collect();
        vector::write(&self.draw(), &self.title, &list.join("; "), width, height)
    }

    /// Writes `DIR/STEM.svg` and `DIR/STEM.png`.
    ///
    /// # Errors
    /// [`ReportError`] when the picture cannot be drawn or a file cannot be written.
    pub fn to_files(&self, dir: &Path, stem: &str) -> Result<Vec<PathBuf>, ReportError> {
        let (width, height) = self.size();
        let pixels = raster::png(width, height, |_, _| self.draw())?;
        let name = |end: &str| dir.join(format!("{stem}.{end}"));
        crate::files::write_whole(&name("svg"), self.svg().as_bytes())?;
        crate::files::write_whole(&name("png"), &pixels)?;
        Ok(vec![name("svg"), name("png")])
    }
}
