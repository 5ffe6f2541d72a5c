//! What a rig is doing, and the faults of a rig that is not ready.

use std::path::PathBuf;
use thiserror::Error;
use tripbench_quantity::VacuumLevel;
use tripbench_rig::Doubt;
use tripbench_runner::RunHandle;

/// What a rig is doing. Only its owner changes it.
#[derive(Debug, Clone)]
pub enum Phase {
    /// Not looked at yet.
    Starting,
    /// At rest: it answers, and its outputs were safe at the last look.
    Idle(Rest),
    /// A run is about to begin: its folder is being created, and no output has changed.
    Preparing {
        /// The run.
        active: Active,
        /// Fault found by the last look.
        fault: Option<Fault>,
        /// Fault found by an earlier look: the run does not begin.
        barred: Option<Fault>,
    },
    /// A run is in progress.
    Running(Active),
    /// A run has ended: its outputs are read until they are safe, and its record is being made.
    MakingSafe {
        /// The run.
        run: String,
        /// Fault found by the last look.
        fault: Option<Fault>,
    },
    /// The rig does not answer as it should, or its outputs are not safe.
    Faulted(Fault),
    /// The daemon is ending; the run in progress was stopped.
    Ending {
        /// The run that was in progress.
        active: Option<Active>,
        /// Fault found by the last look.
        fault: Option<Fault>,
    },
}

/// State of a rig at rest, from the last look.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rest {
    /// Vacuum at the reference.
    pub level: VacuumLevel,
    /// Whether that is small enough to call the rig vented.
    pub vented: bool,
}

/// Why a rig is not ready.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum Fault {
    /// The module's address does not resolve, nothing takes a connection there, or the port cannot be opened.
    #[error("{0}")]
    Unreachable(String),
    /// Another program uses the module.
    #[error("{0}")]
    Taken(String),
    /// A program that is not tripbench has the port of the module open.
    #[error("{0}")]
    PortInUse(String),
    /// The module does not answer as it should.
    #[error("does not answer: {0}")]
    Silent(Doubt),
    /// The reference cannot be read.
    #[error("the reference cannot be read: {0}")]
    Reference(String),
    /// The outputs could not be made safe.
    #[error(
        "outputs NOT confirmed safe ({0}): shut off air and power by hand. If the module was exchanged meanwhile, restart the daemon"
    )]
    NotSafe(Doubt),
    /// An output had changed since the last look.
    #[error(
        "its outputs had changed and were set to their safe values again: does another program use the module?"
    )]
    Opened,
    /// The program failed while it looked at the rig.
    #[error("internal error while looking at the rig: outputs NOT confirmed safe")]
    Inside,
}

impl Fault {
    /// Whether nothing was heard from the module.
    pub(crate) const fn is_silence(&self) -> bool {
        match self {
            Self::Unreachable(_) => true,
            Self::Silent(doubt) | Self::NotSafe(doubt) => {
                matches!(doubt, Doubt::Lost | Doubt::Late | Doubt::OtherDevice)
            }
            Self::Taken(_) | Self::PortInUse(_) | Self::Reference(_) | Self::Opened | Self::Inside => false,
        }
    }

    /// Whether the module answered, and its outputs are open or may be.
    pub(crate) const fn shows_the_module(&self) -> bool {
        matches!(self, Self::Opened) || (matches!(self, Self::NotSafe(_)) && !self.is_silence())
    }

    /// State of the outputs: `Some(false)` if they could not be made safe, `None` if it is unknown.
    pub const fn outputs_safe(&self) -> Option<bool> {
        match self {
            Self::NotSafe(_) => Some(false),
            Self::Unreachable(_)
            | Self::Taken(_)
            | Self::PortInUse(_)
            | Self::Silent(_)
            | Self::Reference(_)
            | Self::Opened
            | Self::Inside => None,
        }
    }
}

/// A run that is about to begin or in progress.
#[derive(Debug, Clone)]
pub struct Active {
    /// Identifier of the run.
    pub(crate) run: String,
    /// Its folder, once created.
    pub(crate) folder: Option<PathBuf>,
    pub(crate) handle: RunHandle,
    /// The open question.
    pub(crate) question: Option<u32>,
    /// The last question that was answered.
    pub(crate) answered: Option<u32>,
}

impl Active {
    pub(crate) const fn new(run: String, handle: RunHandle) -> Self {
        Self { run, folder: None, handle, question: None, answered: None }
    }

    /// Sets the open question. A question that was answered is not open, even if the run has not received the answer yet.
    pub(crate) fn ask(&mut self, question: Option<u32>) {
        self.question = question.filter(|question| self.answered != Some(*question));
    }
}

impl Phase {
    /// The run that is about to begin or in progress.
    pub(crate) const fn active(&self) -> Option<&Active> {
        match self {
            Self::Preparing { active, .. } | Self::Running(active) => Some(active),
            Self::Ending { active, .. } => active.as_ref(),
            Self::Starting | Self::Idle(_) | Self::MakingSafe { .. } | Self::Faulted(_) => None,
        }
    }

    /// The same, mutable.
    pub(crate) const fn active_mut(&mut self) -> Option<&mut Active> {
        match self {
            Self::Preparing { active, .. } | Self::Running(active) => Some(active),
            Self::Ending { active, .. } => active.as_mut(),
            Self::Starting | Self::Idle(_) | Self::MakingSafe { .. } | Self::Faulted(_) => None,
        }
    }

    /// Identifier of the run that occupies the rig, from its preparation until its record is made.
    pub fn run(&self) -> Option<&str> {
        match self {
            Self::MakingSafe { run, .. } => Some(run),
            Self::Preparing { .. } | Self::Running(_) | Self::Ending { .. } => {
                self.active().map(|active| active.run.as_str())
            }
            Self::Starting | Self::Idle(_) | Self::Faulted(_) => None,
        }
    }

    /// Whether a run occupies the rig, from its preparation until its record is made.
    pub const fn is_busy(&self) -> bool {
        matches!(self, Self::Preparing { .. } | Self::Running(_) | Self::MakingSafe { .. })
    }

    /// Fault found by the last look.
    pub const fn fault(&self) -> Option<&Fault> {
        match self {
            Self::Faulted(fault) => Some(fault),
            Self::Preparing { fault, .. } | Self::MakingSafe { fault, .. } | Self::Ending { fault, .. } => {
                fault.as_ref()
            }
            Self::Starting | Self::Idle(_) | Self::Running(_) => None,
        }
    }

    /// Whether the outputs were read back as safe; `None` while unknown.
    pub const fn outputs_safe(&self) -> Option<bool> {
        match self {
            Self::Idle(_) => Some(true),
            Self::Faulted(_) | Self::Preparing { .. } | Self::MakingSafe { .. } | Self::Ending { .. } => {
                match self.fault() {
                    Some(fault) => fault.outputs_safe(),
                    None => None,
                }
            }
            Self::Starting | Self::Running(_) => None,
        }
    }
}
