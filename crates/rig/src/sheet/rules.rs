//! Rules on combinations of keys of a rig sheet.

use super::{ReferenceKind, RigSheet};
use crate::address::PointAddress;
use crate::command::OutputName;
use crate::signal::{RawType, RegisterInput};
use tripbench_quantity::LevelStyle;
use tripbench_sheet::{At, Finding, Place, Reader, Wording};

/// Checks every rule and adds the findings; `None` if one is an error.
pub(super) fn check(sheet: &RigSheet, reader: &Reader<'_>) -> Option<()> {
    let findings = [
        positions_there(sheet, reader),
        outputs_there(sheet, reader),
        addresses_once(sheet),
        outputs_once(sheet),
        limit_below_range(sheet),
        ambient_for_absolute(sheet, reader),
        air_pressure_measured(sheet),
        valves_safe(sheet),
        capture_needs_clock(sheet),
        regulator_scaled(sheet),
        clock_lasts(sheet),
        loop_has_both_ends(sheet),
        range_within_input(sheet),
        hand_over_to_a_position(sheet),
    ];
    let all: Vec<_> = findings.into_iter().flatten().collect();
    let good = all.is_empty();
    for finding in all.into_iter().chain(vent_opens(sheet)) {
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

/// A rig needs at least `evacuate` and `vent`, unless the operator moves all air by hand.
fn outputs_there(sheet: &RigSheet, reader: &Reader<'_>) -> Vec<Finding> {
    if sheet.by_hand() {
        return Vec::new();
    }
    let missing: Vec<_> = [OutputName::Evacuate, OutputName::Vent]
        .into_iter()
        .filter(|name| !sheet.has(*name))
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

/// Addresses of all signals, one for each register or bit, with their places in the sheet.
fn addresses(sheet: &RigSheet) -> Vec<(PointAddress, &Place)> {
    let mut all: Vec<(PointAddress, &Place)> = Vec::new();
    let registers = |at: &At<PointAddress>, raw: RawType| {
        (0..raw.registers())
            .map(|offset| PointAddress { number: at.number.saturating_add(offset), ..at.value })
            .collect::<Vec<_>>()
    };
    for input in sheet.digital_inputs() {
        all.push((input.at.value, &input.at.place));
        for register in input.counter.iter().map(|counter| &counter.register).chain(&input.capture) {
            all.extend(registers(&register.at, register.raw).into_iter().map(|at| (at, &register.at.place)));
        }
    }
    let reference = &sheet.reference.input;
    all.extend(registers(&reference.at, reference.raw).into_iter().map(|at| (at, &reference.at.place)));
    if let Some(input) = &sheet.air_pressure {
        all.extend(registers(&input.at, input.raw).into_iter().map(|at| (at, &input.at.place)));
    }
    if let Some(input) = &sheet.ambient {
        all.extend(registers(&input.at, input.raw).into_iter().map(|at| (at, &input.at.place)));
    }
    if let Some(clock) = &sheet.module.clock {
        let register = &clock.register;
        all.extend(registers(&register.at, register.raw).into_iter().map(|at| (at, &register.at.place)));
    }
    all.extend(sheet.outputs.iter().map(|output| (output.at.value, &output.at.place)));
    all
}

/// Whether two addresses overlap; a bit of a register overlaps the whole register.
fn same_place(one: PointAddress, other: PointAddress) -> bool {
    one.cell() == other.cell() && (one.bit == other.bit || one.bit.is_none() || other.bit.is_none())
}

fn addresses_once(sheet: &RigSheet) -> Vec<Finding> {
    let all = addresses(sheet);
    let repeated = all.iter().enumerate().filter_map(|(index, (address, place))| {
        let (_, first) = all[..index].iter().find(|(other, _)| same_place(*other, *address))?;
        let message = format!("`{address}` is used twice");
        let wording =
            Wording::new(message, "used again here", "one signal, one address: check the wiring list");
        Some(Finding::error("address-twice", place, wording).with(first, "used first here"))
    });
    repeated.collect()
}

fn capture_needs_clock(sheet: &RigSheet) -> Vec<Finding> {
    let finding = |input: &RegisterInput| {
        let clock = sheet.module.clock.as_ref();
        let same = clock
            .is_some_and(|clock| clock.register.raw == input.raw && clock.register.at.unit == input.at.unit);
        let (message, help) = match clock {
            None => (
                "edges that the module stamps need the module's clock",
                "add clock = { at = …, raw = …, tick = … } to [module]",
            ),
            Some(_) => (
                "this stamp and the module's clock differ in raw type or unit",
                "write the same raw for both, and the same unit in both addresses",
            ),
        };
        let wording = Wording::new(message, "stamp without a matching clock", help);
        (!same).then(|| Finding::error("clock-missing", &input.at.place, wording))
    };
    sheet.digital_inputs().into_iter().filter_map(|input| input.capture.as_ref().and_then(finding)).collect()
}

fn loop_has_both_ends(sheet: &RigSheet) -> Vec<Finding> {
    let output = sheet.outputs.iter().find(|output| output.name == OutputName::Loop);
    let place = match (output, &sheet.module.looped) {
        (Some(output), None) => output.place.clone(),
        (None, Some(input)) => input.at.place.clone(),
        (Some(_), Some(_)) | (None, None) => return Vec::new(),
    };
    let help = "an output with name = \"loop\" and looped = { at = … } in [module] go together";
    let wording = Wording::new("the loop has only one end", "the other end is missing", help);
    vec![Finding::error("loop-with-one-end", &place, wording)]
}

fn range_within_input(sheet: &RigSheet) -> Vec<Finding> {
    let (reference, style) = (&sheet.reference, LevelStyle::default());
    let [a, b] = reference.input.values;
    let deepest = if a > b { a } else { b };
    // An absolute reference reads pressure, so its largest value is not a level.
    if reference.kind == ReferenceKind::Absolute || reference.range.value <= deepest {
        return Vec::new();
    }
    let message = format!("the input ends at {}, less deep than this range", style.level(deepest));
    let help = "the range must lie within the two points of the input: correct one or the other";
    let wording = Wording::new(message, "deeper than the input's points", help);
    let finding = Finding::error("range-beyond-input", &reference.range.place, wording);
    vec![finding.with(&reference.input.at.place, "the input")]
}

fn hand_over_to_a_position(sheet: &RigSheet) -> Vec<Finding> {
    let wrong = sheet.outputs.iter().filter(|output| {
        let there = output.position.is_some_and(|number| sheet.position(number).is_some());
        if output.name == OutputName::HandOver { !there } else { output.position.is_some() }
    });
    wrong
        .map(|output| {
            let numbers: Vec<_> =
                sheet.positions.iter().map(|position| position.number.to_string()).collect();
            let help = format!(
                "a hand-over needs position = n, other outputs have none; positions of this rig: {}",
                numbers.join(", ")
            );
            let message = match output.position {
                Some(number) => format!("`{}` cannot have position {number}", output.name),
                None => format!("`{}` has no position", output.name),
            };
            Finding::error("hand-over-to", &output.place, Wording::new(message, "this output", help))
        })
        .collect()
}

/// A clock that can wrap around between two scans is ambiguous.
fn clock_lasts(sheet: &RigSheet) -> Vec<Finding> {
    /// Twice [`LONGEST_GAP`](crate::LONGEST_GAP), in seconds.
    const LEAST_S: f64 = 0.5;
    let Some(clock) = &sheet.module.clock else { return Vec::new() };
    #[expect(clippy::cast_precision_loss, reason = "32 bits at most")]
    let lasts_s = clock.register.modulus() as f64 * clock.tick.si();
    if lasts_s >= LEAST_S {
        return Vec::new();
    }
    let message = format!("this clock wraps around after {:.0} ms", lasts_s * 1e3);
    let help = "allowed: 500 ms or more; use raw = \"u32\" or a longer tick";
    let wording = Wording::new(message, "may wrap around between two scans", help);
    vec![Finding::error("clock-too-short", &clock.register.at.place, wording)]
}

fn regulator_scaled(sheet: &RigSheet) -> Vec<Finding> {
    let regulators = sheet.outputs.iter().filter(|output| output.name == OutputName::Regulator);
    let wrong = regulators.filter(|output| {
        !output.scale.as_ref().is_some_and(|scale| {
            let within = |counts: f64| (0.0..=65_535.0).contains(&counts);
            scale.counts.iter().all(|counts| within(*counts))
                && (scale.counts[0] - scale.counts[1]).abs() >= 1.0
                && scale.values[0] != scale.values[1]
        })
    });
    wrong
        .map(|output| {
            let help = "write counts = [low, high] within 0 to 65535 and values = [level, level], two points that differ";
            let wording = Wording::new("a regulator needs two points", "counts and values", help);
            Finding::error("regulator-points", &output.place, wording)
        })
        .collect()
}

fn outputs_once(sheet: &RigSheet) -> Vec<Finding> {
    let twice = |what: String, place: &Place, first: &Place| {
        let wording = Wording::new(
            format!("{what} is defined twice"),
            "defined again here",
            "remove one, or correct its name or number",
        );
        Finding::error("named-twice", place, wording).with(first, "defined first here")
    };
    let outputs = sheet.outputs.iter().enumerate().filter_map(|(index, output)| {
        let first = sheet.outputs[..index]
            .iter()
            .find(|other| (other.name, other.position) == (output.name, output.position))?;
        Some(twice(format!("output `{}`", output.name), &output.place, &first.place))
    });
    let positions = sheet.positions.iter().enumerate().filter_map(|(index, position)| {
        let first = sheet.positions[..index].iter().find(|other| *other.number == *position.number)?;
        Some(twice(format!("position {}", *position.number), &position.number.place, &first.number.place))
    });
    outputs.chain(positions).collect()
}

fn limit_below_range(sheet: &RigSheet) -> Vec<Finding> {
    let style = LevelStyle::default();
    let (highest, range) = (&sheet.run_limits.deepest_level, &sheet.reference.range);
    if highest.si() <= range.si() {
        return Vec::new();
    }
    let message = format!("{} is deeper than the reference measures", style.level(highest.value));
    let help = format!("allowed: up to the reference's range of {}", style.level(range.value));
    let finding = Finding::error(
        "limit-beyond-reference",
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
    let Some(window) = &sheet.run_limits.air_pressure else { return Vec::new() };
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

/// Warns if vacuum can remain in the rig while its outputs are safe.
fn vent_opens(sheet: &RigSheet) -> Option<Finding> {
    let vent = sheet.outputs.iter().find(|output| output.name == OutputName::Vent && !*output.safe)?;
    let wording = Wording::new(
        "this rig stays under vacuum while its outputs are safe, because `vent` is then off",
        "off when safe",
        "write true, unless something else lets air in: \"outputs safe\" does not mean vented here",
    );
    Some(Finding::warning("vacuum-stays", &vent.safe.place, wording))
}

fn valves_safe(sheet: &RigSheet) -> Vec<Finding> {
    let unsafe_on = |name| {
        matches!(
            name,
            OutputName::Evacuate
                | OutputName::EvacuateFine
                | OutputName::Regulator
                | OutputName::HandOver
                | OutputName::DevicePower
        )
    };
    let wrong = sheet.outputs.iter().filter(|output| unsafe_on(output.name) && *output.safe);
    wrong
        .map(|output| {
            let message = format!("the safe value of `{}` cannot be on", output.name);
            let wording =
                Wording::new(message, "must be false", "safe means: no evacuation and no device power");
            Finding::error("unsafe-safe-value", &output.safe.place, wording)
        })
        .collect()
}
