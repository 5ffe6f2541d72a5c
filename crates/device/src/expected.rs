//! Levels that a device has to show, with the limits that its type promises around its settings.

use crate::settings::SettingsSheet;
use crate::type_sheet::TypeSheet;
use serde::{Deserialize, Serialize};
use tripbench_quantity::{LevelDifference, VacuumLevel};

/// Limits of a level, in pascal; both belong to what is allowed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LevelLimits {
    /// Least deep level allowed.
    pub low: VacuumLevel,
    /// Deepest level allowed.
    pub high: VacuumLevel,
}

/// What a device has to do.
#[derive(Debug, Clone, PartialEq)]
pub struct Expected {
    /// Turns on, rising.
    pub on: LevelLimits,
    /// Turns off, falling.
    pub off: LevelLimits,
    /// Switch point minus reset point, where the type promises it.
    pub hysteresis: Option<[LevelDifference; 2]>,
    /// Cuts its supply valve, rising.
    pub cut_off: Option<LevelLimits>,
    /// Feeds again, falling.
    pub resume: Option<LevelLimits>,
}

/// The levels of a settings sheet with the limits of its type: setting plus and minus the promised accuracy there.
pub fn expected(settings: &SettingsSheet, device: &TypeSheet) -> Expected {
    let scale = device.scale(settings.unit.value);
    let around = |level: VacuumLevel| {
        let half = device.promise.accuracy.half_width(level, scale);
        LevelLimits { low: level - half, high: level + half }
    };
    let hysteresis = device.promise.hysteresis.as_ref().map(|tolerance| {
        let nominal = settings.switch_point.value - settings.reset_point.value;
        let half = tolerance.half_width(VacuumLevel::new(nominal.si()), scale);
        [nominal + -half, nominal + half]
    });
    let saving = settings.air_saving.as_ref();
    Expected {
        on: around(settings.switch_point.value),
        off: around(settings.reset_point.value),
        hysteresis,
        cut_off: saving.map(|saving| around(saving.cut_off.value)),
        resume: saving.map(|saving| around(saving.resume.value)),
    }
}
