//! Which inputs and outputs the machine has, and finding one by its name.

use super::card::CardError;
use super::hush::Hush;
use cpal::SupportedStreamConfigRange;
use cpal::traits::{DeviceTrait, HostTrait};
use serde::Serialize;

/// One direction of one device.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Port {
    /// Sound system of the machine.
    pub host: String,
    /// Name of the device.
    pub device: String,
    /// What the sound system calls it; tells devices of one name apart.
    pub id: String,
    /// `input` or `output`.
    pub direction: &'static str,
    /// Taken where no device is named.
    pub default: bool,
    /// Most channels.
    pub channels: u16,
    /// Lowest and highest sample rate, Hz.
    pub sample_rate_hz: [u32; 2],
    /// Sample formats.
    pub formats: Vec<String>,
    /// Whether the sound system may convert a rate that the hardware does not have, without telling.
    pub may_convert: bool,
}

/// Which way the sound goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// Heard.
    Input,
    /// Played.
    Output,
}

impl Direction {
    /// `input` or `output`.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Input => "input",
            Self::Output => "output",
        }
    }

    fn has(self, device: &cpal::Device) -> bool {
        match self {
            Self::Input => device.supports_input(),
            Self::Output => device.supports_output(),
        }
    }

    fn default_of(self, host: &cpal::Host) -> Option<cpal::Device> {
        match self {
            Self::Input => host.default_input_device(),
            Self::Output => host.default_output_device(),
        }
    }

    /// What the device can do in this direction; nothing if it cannot be opened.
    #[must_use]
    pub fn ranges(self, device: &cpal::Device) -> Vec<SupportedStreamConfigRange> {
        match self {
            Self::Input => device
                .supported_input_configs()
                .map(Iterator::collect)
                .unwrap_or_default(),
            Self::Output => device
                .supported_output_configs()
                .map(Iterator::collect)
                .unwrap_or_default(),
        }
    }
}

/// Every input and output of every sound system; empty if there is none.
#[must_use]
pub fn ports() -> Vec<Port> {
    let _hush = Hush::begin();
    let mut list = Vec::new();
    for id in cpal::available_hosts() {
        let Ok(host) = cpal::host_from_id(id) else {
            continue;
        };
        let defaults = [Direction::Input, Direction::Output]
            .map(|direction| direction.default_of(&host).map(|d| called(&d).1));
        for device in devices(&host) {
            for (direction, default) in [Direction::Input, Direction::Output].iter().zip(&defaults)
            {
                if direction.has(&device) {
                    list.extend(port(default.as_deref(), id.name(), &device, *direction));
                }
            }
        }
    }
    list
}

/// What the sound system calls a sink that swallows all and hears nothing. It takes any rate and any number of channels, and is
/// no device.
const NOTHING: &str = "null";

/// The devices of a host.
fn devices(host: &cpal::Host) -> impl Iterator<Item = cpal::Device> {
    let all = host.devices().into_iter().flatten();
    all.filter(|device| called(device).1 != NOTHING)
}

/// Whether a rate can be converted on the way without a word. A name of ALSA's that leads straight to the hardware, or to the
/// mixer in front of it, cannot; of all others it is not known.
fn converts(id: &str) -> bool {
    let straight = ["hw:", "dmix:", "dsnoop:"];
    !straight.iter().any(|begin| id.starts_with(begin))
}

/// Whether the sound system may convert the rate of this device without telling.
pub(super) fn may_convert(device: &cpal::Device) -> bool {
    converts(&called(device).1)
}

/// Name and identity of a device.
pub(super) fn called(device: &cpal::Device) -> (String, String) {
    let name = device
        .description()
        .map_or_else(|_| "unnamed".to_string(), |d| d.to_string());
    let id = device
        .id()
        .map_or_else(|_| name.clone(), |id| id.id().to_string());
    (name, id)
}

fn port(
    default: Option<&str>,
    host_name: &str,
    device: &cpal::Device,
    direction: Direction,
) -> Option<Port> {
    let ranges = direction.ranges(device);
    let (name, id) = called(device);
    let low = ranges
        .iter()
        .map(SupportedStreamConfigRange::min_sample_rate)
        .min()?;
    let high = ranges
        .iter()
        .map(SupportedStreamConfigRange::max_sample_rate)
        .max()?;
    let mut formats: Vec<String> = ranges
        .iter()
        .map(|r| r.sample_format().to_string())
        .collect();
    formats.sort();
    formats.dedup();
    Some(Port {
        host: host_name.to_string(),
        device: name,
        may_convert: converts(&id),
        default: default == Some(id.as_str()),
        id,
        direction: direction.word(),
        channels: ranges
            .iter()
            .map(SupportedStreamConfigRange::channels)
            .max()?,
        sample_rate_hz: [low, high],
        formats,
    })
}

/// Which of `known` (name and identity) is meant: the whole identity, the whole name, or a part of either that only one has.
///
/// # Errors
/// The places of all that fit: none, or more than one.
fn meant(known: &[(String, String)], wanted: &str) -> Result<usize, Vec<usize>> {
    let lower = wanted.to_lowercase();
    let fits = |test: &dyn Fn(&(String, String)) -> bool| -> Vec<usize> {
        (0..known.len()).filter(|&n| test(&known[n])).collect()
    };
    let mut found = Vec::new();
    for test in [
        &|(_, id): &(String, String)| id == wanted,
        &|(name, _): &(String, String)| name == wanted,
        &|(name, id): &(String, String)| {
            name.to_lowercase().contains(&lower) || id.to_lowercase().contains(&lower)
        },
    ] as [&dyn Fn(&(String, String)) -> bool; 3]
    {
        found = fits(test);
        if let [one] = found[..] {
            return Ok(one);
        }
        if !found.is_empty() {
            break;
        }
    }
    Err(found)
}

/// The device of that name; the default without one.
///
/// # Errors
/// [`CardError::Nothing`], [`CardError::NoDevice`], [`CardError::Ambiguous`].
pub fn find(wanted: Option<&str>, direction: Direction) -> Result<cpal::Device, CardError> {
    let _hush = Hush::begin();
    let mut all = Vec::new();
    for id in cpal::available_hosts() {
        let Ok(host) = cpal::host_from_id(id) else {
            continue;
        };
        // A sound system names a default also where nothing is connected.
        if wanted.is_none()
            && let Some(device) = direction.default_of(&host)
            && !direction.ranges(&device).is_empty()
        {
            return Ok(device);
        }
        all.extend(devices(&host).filter(|d| direction.has(d)));
    }
    let Some(name) = wanted else {
        all.retain(|d| !direction.ranges(d).is_empty());
        let direction = direction.word();
        return Err(if all.is_empty() {
            CardError::Nothing { direction }
        } else {
            CardError::NoDevice {
                direction,
                name: "default".to_string(),
                known: listed(&all.iter().map(called).collect::<Vec<_>>()),
            }
        });
    };
    let known: Vec<(String, String)> = all.iter().map(called).collect();
    match meant(&known, name) {
        Ok(one) => Ok(all.swap_remove(one)),
        Err(several) if several.len() > 1 => {
            let fit: Vec<_> = several.iter().map(|&n| known[n].clone()).collect();
            Err(CardError::Ambiguous {
                direction: direction.word(),
                name: name.to_string(),
                known: listed(&fit),
            })
        }
        Err(_) => Err(CardError::NoDevice {
            direction: direction.word(),
            name: name.to_string(),
            known: listed(&known),
        }),
    }
}

/// Names and identities in one line.
fn listed(known: &[(String, String)]) -> String {
    let names: Vec<String> = known
        .iter()
        .map(|(name, id)| format!("{name} [{id}]"))
        .collect();
    if names.is_empty() {
        "none".to_string()
    } else {
        names.join(", ")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_part_of_a_name_is_enough_if_only_one_has_it() {
        let known: Vec<(String, String)> = [
            ("Bench card, line", "hw:0"),
            ("Bench card, line", "plughw:0"),
            ("Dome desk", "desk"),
            ("Dome", "dome"),
        ]
        .map(|(a, b)| (a.to_string(), b.to_string()))
        .to_vec();
        assert_eq!(meant(&known, "hw:0"), Ok(0));
        assert_eq!(meant(&known, "plug"), Ok(1));
        assert_eq!(meant(&known, "DESK"), Ok(2));
        assert_eq!(meant(&known, "Dome"), Ok(3));
        assert_eq!(meant(&known, "Bench card, line"), Err(vec![0, 1]));
        assert_eq!(meant(&known, "dom"), Err(vec![2, 3]));
        assert_eq!(meant(&known, "tower"), Err(vec![]));
    }

    #[test]
    fn only_what_leads_to_the_hardware_keeps_its_rate() {
        for id in ["hw:CARD=0,DEV=0", "dmix:CARD=Bench,DEV=0", "dsnoop:1"] {
            assert!(!converts(id), "{id}");
        }
        for id in ["default", "plughw:CARD=0,DEV=0", "sysdefault:1", "pulse"] {
            assert!(converts(id), "{id}");
        }
    }
}
