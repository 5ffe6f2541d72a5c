use super::*;
use crate::demo::{serial, texts};
use rstest::rstest;

/// The demo's sheets as files in a folder of their own.
fn files(name: &str) -> SheetFiles {
    let folder = std::env::temp_dir().join(format!("tripbench-sheets-{}-{name}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a folder");
    let all = texts();
    let put = |sheet: Option<Arc<Source>>, name: &str| {
        let path = folder.join(name);
        std::fs::write(&path, &sheet.expect("a sheet").text).expect("a file");
        path
    };
    SheetFiles {
        site: Some(put(all.site, "site.toml")),
        rig: put(all.rig, "rig.toml"),
        device_type: Some(put(all.device_type, "type.toml")),
        settings: Some(put(all.settings, "settings.toml")),
        script: Some(put(all.script, "script.toml")),
    }
}

/// Which sheet is changed between the press and the start of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Changed {
    None,
    Site,
    Rig,
    Type,
    Settings,
    Script,
}

/// A run is held against those of the rig's own sheets that it takes; whoever gave a sheet with the start is not concerned.
#[rstest]
fn a_sheet_that_is_changed_before_the_run_begins_refuses_it(
    #[values(Changed::None, Changed::Site, Changed::Rig, Changed::Type, Changed::Settings, Changed::Script)]
    changed: Changed,
    #[values(false, true)] given: bool,
) {
    let files = files(&format!("{changed:?}-{given}"));
    let sheets = RigSheets::from_files(files.clone()).expect("good sheets");
    let own = texts();
    let given_sheets = Given {
        site: own.site.filter(|_| given && changed == Changed::Site),
        device_type: own.device_type.filter(|_| given && changed == Changed::Type),
        settings: own.settings.filter(|_| given && changed == Changed::Settings),
        script: own.script.filter(|_| given && changed == Changed::Script),
        ..Given::default()
    };
    let place = Place { position: 1, serial: Some(serial(1)), ..Place::default() };
    let planned = sheets.prepare(given_sheets, &[place], &[]).expect("a plan");
    let file = match changed {
        Changed::None => None,
        Changed::Site => files.site,
        Changed::Rig => Some(files.rig),
        Changed::Type => files.device_type,
        Changed::Settings => files.settings,
        Changed::Script => files.script,
    };
    if let Some(file) = &file {
        let text = std::fs::read_to_string(file).expect("a sheet");
        std::fs::write(file, format!("{text}\n# changed\n")).expect("a file");
    }
    let refused = matches!(sheets.check_unchanged(&planned.own), Err(NotPlanned::SheetsChanged));
    // The rig sheet is the rig's own in every run.
    let expected = changed != Changed::None && (!given || changed == Changed::Rig);
    assert_eq!(refused, expected);
}
