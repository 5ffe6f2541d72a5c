//! What a person at the rig answered: whether it is as its inputs show it, and whether outputs acted whose effect it cannot see.

use crate::channel::{Channels, marks_of};
use crate::condition::blank;
use tripbench_record::{Check, CheckVerdict, Mark, QuantityName, Role, Segment};
use tripbench_rig::{OutputName, RigSheet};

/// Step `signals`: whether a person found the rig as its inputs show it; `None` if nobody was asked.
pub(crate) fn inputs_as_read(channels: &Channels<'_>, marks: &[Mark], step: u16) -> Option<Check> {
    let yes = answer(marks, step)?;
    let check = blank(channels.task, step, QuantityName::InputsAsRead, Role::Condition, "1");
    let plugs = plugs(channels, marks, step);
    let remark = if yes {
        plugs_in(&plugs).map(|plugs| format!("{plugs}: what was measured includes these devices"))
    } else {
        Some(format!(
            "a person said that the rig differs from these readings, so no output was tried: correct `at` of the input that differs ({}), or \
             its wire; a wrong vacuum or air pressure may also come from `counts` or `values` of its input",
            keys(&channels.task.sheets.rig).join(", ")
        ))
    };
    Some(Check { verdict: met(yes), remark, ..check })
}

/// Step `try`: whether a person saw the output act; `None` if nobody was asked, because the rig sees it.
pub(crate) fn seen_to_act(
    channels: &Channels<'_>,
    marks: &[Mark],
    step: u16,
    (output, position): (OutputName, Option<u8>),
) -> Option<Check> {
    let yes = answer(marks, step)?;
    let check = blank(channels.task, step, QuantityName::SeenToAct, Role::Condition, "1");
    let whose = position.map_or_else(String::new, |number| format!(" of position {number}"));
    let remark = (!yes).then(|| {
        format!(
            "the operator saw no effect: correct `at` of the output `{output}`{whose}, or what is wired to it"
        )
    });
    Some(Check { verdict: met(yes), remark, ..check })
}

/// The last answer of a step.
fn answer(marks: &[Mark], step: u16) -> Option<bool> {
    let answered = marks_of(marks, step, |segment| matches!(segment, Segment::Answered { .. }));
    let Segment::Answered { yes } = answered.last()?.segment else { return None };
    Some(yes)
}

const fn met(yes: bool) -> CheckVerdict {
    if yes { CheckVerdict::Met } else { CheckVerdict::NotMet }
}

/// Says which plugs are in; `None` if none is.
pub fn plugs_in(positions: &[u8]) -> Option<String> {
    let numbers: Vec<String> = positions.iter().map(u8::to_string).collect();
    match numbers.len() {
        0 => None,
        1 => Some(format!("a plug is in at position {}", numbers.concat())),
        _ => Some(format!("plugs are in at positions {}", numbers.join(", "))),
    }
}

/// Numbers of the positions whose plug was connected while the rig was at rest.
fn plugs(channels: &Channels<'_>, marks: &[Mark], step: u16) -> Vec<u8> {
    let rest = marks_of(marks, step, |segment| segment == Segment::AtRest);
    let Some(scan) = rest.last().and_then(|mark| channels.scans(mark).last()) else { return Vec::new() };
    let rig = &channels.task.sheets.rig;
    let present = rig.positions.iter().filter_map(|one| Some((*one.number, one.present.as_ref()?)));
    let seen = present.filter(|(_, input)| channels.bit(scan, input).is_some_and(|bit| bit.on));
    seen.map(|(number, _)| number).collect()
}

/// Keys of the rig sheet for the inputs that the person was shown.
fn keys(rig: &RigSheet) -> Vec<&'static str> {
    let any = |has: fn(&tripbench_rig::Position) -> bool| rig.positions.iter().any(has);
    let all = [
        ("`reference.input`", true),
        ("`air_pressure`", rig.air_pressure.is_some()),
        ("`position.switch`", !rig.positions.is_empty()),
        ("`position.valve`", any(|position| position.valve.is_some())),
        ("`position.present`", any(|position| position.present.is_some())),
        ("`run_limits.emergency_stop`", rig.run_limits.emergency_stop.is_some()),
        ("`run_limits.guard_door`", rig.run_limits.guard_door.is_some()),
    ];
    all.into_iter().filter(|(_, has)| *has).map(|(key, _)| key).collect()
}
