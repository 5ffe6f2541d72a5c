//! What a run is to do and against what it is judged: sheets as loaded, steps with their figures.

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
    /// An output of a device that the rig looks at.
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
    /// The rig.
    pub rig: RigSheet,
    /// The site.
    pub site: SiteSheet,
    /// The device type; `null` when nothing is judged.
    pub device: Option<TypeSheet>,
    /// The settings; `null` when nothing is judged.
    pub settings: Option<SettingsSheet>,
}

/// A position that takes part.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PositionPlan {
    /// Its number.
    pub number: u8,
    /// Who is there.
    pub identity: Identity,
}

/// What the step `leak` has to do.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LeakTask {
    /// Level at which the rig is closed.
    #[schemars(with = "f64")]
    pub level: VacuumLevel,
    /// Time to let the gas take the wall's temperature.
    #[schemars(with = "f64")]
    pub settle: TimeSpan,
    /// Time to watch.
    #[schemars(with = "f64")]
    pub watch: TimeSpan,
    /// Largest leak allowed.
    #[schemars(with = "f64")]
    pub limit: LevelRate,
}

/// What the step `switch-points` has to do.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SwitchPointsTask {
    /// Number of rising and falling ramps, fixed beforehand.
    pub cycles: u16,
    /// Less deep end of the window.
    #[schemars(with = "f64")]
    pub bottom: VacuumLevel,
    /// Deep end of the window.
    #[schemars(with = "f64")]
    pub top: VacuumLevel,
    /// Approach at full flow ends here before a throttled window.
    #[schemars(with = "f64")]
    pub near: VacuumLevel,
    /// How the air moves through the window, rising.
    pub rising: Motion,
    /// How the air moves through the window, falling.
    pub falling: Motion,
    /// Whether the valve output is judged too.
    pub valve: bool,
    /// Whether a pull at full flow, and a fall at full vent, beside slower ramps show the delays of the outputs, rising and falling;
    /// where one does, such a pair follows the ramps.
    #[serde(default)]
    pub fast_shows: [bool; 2],
    /// Levels at which the crossings of the ramps are to come at planned phases of a scan, rising and falling.
    #[schemars(with = "[f64; 2]")]
    pub phased_at: [VacuumLevel; 2],
    /// Where a ramp that is throttled among others at full flow goes on at full flow: beyond the switch point.
    #[schemars(with = "f64")]
    pub slow_top: VacuumLevel,
    /// How many of the cycles rise through a throttle instead: at two rates a level shows without the output's delay.
    #[serde(default)]
    pub slow_rising: u16,
    /// How many of the cycles fall through a throttle instead.
    #[serde(default)]
    pub slow_falling: u16,
}

/// Cycles that follow each other, from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Cycles {
    first: u16,
    count: u16,
}

impl Cycles {
    /// Whether a cycle is one of them.
    pub const fn contains(self, cycle: u16) -> bool {
        cycle >= self.first && cycle < self.first + self.count
    }

    /// How many.
    pub const fn count(self) -> u16 {
        self.count
    }
}

impl SwitchPointsTask {
    /// Cycles that are throttled in a direction where the others are not: in the middle of all, so that a drift moves both alike.
    pub const fn slow(&self, rising: bool) -> Cycles {
        let count = if rising { self.slow_rising } else { self.slow_falling };
        Cycles { first: (self.cycles - count) / 2 + 1, count }
    }

    /// How the air moves in one cycle, from 1, in a direction.
    pub const fn motion(&self, rising: bool, cycle: u16) -> Motion {
        if self.slow(rising).contains(cycle) {
            Motion::Throttled
        } else if rising {
            self.rising
        } else {
            self.falling
        }
    }

    /// Planned phase of a cycle's crossing: a share of the time between two scans, evenly spread over the cycles of one motion;
    /// `null` if the air does not move evenly.
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

    /// Whether the ramps of a direction are at two rates, so that they show the output's delay.
    pub const fn two_rates(&self, rising: bool) -> bool {
        let slow = if rising { self.slow_rising } else { self.slow_falling };
        slow > 0 && slow < self.cycles
    }

    /// Whether an output's delay shows in a direction: by ramps at two rates, or by the fast pair beside slower ramps.
    pub const fn timed(&self, rising: bool) -> bool {
        let slower = !matches!(self.motion_of(rising), Motion::FullFlow | Motion::Pulses { .. });
        self.two_rates(rising) || (self.fast_shows[if rising { 0 } else { 1 }] && slower)
    }

    /// Whether a pull at full flow and a fall at full vent follow the ramps.
    pub const fn fast_pair(&self) -> bool {
        self.fast_shows[0] || self.fast_shows[1]
    }

    /// How the air moves in most cycles of a direction.
    const fn motion_of(&self, rising: bool) -> Motion {
        if rising { self.rising } else { self.falling }
    }

    /// Whether a throttled ramp among others stays throttled up to the deep end: one does where the valve output is judged, so
    /// that its cut-off is passed at two rates too.
    pub const fn throttled_to_the_top(&self, cycle: u16) -> bool {
        self.valve && self.slow_rising > 0 && cycle == self.slow(true).first
    }
}

/// What the step `response` has to do.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ResponseTask {
    /// Number of operations, fixed beforehand.
    pub operations: u16,
    /// Level that every operation goes beyond.
    #[schemars(with = "f64")]
    pub top: VacuumLevel,
    /// Index of the step whose ramps give the levels at another rate.
    pub levels_of: u16,
    /// Longest time allowed from level to output.
    #[schemars(with = "f64")]
    pub limit: TimeSpan,
}

words! {
    /// How a device gets the evacuation valve.
    #[derive(JsonSchema)]
    pub enum Drive {
        /// The rig copies the device's valve output to its own, one scan later.
        ThroughRig = "through-rig",
        /// The rig's hand-over output connects the two.
        ByWire = "by-wire",
    }
}

/// What the step `air-saving` has to do.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AirSavingTask {
    /// Number of times that each device cuts its valve, fixed beforehand.
    pub cycles: u16,
    /// Level from which a device pulls first; one that has fallen so far does not resume.
    #[schemars(with = "f64")]
    pub bottom: VacuumLevel,
    /// Level up to which it may pull.
    #[schemars(with = "f64")]
    pub top: VacuumLevel,
    /// How it gets the valve.
    pub drive: Drive,
    /// What lets the level fall after it has cut: the bleed valve, or the rig's own leak.
    pub falling: Air,
    /// State of the valve output while it feeds.
    pub feeding: bool,
    /// Longest time from a cut to the next.
    #[schemars(with = "f64")]
    pub within: TimeSpan,
}

/// What a step has to do.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "do", rename_all = "kebab-case")]
pub enum StepTask {
    /// Reads the vented reference.
    Zero {
        /// How long.
        #[schemars(with = "f64")]
        watch: TimeSpan,
        /// Whether an earlier step was a zero: then the drift is judged.
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
    /// Looks at every signal of the rig.
    Signals {
        /// How long.
        #[schemars(with = "f64")]
        watch: TimeSpan,
    },
    /// Tries one output, with the operator's yes.
    TryOutput {
        /// Which.
        output: OutputName,
        /// Whose, of a hand-over.
        position: Option<u8>,
    },
    /// A person operates one output at its plug; which input shows it is watched.
    OwnInput {
        /// Whose.
        position: u8,
        /// Which of its outputs.
        output: DeviceOutput,
        /// Longest time.
        #[schemars(with = "f64")]
        within: TimeSpan,
    },
    /// Switches the looped output again and again.
    PathLag {
        /// How often.
        times: u16,
    },
    /// Sends nothing, and looks whether the outputs went to safe by themselves.
    Silence {
        /// How long.
        #[schemars(with = "f64")]
        time: TimeSpan,
    },
    /// Watches the gas warm after a fast pull.
    Settling {
        /// Level at which the rig is closed.
        #[schemars(with = "f64")]
        level: VacuumLevel,
        /// How long.
        #[schemars(with = "f64")]
        watch: TimeSpan,
    },
    /// Sets the air and goes on.
    Drive {
        /// What the air is to do.
        air: Air,
    },
    /// Keeps everything as it is for a time.
    Hold {
        /// How long.
        #[schemars(with = "f64")]
        time: TimeSpan,
    },
    /// Waits until a level is reached.
    WaitUntil {
        /// The level.
        #[schemars(with = "f64")]
        level: VacuumLevel,
        /// Whether it is reached from less deep.
        rising: bool,
        /// Longest time.
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
    /// What it has to do.
    #[serde(flatten)]
    pub task: StepTask,
    /// Whether the run stops when a check of this step fails.
    pub stop_on_failure: bool,
    /// Predicted duration, seconds.
    #[schemars(with = "f64")]
    pub predicted: TimeSpan,
}

/// A run as it was planned.
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

    /// Predicted end, counted from the start of the clock.
    pub fn predicted_end(&self) -> Mono {
        Mono::START + self.predicted().duration()
    }
}
