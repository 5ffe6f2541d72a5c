//! `tripbench rejudge`: judges a run again from its raw trace and reports what differs.

use crate::args::RejudgeOptions;
use crate::believed::{self, Stored};
use crate::exit::Exit;
use crate::say;
use anyhow::{Context, Result};
use tripbench_record::canonical_json;

pub(crate) fn rejudge(options: &RejudgeOptions) -> Result<Exit> {
    let stored = Stored::of(&options.folder)?;
    for doubt in &stored.doubts {
        say::error(doubt);
    }
    if let Some(version) = tripbench_runner::other_planner(&stored.record) {
        say::note(&format!(
            "Planned by version {version}: its steps are not compared with those that this version, {}, would plan.",
            env!("CARGO_PKG_VERSION")
        ));
    }
    let Some(again) = &stored.again else {
        // Prints what is wrong with the sheets.
        believed::sheets(&stored.record).map_or_else(|error| say::error(&format!("{error:#}")), drop);
        return Ok(Exit::Differs);
    };
    let bytes = canonical_json(again).context("the record contains a non-finite number")?;
    if let Some(path) = &options.out {
        std::fs::write(path, &bytes).with_context(|| format!("cannot write `{}`", path.display()))?;
    }
    if options.json {
        say::json(&String::from_utf8_lossy(&bytes));
    }
    for (place, how) in &stored.differences {
        say::note(&format!("  {place}: {how}"));
    }
    if stored.differences.is_empty() && !stored.fits() {
        say::note(
            "Judged again from the raw trace: the same checks and verdicts; the contradictions are listed above.",
        );
    } else if stored.differences.is_empty() {
        say::note("Judged again from the raw trace: the same checks and verdicts.");
    } else {
        say::note(&format!(
            "Judged again from the raw trace: {}, listed above. The stored record is unchanged.",
            match stored.differences.len() {
                1 => String::from("1 difference"),
                count => format!("{count} differences"),
            }
        ));
    }
    Ok(if stored.fits() { Exit::of(again) } else { Exit::Differs })
}
