//! The sheets of a rig, and what is planned from them. Read again from the disk for every run.

use crate::state::{DefaultSheets, Doing, Place, ReferenceState, RigState, Round};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use thiserror::Error;
use tripbench_job::{JobError, Loaded, Prepared, Texts, calibration, expired, header, load, source, task};
use tripbench_record::{Identity, IdentityHow, LoadedSheets, PositionPlan, own_number};
use tripbench_rig::RigSheet;
use tripbench_sheet::{Findings, Severity, Source};

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
    /// The rig sheet that was given is not the daemon's.
    #[error("the rig sheet that was given is not the one that the daemon has of `{0}`")]
    OtherRig(String),
    /// No script is named.
    #[error("no script: name one, or set one for this rig")]
    NoScript,
    /// No device takes part.
    #[error("no device: give at least one position a serial number, or a number of its own")]
    NoDevice,
    /// A file can not be read, or a calibration has expired.
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
    /// As the daemon began with it.
    rig_text: String,
    sheets: Arc<LoadedSheets>,
    default: DefaultSheets,
    predicted_s: Option<f64>,
    findings: Vec<String>,
}

/// Texts that take the place of a rig's own.
#[derive(Debug, Clone, Default)]
pub(crate) struct Given {
    /// The rig sheet as it was seen.
    pub(crate) rig: Option<String>,
    /// Site sheet.
    pub(crate) site: Option<Arc<Source>>,
    /// Type sheet.
    pub(crate) device_type: Option<Arc<Source>>,
    /// Settings sheet.
    pub(crate) settings: Option<Arc<Source>>,
    /// Script.
    pub(crate) script: Option<Arc<Source>>,
    /// Take no settings and no type sheet: measure only.
    pub(crate) measure_only: bool,
}

impl RigSheets {
    /// Reads the sheets of a rig from their files.
    ///
    /// # Errors
    /// If the rig sheet or the site sheet can not be read or has errors. Errors of the others only keep runs from starting.
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
        let (Some(sheets), true) = (loaded.sheets, errors.is_empty()) else {
            return Err(NotPlanned::Findings(errors));
        };
        let rig_text = texts.rig.as_ref().map(|rig| rig.text.clone()).unwrap_or_default();
        let mut rig = Self {
            origin,
            rig_text,
            sheets,
            default: DefaultSheets::default(),
            predicted_s: None,
            findings: Vec::new(),
        };
        rig.foresee(&texts);
        Ok(rig)
    }

    /// What the default sheets would do.
    fn foresee(&mut self, texts: &Texts) {
        let findings = Findings::new();
        let loaded = load(texts, &findings);
        if let Some(sheets) = &loaded.sheets {
            self.sheets = Arc::clone(sheets);
            self.default = DefaultSheets {
                script: loaded.script.as_ref().map(|script| script.header.name.value.clone()),
                device_type: sheets.device.as_ref().map(|device| device.header.name.value.clone()),
                settings: sheets.settings.as_ref().map(|settings| {
                    format!("{} rev {}", settings.header.name.value, settings.header.revision.value)
                }),
            };
        }
        let number = |position: &tripbench_rig::Position| PositionPlan {
            number: *position.number,
            identity: Identity { serial: String::new(), how: IdentityHow::OwnNumber },
        };
        let everywhere = self.rig().positions.iter().map(number).collect();
        self.predicted_s = task(&loaded, everywhere, &findings).map(|task| task.predicted().si());
        self.findings = errors(findings);
    }

    /// The rig sheet.
    pub fn rig(&self) -> &RigSheet {
        &self.sheets.rig
    }

    /// The sheets as the daemon began with them.
    pub fn sheets(&self) -> &Arc<LoadedSheets> {
        &self.sheets
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
    ) -> Result<(Prepared, String), NotPlanned> {
        if places.is_empty() {
            return Err(NotPlanned::NoDevice);
        }
        let own = read(&self.origin)?;
        if own.rig.as_ref().is_none_or(|rig| rig.text != self.rig_text) {
            return Err(NotPlanned::RigChanged);
        }
        if given.rig.is_some_and(|rig| rig != self.rig_text) {
            return Err(NotPlanned::OtherRig(self.name()));
        }
        let judged = !given.measure_only;
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
        Self::planned(&texts, places, operators)
    }

    fn planned(
        texts: &Texts,
        places: &[Place],
        operators: &[String],
    ) -> Result<(Prepared, String), NotPlanned> {
        let findings = Findings::new();
        let loaded: Loaded = load(texts, &findings);
        let stamp = jiff::ZonedDateTime::now().strftime("%Y%m%d-%H%M%S%3f").to_string();
        let plan = |place: &Place| PositionPlan {
            number: place.position,
            identity: match &place.serial {
                Some(serial) => Identity { serial: serial.clone(), how: IdentityHow::ByOperator },
                None => Identity { serial: own_number(&stamp, place.position), how: IdentityHow::OwnNumber },
            },
        };
        let planned = task(&loaded, places.iter().map(plan).collect(), &findings);
        let errors = errors(findings);
        let (Some(task), true) = (planned, errors.is_empty()) else {
            return Err(NotPlanned::Findings(errors));
        };
        let warnings = calibration(&task)?;
        let script =
            loaded.script.as_ref().map_or_else(String::new, |script| script.header.name.value.clone());
        let header = header(&task, &loaded, operators, warnings);
        Ok((Prepared { task, header, folder: PathBuf::new() }, script))
    }

    /// What is shown of a rig that nobody has looked at yet.
    pub(crate) fn shown(&self) -> RigState {
        let (rig, site) = (self.rig(), &self.sheets.site);
        let place = |position: &tripbench_rig::Position| Place {
            position: *position.number,
            present: position.present.as_ref().map(|_| false),
            ..Place::default()
        };
        RigState {
            rig: self.name(),
            doing: Doing::Starting,
            problem: None,
            outputs_safe: None,
            level: None,
            simulated: false,
            unit: site.style.unit.symbol().to_owned(),
            decimals: site.style.decimals(),
            language: site.language.clone(),
            sheets: self.default.clone(),
            reference: ReferenceState {
                name: rig.reference.name.value.clone(),
                due: rig.reference.calibration.due.value.to_string(),
                expired: expired(rig).is_some(),
            },
            predicted_s: self.predicted_s,
            findings: self.findings.clone(),
            round: Round { revision: 0, started: false, places: rig.positions.iter().map(place).collect() },
            failed: None,
            queue: Vec::new(),
            run: None,
            screen_width_mm: site.screen_width.map(|width| (width.si() * 1e3).round()),
            cautions: site.cautions.as_ref().map(|text| text.get(&site.language).to_owned()),
        }
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

/// Findings that are errors, as texts without colour.
fn errors(findings: Findings) -> Vec<String> {
    let errors = findings.into_sorted().into_iter().filter(|finding| finding.severity == Severity::Error);
    errors.map(|finding| finding.render(false)).collect()
}
