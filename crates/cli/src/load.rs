//! Sheets from files or from texts, with all their findings at once.

use crate::args::SheetOptions;
use crate::exit::Exit;
use crate::{kind, say};
use anyhow::{Context, Result, bail};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tripbench_device::{ExpiredCalibration, SiteSheet, picture};
use tripbench_quantity::LevelStyle;
use tripbench_record::{Identity, IdentityHow, LoadedSheets, PositionPlan};
pub(crate) use tripbench_runner::{Loaded, Texts, Today, calibration_doubts, load, source, task};
use tripbench_sheet::{At, Finding, Findings, Severity, Source, nearest, read_sheet};

/// Texts of all sheets, with the site's defaults filled in.
pub(crate) fn texts(options: &SheetOptions, script_name: Option<&str>) -> Result<Texts> {
    let site_path = site_path(options);
    let site = site_path.as_deref().map(source).transpose()?;
    let read = site
        .as_ref()
        .and_then(|source| read_sheet(source, &Findings::new(), SiteSheet::read))
        .unwrap_or_default();
    let beside = |path: &Option<At<String>>| path.as_ref().map(|path| from_site(site_path.as_deref(), path));
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

/// Names of the scripts in a folder, in order.
fn scripts_in(folder: &Path) -> Vec<String> {
    let files = std::fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path());
    let mut names: Vec<String> = files.filter_map(|path| script_name(&path)).collect();
    names.sort();
    names
}

/// The name of the script in a file.
fn script_name(path: &Path) -> Option<String> {
    path.extension().filter(|extension| *extension == "toml")?;
    Some(path.file_stem()?.to_string_lossy().into_owned())
}

/// Refuses a serial number that is the name of a script of the site, or of the one that was given: it was meant as the script.
pub(crate) fn refuse_scripts_as_serials<'s>(
    options: &SheetOptions,
    serials: impl Iterator<Item = &'s str>,
) -> Result<()> {
    let site = site_path(options);
    let read = site.as_deref().map(source).transpose()?;
    let read = read.and_then(|source| read_sheet(&source, &Findings::new(), SiteSheet::read));
    let folder =
        read.and_then(|site| site.defaults.scripts).map(|scripts| from_site(site.as_deref(), &scripts.value));
    let named = |name: String| folder.as_deref().map(|folder| folder.join(format!("{name}.toml")));
    let of_site = folder.as_deref().map(scripts_in).unwrap_or_default().into_iter().filter_map(named);
    let known: Vec<PathBuf> = of_site.chain(options.script.clone()).collect();
    for serial in serials {
        // With or without the folder and the ending.
        let meant = script_name(Path::new(&serial.to_lowercase())).unwrap_or_else(|| serial.to_lowercase());
        let is = |path: &&PathBuf| {
            path.file_stem().is_some_and(|stem| stem.to_string_lossy().to_lowercase() == meant)
        };
        let Some(path) = known.iter().find(is) else { continue };
        let (given, out) = match &options.script {
            Some(given) => (format!("--script {}", given.display()), " or --script"),
            None => (String::from("the first word"), ""),
        };
        bail!(
            "the serial number `{serial}` is the name of the script `{}`. The script of this run is given by {given}, and all other words \
             are serial numbers: leave `{serial}`{out} out",
            path.display()
        );
    }
    Ok(())
}

/// A path as a site sheet means it: from the sheet's own folder.
fn from_site(site: Option<&Path>, path: &str) -> PathBuf {
    site.and_then(Path::parent).unwrap_or_else(|| Path::new(".")).join(path)
}

/// Reads a script; if no script has this name, the error lists the names that exist.
fn script_source(path: &Path, name: Option<&str>) -> Result<Arc<Source>> {
    let Some(name) = name.filter(|_| !path.exists()) else { return Ok(source(path)?) };
    let folder =
        path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
    let names = scripts_in(folder);
    let near: Vec<&str> = names.iter().map(String::as_str).collect();
    let there = match nearest(name, &near) {
        Some(near) => format!("did you mean `{near}`? Scripts there: {}.", names.join(", ")),
        None if names.is_empty() => String::from("there are no scripts there."),
        None => format!("Scripts there: {}.", names.join(", ")),
    };
    bail!(
        "there is no script `{name}` in `{}`; the first word names a script, serial numbers follow: {there} \
         Is a site sheet missing (--site, TRIPBENCH_SITE, or site.toml in this folder)?",
        folder.display()
    )
}

/// Reads sheets that were given by hand: one that is of another kind than it was given as is told, and nothing else of it.
pub(crate) fn load_given(texts: &Texts, findings: &Findings) -> Loaded {
    if kind::mistaken(texts, findings) {
        return Loaded { sheets: None, script: None, copies: Vec::new(), trial: false };
    }
    load(texts, findings)
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
    let loaded = load_given(&texts, &findings);
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
    let errors = show(findings);
    let refused = loaded.sheets.as_deref().and_then(|sheets| refused_by_calibration(&texts, sheets));
    if let Some(why) = &refused {
        say::error(why);
    }
    if errors || refused.is_some() {
        return Ok(Exit::Usage);
    }
    let names: Vec<_> = given.into_iter().flatten().map(|source| source.name.as_str()).collect();
    say::out(&format!("No errors in {}.", names.join(", ")));
    for gap in not_checked(&texts, loaded.sheets.as_deref()) {
        say::out(&gap);
    }
    Ok(Exit::Good)
}

/// A sentence, if every run on this rig would be refused for the calibration of its reference.
fn refused_by_calibration(texts: &Texts, sheets: &LoadedSheets) -> Option<String> {
    let doubts = calibration_doubts(&sheets.rig, &Today::by_clock());
    if doubts.is_empty() || sheets.site.expired_calibration != ExpiredCalibration::Refuse {
        return None;
    }
    let rig = texts.rig.as_ref().map_or("the rig sheet", |source| source.name.as_str());
    Some(format!(
        "{} Thus every run on this rig is refused: correct [reference.calibration] in `{rig}` once the certificate is there, or write \
         expired_calibration = \"warn\" in the site sheet to run with a warning",
        doubts.join(" ")
    ))
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
