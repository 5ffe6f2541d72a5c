//! Plans a run from sheets.

use crate::not_planned::NotPlanned;
use crate::round::Place;
use crate::sheet_preview::{digest, errors};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use tripbench_record::{Identity, IdentityHow, PositionPlan, own_number};
use tripbench_runner::{Loaded, Prepared, Texts, Today, calibration, header, load, task};
use tripbench_sheet::{Findings, Source};

/// A run that is planned and could start.
#[derive(Debug, Clone)]
pub(crate) struct Planned {
    pub(crate) prepared: Prepared,
    /// Name of its script.
    pub(crate) script: String,
    /// The rig's own sheets from which it was planned.
    pub(crate) own: OwnSheets,
}

/// The rig's own sheets from which a run was planned.
#[derive(Debug, Clone)]
pub(crate) struct OwnSheets {
    /// Whether each of site, type, settings and script is the rig's own; the rig sheet always is.
    pub(crate) taken: [bool; 4],
    /// SHA-256 over their texts, hexadecimal.
    pub(crate) digest: String,
}

impl OwnSheets {
    pub(crate) fn of(own: &Texts, taken: [bool; 4]) -> Self {
        let [site, device_type, settings, script] = taken;
        let of = |sheet: &Option<Arc<Source>>, taken: bool| sheet.clone().filter(|_| taken);
        let texts = Texts {
            site: of(&own.site, site),
            rig: own.rig.clone(),
            device_type: of(&own.device_type, device_type),
            settings: of(&own.settings, settings),
            script: of(&own.script, script),
        };
        Self { taken, digest: digest(&texts) }
    }
}

/// Plans a run of the sheets in `texts`; `places` are the positions with devices.
///
/// # Errors
/// If the sheets have errors, or the calibration has expired and the site refuses such runs.
pub(crate) fn planned(
    texts: &Texts,
    (places, operators): (&[Place], &[String]),
    today: &Today,
) -> Result<(Prepared, String), NotPlanned> {
    let findings = Findings::new();
    let loaded = load(texts, &findings);
    let stamp = stamp();
    let plan = |place: &Place| PositionPlan {
        number: place.position,
        identity: match &place.serial {
            Some(serial) => Identity { serial: serial.clone(), how: IdentityHow::ByOperator },
            None => Identity { serial: own_number(&stamp, place.position), how: IdentityHow::OwnNumber },
        },
    };
    made(&loaded, (places.iter().map(plan).collect(), operators), today, findings)
}

/// A time stamp unique to this start among all rigs: the own numbers of devices begin with it.
fn stamp() -> String {
    static LAST: Mutex<i64> = Mutex::new(0);
    let mut last = LAST.lock().unwrap_or_else(PoisonError::into_inner);
    *last = jiff::Timestamp::now().as_millisecond().max(*last + 1);
    let time = jiff::Timestamp::from_millisecond(*last).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    time.strftime("%Y%m%d-%H%M%S%3f").to_string()
}

/// Plans a run of sheets that were read.
pub(crate) fn made(
    loaded: &Loaded,
    (positions, operators): (Vec<PositionPlan>, &[String]),
    today: &Today,
    findings: Findings,
) -> Result<(Prepared, String), NotPlanned> {
    let planned = task(loaded, positions, &findings);
    let errors = errors(findings);
    let (Some(task), true) = (planned, errors.is_empty()) else {
        return Err(NotPlanned::Findings(errors));
    };
    let warnings = calibration(&task, today)?;
    let script = loaded.script.as_ref().map_or_else(String::new, |script| script.header.name.value.clone());
    let header = header(&task, loaded, operators, warnings);
    Ok((Prepared { task, header, folder: PathBuf::new() }, script))
}
