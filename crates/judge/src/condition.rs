//! Conditions of the rig: without them nothing about a device can be said.

use crate::channel::{Channels, marks_of, zero_before};
use tripbench_device::DecisionRule;
use tripbench_measure::{
    Acceptance, Contribution, Limits, MeasurementResult, Outcome, combine, conformance_probability, decide,
    fit_line, to_decide,
};
use tripbench_record::{
    Check, CheckVerdict, LeakTask, LimitsRecord, Mark, Measured, QuantityName, Role, Segment, Task,
};

/// The decision rule of the site, as `measure` names it.
pub(crate) fn acceptance(task: &Task) -> Acceptance {
    match task.sheets.site.decision {
        DecisionRule::GuardBand => Acceptance::GuardBand,
        DecisionRule::Simple => Acceptance::Simple,
        DecisionRule::HighestRisk => Acceptance::HighestRisk {
            risk: task.sheets.site.highest_risk,
            process: task.sheets.site.process_spread,
        },
    }
}

/// A check with place, role and limits, undecided so far.
pub(crate) fn blank(task: &Task, step: u16, quantity: QuantityName, role: Role, unit: &str) -> Check {
    let step_name = task.steps.get(usize::from(step)).map_or_else(String::new, |step| step.name.clone());
    Check { step, step_name, role, unit: unit.to_owned(), ..Check::empty(quantity) }
}

/// Fills in a result and decides it.
pub(crate) fn judged(
    mut check: Check,
    result: &MeasurementResult,
    limits: Option<Limits>,
    acceptance: Acceptance,
) -> Check {
    check.measured = Some(Measured::from(result));
    check.limits = limits.map(|limits| LimitsRecord { low: limits.low, high: limits.high });
    check.conformance_probability = limits.map(|limits| conformance_probability(result, limits));
    check.verdict = match (limits.map(|limits| decide(result, limits, acceptance)), check.role) {
        (None, _) => CheckVerdict::Measured,
        (Some(Outcome::Undecided), _) => CheckVerdict::Undecided,
        (Some(Outcome::Pass), Role::Condition) => CheckVerdict::Met,
        (Some(Outcome::Fail), Role::Condition) => CheckVerdict::NotMet,
        (Some(Outcome::Pass), Role::Required | Role::Informative | Role::Screening) => CheckVerdict::Pass,
        (Some(Outcome::Fail), Role::Required | Role::Informative | Role::Screening) => CheckVerdict::Fail,
    };
    let open = limits.filter(|_| check.verdict == CheckVerdict::Undecided);
    check.to_decide = open.and_then(|limits| to_decide(result, limits));
    check
}

/// Step `zero`: the vented reference is near zero; the second time, it has not drifted.
pub(crate) fn zero(channels: &Channels<'_>, marks: &[Mark], step: u16, again: bool) -> Vec<Check> {
    let task = channels.task;
    let reference = &task.sheets.rig.reference;
    let check = blank(task, step, QuantityName::Zero, Role::Condition, "Pa");
    let here = marks_of(marks, step, |segment| segment == Segment::Vented);
    let Some(zero) = here.last().and_then(|mark| channels.zero(mark)) else {
        return vec![Check { remark: Some("the vented reference was not read".into()), ..check }];
    };
    let result = combine(
        zero.offset_pa,
        channels.resolution_pa(),
        vec![Contribution::normal("noise", zero.uncertainty_pa)],
    );
    let largest = reference.largest_zero.si();
    let limits = Limits { low: Some(-largest), high: Some(largest) };
    let mut checks = vec![result.map_or_else(
        |_| check.clone(),
        |result| judged(check.clone(), &result, Some(limits), acceptance(task)),
    )];
    if here.last().is_some_and(|mark| channels.at_a_stop(mark)) {
        checks[0].verdict = CheckVerdict::NotMet;
        checks[0].remark = Some(
            "the vented reference reads at the end of its range: what it reads less there is not seen, and no zero can be taken".into(),
        );
    }
    if again {
        checks.push(drift(channels, marks, step, zero));
    }
    checks
}

/// The drift is in every level's budget with its declared half width: the condition fails only where more is shown.
fn drift(channels: &Channels<'_>, marks: &[Mark], step: u16, after: crate::channel::Zero) -> Check {
    let task = channels.task;
    let check = blank(task, step, QuantityName::ZeroDrift, Role::Condition, "Pa");
    let Some(before) = zero_before(marks, step).and_then(|mark| channels.zero(mark)) else {
        return Check { remark: Some("there was no zero before".into()), ..check };
    };
    let noise = before.uncertainty_pa.hypot(after.uncertainty_pa);
    let difference = after.offset_pa - before.offset_pa;
    let Ok(result) =
        combine(difference, channels.resolution_pa(), vec![Contribution::normal("noise", noise)])
    else {
        return check;
    };
    let declared = task.sheets.rig.reference.drift.si();
    let limits = Limits { low: Some(-declared), high: Some(declared) };
    let shown = decide(&result, limits, Acceptance::GuardBand);
    let mut check = judged(check, &result, Some(limits), Acceptance::GuardBand);
    check.verdict = if shown == Outcome::Fail { CheckVerdict::NotMet } else { CheckVerdict::Met };
    check
}

/// Step `leak`: how fast the closed rig loses vacuum.
pub(crate) fn leak(channels: &Channels<'_>, marks: &[Mark], step: u16, leak: &LeakTask) -> Vec<Check> {
    let task = channels.task;
    let check = blank(task, step, QuantityName::LeakRate, Role::Condition, "Pa/s");
    let closed = marks_of(marks, step, |segment| segment == Segment::Closed);
    let samples = closed.last().map(|mark| channels.raw_samples(mark)).unwrap_or_default();
    let centre_s = samples.get(samples.len() / 2).map_or(0.0, |sample| sample.t_s);
    let Some(line) = fit_line(&samples, centre_s, channels.resolution_pa()) else {
        return vec![Check { remark: Some("the closed rig was not watched long enough".into()), ..check }];
    };
    let contributions = vec![
        Contribution::normal("scatter of the line", line.slope_uncertainty_pa_per_s()),
        Contribution::rectangular("gas still warming", warming_pa_per_s(task, leak)),
    ];
    let watched_s =
        samples.last().map_or(1.0, |last| last.t_s) - samples.first().map_or(0.0, |first| first.t_s);
    let resolution = channels.resolution_pa() / watched_s.max(1e-3);
    let Ok(result) = combine(-line.slope_pa_per_s(centre_s), resolution, contributions) else {
        return vec![check];
    };
    // Vacuum that gets deeper in a closed rig is a valve that does not close: as bad as a leak.
    let limits = Limits { low: Some(-leak.limit.si()), high: Some(leak.limit.si()) };
    let mut check = judged(check, &result, Some(limits), acceptance(task));
    if check.verdict != CheckVerdict::Met {
        check.remark = Some("levels can not be judged with this leak: check plugs, hoses and seals".into());
    }
    vec![check]
}

/// Rate at which the gas can still warm after settling: 0.4 of the evacuation rate, decaying with the thermal time
/// constant, averaged over the time watched (rule of thumb of this project's measuring notes).
fn warming_pa_per_s(task: &Task, leak: &LeakTask) -> f64 {
    let manifold = &task.sheets.rig.manifold;
    let tau_s = manifold.thermal.si().max(1e-3);
    let rate_pa_per_s = (manifold.ultimate_vacuum.si() - leak.level.si()).max(0.0) / manifold.evacuate.si();
    let watch_s = leak.watch.si().max(1e-3);
    0.4 * rate_pa_per_s
        * (-leak.settle.si() / tau_s).exp()
        * (tau_s / watch_s)
        * (1.0 - (-watch_s / tau_s).exp())
}
