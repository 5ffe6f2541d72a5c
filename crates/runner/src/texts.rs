//! The sheets of a run, read together, with the findings of all of them.

use crate::JobError;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tripbench_device::{SettingsDraft, SettingsSheet, SiteSheet, Surroundings, TypeSheet, check_settings};
use tripbench_engine::{PlanInput, Script, plan};
use tripbench_record::{LoadedSheets, PositionPlan, SheetCopy, SheetRole, Task, sha256_hex};
use tripbench_rig::RigSheet;
use tripbench_sheet::{Finding, Findings, Header, Source, State, Wording, read_sheet};

/// Texts of the sheets of a run.
#[derive(Debug, Clone, Default)]
pub struct Texts {
    /// Site sheet.
    pub site: Option<Arc<Source>>,
    /// Rig sheet.
    pub rig: Option<Arc<Source>>,
    /// Type sheet of the devices.
    pub device_type: Option<Arc<Source>>,
    /// Settings sheet of the devices.
    pub settings: Option<Arc<Source>>,
    /// Script.
    pub script: Option<Arc<Source>>,
}

/// The sheets as read.
#[derive(Debug, Clone)]
pub struct Loaded {
    /// The sheets; `None` without a rig sheet, or if a site, rig, type or settings sheet has errors.
    pub sheets: Option<Arc<LoadedSheets>>,
    /// The script; `None` if none was given or it has errors.
    pub script: Option<Script>,
    /// Copies of their texts, for the record.
    pub copies: Vec<SheetCopy>,
    /// Whether any of them is a draft.
    pub trial: bool,
}

/// Reads a file as a source.
///
/// # Errors
/// If it cannot be read.
pub fn source(path: &Path) -> Result<Arc<Source>, JobError> {
    let read = |source| JobError::File { what: "read the sheet", path: path.to_owned(), source };
    let text = String::from_utf8(std::fs::read(path).map_err(read)?).map_err(|error| {
        let good = &error.as_bytes()[..error.utf8_error().valid_up_to()];
        let line = String::from_utf8_lossy(good).matches('\n').count() + 1;
        JobError::NotUtf8 { path: path.to_owned(), line }
    })?;
    Ok(Source::new(path.display().to_string(), text))
}

/// Reads every given sheet, applies the rules between them, and adds all findings to `findings`.
pub fn load(texts: &Texts, findings: &Findings) -> Loaded {
    let site = texts.site.as_ref().map(|source| read_sheet(source, findings, SiteSheet::read));
    let rig = texts.rig.as_ref().and_then(|source| read_sheet(source, findings, RigSheet::read));
    let device = texts.device_type.as_ref().map(|source| read_sheet(source, findings, TypeSheet::read));
    let draft = texts.settings.as_ref().map(|source| read_sheet(source, findings, SettingsDraft::read));
    let script = texts.script.as_ref().and_then(|source| read_sheet(source, findings, Script::read));
    let site = site.unwrap_or_else(|| Some(SiteSheet::default()));
    let settings =
        draft.map(|draft| settings(draft, device.as_ref(), rig.as_ref().zip(site.as_ref()), findings));
    let mut copies = copies(texts, rig.as_ref(), device.as_ref(), settings.as_ref(), script.as_ref());
    if let Some(copy) = copies.iter_mut().find(|copy| copy.role == SheetRole::Site) {
        copy.name = site.as_ref().map_or_else(String::new, |site| site.name.clone());
    }
    let headers = [
        rig.as_ref().map(|rig| &rig.header),
        device.as_ref().and_then(Option::as_ref).map(|device| &device.header),
        settings.as_ref().and_then(Option::as_ref).map(|settings| &settings.header),
        script.as_ref().map(|script| &script.header),
    ];
    headers.into_iter().flatten().for_each(|header| refuse_withdrawn(header, findings));
    let trial = copies.iter().any(|copy| copy.state == State::Draft.word());
    let whole = settings.as_ref().is_none_or(Option::is_some) && device.as_ref().is_none_or(Option::is_some);
    let unit = settings.as_ref().and_then(Option::as_ref).map(|settings| settings.unit.value);
    let sheets = rig.zip(site).filter(|_| whole).map(|(rig, mut site)| {
        // Without a site sheet, levels are shown in the unit of the device.
        if let Some(unit) = unit.filter(|_| texts.site.is_none()) {
            site.style.unit = unit;
        }
        Arc::new(LoadedSheets { rig, site, device: device.flatten(), settings: settings.flatten() })
    });
    Loaded { sheets, script, copies, trial }
}

fn refuse_withdrawn(header: &Header, findings: &Findings) {
    if header.state.value == State::Withdrawn {
        let message = format!("`{}` revision {} is withdrawn", *header.name, *header.revision);
        let wording = Wording::new(message, "no run may use this sheet", "use the sheet that replaced it");
        findings.add(Finding::error("withdrawn", &header.state.place, wording));
    }
}

fn settings(
    draft: Option<SettingsDraft>,
    device: Option<&Option<TypeSheet>>,
    place: Option<(&RigSheet, &SiteSheet)>,
    findings: &Findings,
) -> Option<SettingsSheet> {
    let device = device?.as_ref()?;
    // Without a rig sheet, only ambient pressure limits the depth of the vacuum.
    let reached = place.map_or_else(
        || SiteSheet::default().reached(device.full_scale.value),
        |(rig, site)| site.reached(rig.manifold.ultimate_vacuum.value),
    );
    check_settings(draft?, device, Surroundings { reached }, findings)
}

fn copies(
    texts: &Texts,
    rig: Option<&RigSheet>,
    device: Option<&Option<TypeSheet>>,
    settings: Option<&Option<SettingsSheet>>,
    script: Option<&Script>,
) -> Vec<SheetCopy> {
    let copy = |role: SheetRole, source: &Option<Arc<Source>>, header: Option<&Header>| {
        let source = source.as_ref()?;
        let file = Path::new(&source.name)
            .file_name()
            .map_or_else(String::new, |name| name.to_string_lossy().into_owned());
        Some(SheetCopy {
            role,
            file,
            name: header.map_or_else(String::new, |header| header.name.value.clone()),
            revision: header.map_or_else(String::new, |header| header.revision.value.clone()),
            state: header.map_or("", |header| header.state.word()).to_owned(),
            sha256: sha256_hex(source.text.as_bytes()),
            text: source.text.clone(),
        })
    };
    [
        copy(SheetRole::Site, &texts.site, None),
        copy(SheetRole::Rig, &texts.rig, rig.map(|rig| &rig.header)),
        copy(
            SheetRole::Type,
            &texts.device_type,
            device.and_then(Option::as_ref).map(|device| &device.header),
        ),
        copy(
            SheetRole::Settings,
            &texts.settings,
            settings.and_then(Option::as_ref).map(|settings| &settings.header),
        ),
        copy(SheetRole::Script, &texts.script, script.map(|script| &script.header)),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// Longest predicted duration of a run: half a shift, about 200 MB of journal at 15 ms per scan, all of which the judge holds in memory.
/// Judgement of this project.
const LONGEST_RUN: Duration = Duration::from_hours(4);

/// The plan; `None` if a sheet or the script is missing, or planning finds an error, or the run would take too long.
pub fn task(loaded: &Loaded, positions: Vec<PositionPlan>, findings: &Findings) -> Option<Task> {
    let (script, sheets) = (loaded.script.as_ref()?, loaded.sheets.clone()?);
    let task = plan(PlanInput { script, sheets, positions }, findings)?;
    let predicted_s = task.predicted().si();
    if predicted_s <= LONGEST_RUN.as_secs_f64() {
        return Some(task);
    }
    let (predicted_h, longest_h) = (predicted_s / 3_600.0, LONGEST_RUN.as_secs_f64() / 3_600.0);
    let message = format!("the run would take {predicted_h:.1} h, expected at most {longest_h:.0} h");
    let help = "fewer cycles or operations, shorter times, or several runs";
    let wording = Wording::new(message, "this script", help);
    findings.add(Finding::error("run-too-long", &script.header.name.place, wording));
    None
}
