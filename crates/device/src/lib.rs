//! Devices: type sheets, settings sheets with their rules, expected levels, and the site sheet.
//!
//! No I/O and no Modbus, only what a device type promises, how a device is set, and the levels that follow from both.

mod cycle;
mod expected;
mod rules;
mod settings;
mod site;
mod type_sheet;

pub use cycle::{CyclePoint, cycle, picture};
pub use expected::{Expected, LevelLimits, expected};
pub use rules::{RULES, Rule, Surroundings, check_settings};
pub use settings::{AirSaving, Logic, Mode, SettingsDraft, SettingsSheet, SupplyValve, Workpiece};
pub use site::{
    DecisionRule, Defaults, ExpiredCalibration, Language, NotChecked, SignWord, SiteSheet, Waiting,
    ambient_at,
};
pub use type_sheet::{DisplayDigit, OutputKind, Promise, ResponseFor, SettingRanges, TypeSheet};
