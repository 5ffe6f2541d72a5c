//! A whole record in one line.

use crate::coverage::not_checked;
use tripbench_record::{CheckVerdict, Record, Verdict};

/// Note that another version of the program made the record, so that its steps are not compared with its script; else empty.
pub fn other_version(record: &Record) -> String {
    let own = env!("CARGO_PKG_VERSION");
    record.other_version(own).map_or_else(String::new, |made| {
        format!("Made by version {made}. Version {own} does not compare the steps with the script.")
    })
}

/// Number of positions by verdict, most important first: `1 FAIL, 2 PASS (not checked: bounce)`.
pub fn summary(record: &Record) -> String {
    if record.is_rig_check() {
        return rig_summary(record);
    }
    let positions = || record.positions.iter();
    let aside = positions().filter(|position| position.set_aside.is_some()).count();
    let count = |wanted: Verdict| {
        positions().filter(|position| position.verdict == wanted && position.set_aside.is_none()).count()
    };
    let parts = [
        (count(Verdict::Fail), "FAIL"),
        (count(Verdict::Aborted), "ABORTED"),
        (aside, "SET ASIDE"),
        (count(Verdict::Undecided), "UNDECIDED"),
        (count(Verdict::Measured), "MEASURED"),
    ];
    let there = parts.into_iter().filter(|(count, _)| *count > 0);
    let counted = there.map(|(count, word)| format!("{count} {word}"));
    counted.chain(passes(record)).collect::<Vec<_>>().join(", ")
}

/// Number of passes, grouped by what was not checked.
fn passes(record: &Record) -> Vec<String> {
    let mut groups: Vec<(String, usize)> = Vec::new();
    let passed = record.positions.iter();
    for position in
        passed.filter(|position| position.verdict == Verdict::Pass && position.set_aside.is_none())
    {
        let open = not_checked(position);
        match groups.iter_mut().find(|(other, _)| *other == open) {
            Some((_, count)) => *count += 1,
            None => groups.push((open, 1)),
        }
    }
    let say = |(open, count): (String, usize)| {
        if open.is_empty() { format!("{count} PASS") } else { format!("{count} PASS ({open})") }
    };
    groups.into_iter().map(say).collect()
}

/// Summary of a rig check: whether every condition is met.
fn rig_summary(record: &Record) -> String {
    let count = |wanted| record.rig_checks.iter().filter(|check| check.verdict == wanted).count();
    let (not_met, open) = (count(CheckVerdict::NotMet), count(CheckVerdict::Undecided));
    let unfinished = record.halted.is_some() || record.steps_done.len() < record.header.steps.len();
    match (not_met, open) {
        (1.., _) if record.halted.is_some() => format!("{not_met} NOT MET, stopped"),
        (1.., _) if unfinished => format!("{not_met} NOT MET, the rest not checked"),
        _ if unfinished => String::from("RIG CHECK INCOMPLETE"),
        (0, 0) => String::from("RIG MATCHES ITS SHEET"),
        (0, open) => format!("{open} UNDECIDED"),
        (not_met, _) => format!("{not_met} NOT MET"),
    }
}
