//! A scene as SVG: text stays text, colours are CSS variables with a fallback for viewers without a page.

use super::scene::{Anchor, Ink, Scene, Shape};
use std::fmt::Write;

fn paint(ink: Ink) -> String {
    let [r, g, b] = ink.rgb();
    format!("var(--plot-{},#{r:02x}{g:02x}{b:02x})", ink.name())
}

/// Text that is safe between tags and in quoted attributes; control characters, which XML forbids, vanish.
pub(super) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\t' | '\n' | '\r' => out.push(' '),
            c if (c as u32) < 0x20 || c == '\u{fffe}' || c == '\u{ffff}' => {}
            c => out.push(c),
        }
    }
    out
}

fn path(points: &[(f64, f64)]) -> String {
    let mut text = String::with_capacity(points.len() * 12);
    for (x, y) in points {
        let space = if text.is_empty() { "" } else { " " };
        let _ = write!(text, "{space}{x:.1},{y:.1}");
    }
    text
}

/// The SVG element with title and description for readers that do not see it.
pub(super) fn write(scene: &Scene, title: &str, words: &str, width: u32, height: u32) -> String {
    let (title, words) = (escaped(title), escaped(words));
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"plot\" viewBox=\"0 0 {width} {height}\" \
         width=\"{width}\" height=\"{height}\" role=\"img\" aria-label=\"{title}\" \
         font-family=\"system-ui, 'DejaVu Sans', sans-serif\">\n<title>{title}</title>\n<desc>{words}</desc>\n"
    );
    for shape in &scene.shapes {
        let _ = match shape {
            Shape::Line {
                points,
                ink,
                width,
                dash,
            } => {
                let dash = if dash.is_empty() {
                    String::new()
                } else {
                    let parts: Vec<String> = dash.iter().map(|d| format!("{d}")).collect();
                    format!(" stroke-dasharray=\"{}\"", parts.join(" "))
                };
                writeln!(
                    out,
                    "<polyline points=\"{}\" fill=\"none\" style=\"stroke:{}\" stroke-width=\"{width}\" \
                     stroke-linejoin=\"round\"{dash}/>",
                    path(points),
                    paint(*ink)
                )
            }
            Shape::Area {
                points,
                ink,
                opacity,
            } => writeln!(
                out,
                "<polygon points=\"{}\" style=\"fill:{}\" fill-opacity=\"{opacity}\"/>",
                path(points),
                paint(*ink)
            ),
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
                let anchor = match anchor {
                    Anchor::Start => "start",
                    Anchor::Middle => "middle",
                    Anchor::End => "end",
                };
                let bold = if *bold { " font-weight=\"600\"" } else { "" };
                let turn = if *turned {
                    format!(" transform=\"rotate(-90 {x:.1} {y:.1})\"")
                } else {
                    String::new()
                };
                writeln!(
                    out,
                    "<text x=\"{x:.1}\" y=\"{y:.1}\" font-size=\"{size}\" text-anchor=\"{anchor}\" \
                     style=\"fill:{}\"{bold}{turn}>{}</text>",
                    paint(*ink),
                    escaped(text)
                )
            }
        };
    }
    out.push_str("</svg>\n");
    out
}
