//! The curves and pictures of a prediction.

use super::csv::{Column, table};
use super::plot::{Chart, CurveLine, CurveStyle, RangeBand, Scale};
use crate::design::Design;
use crate::model::predict::Prediction;

/// Curves of one kind by element name.
type Named = [(String, Vec<f64>)];

/// All curves as one table.
#[must_use]
pub fn csv(p: &Prediction) -> String {
    let mut header: Vec<String> = Vec::new();
    let mut lists: Vec<&[f64]> = Vec::new();
    let mut add = |name: String, list| {
        header.push(name);
        lists.push(list);
    };
    add("frequency_hz".to_string(), p.frequency_hz.as_slice());
    add("level_1m_db".to_string(), &p.level_1m_db);
    add("phase_1m_deg".to_string(), &p.phase_1m_deg);
    add("group_delay_ms".to_string(), &p.group_delay_ms);
    add("impedance_ohm".to_string(), &p.impedance_ohm);
    add("impedance_deg".to_string(), &p.impedance_deg);
    add("displacement_mm_peak".to_string(), &p.displacement_mm);
    add("maximum_db".to_string(), &p.maximum_db);
    for (limit, level) in &p.limit_db {
        add(
            format!("maximum_by_{}_db", limit.word().replace(' ', "_")),
            level,
        );
    }
    let groups: [(&str, &str, &Named); 4] = [
        ("probe", "db", &p.probe_db),
        ("chamber", "pa", &p.chamber_pa),
        ("opening", "m3_per_s", &p.opening_m3_per_s),
        ("resistor", "m_per_s", &p.resistor_m_per_s),
    ];
    for (kind, unit, list) in groups {
        for (name, curve) in list {
            add(format!("{kind}.{name}_{unit}"), curve);
        }
    }
    let limits: Vec<String> = p.maximum_by.iter().map(|l| l.word().to_string()).collect();
    header.push("limited_by".to_string());
    let names: Vec<&str> = header.iter().map(String::as_str).collect();
    let mut columns: Vec<Column<'_>> = lists.into_iter().map(Column::Numbers).collect();
    columns.push(Column::Words(&limits));
    table(&names, &columns)
}

fn line(p: &Prediction, label: &str, y: &[f64], style: CurveStyle) -> CurveLine {
    CurveLine {
        label: label.to_string(),
        x: p.frequency_hz.clone(),
        y: y.to_vec(),
        style,
    }
}

/// The pictures, with the stem of their file names.
#[must_use]
pub fn charts(design: &Design, p: &Prediction) -> Vec<(&'static str, Chart)> {
    let range = [
        p.frequency_hz.first().copied().unwrap_or(1.0),
        p.frequency_hz.last().copied().unwrap_or(2.0),
    ];
    let chart = |title: &str, y: &str, scale| Chart::over_frequency(title, y, scale, range);
    let volts = design.drive.voltage_v;
    let mut level = chart(
        &format!("Sound pressure level at {volts} V"),
        "level in dB re 20 µPa",
        Scale::Linear,
    );
    level
        .curves
        .push(line(p, "at 1 m", &p.level_1m_db, CurveStyle::Measured));
    for (n, (name, curve)) in p.probe_db.iter().enumerate() {
        level
            .curves
            .push(line(p, name, curve, CurveStyle::Numbered(n)));
    }
    let mut impedance = chart("Impedance at the terminals", "|Z| in Ω", Scale::Log);
    impedance
        .curves
        .push(line(p, "|Z|", &p.impedance_ohm, CurveStyle::Measured));
    let mut displacement = chart(
        &format!("Cone displacement at {volts} V"),
        "displacement in mm, peak",
        Scale::Linear,
    );
    displacement
        .curves
        .push(line(p, "cone", &p.displacement_mm, CurveStyle::Measured));
    if let Some(xmax) = design.driver.xmax_m {
        let limit = vec![xmax * 1e3; p.frequency_hz.len()];
        displacement
            .curves
            .push(line(p, "xmax", &limit, CurveStyle::Numbered(0)));
    }
    let mut delay = chart(
        "Group delay at 1 m, without the way through the air",
        "group delay in ms",
        Scale::Linear,
    );
    delay
        .curves
        .push(line(p, "at 1 m", &p.group_delay_ms, CurveStyle::Measured));
    let mut list = vec![
        ("level", level),
        ("impedance", impedance),
        ("displacement", displacement),
        ("group-delay", delay),
    ];
    if p.maximum_db.iter().any(|v| v.is_finite()) {
        let mut most = chart(
            "Maximum level at 1 m, and what limits it",
            "level in dB re 20 µPa",
            Scale::Linear,
        );
        most.curves
            .push(line(p, "maximum", &p.maximum_db, CurveStyle::Measured));
        // A limit that holds nowhere would only stretch the scale: it is drawn up to 12 dB above the maximum.
        for (n, (limit, level)) in p.limit_db.iter().enumerate() {
            let near: Vec<f64> = level
                .iter()
                .zip(&p.maximum_db)
                .map(|(v, most)| if v - most <= 12.0 { *v } else { f64::NAN })
                .collect();
            if near.iter().any(|v| v.is_finite()) {
                most.curves
                    .push(line(p, &limit.word(), &near, CurveStyle::Numbered(n)));
            }
        }
        if let (Some(target), Some(wanted)) =
            (design.target, design.target.and_then(|t| t.level_db_1m))
        {
            most.bands.push(RangeBand {
                label: "wanted".to_string(),
                x: target.band_hz.to_vec(),
                low: vec![wanted; 2],
                high: vec![wanted + 0.3; 2],
            });
        }
        list.push(("maximum", most));
    }
    let groups: [(&str, &str, &str, &Named); 3] = [
        (
            "chamber-pressure",
            "Sound pressure in the chambers",
            "pressure in Pa, RMS",
            &p.chamber_pa,
        ),
        (
            "volume-velocity",
            "Volume velocity of the openings",
            "volume velocity in m³/s, RMS",
            &p.opening_m3_per_s,
        ),
        (
            "particle-velocity",
            "Particle velocity in the resistors",
            "particle velocity in m/s, RMS",
            &p.resistor_m_per_s,
        ),
    ];
    for (stem, title, y, curves) in groups {
        if curves.is_empty() {
            continue;
        }
        let mut picture = chart(&format!("{title} at {volts} V"), y, Scale::Log);
        for (n, (name, curve)) in curves.iter().enumerate() {
            picture
                .curves
                .push(line(p, name, curve, CurveStyle::Numbered(n)));
        }
        list.push((stem, picture));
    }
    list
}
