//! The settings sheet: the settings that one device must have.

use tripbench_quantity::{Acceleration, Length, LevelDifference, Mass, PressureUnit, TimeSpan, VacuumLevel};
use tripbench_sheet::{At, Header, Place, Reader, words};

words! {
    /// Function mode of a switch output, in the words of the IO-Link Smart Sensor Profile.
    pub enum Mode {
        /// Turns on at the switch point, and off when the level is less deep by the hysteresis.
        SinglePoint = "single-point",
        /// Turns on at the deeper of two points, and off at the less deep one.
        TwoPoint = "two-point",
        /// On between two points.
        Window = "window",
    }
}

words! {
    /// State of a switch output below its switch point.
    pub enum Logic {
        /// Off below the switch point.
        NormallyOpen = "normally-open",
        /// On below the switch point.
        NormallyClosed = "normally-closed",
    }
}

words! {
    /// State of the supply valve without power.
    pub enum SupplyValve {
        /// Closed without power: the valve output is on while it feeds.
        ClosedWithoutPower = "closed-without-power",
        /// Open without power: the valve output is off while it feeds.
        OpenWithoutPower = "open-without-power",
    }
}

/// Levels of air saving.
#[derive(Debug, Clone, PartialEq)]
pub struct AirSaving {
    /// Level at which the device cuts its supply valve.
    pub cut_off: At<VacuumLevel>,
    /// Level at which the device feeds again.
    pub resume: At<VacuumLevel>,
    /// State of the supply valve without power.
    pub supply_valve: SupplyValve,
}

/// The workpiece, for the plausibility check that the pads hold it at the resume level.
#[derive(Debug, Clone, PartialEq)]
pub struct Workpiece {
    /// Mass of the workpiece.
    pub mass: At<Mass>,
    /// Number of pads.
    pub pads: At<u16>,
    /// Effective diameter of a pad.
    pub pad_diameter: At<Length>,
    /// Largest acceleration added to gravity.
    pub acceleration: At<Acceleration>,
    /// Safety factor that the site requires, 1 or more.
    pub factor: At<f64>,
}

/// The settings sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct SettingsSheet {
    /// Name, revision, state.
    pub header: Header,
    /// Name of the type sheet.
    pub device_type: At<String>,
    /// Unit to which the device is set.
    pub unit: At<PressureUnit>,
    /// Function mode.
    pub mode: At<Mode>,
    /// Level at which the output turns on with rising vacuum.
    pub switch_point: At<VacuumLevel>,
    /// Level at which the output turns off with falling vacuum.
    pub reset_point: At<VacuumLevel>,
    /// State of the output below its switch point.
    pub logic: Logic,
    /// Selected output delay.
    pub delay: At<TimeSpan>,
    /// Air saving; `None` if the device does not control its supply valve.
    pub air_saving: Option<AirSaving>,
    /// The workpiece, if the sheet gives it.
    pub workpiece: Option<Workpiece>,
}

/// The fields of a settings sheet that could be read; the rules run even if other fields are wrong.
#[derive(Debug, Clone)]
#[expect(clippy::option_option, reason = "outer `None`: unreadable; inner `None`: left out")]
pub struct SettingsDraft {
    pub(crate) header: Option<Header>,
    pub(crate) device_type: Option<At<String>>,
    pub(crate) unit: Option<At<PressureUnit>>,
    pub(crate) mode: Option<At<Mode>>,
    pub(crate) switch_point: Option<At<VacuumLevel>>,
    pub(crate) reset_point: Option<At<VacuumLevel>>,
    pub(crate) hysteresis: Option<At<LevelDifference>>,
    pub(crate) logic: Option<At<Logic>>,
    pub(crate) delay: Option<At<TimeSpan>>,
    pub(crate) air_saving: Option<Option<AirSavingDraft>>,
    pub(crate) workpiece: Option<Option<Workpiece>>,
}

#[derive(Debug, Clone)]
pub(crate) struct AirSavingDraft {
    pub(crate) cut_off: Option<At<VacuumLevel>>,
    pub(crate) cut_off_margin: Option<At<LevelDifference>>,
    pub(crate) resume: Option<At<VacuumLevel>>,
    pub(crate) resume_margin: Option<At<LevelDifference>>,
    pub(crate) supply_valve: Option<At<SupplyValve>>,
    pub(crate) place: Place,
}

impl SettingsDraft {
    /// Reads every readable field of a settings sheet.
    pub fn read(reader: &Reader<'_>) -> Option<Self> {
        let header = Header::read(reader);
        let device_type = reader.required("type", "name of the type sheet");
        let unit = reader.or("unit", "unit to which the device is set", PressureUnit::KILOPASCAL);
        let switch = reader.table("switch", "the switch output", |switch| {
            let mode = switch.or("mode", "single-point, two-point or window", Mode::SinglePoint);
            let switch_point =
                switch.required("switch_point", "level at which the output turns on with rising vacuum");
            let reset_point = switch
                .optional("reset_point", "level at which the output turns off with falling vacuum")
                .flatten();
            let hysteresis = switch
                .optional("hysteresis", "instead of reset_point: switch point minus reset point")
                .flatten();
            let logic = switch.or("logic", "normally-open or normally-closed", Logic::NormallyOpen);
            let delay = switch.or("delay", "selected output delay", TimeSpan::ZERO);
            Some((mode, switch_point, reset_point, hysteresis, logic, delay))
        });
        let air_saving = reader.optional_table("air_saving", "levels of air saving", AirSavingDraft::read);
        let workpiece = reader.optional_table("workpiece", "the workpiece", Workpiece::read);
        let (mode, switch_point, reset_point, hysteresis, logic, delay) = switch.unwrap_or_default();
        Some(Self {
            header,
            device_type,
            unit,
            mode,
            switch_point,
            reset_point,
            hysteresis,
            logic,
            delay,
            air_saving,
            workpiece,
        })
    }

    /// The reset point, as given or calculated from the hysteresis.
    pub(crate) fn reset(&self) -> Option<At<VacuumLevel>> {
        if self.reset_point.is_some() {
            return self.reset_point.clone();
        }
        let (switch_point, hysteresis) = (self.switch_point.as_ref()?, self.hysteresis.clone()?);
        Some(hysteresis.map(|hysteresis| switch_point.value - hysteresis))
    }

    /// The sheet; `None` if a required field is missing.
    pub(crate) fn complete(self) -> Option<SettingsSheet> {
        let reset_point = self.reset()?;
        let switch_point = self.switch_point.clone()?;
        let air_saving = match self.air_saving? {
            Some(draft) => Some(draft.complete(&switch_point)?),
            None => None,
        };
        Some(SettingsSheet {
            header: self.header?,
            device_type: self.device_type?,
            unit: self.unit?,
            mode: self.mode?,
            switch_point,
            reset_point,
            logic: self.logic?.value,
            delay: self.delay?,
            air_saving,
            workpiece: self.workpiece?,
        })
    }
}

impl AirSavingDraft {
    #[expect(clippy::unnecessary_wraps, reason = "the signature of every reading function")]
    fn read(reader: &Reader<'_>) -> Option<Self> {
        Some(Self {
            cut_off: reader.optional("cut_off", "level at which the device cuts its supply valve").flatten(),
            cut_off_margin: reader
                .optional("cut_off_margin", "instead of cut_off: cut-off level minus switch point")
                .flatten(),
            resume: reader.optional("resume", "level at which the device feeds again").flatten(),
            resume_margin: reader
                .optional("resume_margin", "instead of resume: resume level minus switch point")
                .flatten(),
            supply_valve: reader.required("supply_valve", "closed-without-power or open-without-power"),
            place: reader.place(),
        })
    }

    /// Cut-off and resume level, as given or calculated from their margins to the switch point.
    pub(crate) fn levels(&self, switch_point: &At<VacuumLevel>) -> [Option<At<VacuumLevel>>; 2] {
        let level = |level: &Option<At<VacuumLevel>>, margin: &Option<At<LevelDifference>>| {
            level
                .clone()
                .or_else(|| margin.clone().map(|margin| margin.map(|margin| switch_point.value + margin)))
        };
        [level(&self.cut_off, &self.cut_off_margin), level(&self.resume, &self.resume_margin)]
    }

    fn complete(self, switch_point: &At<VacuumLevel>) -> Option<AirSaving> {
        let [cut_off, resume] = self.levels(switch_point);
        Some(AirSaving { cut_off: cut_off?, resume: resume?, supply_valve: self.supply_valve?.value })
    }
}

impl Workpiece {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let mass = reader.required("mass", "mass of the workpiece");
        let pads = reader.required("pads", "number of pads");
        let diameter = reader.required("pad_diameter", "effective diameter of a pad");
        let acceleration =
            reader.or("acceleration", "largest acceleration added to gravity", Acceleration::ZERO);
        let factor = reader.required("factor", "safety factor that the site requires");
        let factor = reader.tested(factor, "1 or more", |factor: &f64| *factor >= 1.0);
        Some(Self {
            mass: mass?,
            pads: pads?,
            pad_diameter: diameter?,
            acceleration: acceleration?,
            factor: factor?,
        })
    }
}
