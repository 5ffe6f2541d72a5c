//! Scripts by their names, and serial numbers that are none: which word of the command line is which.

use crate::args::{DeviceOptions, SheetOptions};
use crate::load::source;
use crate::site::Site;
use anyhow::{Result, bail};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tripbench_sheet::{Source, nearest, outermost_keys};

/// The file of a script that is named on the command line.
pub(crate) fn named(name: &str, site: &Site) -> PathBuf {
    let file = if Path::new(name).extension().is_some() { name.to_owned() } else { format!("{name}.toml") };
    site.scripts().0.join(file)
}

/// Reads a script; if no script has the name, the error lists those that exist.
pub(crate) fn read(path: &Path, name: Option<&str>, site: &Site) -> Result<Arc<Source>> {
    match name.filter(|_| !path.exists()) {
        None => Ok(source(path)?),
        Some(name) => bail!("{}", unknown(name, site)),
    }
}

/// Refuses words that are no serial numbers: a position with its serial number, for which `--serial` was left out, and the name of a script,
/// which was meant as the script.
pub(crate) fn refuse_slips(
    options: &SheetOptions,
    devices: &DeviceOptions,
    (name, serials): (Option<&str>, &[String]),
    site: &Site,
) -> Result<()> {
    if let Some(word) = devices.words.iter().find(|word| has_position(word)) {
        bail!(
            "`{word}` is a position with its serial number: write --serial {word} (or --serial POSITION={word} if all of it is the serial number)"
        );
    }
    let by_position = devices.serial.iter().filter_map(|text| Some(text.split_once('=')?.1.trim()));
    let path = options.script.clone().or_else(|| Some(named(name?, site)));
    for serial in serials.iter().map(String::as_str).chain(by_position) {
        let Some(script) = named_by(serial, path.as_deref(), site) else { continue };
        let (given, out) = match &options.script {
            Some(given) => (format!("--script {}", given.display()), " or --script"),
            None => (String::from("the first word"), ""),
        };
        bail!(
            "the serial number `{serial}` is the name of the script `{}`. The script of this run is given by {given}, and all other words \
             are serial numbers: leave `{serial}`{out} out",
            script.display()
        );
    }
    Ok(())
}

/// Whether a word is a position number with a serial number, as `--serial` takes it.
fn has_position(word: &str) -> bool {
    word.split_once('=').is_some_and(|(number, _)| {
        let number = number.trim();
        !number.is_empty() && number.bytes().all(|byte| byte.is_ascii_digit())
    })
}

/// The script that a word names, with or without its folder and its ending: the one of this run, one beside it, or one of the site.
fn named_by(word: &str, of_run: Option<&Path>, site: &Site) -> Option<PathBuf> {
    let word = word.to_lowercase();
    let meant = Path::new(&word).file_name()?.to_string_lossy().into_owned();
    let meant = meant.strip_suffix(".toml").unwrap_or(&meant);
    let is_meant = |path: &Path| name_of(path).is_some_and(|name| name.to_lowercase() == meant);
    let of_run = of_run.filter(|path| path.is_file());
    let beside = of_run.map(folder_of).into_iter().chain([site.scripts().0]);
    let others = beside.filter_map(|folder| files(&folder).ok()).flatten();
    let others = others.filter(|path| is_meant(path) && is_script(path));
    // Whatever the ending of the one that is run.
    let own =
        |path: &&Path| path.file_stem().is_some_and(|stem| stem.to_string_lossy().to_lowercase() == meant);
    of_run.filter(own).map(Path::to_owned).or_else(|| others.min())
}

/// The name of the sheet in a file.
fn name_of(path: &Path) -> Option<String> {
    path.extension().filter(|extension| extension.eq_ignore_ascii_case("toml"))?;
    Some(path.file_stem()?.to_string_lossy().into_owned())
}

/// The folder of a file, as it is written; empty for this folder.
fn folder_of(path: &Path) -> PathBuf {
    path.parent().map(Path::to_owned).unwrap_or_default()
}

/// The sheets in a folder. Only files: nothing may ever come out of a pipe.
fn files(folder: &Path) -> std::io::Result<Vec<PathBuf>> {
    let read = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
    let names = std::fs::read_dir(read)?.map(|entry| entry.map(|entry| folder.join(entry.file_name())));
    let all = names.collect::<std::io::Result<Vec<PathBuf>>>()?;
    Ok(all.into_iter().filter(|path| name_of(path).is_some() && path.is_file()).collect())
}

/// Whether a sheet has steps, as only a script has.
fn is_script(path: &Path) -> bool {
    source(path).is_ok_and(|source| outermost_keys(&source).iter().any(|key| key.value == "step"))
}

/// Says that no script has this name, and what is there.
fn unknown(name: &str, site: &Site) -> String {
    let (folder, place) = site.scripts();
    let shown = if folder.as_os_str().is_empty() { String::from(".") } else { folder.display().to_string() };
    let named = place.map_or_else(String::new, |place| format!(" (the folder in {})", place.shown()));
    let begin = format!("there is no script `{name}` in `{shown}`{named}");
    let scripts: Vec<String> = match files(&folder) {
        Ok(files) => files.iter().filter(|path| is_script(path)).filter_map(|path| name_of(path)).collect(),
        Err(why) => return format!("{begin}: the folder cannot be read: {why}"),
    };
    let mut names: Vec<&str> = scripts.iter().map(String::as_str).collect();
    names.sort_unstable();
    let bare = Path::new(name).file_name().map(|bare| bare.to_string_lossy().into_owned());
    let bare = bare.as_deref().map_or(name, |bare| bare.strip_suffix(".toml").unwrap_or(bare));
    let list = names.join(", ");
    let there = match nearest(bare, &names) {
        Some(_) if bare != name && names.contains(&bare) => format!("name it without its folder: `{bare}`."),
        Some(near) => format!("did you mean `{near}`? Scripts there: {list}."),
        None if names.is_empty() => String::from("there are no scripts there."),
        None => format!("Scripts there: {list}."),
    };
    let site = match site.text() {
        Some(_) => "",
        None => " Is a site sheet missing (--site, TRIPBENCH_SITE, or site.toml in this folder)?",
    };
    format!("{begin}; the first word names a script, serial numbers follow: {there}{site}")
}
