//! One switching cycle as points: vacuum rises through all levels and falls back, with the states of output and valve.

use crate::settings::{Logic, SettingsSheet, SupplyValve};
use std::fmt::Write;
use tripbench_quantity::{LevelStyle, VacuumLevel};

/// One level of a cycle, with the states from there on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CyclePoint {
    /// Name of the level.
    pub name: &'static str,
    /// The level.
    pub level: VacuumLevel,
    /// Whether the vacuum is rising.
    pub rising: bool,
    /// State of the switch output from this point on.
    pub output_on: bool,
    /// State of the valve output from this point on; `None` without air saving.
    pub valve_on: Option<bool>,
}

/// The points of one cycle in order, from ambient through every level to the reset point.
pub fn cycle(settings: &SettingsSheet) -> Vec<CyclePoint> {
    let closed = settings.logic == Logic::NormallyClosed;
    let feeding =
        settings.air_saving.as_ref().map(|saving| saving.supply_valve == SupplyValve::ClosedWithoutPower);
    let start = CyclePoint {
        name: "ambient",
        level: VacuumLevel::ZERO,
        rising: true,
        output_on: closed,
        valve_on: feeding,
    };
    let mut points = vec![start];
    points.push(CyclePoint {
        name: "switch point",
        level: settings.switch_point.value,
        output_on: !closed,
        ..start
    });
    if let Some(saving) = &settings.air_saving {
        let on = CyclePoint { output_on: !closed, ..start };
        let cut = feeding.map(|on| !on);
        points.push(CyclePoint { name: "cut-off", level: saving.cut_off.value, valve_on: cut, ..on });
        points.push(CyclePoint { name: "resume", level: saving.resume.value, rising: false, ..on });
    }
    points.push(CyclePoint {
        name: "reset point",
        level: settings.reset_point.value,
        rising: false,
        ..start
    });
    points
}

/// The levels of the cycle as text for a terminal, deepest first.
pub fn picture(settings: &SettingsSheet, style: LevelStyle) -> String {
    let levels: Vec<_> = cycle(settings).iter().skip(1).map(|point| (point.name, point.level)).collect();
    ladder(&levels, style)
}

/// The given levels as text, one per line, deepest first.
pub(crate) fn ladder(levels: &[(&'static str, VacuumLevel)], style: LevelStyle) -> String {
    let mut sorted = levels.to_vec();
    sorted.sort_by(|a, b| b.1.si().total_cmp(&a.1.si()));
    let mut text = String::from("deeper");
    for (name, level) in sorted {
        let happens = match name {
            "cut-off" => "rising: the supply valve closes",
            "resume" => "falling: the supply valve opens",
            "switch point" => "rising: the output turns on",
            "reset point" => "falling: the output turns off",
            _ => "",
        };
        let _fits_in_memory = write!(text, "\n  {:>12}  {name:<12}  {happens}", style.level(level));
    }
    text.push_str("\nambient");
    text
}
