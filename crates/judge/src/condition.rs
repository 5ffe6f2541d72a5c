//! Conditions of the rig: if one is not met, no device can be judged.

use crate::channel::{Channels, Zero, marks_of, zero_before};
use crate::rig_check::settling;
use tripbench_device::DecisionRule;
use tripbench_measure::{
    Acceptance, Contribution, Limits, MeasurementResult, Outcome, Sample, Settling, combine,
    conformance_probability, decide, fit_settling, spread_interval, to_decide,
};
use tripbench_record::{
    Check, CheckVerdict, LeakTask, LimitsRecord, Mark, Measured, QuantityName, Role, Segment, Task,
};

/// The decision rule of the site, as a type of `measure`.
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

/// The decision rule for a condition of the rig: the spread of devices says nothing about the rig's leak or zero.
pub(crate) fn acceptance_of_rig(task: &Task) -> Acceptance {
    match acceptance(task) {
        Acceptance::HighestRisk { risk, .. } => Acceptance::HighestRisk { risk, process: None },
        rule @ (Acceptance::GuardBand | Acceptance::Simple) => rule,
    }
}

/// An undecided check of a quantity, without limits or result.
pub(crate) fn blank(task: &Task, step: u16, quantity: QuantityName, role: Role, unit: &str) -> Check {
    let step_name = task.steps.get(usize::from(step)).map_or_else(String::new, |step| step.name.clone());
    Check { step, step_name, role, unit: unit.to_owned(), ..Check::empty(quantity) }
}

/// Fills in a result and decides it against its limits.
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

/// Step `zero`: the vented reference is near zero and, if repeated, has not drifted.
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
        vec![Contribution::normal("noise", zero.uncertainty_pa).of("this run")],
    );
    let largest = reference.largest_zero.si();
    let limits = Limits { low: Some(-largest), high: Some(largest) };
    let mut checks = vec![result.map_or_else(
        |_| check.clone(),
        |result| judged(check.clone(), &result, Some(limits), acceptance_of_rig(task)),
    )];
    if here.last().is_some_and(|mark| channels.at_a_stop(mark)) {
        checks[0].verdict = CheckVerdict::NotMet;
        checks[0].remark = Some(
            "the vented reference reads at the end of its range: readings below that are cut off, so no zero can be taken".into(),
        );
    }
    let calibration = &reference.calibration;
    if checks[0].verdict == CheckVerdict::Met && calibration.zeroed_twice(zero.offset_pa, zero.uncertainty_pa)
    {
        checks[0].verdict = CheckVerdict::NotMet;
        checks[0].remark = Some(String::from(
            "the zero reading is the certificate's fixed correction with the opposite sign: if that correction \
             is for readings as found, write zero = \"as-found\" beside it, or it is subtracted twice",
        ));
    }
    if checks[0].verdict == CheckVerdict::Met {
        checks[0].remark = noisier(channels, zero);
    }
    if again {
        checks.push(drift(channels, marks, step, zero));
    }
    checks
}

/// A remark if the vented reference scatters surely more than its sheet declares: the results use the observed noise, but the plan used
/// the declared one.
fn noisier(channels: &Channels<'_>, zero: Zero) -> Option<String> {
    /// Multiple of the declared noise below which rounding on the sheet explains the difference. Judgement of this project.
    const ROUNDED: f64 = 1.2;
    let declared_pa = channels.task.sheets.rig.reference.noise.si().max(channels.resolution_pa());
    let least_pa = spread_interval(zero.count)?[0] * zero.spread_pa;
    (least_pa > ROUNDED * declared_pa).then(|| {
        let style = channels.task.sheets.site.style;
        let show = |pascal| style.difference(tripbench_quantity::LevelDifference::new(pascal));
        format!(
            "the reference scatters by {} at rest, its sheet declares {}: predictions are too optimistic",
            show(zero.spread_pa),
            show(declared_pa)
        )
    })
}

/// The declared drift is in every level's budget: the condition fails only where a larger drift is shown.
fn drift(channels: &Channels<'_>, marks: &[Mark], step: u16, after: Zero) -> Check {
    let task = channels.task;
    let check = blank(task, step, QuantityName::ZeroDrift, Role::Condition, "Pa");
    let Some(before) = zero_before(marks, step).and_then(|mark| channels.zero(mark)) else {
        return Check { remark: Some("there was no zero before".into()), ..check };
    };
    let noise = before.uncertainty_pa.hypot(after.uncertainty_pa);
    let difference = after.offset_pa - before.offset_pa;
    let Ok(result) = combine(
        difference,
        channels.resolution_pa(),
        vec![Contribution::normal("noise", noise).of("this run")],
    ) else {
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
    let Some(result) = leak_result(task, leak, (&samples, channels.resolution_pa() / 12f64.sqrt())) else {
        return vec![Check { remark: Some("the closed rig was not watched long enough".into()), ..check }];
    };
    // Vacuum that deepens in a closed rig comes from a valve that does not close, which is as bad as a leak.
    let limits = Limits { low: Some(-leak.limit.si()), high: Some(leak.limit.si()) };
    let mut check = judged(check, &result, Some(limits), acceptance_of_rig(task));
    if check.verdict != CheckVerdict::Met {
        let usual = || "levels cannot be judged with this leak: check plugs, hoses and seals".to_owned();
        check.remark = Some(warms_slower(channels, marks).unwrap_or_else(usual));
    }
    vec![check]
}

/// Words for a leak that is measured while the gas still warms, if the trace shows that this takes surely longer than the rig sheet
/// declares.
fn warms_slower(channels: &Channels<'_>, marks: &[Mark]) -> Option<String> {
    let step = marks.iter().find(|mark| mark.segment == Segment::Settling)?.step;
    let checks = settling(channels, marks, step);
    let slow = checks.iter().find(|check| check.verdict == CheckVerdict::NotMet)?.measured.as_ref()?;
    Some(format!(
        "measured while the gas was still warming, which looks like a leak: its time constant is {:.0} ms, the rig sheet declares {:.0} ms. First \
         correct `manifold.thermal` and check again; only then check plugs, hoses and seals",
        slow.value * 1e3,
        channels.task.sheets.rig.manifold.thermal.si() * 1e3
    ))
}

/// Rate of a leak, separated from the warming of the gas; `floor_pa` is the least scatter of a sample. The time constant of the warming
/// is known to a factor of 1.5 (judgement of this project).
fn leak_result(
    task: &Task,
    leak: &LeakTask,
    (samples, floor_pa): (&[Sample], f64),
) -> Option<MeasurementResult> {
    const KNOWN_TO: f64 = 1.5;
    let tau_s = task.sheets.rig.manifold.thermal.si().max(1e-3);
    let warming_pa = warming_pa(task, leak);
    let at = |tau_s: f64| fit_settling(samples, tau_s, warming_pa, floor_pa);
    let found = at(tau_s)?;
    let others = [at(tau_s / KNOWN_TO), at(tau_s * KNOWN_TO)];
    let away = |other: &Settling| (other.slope_pa_per_s - found.slope_pa_per_s).abs();
    let farthest = others.iter().flatten().map(away).fold(0.0, f64::max);
    let watched_s = samples.last()?.t_s - samples.first()?.t_s;
    let contributions = vec![
        Contribution::normal("scatter of the line, and gas still warming", found.slope_uncertainty_pa_per_s)
            .of("this run"),
        Contribution::rectangular("time constant of the gas", farthest).of("rig sheet"),
    ];
    combine(-found.slope_pa_per_s, floor_pa / watched_s.max(1e-3), contributions).ok()
}

/// Expanded uncertainty of the leak that a planned leak step will give, pascal per second, from predicted samples.
pub fn predicted_leak_pa_per_s(task: &Task, leak: &LeakTask) -> f64 {
    let rig = &task.sheets.rig;
    let period_s = rig.scan_time().si().max(rig.module.converter.si()).max(1e-3);
    let tau_s = rig.manifold.thermal.si().max(1e-3);
    let warming_pa = warming_pa(task, leak);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "bounded")]
    let count = (leak.watch.si() / period_s).clamp(0.0, 20_000.0) as u32;
    let sample = |index: u32| {
        let t_s = f64::from(index) * period_s;
        Sample { t_s, level_pa: leak.level.si() + warming_pa * (-t_s / tau_s).exp() }
    };
    let samples: Vec<Sample> = (0..count).map(sample).collect();
    let floor_pa = rig.reference.noise.si().hypot(rig.reference.input.resolution() / 12f64.sqrt());
    leak_result(task, leak, (&samples, floor_pa))
        .map_or_else(|| rig.manifold.largest_leak.si(), |found| found.expanded_uncertainty)
}

/// Fall of the level by gas that still warms after settling, pascal: 0.4 of the evacuation rate times the thermal time constant (rule
/// of thumb, `docs/figures.md`), decayed over the settling time.
fn warming_pa(task: &Task, leak: &LeakTask) -> f64 {
    let manifold = &task.sheets.rig.manifold;
    let tau_s = manifold.thermal.si().max(1e-3);
    let rate_pa_per_s = (manifold.ultimate_vacuum.si() - leak.level.si()).max(0.0) / manifold.evacuate.si();
    0.4 * rate_pa_per_s * tau_s * (-leak.settle.si() / tau_s).exp()
}

#[cfg(test)]
mod tests;
