//! Publishes a rig to its watchers: its state as a document, and the samples of its runs.

use crate::at_disk::AtDisk;
use crate::document::{RigState, RunState, StartedRun, Tile, beside};
use crate::feed::{Feed, FrameKind};
use crate::keys::Keys;
use crate::limits::Limits;
use crate::samples::Sampler;
use crate::timing::{RigTiming, Timing};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use tokio::sync::Semaphore;
use tripbench_bench::{Audience, Bench, Beside, Rig, RunListener, RunSnapshot, Status};
use tripbench_record::LoadedSheets;

/// Published state of one rig. Documents are made on a separate thread: the rig's owner does not wait for them.
#[derive(Debug)]
pub(crate) struct Stage {
    /// The frames for the watchers.
    pub(crate) feed: Arc<Feed>,
    documents: Arc<Documents>,
    statuses: Sender<Arc<Status>>,
    timing: RigTiming,
}

/// A run, a position of it, and the tile made of them.
type MadeOf = (Arc<RunSnapshot>, u8, Option<Tile>);

/// Makes documents of statuses. What takes long, the advice of devices that are judged, is made once.
#[derive(Debug, Default)]
struct Documents {
    last: Mutex<Option<(Arc<RunSnapshot>, RunState)>>,
    /// The devices beside those of the run, with what they were made of.
    beside: Mutex<Vec<MadeOf>>,
}

impl Documents {
    fn of(&self, status: &Status) -> RigState {
        let run = status.run.as_ref().map(|snapshot| self.of_run(snapshot));
        RigState::new(status, run)
    }

    fn of_run(&self, snapshot: &Arc<RunSnapshot>) -> RunState {
        let known = {
            let last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
            last.as_ref()
                .filter(|(known, _)| Arc::ptr_eq(known, snapshot))
                .map(|(_, document)| document.clone())
        };
        known.unwrap_or_else(|| {
            let document = RunState::new(snapshot, self.tiles_beside(&snapshot.beside));
            let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
            *last = Some((Arc::clone(snapshot), document.clone()));
            document
        })
    }

    fn tiles_beside(&self, of: &[Beside]) -> Vec<Tile> {
        let known = self.beside.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let made = |of: &Beside| {
            let is_it = |(snapshot, position, _): &&MadeOf| {
                Arc::ptr_eq(snapshot, &of.snapshot) && *position == of.position
            };
            let found = known.iter().find(is_it).map(|(_, _, tile)| tile.clone());
            (Arc::clone(&of.snapshot), of.position, found.unwrap_or_else(|| beside(of)))
        };
        let made: Vec<_> = of.iter().map(made).collect();
        let tiles = made.iter().filter_map(|(_, _, tile)| tile.clone()).collect();
        *self.beside.lock().unwrap_or_else(PoisonError::into_inner) = made;
        tiles
    }
}

impl Stage {
    /// The stage of a rig with nothing published yet.
    ///
    /// # Errors
    /// If its thread cannot be spawned.
    pub(crate) fn new(timing: RigTiming) -> std::io::Result<Self> {
        let (feed, documents) = (Arc::<Feed>::default(), Arc::<Documents>::default());
        let (statuses, snapshot) = channel();
        let (tells, makes) = (Arc::clone(&feed), Arc::clone(&documents));
        std::thread::Builder::new()
            .name(String::from("teller"))
            .spawn(move || tell(&snapshot, &tells, &makes))?;
        Ok(Self { feed, documents, statuses, timing })
    }

    /// The document of a rig's present status.
    pub(crate) fn document(&self, rig: &Rig) -> RigState {
        self.documents.of(&rig.status())
    }
}

/// Publishes the newest status until the sender is dropped. Statuses overtaken by a newer one are skipped, and so are unchanged documents.
fn tell(statuses: &Receiver<Arc<Status>>, feed: &Feed, documents: &Documents) {
    let mut snapshot = String::new();
    while let Ok(status) = statuses.recv() {
        let newest = statuses.try_iter().last().unwrap_or(status);
        // A document that fails is left out; whoever watches sees the next one.
        let made = catch_unwind(AssertUnwindSafe(|| serde_json::to_string(&documents.of(&newest))));
        let Ok(Ok(text)) = made else {
            tracing::error!(rig = newest.rig, "its state cannot be made into a document");
            continue;
        };
        if snapshot != text {
            feed.push(FrameKind::State, &text);
            snapshot = text;
        }
    }
}

impl Audience for Stage {
    fn status(&self, status: &Arc<Status>) {
        let _nobody_watches = self.statuses.send(Arc::clone(status));
    }

    fn run(&self, sheets: &Arc<LoadedSheets>) -> Box<dyn RunListener> {
        self.feed.begin();
        Box::new(Sampler::new(Arc::clone(&self.feed), Arc::clone(sheets), self.timing.clone()))
    }
}

/// State of the HTTP side.
#[derive(Debug)]
pub(crate) struct Daemon {
    pub(crate) bench: Bench,
    /// The stage of each rig, in the order of the bench.
    pub(crate) stages: Vec<Arc<Stage>>,
    /// Users who may operate the bench, besides the daemon's own and root.
    pub(crate) users: Vec<u32>,
    pub(crate) limits: Limits,
    /// Runs started with a key.
    pub(crate) keys: Keys<StartedRun>,
    pub(crate) timing: Timing,
    pub(crate) at_disk: AtDisk,
    /// Seats of the watchers that are free.
    pub(crate) watchers: Arc<Semaphore>,
    /// Differs at each start of the daemon, so that frames of different starts cannot be mistaken for each other.
    pub(crate) start_id: String,
}

impl Daemon {
    /// The rigs with their stages.
    pub(crate) fn watched(&self) -> impl Iterator<Item = (&Arc<Rig>, &Arc<Stage>)> {
        self.bench.rigs.iter().zip(&self.stages)
    }

    /// A rig by its name, with its stage.
    pub(crate) fn find(&self, name: &str) -> Option<(&Arc<Rig>, &Arc<Stage>)> {
        self.watched().find(|(rig, _)| rig.name == name)
    }
}
