//! What a picture consists of: lines, areas and words, in user units from the upper left corner.

/// A colour by its job; every writer knows what it looks like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Ink {
    /// Words and the measured curve.
    Text,
    /// Words of less weight.
    Soft,
    /// Grid lines.
    Grid,
    /// Background.
    Paper,
    /// Regions that do not count.
    Shade,
    /// Filled ranges.
    Range,
    /// Within the tolerance.
    Within,
    /// Outside the tolerance.
    Outside,
    /// Unresolved.
    Unresolved,
    /// n-th curve colour.
    Series(usize),
}

/// Number of curve colours.
pub(super) const SERIES: usize = 6;

impl Ink {
    /// Name of the CSS variable.
    pub(super) fn name(self) -> String {
        match self {
            Self::Text => "text".into(),
            Self::Soft => "soft".into(),
            Self::Grid => "grid".into(),
            Self::Paper => "paper".into(),
            Self::Shade => "shade".into(),
            Self::Range => "range".into(),
            Self::Within => "within".into(),
            Self::Outside => "outside".into(),
            Self::Unresolved => "unresolved".into(),
            Self::Series(n) => format!("{}", n % SERIES + 1),
        }
    }

    /// Colour on white paper. The series are those of Okabe and Ito, without the yellow, which vanishes there.
    pub(super) fn rgb(self) -> [u8; 3] {
        match self {
            Self::Text => [0x1a, 0x1c, 0x1e],
            Self::Soft => [0x55, 0x5b, 0x61],
            Self::Grid => [0xd9, 0xdc, 0xdf],
            Self::Paper => [0xff, 0xff, 0xff],
            Self::Shade => [0x8a, 0x90, 0x96],
            Self::Range => [0x7a, 0x82, 0x8a],
            Self::Within | Self::Series(2) => [0x00, 0x7a, 0x58],
            Self::Outside => [0xb8, 0x3a, 0x00],
            Self::Unresolved => [0x00, 0x5f, 0x9e],
            Self::Series(n) => match n % SERIES {
                0 => [0x00, 0x72, 0xb2],
                1 => [0xd5, 0x5e, 0x00],
                2 => [0x00, 0x9e, 0x73],
                3 => [0xb8, 0x5c, 0x92],
                4 => [0x56, 0xb4, 0xe9],
                _ => [0xc9, 0x86, 0x00],
            },
        }
    }
}

/// Where words hang on their point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// One thing to draw.
#[derive(Debug, Clone)]
pub(super) enum Shape {
    /// An open polyline.
    Line {
        points: Vec<(f64, f64)>,
        ink: Ink,
        width: f64,
        /// Lengths of stroke and gap in turn; empty: unbroken.
        dash: &'static [f64],
    },
    /// A closed, filled polygon.
    Area {
        points: Vec<(f64, f64)>,
        ink: Ink,
        opacity: f64,
    },
    /// One line of words on a baseline.
    Words {
        x: f64,
        y: f64,
        text: String,
        size: f64,
        anchor: Anchor,
        ink: Ink,
        bold: bool,
        /// Reads from bottom to top.
        turned: bool,
    },
}

/// A picture.
#[derive(Debug, Clone, Default)]
pub(super) struct Scene {
    pub(super) shapes: Vec<Shape>,
}

impl Scene {
    pub(super) fn line(
        &mut self,
        points: Vec<(f64, f64)>,
        ink: Ink,
        width: f64,
        dash: &'static [f64],
    ) {
        if points.len() > 1 {
            self.shapes.push(Shape::Line {
                points,
                ink,
                width,
                dash,
            });
        }
    }

    pub(super) fn area(&mut self, points: Vec<(f64, f64)>, ink: Ink, opacity: f64) {
        if points.len() > 2 {
            self.shapes.push(Shape::Area {
                points,
                ink,
                opacity,
            });
        }
    }

    pub(super) fn words(
        &mut self,
        at: (f64, f64),
        text: &str,
        size: f64,
        anchor: Anchor,
        ink: Ink,
    ) {
        self.shapes.push(Shape::Words {
            x: at.0,
            y: at.1,
            text: text.to_owned(),
            size,
            anchor,
            ink,
            bold: false,
            turned: false,
        });
    }
}

/// Width of a line of words, user units: the mean advance of a wide sans-serif, on the safe side.
pub(super) fn width_of(text: &str, size: f64) -> f64 {
    text.chars().count() as f64 * size * 0.58
}

/// Shortens a text to a width, with an ellipsis.
pub(super) fn fitted(text: &str, size: f64, width: f64) -> String {
    if width_of(text, size) <= width {
        return text.to_owned();
    }
    let room = (width / (size * 0.58)).floor().max(1.0) as usize;
    let mut short: String = text.chars().take(room.saturating_sub(1)).collect();
    short.push('…');
    short
}
