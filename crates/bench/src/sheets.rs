//! The sheets of a rig, and what is planned from them. Read again from the disk for every run.

use crate::chain::chain;
use crate::foreseen::{Foreseen, calibration_of, digest, errors};
use crate::round::Place;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use thiserror::Error;
use tripbench_job::{GoOn, JobError, Loaded, Prepared, Texts, calibration, header, load, source, task};
use tripbench_record::{Identity, IdentityHow, LoadedSheets, PositionPlan, SheetRole, own_number};
use tripbench_rig::RigSheet;
use tripbench_sheet::{Findings, Source};

/// Where the sheets of a rig are.
#[derive(Debug, Clone, Default)]
pub struct SheetFiles {
    /// Site sheet.
    pub site: Option<PathBuf>,
    /// Rig sheet.
    pub rig: PathBuf,
    /// Type sheet of its devices.
    pub device_type: Option<PathBuf>,
    /// Settings sheet of its devices.
    pub settings: Option<PathBuf>,
    /// Script.
    pub script: Option<PathBuf>,
}

/// Why no run can be made of some sheets.
#[derive(Debug, Error)]
pub enum NotPlanned {
    /// What the sheets lack, each finding as text.
    #[error("the sheets have errors")]
    Findings(Vec<String>),
    /// The rig sheet is another one than the daemon began with.
    #[error("the rig sheet was changed since the daemon began: start the daemon again")]
    RigChanged,
    /// The rig sheet is another one than in the earlier run.
    #[error("the rig sheet is not that of the earlier run: test the device in a new one")]
    RigThen,
    /// The sheets are not those that were shown.
    #[error(
        "the sheets on the disk are not those that were shown: look at what is shown now, then start again"
    )]
    SheetsChanged,
    /// The rig sheet that was given is not the daemon's.
    #[error("the rig sheet that was given is not the one that the daemon has of `{0}`")]
    OtherRig(String),
    /// No script is named.
    #[error("no script: name one, or set one for this rig")]
    NoScript,
    /// No device takes part.
    #[error("no device: give at least one position a serial number, or a number of its own")]
    NoDevice,
    /// A file cannot be read, or a calibration has expired.
    #[error(transparent)]
    Job(#[from] JobError),
}

/// Where a rig's sheets come from.
#[derive(Debug, Clone)]
enum Origin {
    Files(SheetFiles),
    Texts(Texts),
}

/// The sheets of a rig.
#[derive(Debug)]
pub struct RigSheets {
    origin: Origin,
    /// The rig sheet as the daemon began with it.
    rig: Arc<Source>,
    sheets: Arc<LoadedSheets>,
    now: Mutex<Arc<Foreseen>>,
}

/// A run that could start.
#[derive(Debug, Clone)]
pub(crate) struct Planned {
    pub(crate) prepared: Prepared,
    /// Name of its script.
    pub(crate) script: String,
    /// Which of the rig's own sheets it was planned from.
    pub(crate) own: OwnSheets,
}

/// Those of a rig's own sheets that a run was planned from.
#[derive(Debug, Clone)]
pub(crate) struct OwnSheets {
    /// Whether site, type, settings and script are the rig's own; the rig sheet always is.
    taken: [bool; 4],
    /// SHA-256 over their texts, hexadecimal.
    digest: String,
}

impl OwnSheets {
    fn of(own: &Texts, taken: [bool; 4]) -> Self {
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

/// Texts that take the place of a rig's own.
#[derive(Debug, Clone, Default)]
pub struct Given {
    /// The rig sheet as it was seen.
    pub rig: Option<String>,
    /// Site sheet.
    pub site: Option<Arc<Source>>,
    /// Type sheet.
    pub device_type: Option<Arc<Source>>,
    /// Settings sheet.
    pub settings: Option<Arc<Source>>,
    /// Script.
    pub script: Option<Arc<Source>>,
    /// Take no settings and no type sheet: measure only.
    pub measure_only: bool,
    /// Digest of the rig's own sheets, as it was shown to whoever starts.
    pub seen: Option<String>,
}

impl RigSheets {
    /// Reads the sheets of a rig from their files.
    ///
    /// # Errors
    /// If the rig sheet or the site sheet cannot be read or has errors. Errors of the others only keep runs from starting.
    pub fn from_files(files: SheetFiles) -> Result<Self, NotPlanned> {
        Self::begin(Origin::Files(files))
    }

    /// Takes the sheets of a rig from texts.
    ///
    /// # Errors
    /// As [`Self::from_files`].
    pub fn from_texts(texts: Texts) -> Result<Self, NotPlanned> {
        Self::begin(Origin::Texts(texts))
    }

    fn begin(origin: Origin) -> Result<Self, NotPlanned> {
        let texts = read(&origin)?;
        let bare = Texts { site: texts.site.clone(), rig: texts.rig.clone(), ..Texts::default() };
        let findings = Findings::new();
        let loaded = load(&bare, &findings);
        let errors = errors(findings);
        let (Some(sheets), Some(rig), true) = (loaded.sheets, texts.rig.clone(), errors.is_empty()) else {
            return Err(NotPlanned::Findings(errors));
        };
        let now = Mutex::new(Arc::new(Foreseen::of(&texts, &sheets)));
        Ok(Self { origin, rig, sheets, now })
    }

    fn now(&self) -> MutexGuard<'_, Arc<Foreseen>> {
        self.now.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What the sheets would do, as of the last look.
    pub fn foreseen(&self) -> Arc<Foreseen> {
        Arc::clone(&self.now())
    }

    /// Reads the sheets again; what they would do now, if that is other than at the last look.
    pub(crate) fn look_again(&self) -> Option<Arc<Foreseen>> {
        let read = read(&self.origin);
        let before = self.foreseen();
        if let Ok(texts) = &read
            && digest(texts) == before.names.digest
            && calibration_of(self.rig()) == [before.expired, before.dated_ahead]
        {
            return None;
        }
        let fresh = Arc::new(match read {
            Ok(texts) if self.is_own(&texts) => Foreseen::of(&texts, &before.sheets),
            Ok(texts) => {
                let texts = Texts { rig: Some(Arc::clone(&self.rig)), ..texts };
                Foreseen::of(&texts, &before.sheets).lacking(NotPlanned::RigChanged.to_string())
            }
            Err(error) => before.unread(chain(&error)),
        });
        *self.now() = Arc::clone(&fresh);
        fresh.differs(&before).then_some(fresh)
    }

    /// Refuses a run that was planned from other sheets than those on the disk now.
    ///
    /// # Errors
    /// If the sheets cannot be read, or one of those that the run takes was changed.
    pub(crate) fn check_unchanged(&self, planned: &OwnSheets) -> Result<(), NotPlanned> {
        let now = OwnSheets::of(&read(&self.origin)?, planned.taken);
        if now.digest == planned.digest { Ok(()) } else { Err(NotPlanned::SheetsChanged) }
    }

    fn is_own(&self, texts: &Texts) -> bool {
        texts.rig.as_ref().is_some_and(|rig| rig.text == self.rig.text)
    }

    /// The rig sheet.
    pub fn rig(&self) -> &RigSheet {
        &self.sheets.rig
    }

    /// Name of the rig.
    pub fn name(&self) -> String {
        self.rig().header.name.value.clone()
    }

    /// A run of this rig, planned; `places` are where devices are.
    ///
    /// # Errors
    /// If the sheets have errors, the rig sheet was changed, nothing takes part, or the calibration has expired.
    pub(crate) fn prepare(
        &self,
        given: Given,
        places: &[Place],
        operators: &[String],
    ) -> Result<Planned, NotPlanned> {
        if places.is_empty() {
            return Err(NotPlanned::NoDevice);
        }
        let own = read(&self.origin)?;
        if !self.is_own(&own) {
            return Err(NotPlanned::RigChanged);
        }
        if given.rig.is_some_and(|rig| rig != self.rig.text) {
            return Err(NotPlanned::OtherRig(self.name()));
        }
        if given.seen.is_some_and(|seen| seen != digest(&own)) {
            return Err(NotPlanned::SheetsChanged);
        }
        let judged = !given.measure_only;
        let taken = [
            given.site.is_none(),
            judged && given.device_type.is_none(),
            judged && given.settings.is_none(),
            given.script.is_none(),
        ];
        let planned_from = OwnSheets::of(&own, taken);
        let texts = Texts {
            site: given.site.or(own.site),
            rig: own.rig,
            device_type: given.device_type.or(own.device_type).filter(|_| judged),
            settings: given.settings.or(own.settings).filter(|_| judged),
            script: given.script.or(own.script),
        };
        if texts.script.is_none() {
            return Err(NotPlanned::NoScript);
        }
        let (prepared, script) = Self::planned(&texts, places, operators)?;
        Ok(Planned { prepared, script, own: planned_from })
    }

    fn planned(
        texts: &Texts,
        places: &[Place],
        operators: &[String],
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
        made(&loaded, places.iter().map(plan).collect(), operators, findings)
    }

    /// A device of an earlier run tested again, with the sheets of that run.
    ///
    /// # Errors
    /// If the rig sheet is another one than then, or no run can be planned.
    pub(crate) fn prepare_again(&self, go_on: GoOn, operators: &[String]) -> Result<Planned, NotPlanned> {
        let GoOn { loaded, position, operators: then, again, simulated, at_simulator: _, ramps: _ } = go_on;
        let own = read(&self.origin)?;
        let of_then = loaded.copies.iter().find(|copy| copy.role == SheetRole::Rig);
        if !self.is_own(&own) {
            return Err(NotPlanned::RigChanged);
        }
        if of_then.is_none_or(|copy| copy.text != self.rig.text) {
            return Err(NotPlanned::RigThen);
        }
        let operators = if operators.is_empty() { &then } else { operators };
        let (mut prepared, script) = made(&loaded, vec![position], operators, Findings::new())?;
        prepared.header.again = Some(again);
        prepared.header.simulated |= simulated;
        Ok(Planned { prepared, script, own: OwnSheets::of(&own, [false; 4]) })
    }

    /// The positions of the rig, empty; no plug is seen yet.
    pub(crate) fn places(&self) -> Vec<Place> {
        let place = |position: &tripbench_rig::Position| Place {
            position: *position.number,
            present: position.present.as_ref().map(|_| false),
            ..Place::default()
        };
        self.rig().positions.iter().map(place).collect()
    }
}

/// A time that no other start has, of any rig: numbers of the bench begin with it.
fn stamp() -> String {
    static LAST: Mutex<i64> = Mutex::new(0);
    let mut last = LAST.lock().unwrap_or_else(PoisonError::into_inner);
    *last = jiff::Timestamp::now().as_millisecond().max(*last + 1);
    let time = jiff::Timestamp::from_millisecond(*last).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    time.strftime("%Y%m%d-%H%M%S%3f").to_string()
}

/// A run of sheets that were read.
fn made(
    loaded: &Loaded,
    positions: Vec<PositionPlan>,
    operators: &[String],
    findings: Findings,
) -> Result<(Prepared, String), NotPlanned> {
    let planned = task(loaded, positions, &findings);
    let errors = errors(findings);
    let (Some(task), true) = (planned, errors.is_empty()) else {
        return Err(NotPlanned::Findings(errors));
    };
    let warnings = calibration(&task)?;
    let script = loaded.script.as_ref().map_or_else(String::new, |script| script.header.name.value.clone());
    let header = header(&task, loaded, operators, warnings);
    Ok((Prepared { task, header, folder: PathBuf::new() }, script))
}

fn read(origin: &Origin) -> Result<Texts, JobError> {
    let files = match origin {
        Origin::Texts(texts) => return Ok(texts.clone()),
        Origin::Files(files) => files,
    };
    let read = |path: &Option<PathBuf>| path.as_deref().map(|path: &Path| source(path)).transpose();
    Ok(Texts {
        site: read(&files.site)?,
        rig: Some(source(&files.rig)?),
        device_type: read(&files.device_type)?,
        settings: read(&files.settings)?,
        script: read(&files.script)?,
    })
}
