//! Which inputs and outputs the machine has.

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
    /// `input` or `output`.
    pub direction: &'static str,
    /// Most channels.
    pub channels: u16,
    /// Lowest and highest sample rate, Hz.
    pub sample_rate_hz: [u32; 2],
    /// Sample formats.
    pub formats: Vec<String>,
}

/// Every input and output of every sound system; empty if there is none.
#[must_use]
pub fn ports() -> Vec<Port> {
    let mut list = Vec::new();
    for id in cpal::available_hosts() {
        let Ok(host) = cpal::host_from_id(id) else {
            continue;
        };
        let Ok(devices) = host.devices() else {
            continue;
        };
        for device in devices {
            let name = device
                .description()
                .map_or_else(|_| "unnamed".to_string(), |d| d.to_string());
            let input: Vec<_> = device
                .supported_input_configs()
                .map(Iterator::collect)
                .unwrap_or_default();
            let output: Vec<_> = device
                .supported_output_configs()
                .map(Iterator::collect)
                .unwrap_or_default();
            for (direction, ranges) in [("input", input), ("output", output)] {
                list.extend(port(id.name(), &name, direction, &ranges));
            }
        }
    }
    list
}

fn port(
    host: &str,
    device: &str,
    direction: &'static str,
    ranges: &[SupportedStreamConfigRange],
) -> Option<Port> {
    let channels = ranges
        .iter()
        .map(SupportedStreamConfigRange::channels)
        .max()?;
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
        host: host.to_string(),
        device: device.to_string(),
        direction,
        channels,
        sample_rate_hz: [low, high],
        formats,
    })
}
