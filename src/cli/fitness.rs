//! Whether a station may inspect: its checks in the log, and the age of its calibrations.

use super::failure::Failure;
use crate::design::limits::Limits;
use crate::design::station::Station;
use crate::production::entry::{self, Kind};
use crate::production::ledger::{Filter, Store};
use crate::production::station_fit::{Fitness, station_is_fit};

/// Station checks that the newest one is compared with, and itself.
const CHECKS: usize = 101;

/// The station's checks in the log must let it inspect; gives the digest of the last one, if the limits ask for one.
pub(super) fn fit(
    station: &str,
    limits: &Limits,
    ledger: Option<&mut (dyn Store + 'static)>,
) -> Result<Option<String>, Failure> {
    let Some(hours) = limits.station.check_within_h else {
        return Ok(None);
    };
    let refuse = |why: String| {
        Err(Failure::system(format!(
            "nothing was inspected: {why} (the limits ask for a passed check within {hours} h: `bassay station check`)"
        )))
    };
    let Some(ledger) = ledger else {
        return refuse("no --ledger was given that would hold its checks".to_string());
    };
    let mut checks = ledger.select(&Filter {
        kind: Some(Kind::StationCheck),
        station: Some(station.to_string()),
        latest: Some(CHECKS),
        ..Filter::default()
    })?;
    checks.extend(ledger.select(&Filter {
        kind: Some(Kind::Correction),
        ..Filter::default()
    })?);
    let oldest = jiff::SignedDuration::from_secs((hours * 3600.0) as i64);
    match station_is_fit(&checks, jiff::Timestamp::now(), station, oldest) {
        Fitness::Fit(digest) => Ok(Some(digest)),
        Fitness::TooOld(_, why) | Fitness::OutOfControl(why) => refuse(why),
    }
}

/// The state of the station's calibrations at the time of the captures; too old ones are refused where the limits say so.
pub(super) fn calibrated(
    station: Option<&Station>,
    at: jiff::Timestamp,
    limits: &Limits,
    check: Option<String>,
) -> Result<Option<entry::Bench>, Failure> {
    let oldest = station.and_then(|s| s.oldest_days(at));
    if let Some(most) = limits.station.calibrated_within_days {
        match oldest {
            None => {
                return Err(Failure::system(format!(
                    "the limits ask for calibrations within {most} days, and the captures name no calibrated station; expected station = \"station.toml\" in captures.toml, or --station-file with --record"
                )));
            }
            Some(days) if days > most => {
                return Err(Failure::system(format!(
                    "the station's oldest calibration is {days:.0} days old and the limits ask for {most}: `bassay station` makes it anew"
                )));
            }
            Some(_) => {}
        }
    }
    Ok(station.map(|s| entry::Bench {
        digest: s.digest.clone(),
        oldest_days: oldest.unwrap_or(f64::MAX).min(1e6),
        check,
    }))
}
