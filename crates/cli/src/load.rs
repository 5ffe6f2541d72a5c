//! Sheets from files or from texts, with all their findings at once.

use crate::args::SheetOptions;
use crate::exit::Exit;
use crate::say;
use anyhow::{Context, Result, bail};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tripbench_device::{
    SettingsDraft, SettingsSheet, SiteSheet, Surroundings, TypeSheet, check_settings, picture,
};
use tripbench_engine::{PlanInput, Script, plan};
use tripbench_quantity::LevelStyle;
use tripbench_record::{
    Identity, IdentityHow, LoadedSheets, PositionPlan, SheetCopy, SheetRole, Task, sha256_hex,
};
use tripbench_rig::RigSheet;
use tripbench_sheet::{Finding, Findings, Header, Severity, Source, State, Wording, read_sheet};

/// Texts of the sheets of a run.
#[derive(Debug, Clone, Default)]
pub(crate) struct Texts {
    pub(crate) site: Option<Arc<Source>>,
    pub(crate) rig: Option<Arc<Source>>,
    pub(crate) device_type: Option<Arc<Source>>,
    pub(crate) settings: Option<Arc<Source>>,
    pub(crate) script: Option<Arc<Source>>,
}

/// Sheets that were read, as far as they could be.
#[derive(Debug)]
pub(crate) struct Loaded {
    pub(crate) sheets: Option<Arc<LoadedSheets>>,
    pub(crate) script: Option<Script>,
    pub(crate) copies: Vec<SheetCopy>,
    pub(crate) trial: bool,
}

/// Paths after the site's defaults were filled in.
pub(crate) fn texts(options: &SheetOptions, script_name: Option<&str>) -> Result<Texts> {
    let site_path = site_path(options);
    let site = site_path.as_deref().map(source).transpose()?;
    let read = site
        .as_ref()
        .and_then(|source| read_sheet(source, &Findings::new(), SiteSheet::read))
        .unwrap_or_default();
    let beside = |path: &Option<String>| {
        let folder = site_path.as_deref().and_then(Path::parent).unwrap_or_else(|| Path::new("."));
        path.as_ref().map(|path| folder.join(path))
    };
    let pick = |given: &Option<PathBuf>, default: &Option<String>| given.clone().or_else(|| beside(default));
    let judged = !options.no_settings;
    let script = match (&options.script, script_name) {
        (Some(_), Some(name)) => bail!("a script was given twice: --script and `{name}`"),
        (Some(path), None) => Some(path.clone()),
        (None, Some(name)) => Some(script_path(name, beside(&read.defaults.scripts))),
        (None, None) => None,
    };
    Ok(Texts {
        rig: pick(&options.rig, &read.defaults.rig).as_deref().map(source).transpose()?,
        device_type: pick(&options.device_type, &read.defaults.device_type)
            .filter(|_| judged)
            .as_deref()
            .map(source)
            .transpose()?,
        settings: pick(&options.settings, &read.defaults.settings)
            .filter(|_| judged)
            .as_deref()
            .map(source)
            .transpose()?,
        script: script.as_deref().map(|path| script_source(path, script_name)).transpose()?,
        site,
    })
}

fn site_path(options: &SheetOptions) -> Option<PathBuf> {
    let here = || Some(PathBuf::from("site.toml")).filter(|path| path.exists());
    options.site.clone().or_else(|| std::env::var_os("TRIPBENCH_SITE").map(PathBuf::from)).or_else(here)
}

fn script_path(name: &str, folder: Option<PathBuf>) -> PathBuf {
    let file = if Path::new(name).extension().is_some() { name.to_owned() } else { format!("{name}.toml") };
    folder.map_or_else(|| PathBuf::from(&file), |folder| folder.join(&file))
}

/// A script; a name that is none says which there are.
fn script_source(path: &Path, name: Option<&str>) -> Result<Arc<Source>> {
    let Some(name) = name.filter(|_| !path.exists()) else { return source(path) };
    let folder =
        path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
    let files = std::fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path());
    let scripts = files.filter(|path| path.extension().is_some_and(|extension| extension == "toml"));
    let mut names: Vec<String> =
        scripts.filter_map(|path| Some(path.file_stem()?.to_string_lossy().into_owned())).collect();
    names.sort();
    bail!(
        "there is no script `{name}` in `{}`; the first word after `run` names a script, serial numbers follow. There: {}. \
         Is a site sheet missing (--site, TRIPBENCH_SITE, or site.toml in this folder)?",
        folder.display(),
        names.join(", ")
    )
}

/// A file as a source.
pub(crate) fn source(path: &Path) -> Result<Arc<Source>> {
    let text = std::fs::read_to_string(path)
        .with_context(|| format!("can not read the sheet `{}`", path.display()))?;
    Ok(Source::new(path.display().to_string(), text))
}

/// Reads every sheet that is there and runs the rules between them; findings of all of them together.
pub(crate) fn load(texts: &Texts, findings: &Findings) -> Loaded {
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
        // Without a site sheet levels are shown as the device shows them.
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
        let wording = Wording::new(message, "no run with this sheet", "take the sheet that replaced it");
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
    // Without a rig sheet nothing limits how deep the vacuum gets but ambient.
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

/// The plan, if everything is there and good.
pub(crate) fn task(loaded: &Loaded, positions: Vec<PositionPlan>, findings: &Findings) -> Option<Task> {
    let (script, sheets) = (loaded.script.as_ref()?, loaded.sheets.clone()?);
    plan(PlanInput { script, sheets, positions }, findings)
}

/// Shows findings; whether one of them is an error.
pub(crate) fn show(findings: Findings) -> bool {
    let all: Vec<Finding> = findings.into_sorted();
    for finding in &all {
        say::note(&finding.render(say::colour()));
    }
    let errors = all.iter().filter(|finding| finding.severity == Severity::Error).count();
    if errors > 0 {
        say::note(&format!("{errors} error{} in these sheets.", if errors == 1 { "" } else { "s" }));
    }
    errors > 0
}

/// `tripbench check-sheets`.
pub(crate) fn check_sheets(options: &SheetOptions) -> Result<Exit> {
    let texts = texts(options, None)?;
    let given = [&texts.site, &texts.rig, &texts.device_type, &texts.settings, &texts.script];
    if given.iter().all(|text| text.is_none()) {
        bail!(
            "no sheet: give --site, --rig, --type, --settings or --script, or go to the folder of site.toml"
        );
    }
    let findings = Findings::new();
    let loaded = load(&texts, &findings);
    if let Some(sheets) = &loaded.sheets {
        let everywhere = sheets.rig.positions.iter().map(|position| PositionPlan {
            number: *position.number,
            identity: Identity { serial: String::new(), how: IdentityHow::OwnNumber },
        });
        let task = task(&loaded, everywhere.collect(), &findings);
        if let Some(settings) = &sheets.settings {
            let style = LevelStyle { unit: settings.unit.value, ..LevelStyle::default() };
            say::out(&picture(settings, style));
        }
        if let Some(task) = task {
            say::out(&format!("{} steps, about {:.0} s.", task.steps.len(), task.predicted().si()));
        }
    }
    if show(findings) {
        return Ok(Exit::Usage);
    }
    let names: Vec<_> = given.into_iter().flatten().map(|source| source.name.as_str()).collect();
    say::out(&format!("No errors in {}.", names.join(", ")));
    for gap in not_checked(&texts, loaded.sheets.as_deref()) {
        say::out(&gap);
    }
    Ok(Exit::Good)
}

/// What a check of these sheets could not look at.
fn not_checked(texts: &Texts, sheets: Option<&LoadedSheets>) -> Vec<String> {
    let mut gaps = Vec::new();
    if texts.settings.is_some() && texts.device_type.is_none() {
        gaps.push("NOT checked: the rules of the settings sheet need the type sheet (--type).".to_owned());
    }
    if texts.script.is_some() && texts.rig.is_none() {
        gaps.push(
            "NOT checked: whether the rig can do what the script asks needs the rig sheet (--rig)."
                .to_owned(),
        );
    }
    if texts.settings.is_some() && texts.rig.is_none() {
        gaps.push("NOT checked: whether the levels are reached needs the rig sheet (--rig).".to_owned());
    }
    if texts.rig.is_some() && texts.script.is_none() {
        gaps.push("NOT checked: no script was given (--script).".to_owned());
    }
    gaps.extend(sheets.and_then(|sheets| expired(&sheets.rig)));
    gaps
}

/// Says so where the reference's calibration has expired.
pub(crate) fn expired(rig: &RigSheet) -> Option<String> {
    let (reference, due) = (&rig.reference, &rig.reference.calibration.due);
    let today = jiff::ZonedDateTime::now().date().to_string();
    let text =
        || format!("The calibration of the reference `{}` was due on {}.", reference.name.value, due.value);
    (due.as_str() < today.as_str()).then(text)
}
