//! A scene as PNG: drawn at three times the size and averaged, so that lines and letters have smooth edges.

use super::scene::{Anchor, Ink, Scene, Shape};
use crate::report::ReportError;
use plotters::backend::{BitMapBackend, DrawingBackend};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{
    FontStyle, FontTransform, IntoTextStyle, RGBAColor, RGBColor, ShapeStyle, TextStyle,
};
use std::sync::OnceLock;

/// Largest side of a picture, pixels.
const LARGEST: u32 = 8000;
/// Pixels per pixel and direction before averaging.
const FINE: u32 = 3;
/// Name under which the font is known to the drawing library.
const FONT: &str = "bassay-sans";
/// Height over em of DejaVu Sans (ascender 0.928 and descender 0.236 of its `hhea` table): the drawing library
/// scales by height, SVG by em.
const HEIGHT_OVER_EM: f64 = 1.164;

fn picture(cause: impl std::fmt::Display) -> ReportError {
    ReportError::Picture {
        cause: cause.to_string(),
    }
}

fn register() -> Result<(), ReportError> {
    static DONE: OnceLock<bool> = OnceLock::new();
    let done = DONE.get_or_init(|| {
        let add = |style, bytes| plotters::style::register_font(FONT, style, bytes).is_ok();
        add(FontStyle::Normal, dejavu::sans::regular())
            && add(FontStyle::Bold, dejavu::sans::bold())
    });
    done.then_some(())
        .ok_or_else(|| picture("the built-in font cannot be read"))
}

/// See [`super::png`]; `draw` gets the size in user units.
pub(super) fn png(
    width: u32,
    height: u32,
    draw: impl FnOnce(f64, f64) -> Scene,
) -> Result<Vec<u8>, ReportError> {
    png_scaled(width, height, 1, draw)
}

/// A picture of `width`·`zoom` × `height`·`zoom` pixels of a scene of `width` × `height` user units.
pub(super) fn png_scaled(
    width: u32,
    height: u32,
    zoom: u32,
    draw: impl FnOnce(f64, f64) -> Scene,
) -> Result<Vec<u8>, ReportError> {
    let (w, h) = (width.saturating_mul(zoom), height.saturating_mul(zoom));
    if w == 0 || h == 0 || w > LARGEST || h > LARGEST {
        return Err(ReportError::Size {
            width: w,
            height: h,
            largest: LARGEST,
        });
    }
    register()?;
    let fine = FINE * zoom;
    let (wide, tall) = (width * fine, height * fine);
    let mut buffer = vec![255u8; wide as usize * tall as usize * 3];
    {
        let mut back = BitMapBackend::with_buffer(&mut buffer, (wide, tall));
        for shape in &draw(f64::from(width), f64::from(height)).shapes {
            put(&mut back, shape, f64::from(fine))?;
        }
        back.present().map_err(picture)?;
    }
    encode(&averaged(&buffer, w as usize, h as usize), w, h)
}

fn colour(ink: Ink, opacity: f64) -> RGBAColor {
    let [r, g, b] = ink.rgb();
    RGBAColor(r, g, b, opacity)
}

fn put(back: &mut BitMapBackend<'_>, shape: &Shape, zoom: f64) -> Result<(), ReportError> {
    let pixel = |(x, y): (f64, f64)| ((x * zoom).round() as i32, (y * zoom).round() as i32);
    match shape {
        Shape::Line {
            points,
            ink,
            width,
            dash,
        } => {
            let style = ShapeStyle {
                color: colour(*ink, 1.0),
                filled: true,
                stroke_width: (width * zoom).round().max(1.0) as u32,
            };
            for piece in dashed(points, dash) {
                // A polygonised polyline tears at sharp turns; its segments with round joints do not.
                for pair in piece.windows(2) {
                    back.draw_path([pixel(pair[0]), pixel(pair[1])], &style)
                        .map_err(picture)?;
                }
                if style.stroke_width > 3 {
                    for &joint in piece.iter().skip(1).take(piece.len().saturating_sub(2)) {
                        back.draw_circle(pixel(joint), style.stroke_width / 2, &style, true)
                            .map_err(picture)?;
                    }
                }
            }
            Ok(())
        }
        Shape::Area {
            points,
            ink,
            opacity,
        } => back
            .fill_polygon(points.iter().map(|&p| pixel(p)), &colour(*ink, *opacity))
            .map_err(picture),
        Shape::Words {
            x,
            y,
            text,
            size,
            anchor,
            ink,
            bold,
            turned,
        } => {
            let height = size * zoom * HEIGHT_OVER_EM;
            let [r, g, b] = ink.rgb();
            let font_style = if *bold {
                FontStyle::Bold
            } else {
                FontStyle::Normal
            };
            let mut style: TextStyle = (FONT, height, font_style).into_text_style(&back.get_size());
            style.color = plotters::style::Color::to_backend_color(&RGBColor(r, g, b));
            if *turned {
                style = style.transform(FontTransform::Rotate270);
            }
            let h_pos = match anchor {
                Anchor::Start => HPos::Left,
                Anchor::Middle => HPos::Center,
                Anchor::End => HPos::Right,
            };
            style.pos = Pos::new(h_pos, VPos::Top);
            // The library puts the baseline half a height below the top.
            let up = height / 2.0;
            let (px, py) = (x * zoom, y * zoom);
            let at = if *turned {
                (px - up, py)
            } else {
                (px, py - up)
            };
            back.draw_text(text, &style, (at.0.round() as i32, at.1.round() as i32))
                .map_err(picture)
        }
    }
}

/// A polyline cut into its strokes.
fn dashed(points: &[(f64, f64)], dash: &[f64]) -> Vec<Vec<(f64, f64)>> {
    let period: f64 = dash.iter().sum();
    if dash.is_empty() || period <= 0.0 || period.is_nan() {
        return vec![points.to_vec()];
    }
    let mut pieces = Vec::new();
    let mut piece: Vec<(f64, f64)> = points.first().copied().into_iter().collect();
    let (mut index, mut left) = (0usize, dash[0]);
    for pair in points.windows(2) {
        let (mut from, to) = (pair[0], pair[1]);
        loop {
            let length = (to.0 - from.0).hypot(to.1 - from.1);
            if length <= left || !length.is_finite() {
                left -= length;
                if index % 2 == 0 {
                    piece.push(to);
                }
                break;
            }
            let part = left / length;
            from = (
                from.0 + part * (to.0 - from.0),
                from.1 + part * (to.1 - from.1),
            );
            if index % 2 == 0 {
                piece.push(from);
                pieces.push(std::mem::take(&mut piece));
            } else {
                piece = vec![from];
            }
            index += 1;
            left = dash[index % dash.len()].max(1e-3);
        }
    }
    if piece.len() > 1 {
        pieces.push(piece);
    }
    pieces
}

fn averaged(buffer: &[u8], width: usize, height: usize) -> Vec<u8> {
    let n = FINE as usize;
    let row = width * n * 3;
    let mut out = Vec::with_capacity(width * height * 3);
    for y in 0..height {
        for x in 0..width {
            for c in 0..3 {
                let mut sum = 0usize;
                for dy in 0..n {
                    for dx in 0..n {
                        sum += usize::from(buffer[(y * n + dy) * row + (x * n + dx) * 3 + c]);
                    }
                }
                out.push(((sum + n * n / 2) / (n * n)) as u8);
            }
        }
    }
    out
}

fn encode(pixels: &[u8], width: u32, height: u32) -> Result<Vec<u8>, ReportError> {
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, width, height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::Default);
    let mut writer = encoder.write_header().map_err(picture)?;
    writer.write_image_data(pixels).map_err(picture)?;
    writer.finish().map_err(picture)?;
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::dashed;

    /// DERIVED: 10 units in strokes of 3 and gaps of 2 are the strokes 0–3 and 5–8.
    #[test]
    fn strokes_and_gaps() {
        let strokes = dashed(&[(0.0, 0.0), (4.0, 0.0), (10.0, 0.0)], &[3.0, 2.0]);
        let ends: Vec<(f64, f64)> = strokes.iter().map(|s| (s[0].0, s[s.len() - 1].0)).collect();
        assert_eq!(ends, [(0.0, 3.0), (5.0, 8.0)]);
    }
}
