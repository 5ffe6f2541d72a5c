//! What a module does with its outputs by itself while nothing is sent to it.

use crate::channel::{Channels, marks_of};
use crate::condition::blank;
use tripbench_quantity::TimeSpan;
use tripbench_record::{Check, CheckVerdict, Mark, QuantityName, Role, Segment};
use tripbench_rig::{Order, Output, OutputImage, OutputName, RigSheet, Scan};

/// The outputs before and after a silence, and its length.
struct Silence {
    before: OutputImage,
    after: OutputImage,
    lasted_s: f64,
}

/// Step `silence`: whether the outputs were safe after a time without requests.
pub(crate) fn silence(channels: &Channels<'_>, marks: &[Mark], step: u16, time: TimeSpan) -> Vec<Check> {
    let rig = &channels.task.sheets.rig;
    let check = blank(channels.task, step, QuantityName::LossOfMaster, Role::Condition, "s");
    let Some(mark) = marks_of(marks, step, |segment| segment == Segment::Silent).last().copied() else {
        return vec![check];
    };
    let Some(found) = found(channels, &mark, time) else {
        return vec![Check { remark: Some("the silence is not in the trace".into()), ..check }];
    };
    let safe = rig.image_of(Order::Safe);
    let after = format!("after {:.1} s of silence the", found.lasted_s);
    let (verdict, remark) = if found.before == safe {
        (CheckVerdict::Undecided, String::from("the outputs were safe before: nothing was tested"))
    } else if found.after == safe {
        (CheckVerdict::Met, format!("{after} module had set its outputs safe by itself"))
    } else if found.after == found.before {
        let advice = "set the module's timeout, or take loss_of_master out of the rig sheet";
        (CheckVerdict::NotMet, format!("{after} outputs were as before: {advice}"))
    } else {
        (CheckVerdict::NotMet, format!("{after} module {}", otherwise(rig, &found, &safe)))
    };
    vec![Check { verdict, remark: Some(remark), ..check }]
}

/// The silence in a stretch; `None` if it is not in the trace.
fn found(channels: &Channels<'_>, mark: &Mark, time: TimeSpan) -> Option<Silence> {
    let scans: Vec<&Scan> = channels.scans(mark).collect();
    let lasted_s = |pair: &[&Scan]| pair[1].end().since(pair[0].end()).as_secs_f64();
    let quiet = scans.windows(2).find(|pair| lasted_s(pair) >= time.si())?;
    let [before, after] = [channels.outputs(quiet[0])?, channels.outputs(quiet[1])?];
    Some(Silence { before, after, lasted_s: lasted_s(quiet) })
}

/// What the module did instead of what the sheet says, and what to correct.
fn otherwise(rig: &RigSheet, found: &Silence, safe: &OutputImage) -> String {
    let images = found.before.iter().zip(&found.after).zip(safe);
    let wrong: Vec<_> =
        rig.outputs.iter().zip(images).filter(|(_, ((_, after), safe))| after != safe).collect();
    let did = wrong.iter().map(|(output, ((before, after), _))| {
        let (verb, at) = if before == after { ("left", "at") } else { ("set", "to") };
        format!("{verb} {} ({}) {}", name(output), *output.at, state(output, **after, at))
    });
    let says =
        wrong.iter().map(|(output, (_, safe))| format!("{} {}", name(output), state(output, **safe, "at")));
    let is = |on: bool| {
        let turned = |word: &u16| (*word != 0) == on;
        wrong.iter().any(|(output, ((_, after), safe))| {
            output.name != OutputName::Regulator && turned(after) && !turned(safe)
        })
    };
    let advice = if is(true) && is(false) {
        "are they crossed? Correct `at` of these outputs, or their safe states in the module"
    } else {
        "correct `at` or `safe` of these outputs, or their safe states in the module"
    };
    format!("{}; the rig sheet says {}: {advice}", listed(did), listed(says))
}

fn name(output: &Output) -> String {
    let whose = output.position.map_or_else(String::new, |number| format!(" of position {number}"));
    format!("`{}`{whose}", output.name)
}

/// The state of an output in words; `at` is the word before a number.
fn state(output: &Output, word: u16, at: &str) -> String {
    match word {
        _ if output.name == OutputName::Regulator => format!("{at} {word}"),
        0 => String::from("off"),
        on if on == output.on.unwrap_or(1) => String::from("on"),
        other => format!("{at} {other}"),
    }
}

/// The parts in a sentence: `a, b and c`.
fn listed(parts: impl Iterator<Item = String>) -> String {
    let parts: Vec<String> = parts.collect();
    match parts.split_last() {
        Some((last, before)) if !before.is_empty() => format!("{} and {last}", before.join(", ")),
        _ => parts.concat(),
    }
}
