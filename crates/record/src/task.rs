//! The plan of a run: the sheets as loaded, and the steps with their parameters.

use crate::identity::Identity;
use crate::motion::Motion;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use tripbench_device::{SettingsSheet, SiteSheet, TypeSheet};
use tripbench_quantity::{LevelRate, Mono, TimeSpan, VacuumLevel};
use tripbench_rig::{Air, OutputName, ReadPlan, RigSheet};
use tripbench_sheet::words;

words! {
    /// An output of a device that the rig reads.
    #[derive(JsonSchema)]
    pub enum DeviceOutput {
        /// The switch output.
        Switch = "switch",
        /// The valve output.
        Valve = "valve",
    }
}

/// The sheets of a run.
#[derive(Debug, Clone)]
pub struct LoadedSheets {
    /// Rig sheet.
    pub rig: RigSheet,
    /// Site sheet.
    pub site: SiteSheet,
    /// Type sheet; `None` if nothing is judged.
    pub device: Option<TypeSheet>,
    /// Settings sheet; `None` if nothing is judged.
    pub settings: Option<SettingsSheet>,
}

/// A position that takes part.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PositionPlan {
    /// Number of the position.
    pub number: u8,
    /// Identity of its device.
    pub identity: Identity,
}

/// Parameters of the step `leak`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LeakTask {
    /// Level at which the rig is closed off.
    #[schemars(with = "f64")]
    pub level: VacuumLevel,
    /// Time for the gas to assume the temperature of the wall.
    #[schemars(with = "f64")]
    pub settle: TimeSpan,
    /// Observation time.
    #[schemars(with = "f64")]
    pub watch: TimeSpan,
    /// Largest allowed leak rate.
    #[schemars(with = "f64")]
    pub limit: LevelRate,
}

/// Parameters of the step `switch-points`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SwitchPointsTask {
    /// Number of cycles, each a rising and a falling ramp, fixed in advance.
    pub cycles: u16,
    /// Less deep end of the window.
    #[schemars(with = "f64")]
    pub bottom: VacuumLevel,
    /// Deep end of the window.
    #[schemars(with = "f64")]
    pub top: VacuumLevel,
    /// Level at which the approach at full flow ends before a throttled window.
    #[schemars(with = "f64")]
    pub near: VacuumLevel,
    /// Motion through the window with rising vacuum.
    pub rising: Motion,
    /// Motion through the window with falling vacuum.
    pub falling: Motion,
    /// Whether the valve output is judged too.
    pub valve: bool,
    /// Whether one pull at full flow (rising) and one fall at full vent (falling), beside slower ramps, show the delays of the outputs.
    /// If either does, this fast pair follows the ramps.
    #[serde(default)]
    pub fast_shows: [bool; 2],
    /// Levels that the ramps cross at planned phases of a scan, rising and falling.
    #[schemars(with = "[f64; 2]")]
    pub phased_at: [VacuumLevel; 2],
    /// Level beyond the switch point from which a throttled ramp among full-flow ramps continues at full flow.
    #[schemars(with = "f64")]
    pub slow_top: VacuumLevel,
    /// Number of cycles that rise throttled instead; two rates separate the level from the delay of the output.
    #[serde(default)]
    pub slow_rising: u16,
    /// Number of cycles that fall throttled instead.
    #[serde(default)]
    pub slow_falling: u16,
}

/// A range of consecutive cycles, counted from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Cycles {
    first: u16,
    count: u16,
}

impl Cycles {
    /// Whether the range contains a cycle.
    pub const fn contains(self, cycle: u16) -> bool {
        cycle >= self.first && cycle < self.first + self.count
    }

    /// Number of cycles.
    pub const fn count(self) -> u16 {
        self.count
    }
}

impl SwitchPointsTask {
    /// The throttled cycles among unthrottled ones in a direction, placed in the middle so that drift affects both alike.
    pub const fn slow(&self, rising: bool) -> Cycles {
        let count = if rising { self.slow_rising } else { self.slow_falling };
        Cycles { first: (self.cycles - count) / 2 + 1, count }
    }

    /// Motion of a cycle, from 1, in a direction.
    pub const fn motion(&self, rising: bool, cycle: u16) -> Motion {
        if self.slow(rising).contains(cycle) {
            Motion::Throttled
        } else if rising {
            self.rising
        } else {
            self.falling
        }
    }

    /// Planned phase of a cycle's crossing, a share of the time between two scans, 0 to 1, evenly spread over the cycles of one motion;
    /// `None` unless one valve stays open throughout the ramp.
    pub fn phase(&self, rising: bool, cycle: u16) -> Option<f64> {
        let slow = self.slow(rising);
        if !self.motion(rising, cycle).is_free() {
            return None;
        }
        let alike = |other: &u16| slow.contains(*other) == slow.contains(cycle);
        let all = (1..=self.cycles).filter(alike).count();
        let before = (1..cycle).filter(alike).count();
        #[expect(clippy::cast_precision_loss, reason = "counts are small")]
        let share = before as f64 / all.max(1) as f64;
        Some(share)
    }

    /// Whether the rig falls at full vent between the ramps.
    pub const fn falls_fast(&self) -> bool {
        matches!(self.falling, Motion::FullFlow)
    }

    /// Whether the ramps of a direction run at two rates and so show the delay of the output.
    pub const fn two_rates(&self, rising: bool) -> bool {
        let slow = if rising { self.slow_rising } else { self.slow_falling };
        slow > 0 && slow < self.cycles
    }

    /// Whether the ramps of a direction show the delay of the output: by two rates, or by the fast pair beside slower ramps.
    pub const fn timed(&self, rising: bool) -> bool {
        let slower = !matches!(self.motion_of(rising), Motion::FullFlow | Motion::Pulses { .. });
        self.two_rates(rising) || (self.fast_shows[if rising { 0 } else { 1 }] && slower)
    }

    /// Whether a pull at full flow and a fall at full vent follow the ramps.
    pub const fn fast_pair(&self) -> bool {
        self.fast_shows[0] || self.fast_shows[1]
    }

    /// Motion of most cycles in a direction.
    const fn motion_of(&self, rising: bool) -> Motion {
        if rising { self.rising } else { self.falling }
    }

    /// Whether a throttled rising ramp stays throttled up to the deep end. If the valve output is judged, the first one does, so that the
    /// cut-off is crossed at two rates too.
    pub const fn throttled_to_the_top(&self, cycle: u16) -> bool {
        self.valve && self.slow_rising > 0 && cycle == self.slow(true).first
    }
}

/// Parameters of the step `response`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ResponseTask {
    /// Number of operations, fixed in advance.
    pub operations: u16,
    /// Level that every operation passes.
    #[schemars(with = "f64")]
    pub top: VacuumLevel,
    /// Index of the step whose ramps give the levels, at another rate.
    pub levels_of: u16,
    /// Longest allowed time from level to output.
    #[schemars(with = "f64")]
    pub limit: TimeSpan,
}

words! {
    /// How a device drives the evacuation valve.
    #[derive(JsonSchema)]
    pub enum Drive {
        /// The rig copies the valve output of the device to its own output, one scan later.
        ThroughRig = "through-rig",
        /// The hand-over output of the rig connects device and valve by wire.
        ByWire = "by-wire",
    }
}

/// Parameters of the step `air-saving`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AirSavingTask {
    /// Number of times that each device cuts its valve, fixed in advance.
    pub cycles: u16,
    /// Level at which a device starts; if the level falls back to it, the device has failed to resume.
    #[schemars(with = "f64")]
    pub bottom: VacuumLevel,
    /// Deepest level that the device may pull.
    #[schemars(with = "f64")]
    pub top: VacuumLevel,
    /// How the device drives the valve.
    pub drive: Drive,
    /// What lets the level fall after a cut: the bleed valve, or the leak of the rig.
    pub falling: Air,
    /// State of the valve output while the device feeds.
    pub feeding: bool,
    /// Longest time between two changes of the valve output.
    #[schemars(with = "f64")]
    pub within: TimeSpan,
}

/// Kind of a step, with its parameters.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "do", rename_all = "kebab-case")]
pub enum StepTask {
    /// Reads the vented reference.
    Zero {
        /// Duration.
        #[schemars(with = "f64")]
        watch: TimeSpan,
        /// Whether an earlier step read the zero, so that the drift is judged.
        again: bool,
    },
    /// Watches how fast the closed rig loses vacuum.
    Leak(LeakTask),
    /// Rising and falling ramps through the window.
    SwitchPoints(SwitchPointsTask),
    /// Fast crossings: the time from level to output.
    Response(ResponseTask),
    /// Each device drives the evacuation valve itself.
    AirSaving(AirSavingTask),
    /// Observes every signal of the rig.
    Signals {
        /// Duration.
        #[schemars(with = "f64")]
        watch: TimeSpan,
    },
    /// Tries one output after the operator has agreed.
    TryOutput {
        /// The output.
        output: OutputName,
        /// Position of a hand-over output.
        position: Option<u8>,
    },
    /// A person operates one output at its plug while all inputs are watched.
    OwnInput {
        /// Position of the device.
        position: u8,
        /// Output of the device.
        output: DeviceOutput,
        /// Longest waiting time.
        #[schemars(with = "f64")]
        within: TimeSpan,
    },
    /// Switches the looped output repeatedly.
    PathLag {
        /// Number of switchings.
        times: u16,
    },
    /// Sends nothing, then reads whether the outputs went to safe by themselves.
    Silence {
        /// Duration.
        #[schemars(with = "f64")]
        time: TimeSpan,
    },
    /// Observes how the gas warms up after a fast pull.
    Settling {
        /// Level at which the rig is closed off.
        #[schemars(with = "f64")]
        level: VacuumLevel,
        /// Duration.
        #[schemars(with = "f64")]
        watch: TimeSpan,
    },
    /// Sets the air and continues.
    Drive {
        /// The state of the air.
        air: Air,
    },
    /// Keeps everything as it is for a time.
    Hold {
        /// Duration.
        #[schemars(with = "f64")]
        time: TimeSpan,
    },
    /// Waits until a level is reached.
    WaitUntil {
        /// The level.
        #[schemars(with = "f64")]
        level: VacuumLevel,
        /// Whether it is reached with rising vacuum.
        rising: bool,
        /// Longest waiting time.
        #[schemars(with = "f64")]
        within: TimeSpan,
    },
    /// Asks a person.
    Ask {
        /// The question.
        text: String,
    },
}

/// A step of the plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PlannedStep {
    /// Name of the step, as in the script.
    pub name: String,
    /// Kind and parameters.
    #[serde(flatten)]
    pub task: StepTask,
    /// Whether the run ends if a check of this step fails.
    pub stop_on_failure: bool,
    /// Predicted duration of the step, seconds.
    #[schemars(with = "f64")]
    pub predicted: TimeSpan,
}

/// A planned run.
#[derive(Debug, Clone)]
pub struct Task {
    /// The sheets.
    pub sheets: Arc<LoadedSheets>,
    /// The steps.
    pub steps: Vec<PlannedStep>,
    /// The positions that take part.
    pub positions: Vec<PositionPlan>,
    /// The reads of a scan.
    pub plan: ReadPlan,
}

impl Task {
    /// Predicted duration of the whole run.
    pub fn predicted(&self) -> TimeSpan {
        TimeSpan::new(self.steps.iter().map(|step| step.predicted.si()).sum())
    }

    /// Predicted end, for a run that starts with the clock.
    pub fn predicted_end(&self) -> Mono {
        Mono::START + self.predicted().duration()
    }
}
