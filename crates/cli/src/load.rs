//! Sheets from files or from texts, with all their findings at once.

use crate::args::SheetOptions;
use crate::exit::Exit;
use crate::say;
use anyhow::{Context, Result, bail};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tripbench_device::{SiteSheet, picture};
use tripbench_quantity::LevelStyle;
use tripbench_record::{Identity, IdentityHow, LoadedSheets, PositionPlan};
pub(crate) use tripbench_runner::{Loaded, Texts, Today, calibration_doubts, load, source, task};
use tripbench_sheet::{At, Finding, Findings, Severity, Source, read_sheet};

/// Texts of all sheets, with the site's defaults filled in.
pub(crate) fn texts(options: &SheetOptions, script_name: Option<&str>) -> Result<Texts> {
    let site_path = site_path(options);
    let site = site_path.as_deref().map(source).transpose()?;
    let read = site
        .as_ref()
        .and_then(|source| read_sheet(source, &Findings::new(), SiteSheet::read))
        .unwrap_or_default();
    let beside = |path: &Option<At<String>>| {
        let folder = site_path.as_deref().and_then(Path::parent).unwrap_or_else(|| Path::new("."));
        path.as_ref().map(|path| folder.join(&path.value))
    };
    let pick = |given: &Option<PathBuf>, default: &Option<At<String>>| match (given, default, beside(default))
    {
        (Some(path), _, _) => Ok(Some(source(path)?)),
        (None, Some(named), Some(path)) => source(&path)
            .map(Some)
            .with_context(|| format!("{}: this sheet is missing or unreadable", named.place.shown())),
        (None, _, _) => anyhow::Ok(None),
    };
    let judged = !options.no_settings;
    let script = match (&options.script, script_name) {
        (Some(_), Some(name)) => bail!("two scripts were given: --script and `{name}`"),
        (Some(path), None) => Some(path.clone()),
        (None, Some(name)) => Some(script_path(name, beside(&read.defaults.scripts))),
        (None, None) => None,
    };
    Ok(Texts {
        rig: pick(&options.rig, &read.defaults.rig)?,
        device_type: if judged { pick(&options.device_type, &read.defaults.device_type)? } else { None },
        settings: if judged { pick(&options.settings, &read.defaults.settings)? } else { None },
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

/// Reads a script; if no script has this name, the error lists the names that exist.
fn script_source(path: &Path, name: Option<&str>) -> Result<Arc<Source>> {
    let Some(name) = name.filter(|_| !path.exists()) else { return Ok(source(path)?) };
    let folder =
        path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
    let files = std::fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path());
    let scripts = files.filter(|path| path.extension().is_some_and(|extension| extension == "toml"));
    let mut names: Vec<String> =
        scripts.filter_map(|path| Some(path.file_stem()?.to_string_lossy().into_owned())).collect();
    names.sort();
    bail!(
        "there is no script `{name}` in `{}`; the first word names a script, serial numbers follow. Scripts there: {}. \
         Is a site sheet missing (--site, TRIPBENCH_SITE, or site.toml in this folder)?",
        folder.display(),
        names.join(", ")
    )
}

/// Prints findings; returns whether one of them is an error.
pub(crate) fn show(findings: Findings) -> bool {
    let all: Vec<Finding> = findings.into_sorted();
    for finding in &all {
        say::finding(finding);
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

/// What checking these sheets could not cover.
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
    gaps.extend(sheets.into_iter().flat_map(|sheets| calibration_doubts(&sheets.rig, &Today::by_clock())));
    gaps
}
