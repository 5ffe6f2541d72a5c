//! Scripts: an ordered list of steps from a small vocabulary.

use tripbench_quantity::{LevelRate, TimeSpan, VacuumLevel};
use tripbench_record::{Drive, Way};
use tripbench_rig::Air;
use tripbench_sheet::{At, Header, Place, Reader, Text, Variant, words};

words! {
    /// What happens after a check of a step has failed.
    pub enum OnFailure {
        /// The next step begins.
        NextStep = "go-on",
        /// The run ends here.
        Stop = "stop",
    }
}

words! {
    /// Direction in which a level is approached.
    pub enum Direction {
        /// Towards deeper.
        Deeper = "deeper",
        /// Towards less deep.
        LessDeep = "less-deep",
    }
}

/// A script.
#[derive(Debug, Clone, PartialEq)]
pub struct Script {
    /// Name, revision, state.
    pub header: Header,
    /// The steps.
    pub steps: Vec<ScriptStep>,
}

/// A step of a script.
#[derive(Debug, Clone, PartialEq)]
pub struct ScriptStep {
    /// Place in the script.
    pub place: Place,
    /// What happens after one of its checks has failed.
    pub on_failure: OnFailure,
    /// What it does.
    pub kind: StepKind,
}

/// What a step does, as the script gives it; the sheets supply what the script leaves out.
#[derive(Debug, Clone, PartialEq)]
pub enum StepKind {
    /// Reads the vented reference; the second time also its drift.
    Zero {
        /// Time of reading.
        watch: TimeSpan,
    },
    /// Watches the closed rig.
    Leak {
        /// Level at which the rig is closed.
        level: Option<At<VacuumLevel>>,
        /// Time for the gas to warm.
        settle: Option<TimeSpan>,
        /// Time of watching; by default as long as the leak has to be known for.
        watch: Option<TimeSpan>,
        /// Largest leak allowed.
        limit: Option<At<LevelRate>>,
    },
    /// Rising and falling ramps through the switch points.
    SwitchPoints {
        /// Number of rising and falling ramps.
        cycles: u16,
        /// Less deep end of the window.
        from: Option<At<VacuumLevel>>,
        /// Deep end of the window.
        to: Option<At<VacuumLevel>>,
        /// How the air moves through the window.
        way: Option<At<Way>>,
        /// Whether the valve output is judged.
        valve: Option<At<bool>>,
    },
    /// Fast crossings: the time from level to output.
    Response {
        /// Number of fast crossings each way.
        operations: u16,
        /// Longest time allowed; by default what the sheets promise.
        limit: Option<At<TimeSpan>>,
    },
    /// Each device drives the evacuation valve itself.
    AirSaving {
        /// Number of times that the device cuts the valve.
        cycles: u16,
        /// How the device gets the valve.
        drive: Option<At<Drive>>,
        /// Whether the level falls by the rig's own leak alone.
        leak_only: bool,
    },
    /// Sets the air.
    Drive {
        /// The air state.
        air: At<Air>,
    },
    /// Keeps everything as it is for a time.
    Hold {
        /// The time.
        time: At<TimeSpan>,
    },
    /// Waits for a level.
    WaitUntil {
        /// The level.
        level: At<VacuumLevel>,
        /// Direction in which it is approached.
        direction: Direction,
        /// Longest time.
        within: TimeSpan,
    },
    /// Asks a person.
    Ask {
        /// The question.
        text: At<Text>,
    },
}

impl StepKind {
    /// Name of the step, as in a script.
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Zero { .. } => "zero",
            Self::Leak { .. } => "leak",
            Self::SwitchPoints { .. } => "switch-points",
            Self::Response { .. } => "response",
            Self::AirSaving { .. } => "air-saving",
            Self::Drive { .. } => "drive",
            Self::Hold { .. } => "hold",
            Self::WaitUntil { .. } => "wait-until",
            Self::Ask { .. } => "ask",
        }
    }
}

const VARIANTS: &[Variant<ScriptStep>] = &[
    Variant { word: "zero", about: "reads the vented reference; the second time also its drift", read: zero },
    Variant { word: "leak", about: "watches how fast the closed rig loses vacuum", read: leak },
    Variant {
        word: "switch-points",
        about: "ramps through the levels: on, off, hysteresis, cut-off, resume",
        read: switch_points,
    },
    Variant {
        word: "response",
        about: "crosses the levels fast: the longest time from level to output",
        read: response,
    },
    Variant {
        word: "air-saving",
        about: "lets each device drive the evacuation valve itself: cut-off, resume, and that the switch output stays on",
        read: air_saving,
    },
    Variant { word: "drive", about: "sets what the air does", read: drive },
    Variant { word: "hold", about: "keeps everything as it is for a time", read: hold },
    Variant { word: "wait-until", about: "waits until a level is reached", read: wait_until },
    Variant { word: "ask", about: "asks a person and waits for the answer", read: ask },
];

impl Script {
    /// The script with `ramps` ramps in every step that has ramps, and with the way `moved`, if given, where the script gives none.
    #[must_use]
    pub fn with_ramps(mut self, ramps: u16, moved: Option<Way>) -> Self {
        for step in &mut self.steps {
            if let StepKind::SwitchPoints { cycles, way, .. } = &mut step.kind {
                *cycles = ramps;
                if let (None, Some(value)) = (&way, moved) {
                    *way = Some(At { value, place: step.place.clone() });
                }
            }
        }
        self
    }

    /// Reads a script.
    pub fn read(reader: &Reader<'_>) -> Option<Self> {
        let header = Header::read(reader);
        let steps =
            reader.tables("step", "a step", |step| step.variant("do", "what the step does", VARIANTS));
        Some(Self { header: header?, steps: steps? })
    }
}

fn step(reader: &Reader<'_>, kind: Option<StepKind>) -> Option<ScriptStep> {
    let on_failure = reader.or("on_failure", "go-on or stop", OnFailure::NextStep);
    Some(ScriptStep { place: reader.place(), on_failure: on_failure?.value, kind: kind? })
}

/// A time from the script, checked to be above 0 and up to ten minutes.
fn bounded(reader: &Reader<'_>, time: Option<At<TimeSpan>>) -> Option<At<TimeSpan>> {
    reader.tested(time, "more than 0 s, up to 10 min", |time| 0.0 < time.si() && time.si() <= 600.0)
}

fn zero(reader: &Reader<'_>) -> Option<ScriptStep> {
    let watch =
        bounded(reader, reader.or("watch", "how long the vented reference is read", TimeSpan::new(1.0)));
    step(reader, watch.map(|watch| StepKind::Zero { watch: watch.value }))
}

fn leak(reader: &Reader<'_>) -> Option<ScriptStep> {
    let level = reader.optional("level", "level at which the rig is closed; else the deepest of the test");
    let settle = reader.optional("settle", "time for the gas to warm; else three thermal time constants");
    let watch = reader.optional(
        "watch",
        "how long the closed rig is watched; default: until the leak is known to a tenth of what the rig allows",
    );
    let watch = match watch {
        Some(Some(time)) => bounded(reader, Some(time)).map(Some),
        other => other,
    };
    let limit = reader.optional("limit", "largest leak; else the rig sheet's");
    let kind = || {
        Some(StepKind::Leak {
            level: level?,
            settle: settle?.map(|time: At<TimeSpan>| time.value),
            watch: watch?.map(|time: At<TimeSpan>| time.value),
            limit: limit?,
        })
    };
    step(reader, kind())
}

fn switch_points(reader: &Reader<'_>) -> Option<ScriptStep> {
    let cycles = reader.or("cycles", "number of rising and falling ramps, 1 to 100", 5_u16);
    let cycles = reader.tested(cycles, "1 to 100", |cycles| (1..=100).contains(cycles));
    let from = reader.optional("from", "less deep end of the window; else from the settings sheet");
    let to = reader.optional("to", "deep end of the window; else from the settings sheet");
    let way = reader.optional(
        "way",
        "full-flow, throttled, regulated, pulses or by-hand through the window; default: chosen by uncertainty",
    );
    let valve = reader.optional(
        "valve",
        "whether cut-off and resume are judged; default: true if the settings sheet has air saving",
    );
    let kind = || {
        Some(StepKind::SwitchPoints { cycles: cycles?.value, from: from?, to: to?, way: way?, valve: valve? })
    };
    step(reader, kind())
}

fn response(reader: &Reader<'_>) -> Option<ScriptStep> {
    let operations = reader.or("operations", "number of fast crossings each way, 1 to 100", 5_u16);
    let operations = reader.tested(operations, "1 to 100", |count| (1..=100).contains(count));
    let limit = reader
        .optional("limit", "longest time from level to output; default: what type and settings promise");
    let limit = match limit {
        Some(Some(limit)) => bounded(reader, Some(limit)).map(Some),
        other => other,
    };
    let kind = || Some(StepKind::Response { operations: operations?.value, limit: limit? });
    step(reader, kind())
}

fn air_saving(reader: &Reader<'_>) -> Option<ScriptStep> {
    let cycles = reader.or("cycles", "how often each device cuts its valve, 1 to 20", 3_u16);
    let cycles = reader.tested(cycles, "1 to 20", |cycles| (1..=20).contains(cycles));
    let drive = reader.optional("drive", "through-rig or by-wire; default: by wire where the rig can");
    let leak_only =
        reader.or("leak_only", "whether the level falls by the leak alone, without the bleed valve", false);
    let kind =
        || Some(StepKind::AirSaving { cycles: cycles?.value, drive: drive?, leak_only: leak_only?.value });
    step(reader, kind())
}

fn drive(reader: &Reader<'_>) -> Option<ScriptStep> {
    let air = reader.required("air", "rest, hold, evacuate, evacuate-fine, bleed or vent");
    step(reader, air.map(|air| StepKind::Drive { air }))
}

fn hold(reader: &Reader<'_>) -> Option<ScriptStep> {
    let time = bounded(reader, reader.required("time", "how long"));
    step(reader, time.map(|time| StepKind::Hold { time }))
}

fn wait_until(reader: &Reader<'_>) -> Option<ScriptStep> {
    let level = reader.required("level", "the level to wait for");
    let direction = reader.or("direction", "deeper or less-deep", Direction::Deeper);
    let within = bounded(reader, reader.or("within", "longest time", TimeSpan::new(30.0)));
    let kind =
        || Some(StepKind::WaitUntil { level: level?, direction: direction?.value, within: within?.value });
    step(reader, kind())
}

fn ask(reader: &Reader<'_>) -> Option<ScriptStep> {
    let text = reader.required("text", "the question; answered with yes or no");
    step(reader, text.map(|text| StepKind::Ask { text }))
}
