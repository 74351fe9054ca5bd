//! From a chart to a scene: title, legend, grid, regions, ranges, curves, marks, axis titles, in this order.

use super::axis::{self, Axis};
use super::scene::{Anchor, Ink, Scene, Shape, fitted, width_of};
use super::{Chart, CurveLine, CurveStyle, Scale};
use crate::verify::result::Verdict;

/// Size of the words, user units.
const SIZE: f64 = 12.0;
const TITLE: f64 = 14.0;
/// Height of one row of the legend.
const ROW: f64 = 18.0;
/// Length of a line sample in the legend.
const SAMPLE: f64 = 30.0;

struct Look {
    ink: Ink,
    width: f64,
    dash: &'static [f64],
}

fn look(style: CurveStyle) -> Look {
    let look = |ink, width, dash| Look { ink, width, dash };
    match style {
        CurveStyle::Measured => look(Ink::Text, 3.0, &[]),
        CurveStyle::Designed => look(Ink::Series(0), 1.8, &[7.0, 4.0]),
        CurveStyle::Aligned => look(Ink::Series(1), 1.3, &[]),
        CurveStyle::Numbered(n) => {
            let dashes: [&[f64]; 5] = [
                &[],
                &[8.0, 4.0],
                &[2.5, 3.0],
                &[10.0, 3.0, 2.5, 3.0],
                &[4.0, 2.0],
            ];
            look(Ink::Series(n), 1.8, dashes[(n + n / 6) % dashes.len()])
        }
    }
}

/// The inside of the axes.
struct Frame {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
    x: Axis,
    y: Axis,
}

/// Draws a chart on `width` × `height` user units.
pub(super) fn scene(chart: &Chart, width: f64, height: f64) -> Scene {
    let mut scene = Scene::default();
    scene.area(
        vec![(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)],
        Ink::Paper,
        1.0,
    );
    let mut top = 12.0;
    if !chart.title.is_empty() {
        scene.words(
            (10.0, top + 9.0),
            &fitted(&chart.title, TITLE, width - 20.0),
            TITLE,
            Anchor::Start,
            Ink::Text,
        );
        if let Some(Shape::Words { bold, .. }) = scene.shapes.last_mut() {
            *bold = true;
        }
        top += 22.0;
    }
    top = legend(&mut scene, chart, width, top);
    let frame = frame(chart, width, height, top + 6.0);
    if frame.right - frame.left < 20.0 || frame.bottom - frame.top < 20.0 {
        return scene;
    }
    shaded(&mut scene, chart, &frame);
    grid(&mut scene, chart, &frame, height);
    ranges(&mut scene, chart, &frame);
    for curve in &chart.curves {
        line(&mut scene, curve, &frame);
    }
    marks(&mut scene, chart, &frame);
    outline(&mut scene, &frame);
    scene
}

/// Every ordinate in sight that counts.
fn values(chart: &Chart) -> Vec<f64> {
    let seen = |x: f64| {
        let counts = |s: &super::Shaded| !(x > s.from && x < s.to);
        x >= chart.x_range[0] && x <= chart.x_range[1] && chart.shaded.iter().all(counts)
    };
    let mut list = Vec::new();
    for curve in &chart.curves {
        let pairs = curve.x.iter().zip(&curve.y);
        list.extend(pairs.filter(|(x, _)| seen(**x)).map(|(_, y)| *y));
    }
    for band in &chart.bands {
        for (&x, (&low, &high)) in band.x.iter().zip(band.low.iter().zip(&band.high)) {
            if seen(x) {
                list.extend([low, high]);
            }
        }
    }
    for point in &chart.points {
        let reach = if point.reach.is_finite() {
            point.reach
        } else {
            0.0
        };
        list.extend([point.y - reach, point.y + reach]);
    }
    list
}

fn frame(chart: &Chart, width: f64, height: f64, top: f64) -> Frame {
    let bottom = height - 44.0;
    let right = width - 20.0;
    let y_range = chart
        .y_range
        .unwrap_or_else(|| axis::fit_range(chart.y_scale, values(chart).into_iter()));
    let y = Axis::new(chart.y_scale, y_range, bottom, top);
    let room = ((bottom - top) / 34.0).max(2.0) as usize;
    let widest = y
        .ticks(room)
        .into_iter()
        .filter(|t| t.1)
        .map(|t| width_of(&axis::label(t.0), SIZE))
        .fold(18.0, f64::max);
    let left = 34.0 + widest;
    let x = Axis::new(chart.x_scale, chart.x_range, left, right);
    Frame {
        left,
        right,
        top,
        bottom,
        x,
        y,
    }
}

/// One sample and its name.
enum Sample {
    Line(Look),
    Range,
    Shade,
    Mark(Verdict),
}

fn legend(scene: &mut Scene, chart: &Chart, width: f64, top: f64) -> f64 {
    let mut entries: Vec<(Sample, &str)> = Vec::new();
    let mut add = |sample, name| {
        if !entries.iter().any(|(_, known)| *known == name) && !str::is_empty(name) {
            entries.push((sample, name));
        }
    };
    for curve in &chart.curves {
        add(Sample::Line(look(curve.style)), curve.label.as_str());
    }
    let verdicts = [Verdict::Within, Verdict::Outside, Verdict::Unresolved];
    let names = chart
        .mark_names
        .unwrap_or(verdicts.map(crate::report::words::short));
    for (verdict, name) in verdicts.into_iter().zip(names) {
        if chart.points.iter().any(|p| p.verdict == verdict) {
            add(Sample::Mark(verdict), name);
        }
    }
    for band in &chart.bands {
        add(Sample::Range, band.label.as_str());
    }
    for region in &chart.shaded {
        add(Sample::Shade, region.label.as_str());
    }
    if entries.is_empty() {
        return top;
    }
    let (mut x, mut y) = (10.0, top);
    for (sample, name) in entries {
        let name = fitted(name, SIZE, width - 70.0);
        let long = SAMPLE + 6.0 + width_of(&name, SIZE) + 18.0;
        if x > 10.0 && x + long > width - 4.0 {
            x = 10.0;
            y += ROW;
        }
        let mid = y + 6.0;
        match sample {
            Sample::Line(look) => scene.line(
                vec![(x, mid), (x + SAMPLE, mid)],
                look.ink,
                look.width,
                look.dash,
            ),
            Sample::Range => scene.area(
                vec![
                    (x, y),
                    (x + SAMPLE, y),
                    (x + SAMPLE, y + 12.0),
                    (x, y + 12.0),
                ],
                Ink::Range,
                0.25,
            ),
            Sample::Shade => hatched(scene, (x, y), (x + SAMPLE, y + 12.0)),
            Sample::Mark(verdict) => {
                scene.line(
                    vec![(x + 15.0, y - 1.0), (x + 15.0, y + 13.0)],
                    ink_of(verdict),
                    1.4,
                    &[],
                );
                mark(scene, (x + 15.0, mid), verdict)
            }
        }
        scene.words(
            (x + SAMPLE + 6.0, y + 10.0),
            &name,
            SIZE,
            Anchor::Start,
            Ink::Text,
        );
        x += long;
    }
    y + ROW
}

fn shaded(scene: &mut Scene, chart: &Chart, frame: &Frame) {
    for region in &chart.shaded {
        let edge = |value: f64, otherwise: f64| {
            frame
                .x
                .at(value)
                .unwrap_or(otherwise)
                .clamp(frame.left, frame.right)
        };
        let (from, to) = (edge(region.from, frame.left), edge(region.to, frame.right));
        if to - from > 0.1 {
            hatched(scene, (from, frame.top), (to, frame.bottom));
        }
    }
}

/// A rectangle that does not count: tinted, with falling strokes, so that it is no filled range.
fn hatched(scene: &mut Scene, from: (f64, f64), to: (f64, f64)) {
    let corners = vec![from, (to.0, from.1), to, (from.0, to.1)];
    scene.area(corners, Ink::Shade, 0.13);
    // Strokes lie on x − y = constant, the same lines in every rectangle.
    let mut offset = ((from.0 - to.1) / 7.0).ceil() * 7.0;
    while offset < to.0 - from.1 {
        let start = (from.0.max(from.1 + offset), from.1.max(from.0 - offset));
        let end = (to.0.min(to.1 + offset), to.1.min(to.0 - offset));
        scene.line(vec![start, end], Ink::Shade, 0.6, &[]);
        offset += 7.0;
    }
}

fn grid(scene: &mut Scene, chart: &Chart, frame: &Frame, height: f64) {
    let mut last = f64::NEG_INFINITY;
    let room = ((frame.right - frame.left) / 46.0).max(2.0) as usize;
    for (value, named) in frame.x.ticks(room) {
        let Some(x) = frame.x.at(value) else { continue };
        let weight = if named { 1.0 } else { 0.5 };
        scene.line(
            vec![(x, frame.top), (x, frame.bottom)],
            Ink::Grid,
            weight,
            &[],
        );
        let text = axis::label(value);
        let half = width_of(&text, SIZE) / 2.0;
        if named && x - half > last + 4.0 {
            last = x + half;
            scene.words(
                (x, frame.bottom + 16.0),
                &text,
                SIZE,
                Anchor::Middle,
                Ink::Text,
            );
        }
    }
    let room = ((frame.bottom - frame.top) / 34.0).max(2.0) as usize;
    let mut last = f64::INFINITY;
    for (value, named) in frame.y.ticks(room) {
        let Some(y) = frame.y.at(value) else { continue };
        let zero = value == 0.0 && chart.y_scale == Scale::Linear && frame.y.range()[0] < 0.0;
        let (ink, weight) = if zero {
            (Ink::Soft, 1.0)
        } else {
            (Ink::Grid, if named { 1.0 } else { 0.5 })
        };
        scene.line(vec![(frame.left, y), (frame.right, y)], ink, weight, &[]);
        if named && y < last - 13.0 {
            last = y;
            scene.words(
                (frame.left - 7.0, y + 4.0),
                &axis::label(value),
                SIZE,
                Anchor::End,
                Ink::Text,
            );
        }
    }
    let middle = (frame.left + frame.right) / 2.0;
    scene.words(
        (middle, height - 9.0),
        &chart.x_label,
        SIZE,
        Anchor::Middle,
        Ink::Soft,
    );
    let middle = (frame.top + frame.bottom) / 2.0;
    let name = fitted(&chart.y_label, SIZE, frame.bottom - frame.top + 40.0);
    scene.words((17.0, middle), &name, SIZE, Anchor::Middle, Ink::Soft);
    if let Some(Shape::Words { turned, .. }) = scene.shapes.last_mut() {
        *turned = true;
    }
}

fn outline(scene: &mut Scene, frame: &Frame) {
    let (l, r, t, b) = (frame.left, frame.right, frame.top, frame.bottom);
    scene.line(
        vec![(l, t), (r, t), (r, b), (l, b), (l, t)],
        Ink::Soft,
        1.0,
        &[],
    );
}

fn ranges(scene: &mut Scene, chart: &Chart, frame: &Frame) {
    for band in &chart.bands {
        let mut upper: Vec<(f64, f64)> = Vec::new();
        let mut lower: Vec<(f64, f64)> = Vec::new();
        let mut flush = |upper: &mut Vec<(f64, f64)>, lower: &mut Vec<(f64, f64)>| {
            let mut outline = std::mem::take(upper);
            outline.extend(std::mem::take(lower).into_iter().rev());
            scene.area(outline, Ink::Range, 0.25);
        };
        for (&x, (&low, &high)) in band.x.iter().zip(band.low.iter().zip(&band.high)) {
            let place = (frame.x.at(x), frame.y.at(low), frame.y.at(high));
            match place {
                (Some(x), Some(low), Some(high))
                    if x >= frame.left - 0.05 && x <= frame.right + 0.05 =>
                {
                    upper.push((x, high.clamp(frame.top, frame.bottom)));
                    lower.push((x, low.clamp(frame.top, frame.bottom)));
                }
                _ => flush(&mut upper, &mut lower),
            }
        }
        flush(&mut upper, &mut lower);
    }
}

fn line(scene: &mut Scene, curve: &CurveLine, frame: &Frame) {
    let look = look(curve.style);
    let mut piece: Vec<(f64, f64)> = Vec::new();
    let mut before: Option<(f64, f64)> = None;
    for (&x, &y) in curve.x.iter().zip(&curve.y) {
        let here = frame.x.at(x).zip(frame.y.at(y));
        if let (Some(from), Some(to)) = (before, here)
            && let Some((from, to)) = clipped(from, to, frame)
        {
            if piece.last() != Some(&from) {
                scene.line(std::mem::take(&mut piece), look.ink, look.width, look.dash);
                piece.push(from);
            }
            piece.push(to);
        }
        before = here;
    }
    scene.line(piece, look.ink, look.width, look.dash);
    // A curve of one value is a dot.
    if let ([x], [y]) = (curve.x.as_slice(), curve.y.as_slice())
        && let Some(at) = frame.x.at(*x).zip(frame.y.at(*y))
        && inside(at, frame)
    {
        scene.area(disc(at, 3.0), look.ink, 1.0);
    }
}

fn inside((x, y): (f64, f64), frame: &Frame) -> bool {
    x >= frame.left && x <= frame.right && y >= frame.top && y <= frame.bottom
}

/// The part of a segment inside the frame (Liang & Barsky 1984, from memory).
fn clipped(from: (f64, f64), to: (f64, f64), frame: &Frame) -> Option<((f64, f64), (f64, f64))> {
    let (dx, dy) = (to.0 - from.0, to.1 - from.1);
    let (mut enter, mut leave) = (0.0f64, 1.0f64);
    for (p, q) in [
        (-dx, from.0 - frame.left),
        (dx, frame.right - from.0),
        (-dy, from.1 - frame.top),
        (dy, frame.bottom - from.1),
    ] {
        if p == 0.0 {
            if q < 0.0 {
                return None;
            }
        } else if p < 0.0 {
            enter = enter.max(q / p);
        } else {
            leave = leave.min(q / p);
        }
    }
    let at = |t: f64, exact: (f64, f64)| {
        if t == 0.0 || t == 1.0 {
            exact
        } else {
            (from.0 + t * dx, from.1 + t * dy)
        }
    };
    (enter <= leave).then(|| (at(enter, from), at(leave, to)))
}

fn ink_of(verdict: Verdict) -> Ink {
    match verdict {
        Verdict::Within => Ink::Within,
        Verdict::Outside => Ink::Outside,
        Verdict::Unresolved => Ink::Unresolved,
    }
}

fn disc((x, y): (f64, f64), radius: f64) -> Vec<(f64, f64)> {
    (0..20)
        .map(|n| {
            let angle = f64::from(n) * std::f64::consts::TAU / 20.0;
            (x + radius * angle.cos(), y + radius * angle.sin())
        })
        .collect()
}

fn mark(scene: &mut Scene, at: (f64, f64), verdict: Verdict) {
    let (x, y) = at;
    match verdict {
        Verdict::Within => scene.area(disc(at, 4.6), Ink::Within, 1.0),
        Verdict::Outside => scene.area(
            vec![(x, y - 6.2), (x + 5.8, y + 4.2), (x - 5.8, y + 4.2)],
            Ink::Outside,
            1.0,
        ),
        Verdict::Unresolved => {
            let outline = vec![(x, y - 6.0), (x + 5.2, y), (x, y + 6.0), (x - 5.2, y)];
            scene.area(outline.clone(), Ink::Paper, 1.0);
            let mut closed = outline;
            closed.push(closed[0]);
            closed.push(closed[1]);
            scene.line(closed, Ink::Unresolved, 1.7, &[]);
        }
    }
}

fn marks(scene: &mut Scene, chart: &Chart, frame: &Frame) {
    for point in &chart.points {
        let Some((x, y)) = frame.x.at(point.x).zip(frame.y.at(point.y)) else {
            continue;
        };
        if x < frame.left || x > frame.right {
            continue;
        }
        let ink = ink_of(point.verdict);
        let reach = frame
            .y
            .at(point.y + point.reach)
            .zip(frame.y.at(point.y - point.reach));
        if let Some((top, bottom)) = reach {
            let (high, low) = (
                top.clamp(frame.top, frame.bottom),
                bottom.clamp(frame.top, frame.bottom),
            );
            scene.line(vec![(x, high), (x, low)], ink, 1.4, &[]);
            for (end, exact) in [(high, top), (low, bottom)] {
                if end == exact {
                    scene.line(vec![(x - 4.0, end), (x + 4.0, end)], ink, 1.4, &[]);
                }
            }
        }
        mark(scene, (x, y.clamp(frame.top, frame.bottom)), point.verdict);
    }
}
