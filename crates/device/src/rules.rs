//! Rules of a settings sheet, each with a name and a reason. Findings show the levels in order.

use crate::cycle::ladder;
use crate::settings::{AirSavingDraft, SettingsDraft, SettingsSheet};
use crate::type_sheet::TypeSheet;
use std::f64::consts::PI;
use tripbench_quantity::{LevelStyle, SignConvention, VacuumLevel};
use tripbench_sheet::{At, Finding, Findings, Place, Wording};

/// The surroundings of the device.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Surroundings {
    /// Deepest level that the pump reaches at this site's ambient pressure.
    pub reached: VacuumLevel,
}

/// A rule of a settings sheet.
#[derive(Debug)]
pub struct Rule {
    /// Name in kebab case, as in findings.
    pub name: &'static str,
    /// Why the rule exists.
    pub reason: &'static str,
    broken: fn(&Case<'_>) -> Option<Broken>,
}

/// Every rule of a settings sheet.
pub const RULES: &[Rule] = &[
    Rule {
        name: "type-differs",
        reason: "a settings sheet applies to one device type only",
        broken: type_differs,
    },
    Rule {
        name: "reset-missing",
        reason: "the level at which the output turns off must be given, and in one way only",
        broken: reset_missing,
    },
    Rule {
        name: "reset-below-switch",
        reason: "the output must turn off at a less deep level than it turns on, at ambient at the latest",
        broken: reset_below_switch,
    },
    Rule {
        name: "levels-missing",
        reason: "air saving needs a cut-off and a resume level",
        broken: levels_missing,
    },
    Rule {
        name: "resume-at-or-above-switch",
        reason: "if the device feeds again only below the switch point, the part-present signal can drop in every cycle",
        broken: resume_above_switch,
    },
    Rule {
        name: "resume-margin",
        reason: "with a smaller margin than the type allows, leaks and the valve delay can drop the part-present signal",
        broken: resume_margin,
    },
    Rule {
        name: "cut-off-above-resume",
        reason: "a valve that cuts off and resumes at the same level flutters",
        broken: cut_off_above_resume,
    },
    Rule {
        name: "deepest-reached",
        reason: "if the pump cannot reach a level at this site, the valve never closes, or the output never turns on",
        broken: deepest_reached,
    },
    Rule { name: "inside-range", reason: "the device cannot be set outside its range", broken: inside_range },
    Rule {
        name: "multiple-of-digit",
        reason: "levels can only be set in whole digits of the display",
        broken: multiple_of_digit,
    },
    Rule {
        name: "hysteresis-above-noise",
        reason: "the output chatters if the hysteresis is within the noise",
        broken: hysteresis_above_noise,
    },
    Rule {
        name: "delay-selectable",
        reason: "the device offers only the delays on its type sheet",
        broken: delay_selectable,
    },
    Rule {
        name: "mode-offered",
        reason: "the device offers only the modes on its type sheet",
        broken: mode_offered,
    },
    Rule {
        name: "workpiece-held",
        reason: "the holding force is least at the resume level and must still hold the workpiece; this is not a lifting calculation",
        broken: workpiece_held,
    },
];

/// Input of a rule.
struct Case<'c> {
    draft: &'c SettingsDraft,
    device: &'c TypeSheet,
    around: Surroundings,
}

/// Place, message and help of a broken rule.
struct Broken {
    place: Place,
    message: String,
    help: String,
}

/// Checks every rule and completes the sheet; `None` if a rule is broken or a field is missing. Each finding names the rule
/// and its reason, and shows the levels in order.
pub fn check_settings(
    draft: SettingsDraft,
    device: &TypeSheet,
    around: Surroundings,
    findings: &Findings,
) -> Option<SettingsSheet> {
    let case = Case { draft: &draft, device, around };
    let mut good = true;
    for rule in RULES {
        if let Some(broken) = (rule.broken)(&case) {
            good = false;
            let picture =
                case.levels().map_or(String::new(), |levels| format!("\n{}", ladder(&levels, case.style())));
            let help = format!("{}\nwhy: {}{picture}", broken.help, rule.reason);
            findings.add(Finding::error(
                rule.name,
                &broken.place,
                Wording::new(broken.message, "this value", help),
            ));
        }
    }
    if good { draft.complete() } else { None }
}

impl Case<'_> {
    fn style(&self) -> LevelStyle {
        let unit = self.draft.unit.as_ref().map(|unit| unit.value).unwrap_or_default();
        LevelStyle { unit, sign: SignConvention::Vacuum }
    }

    fn show(&self, level: VacuumLevel) -> String {
        self.style().level(level)
    }

    fn air_saving(&self) -> Option<&AirSavingDraft> {
        self.draft.air_saving.as_ref()?.as_ref()
    }

    /// Cut-off and resume level, as far as known.
    fn saving_levels(&self) -> [Option<At<VacuumLevel>>; 2] {
        match (self.air_saving(), &self.draft.switch_point) {
            (Some(draft), Some(switch_point)) => draft.levels(switch_point),
            _ => [None, None],
        }
    }

    /// Every known level with its name; `None` if fewer than two are known.
    fn levels(&self) -> Option<Vec<(&'static str, VacuumLevel)>> {
        let [cut_off, resume] = self.saving_levels();
        let switch_point = self.draft.switch_point.clone();
        let all = [
            ("cut-off", cut_off),
            ("resume", resume),
            ("switch point", switch_point),
            ("reset point", self.draft.reset()),
        ];
        let known: Vec<_> = all.into_iter().filter_map(|(name, level)| Some((name, level?.value))).collect();
        (known.len() > 1).then_some(known)
    }

    fn every_level(&self) -> Vec<At<VacuumLevel>> {
        let [cut_off, resume] = self.saving_levels();
        [cut_off, resume, self.draft.switch_point.clone(), self.draft.reset()].into_iter().flatten().collect()
    }
}

#[expect(clippy::unnecessary_wraps, reason = "the last expression of every rule, which returns an option")]
fn broken(place: &Place, message: String, help: String) -> Option<Broken> {
    Some(Broken { place: place.clone(), message, help })
}

fn type_differs(case: &Case<'_>) -> Option<Broken> {
    let named = case.draft.device_type.as_ref()?;
    let given = &case.device.header.name;
    (named.value != given.value).then_some(())?;
    let message =
        format!("this sheet is for type `{}`, but the type sheet is for `{}`", named.value, given.value);
    broken(
        &named.place,
        message,
        format!("use the settings sheet of `{0}`, or write type = \"{0}\"", given.value),
    )
}

fn reset_missing(case: &Case<'_>) -> Option<Broken> {
    let switch_point = case.draft.switch_point.as_ref()?;
    match (&case.draft.reset_point, &case.draft.hysteresis) {
        (None, None) => {
            let help = "add reset_point = \"… kPa\" or hysteresis = \"… kPa\" to [switch]";
            broken(&switch_point.place, "neither a reset point nor a hysteresis is given".into(), help.into())
        }
        (Some(_), Some(hysteresis)) => {
            let message = "a reset point and a hysteresis are both given".into();
            broken(&hysteresis.place, message, "keep one of them: the one that is set on the device".into())
        }
        _ => None,
    }
}

fn reset_below_switch(case: &Case<'_>) -> Option<Broken> {
    let (switch_point, reset) = (case.draft.switch_point.as_ref()?, case.draft.reset()?);
    if VacuumLevel::ZERO <= reset.value && reset.value < switch_point.value {
        return None;
    }
    let message = format!(
        "the reset point is {}, the switch point {}",
        case.show(reset.value),
        case.show(switch_point.value)
    );
    let help = format!("allowed: from 0 to less deep than {}", case.show(switch_point.value));
    broken(&reset.place, message, help)
}

fn levels_missing(case: &Case<'_>) -> Option<Broken> {
    let draft = case.air_saving()?;
    case.draft.switch_point.as_ref()?;
    let [cut_off, resume] = case.saving_levels();
    let missing = match (cut_off, resume) {
        (None, None) => "cut_off and resume",
        (None, Some(_)) => "cut_off",
        (Some(_), None) => "resume",
        (Some(_), Some(_)) => return None,
    };
    let help = "give cut_off and resume, or cut_off_margin and resume_margin above the switch point";
    broken(&draft.place, format!("air saving lacks {missing}"), help.into())
}

fn resume_above_switch(case: &Case<'_>) -> Option<Broken> {
    let ([_, resume], switch_point) = (case.saving_levels(), case.draft.switch_point.as_ref()?);
    let resume = resume.filter(|resume| resume.value < switch_point.value)?;
    let message = format!(
        "resume {} is less deep than the switch point {}",
        case.show(resume.value),
        case.show(switch_point.value)
    );
    broken(&resume.place, message, format!("allowed: {} or deeper", case.show(switch_point.value)))
}

fn resume_margin(case: &Case<'_>) -> Option<Broken> {
    let ([_, resume], switch_point) = (case.saving_levels(), case.draft.switch_point.as_ref()?);
    let (resume, smallest) = (resume?, &case.device.setting.smallest_resume_margin);
    let margin = resume.value - switch_point.value;
    (margin.si() >= 0.0 && margin.si() < smallest.si() - 1e-6).then_some(())?;
    let message = format!("the resume margin is {}", case.style().difference(margin));
    let help = format!(
        "allowed: {} or more: resume {} or deeper",
        case.style().difference(smallest.value),
        case.show(switch_point.value + smallest.value)
    );
    broken(&resume.place, message, help)
}

fn cut_off_above_resume(case: &Case<'_>) -> Option<Broken> {
    let [cut_off, resume] = case.saving_levels();
    let (cut_off, resume) = (cut_off?, resume?);
    (cut_off.value <= resume.value).then_some(())?;
    let message =
        format!("cut-off {} is not deeper than resume {}", case.show(cut_off.value), case.show(resume.value));
    broken(
        &cut_off.place,
        message,
        format!("allowed: deeper than {}; were the two swapped?", case.show(resume.value)),
    )
}

fn deepest_reached(case: &Case<'_>) -> Option<Broken> {
    let [cut_off, _] = case.saving_levels();
    let deepest = cut_off.or_else(|| case.draft.switch_point.clone())?;
    (deepest.value >= case.around.reached).then_some(())?;
    let message = format!("the pump does not reach {} at this site", case.show(deepest.value));
    broken(
        &deepest.place,
        message,
        format!(
            "allowed: less deep than {}, the deepest level of the pump at this site",
            case.show(case.around.reached)
        ),
    )
}

fn inside_range(case: &Case<'_>) -> Option<Broken> {
    let range = &case.device.setting;
    let outside = |level: &At<VacuumLevel>| {
        !(range.least_deep.value <= level.value && level.value <= range.deepest.value)
    };
    let level = case.every_level().into_iter().find(outside)?;
    let help =
        format!("allowed: {} to {}", case.show(range.least_deep.value), case.show(range.deepest.value));
    broken(
        &level.place,
        format!("{} is outside the range of `{}`", case.show(level.value), case.device.header.name.value),
        help,
    )
}

fn multiple_of_digit(case: &Case<'_>) -> Option<Broken> {
    let unit = case.draft.unit.as_ref()?;
    let Some(digit) = case.device.digit(unit.value) else {
        let units: Vec<_> = case.device.digits.iter().map(|digit| digit.unit.symbol()).collect();
        let message = format!("`{}` cannot be set in {}", case.device.header.name.value, unit.symbol());
        return broken(&unit.place, message, format!("allowed: {}", units.join(", ")));
    };
    let off = |level: &At<VacuumLevel>| {
        let digits = level.si() / digit.si();
        (digits - digits.round()).abs() > 1e-6
    };
    let level = case.every_level().into_iter().find(off)?;
    let nearest = VacuumLevel::new((level.si() / digit.si()).round() * digit.si());
    let message =
        format!("{} cannot be shown in steps of {}", level.place.text(), case.style().difference(digit));
    broken(&level.place, message, format!("the nearest level that can be set is {}", case.show(nearest)))
}

fn hysteresis_above_noise(case: &Case<'_>) -> Option<Broken> {
    let (switch_point, reset) = (case.draft.switch_point.as_ref()?, case.draft.reset()?);
    let hysteresis = switch_point.value - reset.value;
    let noise = case.device.setting.noise.value;
    (hysteresis.si() > 0.0 && hysteresis <= noise).then_some(())?;
    let message = format!("the hysteresis is {}", case.style().difference(hysteresis));
    broken(&reset.place, message, format!("allowed: more than the noise, {}", case.style().difference(noise)))
}

fn delay_selectable(case: &Case<'_>) -> Option<Broken> {
    let delay = case.draft.delay.as_ref()?;
    let offered = &case.device.promise.delays;
    (!offered.iter().any(|offer| (offer.si() - delay.si()).abs() < 1e-9)).then_some(())?;
    let list: Vec<_> = offered.iter().map(|delay| format!("{} ms", delay.si() * 1e3)).collect();
    broken(
        &delay.place,
        format!("a delay of {} ms cannot be selected", delay.si() * 1e3),
        format!("allowed: {}", list.join(", ")),
    )
}

fn mode_offered(case: &Case<'_>) -> Option<Broken> {
    let mode = case.draft.mode.as_ref()?;
    (!case.device.modes.contains(&mode.value)).then_some(())?;
    let list: Vec<_> = case.device.modes.iter().map(|mode| mode.word()).collect();
    broken(
        &mode.place,
        format!("the mode {} is not offered", mode.value),
        format!("allowed: {}", list.join(", ")),
    )
}

fn workpiece_held(case: &Case<'_>) -> Option<Broken> {
    const GRAVITY_M_PER_S2: f64 = 9.806_65;
    let workpiece = case.draft.workpiece.as_ref()?.as_ref()?;
    let [_, resume] = case.saving_levels();
    let least = resume.or_else(|| case.draft.reset())?;
    let area_m2 = PI / 4.0 * workpiece.pad_diameter.si().powi(2) * f64::from(*workpiece.pads);
    let needed_n = *workpiece.factor * workpiece.mass.si() * (GRAVITY_M_PER_S2 + workpiece.acceleration.si());
    let held_n = least.si() * area_m2;
    (held_n < needed_n).then_some(())?;
    let needed = VacuumLevel::new(needed_n / area_m2);
    let message = format!(
        "at {} the pads hold {held_n:.1} N, the workpiece needs {needed_n:.1} N",
        case.show(least.value)
    );
    let allowed = if needed.si() < 100e3 {
        format!("allowed: {} or deeper, or more or larger pads", case.show(needed))
    } else {
        String::from("no vacuum can hold it with these pads: use more or larger pads, or a lighter workpiece")
    };
    broken(&least.place, message, allowed)
}

#[cfg(test)]
mod tests;
