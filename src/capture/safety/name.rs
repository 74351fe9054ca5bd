//! The limits of a forecast by name.

use serde::Serialize;

/// A limit, with the name by which a person may allow to exceed it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Name {
    /// `xmax_m`.
    Displacement,
    /// `power_w`.
    Power,
    /// `max_voltage_v`.
    Voltage,
    /// `max_current_a`.
    Current,
    /// Hearing, at the operator's place.
    Level,
    /// The microphone's own limit.
    Microphone,
    /// The jig's reference resistor.
    Resistor,
    /// `max_velocity_m_per_s` of a damping resistor or an opening.
    Velocity,
}

impl Name {
    /// All names.
    pub const ALL: [Self; 8] = [
        Self::Displacement,
        Self::Power,
        Self::Voltage,
        Self::Current,
        Self::Level,
        Self::Microphone,
        Self::Resistor,
        Self::Velocity,
    ];

    /// The word that a person types.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Displacement => "displacement",
            Self::Power => "power",
            Self::Voltage => "voltage",
            Self::Current => "current",
            Self::Level => "level",
            Self::Microphone => "microphone",
            Self::Resistor => "resistor",
            Self::Velocity => "velocity",
        }
    }

    /// Where its number is stated, for people.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Displacement => "xmax_m of the driver",
            Self::Power => "power_w of the driver",
            Self::Voltage => "max_voltage_v of [drive]",
            Self::Current => "max_current_a of [drive]",
            Self::Level => "always there",
            Self::Microphone => "max_peak_db of the station's [microphone]",
            Self::Resistor => "reference_power_w of the station's [jig]",
            Self::Velocity => "max_velocity_m_per_s of each damping resistor",
        }
    }
}

impl std::str::FromStr for Name {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let found = Self::ALL.into_iter().find(|name| name.word() == text);
        found.ok_or_else(|| {
            let known: Vec<&str> = Self::ALL.iter().map(|n| n.word()).collect();
            format!("'{text}' is no limit; expected {}", known.join(", "))
        })
    }
}
