//! The chart of one number in words, as a table and as pictures.

use super::inspection::name_of;
use super::number::{Scale, fixed, percent, probability, significant};
use super::plot::{Chart, CurveLine, CurveStyle, PointMark};
use super::text::{plain, wrapped};
use crate::production::capability::Estimate;
use crate::production::lookback::Point;
use crate::production::run_rules::Signal;
use crate::production::trend::{AHEAD, LEAST_BASELINE, State, Trend};
use crate::verify::result::Verdict;
use std::collections::BTreeMap;

/// The state in words.
#[must_use]
pub fn word(state: State) -> &'static str {
    match state {
        State::Steady => "Steady",
        State::Changed => "Changed",
        State::Alarm => "Alarm, but no lasting change",
        State::CannotTell => "Cannot tell",
    }
}

/// As a verdict: what colour and sign it has.
#[must_use]
pub fn verdict(state: State) -> Verdict {
    match state {
        State::Steady => Verdict::Within,
        State::Changed => Verdict::Outside,
        State::Alarm | State::CannotTell => Verdict::Unresolved,
    }
}

/// Name with the unit in which the numbers are shown.
#[must_use]
pub fn heading(trend: &Trend) -> String {
    let name = name_of(&trend.series.name);
    match scale(trend).unit().as_str() {
        "" => name,
        unit => format!("{name}, {}", plain(unit)),
    }
}

/// The one unit and notation of all numbers of a chart.
#[must_use]
pub fn scale(trend: &Trend) -> Scale {
    let mut sizes: Vec<f64> = trend.series.points.iter().map(|p| p.value.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let lead = sizes.get(sizes.len() / 2).copied().unwrap_or(1.0);
    Scale::of(&trend.series.unit, lead).telling(lead, trend.sd)
}

/// A value as a table shows it: what the noise hides is less than a number.
#[must_use]
pub fn shown(scale: &Scale, point: &Point) -> String {
    match point.hidden_below {
        Some(noise_db) => format!("< {}", scale.show(noise_db)),
        None => scale.show(point.value),
    }
}

/// Where a value comes from: number, unit, day.
fn place(trend: &Trend, index: usize) -> String {
    let Some(point) = trend.series.points.get(index) else {
        return format!("value {}", index + 1);
    };
    let whose = if point.unit.is_empty() {
        format!("station {}", plain(&point.station))
    } else {
        format!("unit {}", plain(&point.unit))
    };
    format!("value {} ({whose}, {})", index + 1, day(point))
}

fn day(point: &Point) -> &str {
    point.at.get(..10).unwrap_or(&point.at)
}

/// What the chart says, a sentence or two each.
#[must_use]
pub fn sentences(trend: &Trend) -> Vec<String> {
    let mut list = Vec::new();
    let series = &trend.series;
    let scale = scale(trend);
    let show = |v: f64| scale.show(v);
    match series.points.as_slice() {
        [] => list.push("No entry has this number.".to_owned()),
        [first, .., last] => list.push(format!(
            "{} values from {} to {}.",
            series.points.len(),
            day(first),
            day(last)
        )),
        [one] => list.push(format!("1 value, of {}.", day(one))),
    }
    let hidden = series.hidden();
    if hidden > 0 {
        list.push(format!(
            "{hidden} of them {} below the noise (<): no more is known than that they are lower. No control limits, no capability and \
             no change can be told from them.",
            if hidden == 1 { "lies" } else { "lie" }
        ));
        list.extend(doubts(trend));
        return list;
    }
    if trend.state == State::CannotTell {
        list.push(format!(
            "Too few values, or values without any spread: at least {} are needed, or a centre and a standard deviation \
             (--centre, --sd).",
            2 * LEAST_BASELINE
        ));
    } else {
        list.push(format!(
            "Centre {}, standard deviation {} ({}); single values lie within {} to {}.",
            show(trend.centre),
            show(trend.sd),
            if trend.baseline == 0 {
                "given".to_owned()
            } else {
                format!(
                    "from the first {} of {} values",
                    trend.baseline,
                    trend.series.points.len()
                )
            },
            show(trend.low),
            show(trend.high)
        ));
        list.extend(alarm_words(trend));
    }
    list.extend(capability_words(trend));
    list.extend(doubts(trend));
    list
}

fn alarm_words(trend: &Trend) -> Vec<String> {
    let mut list = Vec::new();
    if let Some(index) = trend.average_alarm {
        let side = trend
            .averages
            .get(index - trend.baseline)
            .map_or("", |a| if a.value > a.high { "above" } else { "below" });
        list.push(format!(
            "The weighted average went {side} its limits at {}.",
            place(trend, index)
        ));
    }
    for (signals, what) in [(&trend.alarms, "Rule"), (&trend.hints, "Hint")] {
        let mut by: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
        for Signal { index, rule } in signals {
            by.entry(rule.text()).or_default().push(*index);
        }
        for (text, places) in by {
            let more = match places.len() {
                1 => String::new(),
                n => format!(", {n} times in all"),
            };
            list.push(format!(
                "{what}: {text}, first at {}{more}.",
                place(trend, places[0])
            ));
        }
    }
    if trend.state == State::Alarm {
        let chance = trend.change.as_ref().map_or(String::new(), |c| {
            format!(" (probability of one: {})", probability(c.probability))
        });
        let stretch = trend.change.as_ref().and_then(|c| c.stretch.as_ref());
        if let Some(s) = stretch.filter(|s| s.probability > 0.5) {
            let [first, low, high] = s.first.map(|n| place(trend, n));
            let [last, early, late] = s.last.map(|n| place(trend, n));
            list.push(format!(
                "A stretch stands apart and is over: from about {first} (95 % interval: {low} to {high}) to about {last} ({early} to {late}), \
                 its mean differs by {} from the rest. Probability: {}.",
                scale(trend).show(s.size),
                probability(s.probability)
            ));
        }
        list.push(format!(
            "No lasting change explains this{chance}: look at these units and at what passed; in {} values a steady process \
             alarms now and then.",
            trend.series.points.len() - trend.baseline
        ));
    }
    if let Some(change) = trend
        .change
        .as_ref()
        .filter(|_| trend.state == State::Changed)
    {
        let shape = if change.drift > 0.5 {
            format!("drifted ({})", probability(change.drift))
        } else {
            format!("jumped ({})", probability(1.0 - change.drift))
        };
        list.push(format!(
            "It began at about {}; 95 % interval: {} to {}. More probably it {shape}; the last value's mean differs by {} from that \
             before. Probability that there was a change at all: {}.",
            place(trend, change.first),
            place(trend, change.low95),
            place(trend, change.high95),
            scale(trend).show(change.size),
            probability(change.probability)
        ));
    }
    if let Some(patience) = &trend.patience {
        let estimated = patience
            .false_ahead_estimated
            .map_or(String::new(), |share| {
                format!(
                    ", and by {} % with limits from {} values as here",
                    percent(share),
                    trend.baseline
                )
            });
        list.push(format!(
            "Weighted average, λ {}, L {}: a steady process is called changed within {AHEAD} values by {} % of charts with known \
             limits{estimated}; a change by one standard deviation is seen after {} values on average. The rules that alarm do so \
             falsely every {} values.",
            trend.ewma.lambda,
            trend.ewma.reach,
            percent(patience.false_ahead),
            significant(patience.one_sd, 2),
            significant(patience.false_rules, 3)
        ));
    }
    list
}

/// An estimate with its interval.
fn interval(e: &Estimate, show: &dyn Fn(f64) -> String) -> String {
    format!(
        "{} (95 % {} to {})",
        show(e.value),
        show(e.low),
        show(e.high)
    )
}

fn capability_words(trend: &Trend) -> Vec<String> {
    let Some(c) = &trend.capability else {
        return vec![
            "No capability: there are no limits, the values have no spread, or a value is known no better than they scatter."
                .to_owned(),
        ];
    };
    let two = |v: f64| fixed(v, 2);
    let scale = scale(trend);
    let limits = match (c.low, c.high) {
        (Some(low), Some(high)) => format!("{} to {}", scale.show(low), scale.show(high)),
        (Some(low), None) => format!("from {} on", scale.show(low)),
        (_, high) => format!("up to {}", high.map_or(String::new(), |h| scale.show(h))),
    };
    let cp =
        c.cp.map_or(String::new(), |cp| format!("Cp {}, ", interval(&cp, &two)));
    let ppm = |v: f64| significant((v * 1e6).max(0.0), 2);
    let mut list = vec![format!(
        "Capability of these {} values against {limits}: {cp}Cpk {}; outside {} in a million, if they are normal.",
        c.sample,
        interval(&c.cpk, &two),
        interval(&c.outside, &ppm)
    )];
    if !trend.limits_given {
        list.push(
            "Against limits that were made from the line itself this only repeats their content."
                .to_owned(),
        );
    }
    if trend.state == State::Changed {
        list.push(
            "The process changed: its capability describes a mixture, not what comes next."
                .to_owned(),
        );
    }
    list
}

fn doubts(trend: &Trend) -> Vec<String> {
    let series = &trend.series;
    let mut list = Vec::new();
    if let Some(share) = trend
        .measurement_share
        .filter(|_| trend.state != State::CannotTell)
    {
        list.push(format!(
            "The standard uncertainty of a measured value is {} % of that standard deviation.",
            percent(share)
        ));
    }
    if trend.baseline_beyond > 0 {
        list.push(format!(
            "{} of the first values lie outside the limits that they give: choose a quieter beginning (--from) or state centre and \
             standard deviation.",
            trend.baseline_beyond
        ));
    }
    if let Some(first) = trend.ranges_beyond.first() {
        list.push(format!(
            "{} step(s) between neighbours are larger than {}, the first at {}.",
            trend.ranges_beyond.len(),
            scale(trend).show(trend.range_high),
            place(trend, *first)
        ));
    }
    for (count, what) in [
        (series.retests, "repeated test(s) left out"),
        (
            series.untold,
            "entry(ies) in which the number could not be told",
        ),
        (series.missing, "entry(ies) without it"),
        (series.other_unit, "entry(ies) with another unit left out"),
    ] {
        if count > 0 {
            list.push(format!("{count} {what}."));
        }
    }
    list
}

/// The chart as text of at most 80 columns, with the newest values.
#[must_use]
pub fn text(trend: &Trend, newest: usize, colour: bool) -> String {
    let mut out = String::new();
    let head = super::text::headed(verdict(trend.state), word(trend.state), colour);
    out.push_str(&format!("{head}  {}\n", heading(trend)));
    for sentence in sentences(trend) {
        wrapped(&mut out, &sentence, 2);
    }
    let points = &trend.series.points;
    let from = points.len().saturating_sub(newest);
    let scale = scale(trend);
    if newest == 0 || points.is_empty() {
        return out;
    }
    out.push_str(&format!(
        "\n  {:>5}  {:<10}  {:<14} {:>12} {:>11} {:>12}\n",
        "no.", "day", "unit", "value", "step", "average"
    ));
    for (i, point) in points.iter().enumerate().skip(from) {
        let told = |p: &Point| p.hidden_below.is_none();
        let step = if i > 0 && told(point) && told(&points[i - 1]) {
            scale.show((point.value - points[i - 1].value).abs())
        } else {
            String::new()
        };
        let average = i
            .checked_sub(trend.baseline)
            .and_then(|n| trend.averages.get(n));
        let flags = format!(
            "{}{}",
            if average.is_some_and(|a| a.signals()) {
                "*"
            } else {
                ""
            },
            if trend.alarms.iter().any(|s| s.index == i) {
                "!"
            } else {
                ""
            }
        );
        let whose = if point.unit.is_empty() {
            &point.station
        } else {
            &point.unit
        };
        let short: String = plain(whose).chars().take(14).collect();
        out.push_str(
            format!(
                "  {:>5}  {:<10}  {short:<14} {:>12} {step:>11} {:>12}  {flags}",
                i + 1,
                day(point),
                shown(&scale, point),
                average.map_or(String::new(), |a| scale.show(a.value)),
            )
            .trim_end(),
        );
        out.push('\n');
    }
    if !trend.averages.is_empty() {
        out.push_str("  * average beyond its limits   ! a rule that alarms\n");
    }
    out
}

fn level(label: &str, value: f64, count: usize, style: CurveStyle) -> CurveLine {
    CurveLine {
        label: label.to_owned(),
        x: vec![0.5, count as f64 + 0.5],
        y: vec![value; 2],
        style,
    }
}

/// Pictures: single values, moving ranges, weighted averages, each with the end of a file name. Fewer where there are no limits.
#[must_use]
pub fn charts(trend: &Trend) -> Vec<(&'static str, Chart)> {
    let scale = scale(trend);
    let own = scale.factor;
    let points = &trend.series.points;
    // What the noise hides was not measured and is not drawn as if it were.
    let values: Vec<f64> = points
        .iter()
        .map(|p| p.hidden_below.map_or(own * p.value, |_| f64::NAN))
        .collect();
    let below: Vec<f64> = points
        .iter()
        .map(|p| p.hidden_below.map_or(f64::NAN, |noise| own * noise))
        .collect();
    let count = values.len();
    if count < 2 {
        return Vec::new();
    }
    let name = name_of(&trend.series.name);
    let unit = scale.unit();
    let with_unit = |what: &str| match unit.as_str() {
        "" => what.to_owned(),
        unit => format!("{what} in {}", plain(unit)),
    };
    let chart = |title: String, y_label: String| Chart {
        title,
        x_label: "number of the value, oldest first".to_owned(),
        y_label,
        x_range: [0.5, count as f64 + 0.5],
        mark_names: Some(["no alarm", "alarm", "first changed value"]),
        ..Chart::default()
    };
    let numbers = |from: usize| (from..count).map(|i| i as f64 + 1.0).collect::<Vec<f64>>();
    let line = |label: &str, x: Vec<f64>, y: Vec<f64>, style| CurveLine {
        label: label.to_owned(),
        x,
        y,
        style,
    };
    let mut single = chart(name.clone(), with_unit("single value"));
    if trend.series.hidden() < count {
        single.curves.push(line(
            "values",
            numbers(0),
            values.clone(),
            CurveStyle::Aligned,
        ));
    }
    if trend.series.hidden() > 0 {
        single.curves.push(line(
            "below the noise: lower than this",
            numbers(0),
            below,
            CurveStyle::Numbered(0),
        ));
    }
    if trend.state == State::CannotTell {
        single.y_range = spread(&single);
        return vec![("values", single)];
    }
    single.curves.push(level(
        "centre",
        own * trend.centre,
        count,
        CurveStyle::Numbered(0),
    ));
    for limit in [trend.low, trend.high] {
        single.curves.push(level(
            "control limits",
            own * limit,
            count,
            CurveStyle::Numbered(2),
        ));
    }
    if let Some(c) = &trend.capability {
        for limit in [c.low, c.high].into_iter().flatten() {
            single.curves.push(level(
                "limits of a unit",
                own * limit,
                count,
                CurveStyle::Numbered(3),
            ));
        }
    }
    let mark = |index: usize, y: f64, reach: f64, verdict| PointMark {
        x: index as f64 + 1.0,
        y,
        reach,
        verdict,
    };
    let mut marked: Vec<usize> = trend.alarms.iter().map(|s| s.index).collect();
    marked.dedup();
    for index in marked {
        single
            .points
            .push(mark(index, values[index], f64::NAN, Verdict::Outside));
    }
    if let Some(change) = trend
        .change
        .as_ref()
        .filter(|_| trend.state == State::Changed)
    {
        single.points.push(mark(
            change.first,
            values[change.first],
            f64::NAN,
            Verdict::Unresolved,
        ));
    }
    single.y_range = spread(&single);
    let mut list = vec![("values", single)];

    let mut ranges = chart(
        format!("{name}: steps between neighbours"),
        with_unit("step"),
    );
    let steps: Vec<f64> = values.windows(2).map(|w| (w[1] - w[0]).abs()).collect();
    for &index in &trend.ranges_beyond {
        ranges
            .points
            .push(mark(index, steps[index - 1], f64::NAN, Verdict::Outside));
    }
    ranges
        .curves
        .push(line("steps", numbers(1), steps, CurveStyle::Aligned));
    ranges.curves.push(level(
        "control limit",
        own * trend.range_high,
        count,
        CurveStyle::Numbered(2),
    ));
    ranges.y_range = spread(&ranges).map(|[_, high]| [0.0, high]);
    list.push(("steps", ranges));

    let mut average = chart(
        format!("{name}: weighted average"),
        with_unit("weighted average"),
    );
    let x = numbers(trend.baseline);
    let of = |what: &dyn Fn(&crate::production::ewma::Average) -> f64| -> Vec<f64> {
        trend.averages.iter().map(|a| own * what(a)).collect()
    };
    average.curves.push(line(
        "weighted average",
        x.clone(),
        of(&|a| a.value),
        CurveStyle::Aligned,
    ));
    average.curves.push(level(
        "centre",
        own * trend.centre,
        count,
        CurveStyle::Numbered(0),
    ));
    average.curves.push(line(
        "control limits",
        x.clone(),
        of(&|a| a.low),
        CurveStyle::Numbered(2),
    ));
    average.curves.push(line(
        "control limits",
        x,
        of(&|a| a.high),
        CurveStyle::Numbered(2),
    ));
    if let Some(index) = trend.average_alarm
        && let Some(a) = trend.averages.get(index - trend.baseline)
    {
        average
            .points
            .push(mark(index, own * a.value, f64::NAN, Verdict::Outside));
    }
    average.y_range = spread(&average);
    list.push(("average", average));
    for (_, chart) in &mut list {
        chart.description = format!("{}. {}", chart.title, sentences(trend).join(" "));
    }
    list
}

/// Ends that hold every curve and mark with a little room; `None` where they hold one value only.
fn spread(chart: &Chart) -> Option<[f64; 2]> {
    let all = chart
        .curves
        .iter()
        .flat_map(|c| c.y.iter().copied())
        .chain(chart.points.iter().map(|p| p.y));
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for v in all.filter(|v| v.is_finite()) {
        (low, high) = (low.min(v), high.max(v));
    }
    let room = 0.06 * (high - low);
    (room > 0.0).then_some([low - room, high + room])
}
