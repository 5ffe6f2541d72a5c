//! Whether an output that a person operated at its plug changed its own input and no other.

use crate::channel::{Channels, changes, marks_of};
use crate::condition::blank;
use tripbench_record::{Check, CheckVerdict, DeviceOutput, Mark, QuantityName, Role, Segment};
use tripbench_rig::{DigitalInput, RigSheet};

/// Step `own-input`: which inputs changed while a person operated one output at its plug.
pub(crate) fn own_input(
    channels: &Channels<'_>,
    marks: &[Mark],
    step: u16,
    operated: (u8, DeviceOutput),
) -> Vec<Check> {
    let check = blank(channels.task, step, QuantityName::OwnInput, Role::Condition, "1");
    let Some(mark) = marks_of(marks, step, |segment| segment == Segment::Operated).last().copied() else {
        return vec![check];
    };
    let rig = &channels.task.sheets.rig;
    let Some(position) = rig.position(operated.0) else { return vec![check] };
    let own = match operated.1 {
        DeviceOutput::Switch => Some(&position.switch),
        DeviceOutput::Valve => position.valve.as_ref(),
    };
    // The plug's own input is left out, because operating the output may require pulling the plug.
    let is = |one: &DigitalInput, other: Option<&DigitalInput>| other.is_some_and(|other| one.at == other.at);
    let changed: Vec<&DigitalInput> = rig
        .digital_inputs()
        .into_iter()
        .filter(|input| !is(input, position.present.as_ref()))
        .filter(|input| !changes(&channels.bits(&mark, input)).is_empty())
        .collect();
    let own_changed = changed.iter().any(|input| is(input, own));
    let others: Vec<&DigitalInput> = changed.into_iter().filter(|input| !is(input, own)).collect();
    // A device operated by vacuum switches both of its outputs.
    let same =
        |input: &&DigitalInput| is(input, Some(&position.switch)) || is(input, position.valve.as_ref());
    let of_one_device = !others.is_empty() && others.iter().all(same);
    let others: Vec<String> = others.into_iter().map(|input| named(rig, input)).collect();
    let (verdict, remark) = match (own_changed, others.is_empty()) {
        (true, true) => (CheckVerdict::Met, String::from("its own input changed, and no other")),
        (true, false) if of_one_device => (
            CheckVerdict::Undecided,
            String::from(
                "both outputs changed: are they wired together, or did the device switch both? Operate one alone",
            ),
        ),
        (true, false) => (
            CheckVerdict::NotMet,
            format!("its input changed, and that of {} too: are they wired together?", others.join(", ")),
        ),
        (false, false) => (
            CheckVerdict::NotMet,
            format!(
                "its input did not change, but that of {} did: are the wires crossed, or the addresses on the rig sheet?",
                others.join(", ")
            ),
        ),
        (false, true) => (
            CheckVerdict::Undecided,
            String::from(
                "no input changed: was it operated? Check the plug, its wire and the address on the rig sheet",
            ),
        ),
    };
    vec![Check {
        verdict,
        remark: Some(format!("the {} output of position {}: {remark}", operated.1, operated.0)),
        ..check
    }]
}

/// Name of the signal behind an input, for remarks.
fn named(rig: &RigSheet, input: &DigitalInput) -> String {
    let of_position = rig.positions.iter().find_map(|position| {
        let all = [
            ("the switch output", Some(&position.switch)),
            ("the valve output", position.valve.as_ref()),
            ("the plug", position.present.as_ref()),
        ];
        let found = all.into_iter().find(|(_, one)| one.is_some_and(|one| one.at == input.at));
        found.map(|(what, _)| format!("{what} of position {}", *position.number))
    });
    of_position.unwrap_or_else(|| format!("`{}`", *input.at))
}

#[cfg(test)]
mod tests;
