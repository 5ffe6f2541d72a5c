//! The true levels and times of a device, compared with the results of a run and the limits of the sheets.

use super::draw::Drawn;
use std::sync::Arc;
use tripbench_device::{LevelLimits, expected};
use tripbench_quantity::{LevelDifference, Mono, VacuumLevel};
use tripbench_record::{Check, QuantityName, Record, Segment, StepTask};
use tripbench_simulator::DeviceTruth;

/// A true value of a device, compared with its result and its limits; pascal or seconds.
#[derive(Debug, Clone, Copy)]
#[expect(dead_code, reason = "printed with a fault")]
pub(super) struct Level {
    pub(super) quantity: QuantityName,
    pub(super) truth: f64,
    /// Whether the run found the value.
    pub(super) found: bool,
    /// Value minus truth.
    pub(super) error: f64,
    /// U of the value.
    pub(super) u: f64,
    /// How far the truth is inside the limits; negative outside.
    pub(super) inside: f64,
}

impl Level {
    /// Whether the result differs from the truth by more than twice its U, besides an error of the reference of its own.
    pub(super) fn is_wrong(&self, reference_pa: f64) -> bool {
        let explained = if self.quantity == QuantityName::Hysteresis { 0.0 } else { reference_pa };
        // The longest of several operations is judged, which is not the truth of one.
        let is_longest = matches!(self.quantity, QuantityName::ResponseOn | QuantityName::ResponseOff);
        !is_longest && (self.error - explained).abs() > 2.0 * self.u
    }
}

/// U assumed for a value that was not found: pascal for a level, seconds for a time.
const NOT_FOUND_PA: f64 = 500.0;
const NOT_FOUND_S: f64 = 0.02;

/// A quantity of a device with its truth and its limits.
type Truth = (QuantityName, f64, [f64; 2]);

/// All values that the sheets limit. Results come from the checks; limits and truth are independent of them. `lowest` are the true levels
/// of the run with their times, if they were watched.
pub(super) fn levels(
    drawn: &Drawn<'_>,
    device: &DeviceTruth,
    record: &Record,
    lowest: &[(Mono, f64)],
) -> Vec<Level> {
    let Some(position) = record.positions.iter().find(|one| one.number == device.position) else {
        return Vec::new();
    };
    let mut truths = of_levels(drawn, device);
    truths.extend(of_times(drawn, device));
    truths.extend(least_deep(drawn, record, &position.checks, (device.position, lowest)));
    let level = |(quantity, truth, [low, high]): Truth| -> Vec<Level> {
        let one = |check: Option<&Check>| {
            let measured = check.and_then(|check| check.measured.as_ref());
            let found = measured.map(|found| (found.value, found.expanded_uncertainty));
            let is_time = matches!(quantity, QuantityName::ResponseOn | QuantityName::ResponseOff);
            let (value, u) = found.unwrap_or((truth, if is_time { NOT_FOUND_S } else { NOT_FOUND_PA }));
            let inside = (truth - low).min(high - truth);
            Level { quantity, truth, found: found.is_some(), error: value - truth, u, inside }
        };
        let all: Vec<Level> = position
            .checks
            .iter()
            .filter(|check| check.quantity == quantity)
            .map(|check| one(Some(check)))
            .collect();
        if all.is_empty() { vec![one(None)] } else { all }
    };
    truths.into_iter().flat_map(level).collect()
}

/// The levels that the settings sheet limits.
fn of_levels(drawn: &Drawn<'_>, device: &DeviceTruth) -> Vec<Truth> {
    let sheets = &drawn.station.task.sheets;
    let Some((settings, of_type)) = sheets.settings.as_ref().zip(sheets.device.as_ref()) else {
        return Vec::new();
    };
    let limits = expected(settings, of_type);
    let (on_pa, off_pa) = (device.on_level_pa(), device.off_level_pa());
    let saving = device.air_saving;
    let pa = |limits: LevelLimits| [limits.low, limits.high].map(VacuumLevel::si);
    // A valve output that is late at one rate cannot be told from another level.
    let [cuts_late, feeds_late] = device.quirks.valve_later_s.map(|later_s| later_s > 0.0);
    let truths = [
        (QuantityName::SwitchPoint, Some(on_pa), Some(pa(limits.on))),
        (QuantityName::ResetPoint, Some(off_pa), Some(pa(limits.off))),
        (
            QuantityName::Hysteresis,
            Some(on_pa - off_pa),
            limits.hysteresis.map(|limits| limits.map(LevelDifference::si)),
        ),
        (
            QuantityName::CutOff,
            saving.filter(|_| !cuts_late).map(|saving| saving.cut_off_pa),
            limits.cut_off.map(pa),
        ),
        (
            QuantityName::Resume,
            saving.filter(|_| !feeds_late).map(|saving| saving.resume_pa),
            limits.resume.map(pa),
        ),
    ];
    let known = |(quantity, truth, limits): (QuantityName, Option<f64>, Option<[f64; 2]>)| {
        Some((quantity, truth?, limits?))
    };
    truths.into_iter().filter_map(known).collect()
}

/// The times that a step `response` limits.
fn of_times(drawn: &Drawn<'_>, device: &DeviceTruth) -> Vec<Truth> {
    let limit_s = drawn.station.task.steps.iter().find_map(|step| {
        if let StepTask::Response(response) = &step.task { Some(response.limit.si()) } else { None }
    });
    limit_s.map_or_else(Vec::new, |limit_s| {
        let limits = [f64::NEG_INFINITY, limit_s];
        vec![
            (QuantityName::ResponseOn, device.delay_on_s, limits),
            (QuantityName::ResponseOff, device.delay_off_s, limits),
        ]
    })
}

/// The least deep level after the first cut-off of a step `air-saving`.
fn least_deep(
    drawn: &Drawn<'_>,
    record: &Record,
    checks: &[Arc<Check>],
    (position, levels): (u8, &[(Mono, f64)]),
) -> Option<Truth> {
    let sheets = &drawn.station.task.sheets;
    let limits = expected(sheets.settings.as_ref()?, sheets.device.as_ref()?);
    let mark = record.marks.iter().find(|mark| mark.segment == Segment::Saving { position })?;
    let cut =
        checks.iter().find(|check| check.step == mark.step && check.quantity == QuantityName::CutOff)?;
    let cut_s = cut.crossings.first()?.latest_s;
    let while_saving = |(at, _): &&(Mono, f64)| cut_s < at.seconds() && *at <= mark.to;
    let least_pa = levels.iter().filter(while_saving).map(|(_, level_pa)| *level_pa).reduce(f64::min)?;
    Some((QuantityName::LeastDeepLevel, least_pa, [limits.off.high.si(), f64::INFINITY]))
}
