//! Rules that hold between the keys of a rig sheet.

use super::{ReferenceKind, RigSheet};
use crate::address::PointAddress;
use crate::command::OutputName;
use tripbench_quantity::LevelStyle;
use tripbench_sheet::{At, Finding, Place, Reader, Wording};

/// `None` if a rule is broken; the findings are added then.
pub(super) fn check(sheet: &RigSheet, reader: &Reader<'_>) -> Option<()> {
    let findings = [
        positions_there(sheet, reader),
        outputs_there(sheet, reader),
        addresses_once(sheet),
        outputs_once(sheet),
        interlock_below_range(sheet),
        ambient_for_absolute(sheet, reader),
        air_pressure_measured(sheet),
        valves_safe(sheet),
    ];
    let all: Vec<_> = findings.into_iter().flatten().collect();
    let good = all.is_empty();
    for finding in all {
        reader.finding(finding);
    }
    good.then_some(())
}

fn positions_there(sheet: &RigSheet, reader: &Reader<'_>) -> Vec<Finding> {
    let wording =
        Wording::new("this rig has no position", "no [[position]]", "add 1 to 64 [[position]] tables");
    let missing = sheet.positions.is_empty().then(|| Finding::error("no-position", &reader.place(), wording));
    missing.into_iter().collect()
}

fn outputs_there(sheet: &RigSheet, reader: &Reader<'_>) -> Vec<Finding> {
    let has = |name| sheet.outputs.iter().any(|output| output.name == name);
    let missing: Vec<_> = [OutputName::Evacuate, OutputName::Vent]
        .into_iter()
        .filter(|name| !has(*name))
        .map(OutputName::word)
        .collect();
    if missing.is_empty() {
        return Vec::new();
    }
    let message = format!("this rig has no output `{}`", missing.join("` and no `"));
    let help = "add an [[output]] table with name, at and safe for each";
    vec![Finding::error(
        "no-such-output",
        &reader.place(),
        Wording::new(message, "outputs are missing", help),
    )]
}

fn addresses_once(sheet: &RigSheet) -> Vec<Finding> {
    let inputs = sheet.positions.iter().flat_map(|position| {
        [Some(&position.switch), position.valve.as_ref(), position.present.as_ref()]
            .into_iter()
            .flatten()
            .map(|input| &input.at)
    });
    let guards = [sheet.interlocks.emergency_stop.as_ref(), sheet.interlocks.guard_door.as_ref()];
    let guards = guards.into_iter().flatten().map(|input| &input.at);
    let mut analog = vec![&sheet.reference.input.at];
    analog.extend(sheet.air_pressure.as_ref().map(|input| &input.at));
    analog.extend(sheet.ambient.as_ref().map(|input| &input.at));
    let outputs = sheet.outputs.iter().map(|output| &output.at);
    let all: Vec<&At<PointAddress>> = inputs.chain(guards).chain(analog).chain(outputs).collect();
    let repeated = all.iter().enumerate().filter_map(|(index, address)| {
        let earlier = all[..index].iter().find(|other| other.value == address.value)?;
        let message = format!("`{}` is used twice", address.value);
        let wording =
            Wording::new(message, "used again here", "one signal, one address: check the wiring list");
        Some(Finding::error("address-twice", &address.place, wording).with(&earlier.place, "used first here"))
    });
    repeated.collect()
}

fn outputs_once(sheet: &RigSheet) -> Vec<Finding> {
    let twice = |what: String, place: &Place, first: &Place| {
        let wording = Wording::new(format!("{what} is there twice"), "again here", "give each its own");
        Finding::error("named-twice", place, wording).with(first, "first here")
    };
    let outputs = sheet.outputs.iter().enumerate().filter_map(|(index, output)| {
        let first = sheet.outputs[..index].iter().find(|other| other.name == output.name)?;
        Some(twice(format!("output `{}`", output.name), &output.place, &first.place))
    });
    let positions = sheet.positions.iter().enumerate().filter_map(|(index, position)| {
        let first = sheet.positions[..index].iter().find(|other| *other.number == *position.number)?;
        Some(twice(format!("position {}", *position.number), &position.number.place, &first.number.place))
    });
    outputs.chain(positions).collect()
}

fn interlock_below_range(sheet: &RigSheet) -> Vec<Finding> {
    let style = LevelStyle::default();
    let (highest, range) = (&sheet.interlocks.highest_level, &sheet.reference.range);
    if highest.si() <= range.si() {
        return Vec::new();
    }
    let message = format!("{} is deeper than the reference measures", style.level(highest.value));
    let help = format!("allowed: up to the reference's range of {}", style.level(range.value));
    let finding = Finding::error(
        "interlock-beyond-reference",
        &highest.place,
        Wording::new(message, "deeper than the range", help),
    );
    vec![finding.with(&range.place, "the reference's range")]
}

fn ambient_for_absolute(sheet: &RigSheet, reader: &Reader<'_>) -> Vec<Finding> {
    if sheet.reference.kind == ReferenceKind::Gauge || sheet.ambient.is_some() {
        return Vec::new();
    }
    let wording = Wording::new(
        "an absolute reference needs the ambient pressure",
        "no [ambient] table",
        "add an [ambient] input: a vacuum level is ambient minus pressure",
    );
    vec![Finding::error("ambient-missing", &reader.place(), wording)]
}

fn air_pressure_measured(sheet: &RigSheet) -> Vec<Finding> {
    let Some(window) = &sheet.interlocks.air_pressure else { return Vec::new() };
    let mut findings = Vec::new();
    if sheet.air_pressure.is_none() {
        let wording = Wording::new(
            "the air pressure has a window but is not measured",
            "needs an [air_pressure] input",
            "add an [air_pressure] table, or leave the window out",
        );
        findings.push(Finding::error("air-pressure-not-measured", &window.place, wording));
    }
    if window[0] >= window[1] {
        let wording = Wording::new(
            "the lowest air pressure is not below the highest",
            "this window is empty",
            "write [low, high]",
        );
        findings.push(Finding::error("empty-window", &window.place, wording));
    }
    findings
}

fn valves_safe(sheet: &RigSheet) -> Vec<Finding> {
    let unsafe_on =
        |name| matches!(name, OutputName::Evacuate | OutputName::EvacuateFine | OutputName::DevicePower);
    let wrong = sheet.outputs.iter().filter(|output| unsafe_on(output.name) && *output.safe);
    wrong
        .map(|output| {
            let message = format!("the safe value of `{}` can not be on", output.name);
            let wording =
                Wording::new(message, "must be false", "safe means: no evacuation and no device power");
            Finding::error("unsafe-safe-value", &output.safe.place, wording)
        })
        .collect()
}
