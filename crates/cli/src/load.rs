//! Sheets from files or from texts, with all their findings at once.

use crate::args::{SchemaOf, SheetOptions};
use crate::exit::Exit;
use crate::site::Site;
use crate::{kind, say, scripts};
use anyhow::{Context, Result, bail};
use std::path::PathBuf;
use std::sync::Arc;
use tripbench_device::{ExpiredCalibration, picture};
use tripbench_quantity::LevelStyle;
use tripbench_record::{Identity, IdentityHow, LoadedSheets, PositionPlan};
pub(crate) use tripbench_runner::{Loaded, Texts, Today, calibration_doubts, load, source, task};
use tripbench_sheet::{At, Finding, Findings, Place, Reader, Severity, Source, read_sheet};

/// The sheets of a command, and where each was named.
#[derive(Debug)]
pub(crate) struct Given {
    pub(crate) texts: Texts,
    /// Sheets that no option named.
    pub(crate) by: Vec<(SchemaOf, By)>,
}

/// How a sheet was named without an option.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum By {
    /// By a line of the site sheet.
    Site(Place),
    /// By a word of the command line, or by its own place in this folder or in the environment.
    Name,
}

/// Texts of all sheets, with the site's defaults filled in. Each is read once.
pub(crate) fn texts(options: &SheetOptions, script_name: Option<&str>, site: &Site) -> Result<Given> {
    let defaults = &site.sheet().defaults;
    let mut by = Vec::new();
    let mut pick =
        |kind: SchemaOf, given: &Option<PathBuf>, default: &Option<At<String>>| match (given, default) {
            (Some(path), _) => Ok(Some(source(path)?)),
            (None, Some(named)) => {
                by.push((kind, By::Site(named.place.clone())));
                let missing = || format!("{}: this sheet is missing or unreadable", named.place.shown());
                source(&site.beside(named)).map(Some).with_context(missing)
            }
            (None, None) => anyhow::Ok(None),
        };
    let judged = !options.no_settings;
    let rig = pick(SchemaOf::Rig, &options.rig, &defaults.rig)?;
    let device_type =
        if judged { pick(SchemaOf::Type, &options.device_type, &defaults.device_type)? } else { None };
    let settings =
        if judged { pick(SchemaOf::Settings, &options.settings, &defaults.settings)? } else { None };
    let script = match (&options.script, script_name) {
        (Some(_), Some(name)) => bail!("two scripts were given: --script and `{name}`"),
        (Some(path), None) => Some(path.clone()),
        (None, Some(name)) => {
            by.push((SchemaOf::Script, By::Name));
            Some(scripts::named(name, site))
        }
        (None, None) => None,
    };
    let script = script.as_deref().map(|path| scripts::read(path, script_name, site)).transpose()?;
    if !site.is_given() {
        by.push((SchemaOf::Site, By::Name));
    }
    Ok(Given { texts: Texts { rig, device_type, settings, script, site: site.text() }, by })
}

/// Loads the sheets that were named. A sheet of the wrong kind gives one finding; nothing else in it is checked.
pub(crate) fn load_given(given: &Given, findings: &Findings) -> Loaded {
    if kind::mistaken(given, findings) {
        return Loaded { sheets: None, script: None, copies: Vec::new(), trial: false };
    }
    load(&given.texts, findings)
}

/// Reads a sheet that an option named; `None` after a finding was added. Of a sheet of the wrong kind nothing else is checked.
pub(crate) fn read_given<T>(
    kind: SchemaOf,
    text: &Arc<Source>,
    findings: &Findings,
    read: impl Fn(&Reader<'_>) -> Option<T>,
) -> Option<T> {
    match kind::other_kind(kind, text, None) {
        Some(finding) => {
            findings.add(finding);
            None
        }
        None => read_sheet(text, findings, read),
    }
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
    let named = texts(options, None, &Site::of(options)?)?;
    let texts = &named.texts;
    let given = [&texts.site, &texts.rig, &texts.device_type, &texts.settings, &texts.script];
    if given.iter().all(|text| text.is_none()) {
        bail!(
            "no sheet: give --site, --rig, --type, --settings or --script, or go to the folder of site.toml"
        );
    }
    let findings = Findings::new();
    let loaded = load_given(&named, &findings);
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
    let refused = loaded.sheets.as_deref().and_then(|sheets| refused_by_calibration(texts, sheets));
    if let Some(why) = &refused {
        say::error(why);
    }
    if errors || refused.is_some() {
        return Ok(Exit::Usage);
    }
    let names: Vec<_> = given.into_iter().flatten().map(|source| source.name.as_str()).collect();
    say::out(&format!("No errors in {}.", names.join(", ")));
    for gap in not_checked(texts, loaded.sheets.as_deref()) {
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
        "{} Every run on this rig is refused: set the clock of this computer if it does not show today's date, correct \
         [reference.calibration] in `{rig}` once the certificate is there, or write expired_calibration = \"warn\" in the site sheet to \
         run with a warning",
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
