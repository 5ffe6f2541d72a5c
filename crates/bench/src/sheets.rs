//! The sheets of a rig and the runs planned from them. The sheets are read again from the disk for every run.

use crate::chain::chain;
use crate::not_planned::NotPlanned;
use crate::plan::{OwnSheets, Planned, made, planned};
use crate::round::Place;
use crate::sheet_preview::{SheetPreview, calibration_of, digest, errors};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tripbench_record::{LoadedSheets, SheetRole};
use tripbench_rig::RigSheet;
use tripbench_runner::{JobError, Retest, Texts, Today, load, source};
use tripbench_sheet::{Findings, Source};

/// Paths of the sheets of a rig.
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

/// Source of a rig's sheets.
#[derive(Debug, Clone)]
enum Origin {
    Files(SheetFiles),
    Texts(Texts),
}

/// The sheets of a rig.
#[derive(Debug)]
pub struct RigSheets {
    origin: Origin,
    /// The rig sheet with which the daemon started.
    rig: Arc<Source>,
    sheets: Arc<LoadedSheets>,
    now: Mutex<Arc<SheetPreview>>,
}

/// Texts that replace a rig's own sheets.
#[derive(Debug, Clone, Default)]
pub struct Given {
    /// The rig sheet that the requester has seen.
    pub rig: Option<String>,
    /// Site sheet.
    pub site: Option<Arc<Source>>,
    /// Type sheet.
    pub device_type: Option<Arc<Source>>,
    /// Settings sheet.
    pub settings: Option<Arc<Source>>,
    /// Script.
    pub script: Option<Arc<Source>>,
    /// Whether to use no settings and no type sheet: measure only.
    pub measure_only: bool,
    /// Digest of the rig's own sheets that the requester has seen.
    pub seen: Option<String>,
}

impl RigSheets {
    /// Reads the sheets of a rig from their files.
    ///
    /// # Errors
    /// If the rig sheet or the site sheet cannot be read or has errors. Errors in the other sheets only keep runs from starting.
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
        let now = Mutex::new(Arc::new(SheetPreview::of(&texts, &sheets, &Today::by_clock())));
        Ok(Self { origin, rig, sheets, now })
    }

    fn now(&self) -> MutexGuard<'_, Arc<SheetPreview>> {
        self.now.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The preview of the sheets from the last look.
    pub fn preview(&self) -> Arc<SheetPreview> {
        Arc::clone(&self.now())
    }

    /// Reads the sheets again; returns the new preview if it differs from that of the last look.
    pub(crate) fn look_again(&self, today: &Today) -> Option<Arc<SheetPreview>> {
        let read = read(&self.origin);
        let before = self.preview();
        if let Ok(texts) = &read
            && digest(texts) == before.names.digest
            && today.unknown().is_none()
            && calibration_of(self.rig(), today) == [before.expired, before.dated_ahead]
        {
            return None;
        }
        let fresh = Arc::new(match read {
            Ok(texts) if self.is_own(&texts) => SheetPreview::of(&texts, &before.sheets, today),
            Ok(texts) => {
                let texts = Texts { rig: Some(Arc::clone(&self.rig)), ..texts };
                SheetPreview::of(&texts, &before.sheets, today).lacking(NotPlanned::RigChanged.to_string())
            }
            Err(error) => before.unread(chain(&error)),
        });
        *self.now() = Arc::clone(&fresh);
        fresh.differs(&before).then_some(fresh)
    }

    /// Refuses a run if its sheets on the disk have changed since it was planned.
    ///
    /// # Errors
    /// If the sheets cannot be read, or one that the run uses was changed.
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

    /// Plans a run of this rig; `places` are the positions with devices.
    ///
    /// # Errors
    /// If the sheets have errors, the rig sheet was changed, no position has a device, or the calibration has expired.
    pub(crate) fn prepare(
        &self,
        given: Given,
        (places, operators): (&[Place], &[String]),
        today: &Today,
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
        let (prepared, script) = planned(&texts, (places, operators), today)?;
        Ok(Planned { prepared, script, own: planned_from })
    }

    /// Plans a retest of a device of an earlier run, with the sheets of that run.
    ///
    /// # Errors
    /// If the rig sheet differs from that of the earlier run, or the run cannot be planned.
    pub(crate) fn prepare_again(
        &self,
        retest: Retest,
        operators: &[String],
        today: &Today,
    ) -> Result<Planned, NotPlanned> {
        let Retest { loaded, position, operators: then, again, simulated, at_simulator: _, ramps: _ } =
            retest;
        let own = read(&self.origin)?;
        let of_then = loaded.copies.iter().find(|copy| copy.role == SheetRole::Rig);
        if !self.is_own(&own) {
            return Err(NotPlanned::RigChanged);
        }
        if of_then.is_none_or(|copy| copy.text != self.rig.text) {
            return Err(NotPlanned::RigThen);
        }
        let operators = if operators.is_empty() { &then } else { operators };
        let (mut prepared, script) = made(&loaded, (vec![position], operators), today, Findings::new())?;
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

#[cfg(test)]
mod tests;
