//! Writes a rehearsed set: the WAV files, `truth.json` and `captures.toml`, all or nothing.
//!
//! A new folder is filled beside its place and renamed. In a folder that exists, the old `captures.toml` goes first and
//! the new one comes last, so that no moment shows a mixed set; other files there are left alone.

use super::random::Random;
use super::record::{Rehearsed, RehearsedCapture};
use super::settings::Difference;
use crate::design::AirConditions;
use crate::design::captures::{CaptureKind, MicrophoneScale, SweepPlan};
use crate::files::{FileError, write_whole};
use serde::Serialize;
use std::fmt::Write as _;
use std::io::Cursor;
use std::path::{Component, Path, PathBuf};

/// Sample format of the WAV files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bits {
    /// 16-bit integer, dithered.
    Sixteen,
    /// 24-bit integer.
    TwentyFour,
    /// 32-bit integer.
    ThirtyTwo,
    /// 32-bit float.
    Float,
}

/// What a set says about itself beside its takes.
#[derive(Debug, Clone)]
pub struct Label<'a> {
    /// Serial number.
    pub unit: &'a str,
    /// The design file.
    pub design: &'a Path,
    /// Time of the takes, RFC 3339.
    pub taken: &'a str,
    /// Air during the takes.
    pub air: AirConditions,
    /// Sample format.
    pub bits: Bits,
    /// Seed of the set.
    pub seed: u64,
    /// What of the unit differs from the design.
    pub differences: &'a [Difference],
}

/// Writes the set into `folder`; returns the file names, `captures.toml` last.
///
/// # Errors
/// [`FileError::Write`] names what could not be written.
pub fn write_set(
    folder: &Path,
    rehearsed: &Rehearsed,
    label: &Label<'_>,
) -> Result<Vec<String>, FileError> {
    let names = file_names(rehearsed);
    let mut files: Vec<(String, Vec<u8>)> = Vec::new();
    for (index, (name, capture)) in names.iter().zip(&rehearsed.captures).enumerate() {
        let rate = rehearsed.sweep.sample_rate_hz;
        let dither = Random::new(label.seed, 0x6469_7468 + index as u64);
        let bytes = wav(&capture.channel, rate, label.bits, dither)
            .map_err(|cause| fail(&folder.join(name), cause))?;
        files.push((name.clone(), bytes));
    }
    files.push(("truth.json".into(), truth(label).into_bytes()));
    let text = captures_toml(folder, rehearsed, &names, label);
    files.push(("captures.toml".into(), text.into_bytes()));
    place(folder, &files)?;
    Ok(files.into_iter().map(|(name, _)| name).collect())
}

fn fail(path: &Path, cause: impl std::fmt::Display) -> FileError {
    FileError::Write {
        path: path.to_path_buf(),
        cause: std::io::Error::other(cause.to_string()),
    }
}

fn place(folder: &Path, files: &[(String, Vec<u8>)]) -> Result<(), FileError> {
    let io = |path: &Path| {
        let path = path.to_path_buf();
        move |cause: std::io::Error| FileError::Write {
            path: path.clone(),
            cause,
        }
    };
    let parent = match folder.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    if folder.exists() && !folder.is_dir() {
        return Err(fail(folder, "it is a file, a folder was expected"));
    }
    std::fs::create_dir_all(parent).map_err(io(parent))?;
    let staging = tempfile::Builder::new()
        .prefix(".bassay-")
        .suffix(".partial")
        .tempdir_in(parent)
        .map_err(io(parent))?;
    for (name, bytes) in files {
        write_whole(&staging.path().join(name), bytes)?;
    }
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let readable = std::fs::Permissions::from_mode(0o755);
        std::fs::set_permissions(staging.path(), readable).map_err(io(folder))?;
    }
    if !folder.exists() {
        let path = staging.keep();
        return std::fs::rename(&path, folder).map_err(|cause| {
            let _ = std::fs::remove_dir_all(&path);
            io(folder)(cause)
        });
    }
    let old = folder.join("captures.toml");
    if old.exists() {
        std::fs::remove_file(&old).map_err(io(&old))?;
    }
    for (name, _) in files {
        let target = folder.join(name);
        std::fs::rename(staging.path().join(name), &target).map_err(io(&target))?;
    }
    Ok(())
}

fn file_names(rehearsed: &Rehearsed) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    for capture in &rehearsed.captures {
        let safe: String = capture
            .label
            .chars()
            .map(|c| {
                if c.is_ascii_alphanumeric() || "-_.".contains(c) {
                    c
                } else {
                    '_'
                }
            })
            .collect();
        let mut name = format!("{safe}.wav");
        let mut count = 2;
        while names.contains(&name) {
            name = format!("{safe}-{count}.wav");
            count += 1;
        }
        names.push(name);
    }
    names
}

fn wav(
    channel: &[Vec<f64>],
    rate: u32,
    bits: Bits,
    mut dither: Random,
) -> Result<Vec<u8>, hound::Error> {
    let (bits_per_sample, sample_format) = match bits {
        Bits::Sixteen => (16, hound::SampleFormat::Int),
        Bits::TwentyFour => (24, hound::SampleFormat::Int),
        Bits::ThirtyTwo => (32, hound::SampleFormat::Int),
        Bits::Float => (32, hound::SampleFormat::Float),
    };
    let spec = hound::WavSpec {
        channels: channel.len() as u16,
        sample_rate: rate,
        bits_per_sample,
        sample_format,
    };
    let mut bytes = Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec)?;
    let full = 2f64.powi(i32::from(bits_per_sample) - 1);
    for k in 0..channel.first().map_or(0, Vec::len) {
        for samples in channel {
            let x = samples[k];
            if bits == Bits::Float {
                writer.write_sample(x as f32)?;
                continue;
            }
            let loose = if bits == Bits::Sixteen && x.abs() < 1.0 {
                dither.uniform() - dither.uniform()
            } else {
                0.0
            };
            let whole = (x * full + loose).round().clamp(-full, full - 1.0);
            writer.write_sample(whole as i32)?;
        }
    }
    writer.finalize()?;
    Ok(bytes.into_inner())
}

#[derive(Serialize)]
struct Truth<'a> {
    format: &'static str,
    unit: &'a str,
    seed: u64,
    differences: &'a [Difference],
}

fn truth(label: &Label<'_>) -> String {
    let truth = Truth {
        format: "bassay-truth/1",
        unit: label.unit,
        seed: label.seed,
        differences: label.differences,
    };
    // Finite numbers and text only, so that this cannot fail.
    serde_json::to_string_pretty(&truth).unwrap_or_default() + "\n"
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_string()).to_string()
}

/// A number as TOML wants it: with a point or an exponent.
fn number(value: f64) -> String {
    format!("{value:?}")
}

fn captures_toml(
    folder: &Path,
    rehearsed: &Rehearsed,
    names: &[String],
    label: &Label<'_>,
) -> String {
    let mut text = String::new();
    let design = relative(folder, label.design);
    let air = label.air;
    // Writing to a string does not fail.
    let _ = write!(
        text,
        "format = \"bassay-captures/1\"\nunit = {}\ndesign = {}\ntaken = {}\n\
         rehearsed = {}\ntemperature_c = {}\n\
         pressure_kpa = {}\nhumidity_pct = {}\n",
        quoted(label.unit),
        quoted(&design.to_string_lossy().replace('\\', "/")),
        label.taken,
        quoted(&format!("rehearsal, seed {}", label.seed)),
        number(air.temperature_c),
        number(air.pressure_kpa),
        number(air.humidity_pct),
    );
    text.push_str(&sweep_toml(&rehearsed.sweep));
    for (name, capture) in names.iter().zip(&rehearsed.captures) {
        text.push_str(&capture_toml(name, capture));
    }
    text
}

fn sweep_toml(sweep: &SweepPlan) -> String {
    let mut text = "\n[sweep]\n".to_string();
    for (key, value) in [
        ("start_hz", sweep.start_hz),
        ("stop_hz", sweep.stop_hz),
        ("duration_s", sweep.duration_s),
    ] {
        let _ = writeln!(text, "{key} = {}", number(value));
    }
    let _ = writeln!(text, "sample_rate_hz = {}", sweep.sample_rate_hz);
    for (key, value) in [
        ("level_dbfs", sweep.level_dbfs),
        ("fade_in_s", sweep.fade_in_s),
        ("fade_out_s", sweep.fade_out_s),
        ("silence_before_s", sweep.silence_before_s),
        ("silence_after_s", sweep.silence_after_s),
    ] {
        let _ = writeln!(text, "{key} = {}", number(value));
    }
    let _ = writeln!(text, "synchronized = {}", sweep.synchronized);
    text
}

fn capture_toml(name: &str, capture: &RehearsedCapture) -> String {
    let mut text = format!("\n[[capture]]\nfile = {}\n", quoted(name));
    match &capture.kind {
        CaptureKind::Impedance {
            source_channel,
            load_channel,
            reference_ohm,
            lead_ohm,
            gain_ratio,
        } => {
            let _ = write!(
                text,
                "quantity = \"impedance\"\nsource_channel = {source_channel}\nload_channel = {load_channel}\n\
                 reference_ohm = {}\nlead_ohm = {}\ngain_ratio = {}\n",
                number(*reference_ohm),
                number(*lead_ohm),
                number(*gain_ratio),
            );
        }
        CaptureKind::Pressure {
            probe,
            reference_channel,
            microphone_channel,
            scale,
            reference_v_per_unit,
            ..
        } => {
            let _ = write!(text, "quantity = \"pressure\"\nprobe = {}\n", quoted(probe));
            if let Some(channel) = reference_channel {
                let _ = writeln!(text, "reference_channel = {channel}");
            }
            let _ = writeln!(text, "microphone_channel = {microphone_channel}");
            if let MicrophoneScale::Sensitivity {
                sensitivity_v_per_pa,
                microphone_v_per_unit,
            } = scale
            {
                let _ = write!(
                    text,
                    "sensitivity_v_per_pa = {}\nmicrophone_v_per_unit = {}\n",
                    number(*sensitivity_v_per_pa),
                    number(*microphone_v_per_unit),
                );
            }
            let _ = writeln!(
                text,
                "reference_v_per_unit = {}",
                number(*reference_v_per_unit)
            );
        }
    }
    text
}

/// `target` as seen from `folder` (which need not exist yet); absolute where there is no way from one to the other.
fn relative(folder: &Path, target: &Path) -> PathBuf {
    let absolute = |path: &Path| {
        path.canonicalize()
            .or_else(|_| std::path::absolute(path))
            .unwrap_or_else(|_| path.to_path_buf())
    };
    let (folder, target) = (absolute(folder), absolute(target));
    let from: Vec<Component<'_>> = folder.components().collect();
    let to: Vec<Component<'_>> = target.components().collect();
    let shared = from.iter().zip(&to).take_while(|(a, b)| a == b).count();
    if shared == 0 {
        return target;
    }
    let up = std::iter::repeat_n(Component::ParentDir, from.len() - shared);
    up.chain(to[shared..].iter().copied()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_design_is_named_as_seen_from_the_set() {
        let folder = tempfile::tempdir().unwrap();
        let design = folder.path().join("design.toml");
        std::fs::write(&design, "").unwrap();
        assert_eq!(
            relative(&folder.path().join("units/one"), &design),
            Path::new("../../design.toml")
        );
        assert_eq!(relative(folder.path(), &design), Path::new("design.toml"));
    }

    #[test]
    fn samples_survive_the_file_in_every_format() {
        let channel = vec![vec![0.0, 0.25, -1.0, 1.0], vec![0.5, -0.125, 0.0, 0.75]];
        for (bits, allowed) in [
            (Bits::Sixteen, 1.6 / 32_768.0),
            (Bits::TwentyFour, 1.0 / 8_388_608.0),
            (Bits::ThirtyTwo, 1e-9),
            (Bits::Float, 1e-9),
        ] {
            let bytes = wav(&channel, 48_000, bits, Random::new(1, 1)).unwrap();
            let mut reader = hound::WavReader::new(Cursor::new(bytes)).unwrap();
            let spec = reader.spec();
            let read: Vec<f64> = match spec.sample_format {
                hound::SampleFormat::Float => reader
                    .samples::<f32>()
                    .map(|x| f64::from(x.unwrap()))
                    .collect(),
                hound::SampleFormat::Int => reader
                    .samples::<i32>()
                    .map(|x| f64::from(x.unwrap()) / 2f64.powi(i32::from(spec.bits_per_sample) - 1))
                    .collect(),
            };
            for (k, x) in read.iter().enumerate() {
                // DERIVED: half a step, one and a half with dither.
                assert!(
                    (x - channel[k % 2][k / 2]).abs() <= allowed,
                    "{bits:?} {k} {x}"
                );
            }
        }
    }
}
