use super::*;
use crate::demo::{serial, texts};
use jiff::civil::date;
use rstest::rstest;
use tripbench_runner::Latest;

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
    let planned = sheets.prepare(given_sheets, (&[place], &[]), &Today::by_clock()).expect("a plan");
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

/// The calibration was valid until 2027-03-12. The daemon was used in June, and then the clock was set back.
#[rstest]
#[case::while_it_is_valid(date(2027, 1, 1), None, false)]
#[case::after_it(date(2027, 6, 1), None, true)]
#[case::set_back(date(2027, 1, 1), Some(date(2027, 6, 1)), true)]
#[case::set_back_while_it_is_valid(date(2027, 1, 1), Some(date(2027, 2, 1)), false)]
fn a_clock_that_is_set_back_makes_no_calibration_valid(
    #[case] clock: jiff::civil::Date,
    #[case] latest: Option<jiff::civil::Date>,
    #[case] expired: bool,
) {
    let own = texts();
    let rig = own.rig.as_ref().expect("a sheet").text.replace("due = 2999-03-12", "due = 2027-03-12");
    let site = Some(Source::new("site.toml", "expired_calibration = \"refuse\"\n"));
    let texts = Texts { rig: Some(Source::new("rig.toml", rig)), site, ..own };
    let sheets = RigSheets::from_texts(texts).expect("good sheets");
    let file = PathBuf::from("/runs/latest-date");
    let latest = latest.map_or(Latest::None, |date| Latest::Seen { date, file });
    let today = &Today { clock, latest };
    let place = Place { position: 1, serial: Some(serial(1)), ..Place::default() };
    let planned = sheets.prepare(Given::default(), (&[place], &[]), today);
    let warnings = planned.map(|planned| planned.prepared.header.warnings);
    let of_calibration = |text: &String| text.contains("was due on 2027-03-12");
    let of_file = |text: &String| {
        ["shows 2027-01-01, but 2027-", "`/runs/latest-date`", "write the true date"]
            .iter()
            .all(|part| text.contains(part))
    };
    let is_doubted = match &warnings {
        Ok(warnings) => warnings.iter().any(of_calibration),
        Err(error) => of_calibration(&error.to_string()),
    };
    assert_eq!(is_doubted, expired, "{warnings:?}");
    sheets.look_again(today);
    assert_eq!(sheets.preview().expired, expired);
    // Whoever set the clock right again learns where the wrong date comes from.
    let named = match &warnings {
        Ok(warnings) => warnings.iter().any(of_file),
        Err(error) => of_file(&error.to_string()),
    };
    assert_eq!(named, today.latest != Latest::None, "{warnings:?}");
}

/// A date that is kept and cannot be read may be after the day on which the calibration expired.
#[rstest]
#[case::refuse("refuse", false)]
#[case::warn("warn", true)]
fn a_calibration_is_not_valid_by_an_unknown_date(#[case] site: &str, #[case] starts: bool) {
    let own = texts();
    let site = format!("expired_calibration = \"{site}\"\n");
    let texts = Texts { site: Some(Source::new("site.toml", site)), ..own };
    let sheets = RigSheets::from_texts(texts).expect("good sheets");
    let latest = Latest::Unknown { file: "/runs/latest-date".into(), why: "cannot be read".into() };
    let today = &Today { clock: date(2027, 1, 1), latest };
    let place = Place { position: 1, serial: Some(serial(1)), ..Place::default() };
    let planned = sheets.prepare(Given::default(), (&[place], &[]), today);
    let warnings = planned.map(|planned| planned.prepared.header.warnings.join(" "));
    assert_eq!(warnings.is_ok(), starts, "{warnings:?}");
    let text = warnings.unwrap_or_else(|error| error.to_string());
    assert!(text.contains("`/runs/latest-date`, which has the latest date seen, cannot be read"), "{text}");
    sheets.look_again(today);
    let blocked = sheets.preview().findings.iter().any(|text| text.contains("`/runs/latest-date`"));
    assert_eq!(blocked, !starts, "the page shows it before the press");
}

/// A step `hold` takes at most ten minutes, and the other steps of the script take about one.
#[rstest]
#[case::as_long_as_may_be(23, true)]
#[case::too_long(24, false)]
fn a_script_has_a_longest_duration(#[case] holds: usize, #[case] may: bool) {
    let own = texts();
    let hold = "\n[[step]]\ndo = \"hold\"\ntime = \"600 s\"\n".repeat(holds);
    let text = own.script.as_ref().expect("a sheet").text.clone();
    let last = text.rfind("\n[[step]]").expect("a step");
    let script = format!("{}{hold}{}", &text[..last], &text[last..]);
    let texts = Texts { script: Some(Source::new("script.toml", script)), ..own };
    let sheets = RigSheets::from_texts(texts).expect("good sheets");
    assert_eq!(sheets.preview().predicted_s.is_some(), may);
    let place = Place { position: 1, serial: Some(serial(1)), ..Place::default() };
    let planned = sheets.prepare(Given::default(), (&[place], &[]), &Today::by_clock());
    match planned {
        Ok(_) => assert!(may),
        Err(NotPlanned::Findings(errors)) => {
            assert!(!may && errors.len() == 1 && errors[0].contains("at most 4 h"), "{errors:?}");
        }
        Err(error) => panic!("{error}"),
    }
}
