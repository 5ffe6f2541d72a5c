//! `tripbench rig check`: tests a rig and reports what it can decide. No device takes part.

use super::{keep, live};
use crate::args::RigCheckOptions;
use crate::exit::Exit;
use crate::site::Site;
use crate::{identity, load};
use crate::{output, say, table};
use anyhow::{Context, Result, bail};
use jiff::ZonedDateTime;
use tripbench_engine::{PersonAtPlugs, abilities, rig_check as task_of};
use tripbench_record::canonical_json;
use tripbench_runner::{Prepared, header};
use tripbench_sheet::Findings;

/// Runs the built-in script on the rig, asks before every output, and prints the results.
pub(crate) fn rig_check(options: &RigCheckOptions) -> Result<Exit> {
    let operators = identity::operators(&options.operator)?;
    let given = load::texts(&options.sheets, None, &Site::of(&options.sheets)?)?;
    if given.texts.rig.is_none() {
        bail!("no rig sheet: give --rig, or a site sheet that names one");
    }
    let findings = Findings::new();
    let loaded = load::load_given(&given, &findings);
    if load::show(findings) {
        return Ok(Exit::Usage);
    }
    let sheets = loaded.sheets.clone().context("the sheets have errors")?;
    let person = if options.inputs { PersonAtPlugs::OperatesEach } else { PersonAtPlugs::Absent };
    let task = task_of(sheets.clone(), person);
    let stamp = ZonedDateTime::now().strftime("rig-%Y-%m-%d-%H%M%S").to_string();
    let folder = output::free(options.output.out.as_ref(), &stamp)?;
    let warnings = load::calibration_doubts(&sheets.rig, &load::Today::by_clock());
    let mut header = header(&task, &loaded, &operators, warnings);
    header.abilities = abilities(&sheets, person);
    let prepared = Prepared { task, header, folder };
    let (record, trace) = live::run(&prepared, live::Show::Progress, || {
        say::note(&format!(
            "Rig check of {} · about {:.0} s and your answers · a yes before every output",
            sheets.rig.header.name.value,
            prepared.task.predicted().si()
        ));
        say::note(say::CAUTIONS);
    })?;
    keep(&prepared, &record, &trace)?;
    if options.output.json {
        let bytes = canonical_json(&record).context("the record contains a non-finite number")?;
        say::json(&String::from_utf8_lossy(&bytes));
    } else {
        table::print_rig(&record, sheets.site.style);
        say::out(&format!("Report: {}", prepared.folder.join(output::REPORT).display()));
    }
    Ok(Exit::of(&record))
}
