//! Expected levels of a device: its settings, with the tolerance that its type promises.

use crate::settings::SettingsSheet;
use crate::type_sheet::TypeSheet;
use serde::{Deserialize, Serialize};
use tripbench_quantity::{LevelDifference, VacuumLevel};

/// Limits of a level, in pascal; both are themselves allowed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LevelLimits {
    /// Least deep level allowed.
    pub low: VacuumLevel,
    /// Deepest level allowed.
    pub high: VacuumLevel,
}

/// Limits of everything that is expected of a device.
#[derive(Debug, Clone, PartialEq)]
pub struct Expected {
    /// Level at which the output turns on, rising.
    pub on: LevelLimits,
    /// Level at which the output turns off, falling.
    pub off: LevelLimits,
    /// Least and greatest hysteresis; `None` if the type promises none.
    pub hysteresis: Option<[LevelDifference; 2]>,
    /// Level at which the device cuts its supply valve, rising.
    pub cut_off: Option<LevelLimits>,
    /// Level at which the device feeds again, falling.
    pub resume: Option<LevelLimits>,
}

/// Limits of every level of a settings sheet: the setting, plus and minus the promised accuracy at that level.
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
