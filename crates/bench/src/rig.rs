//! Handle of a rig for the rest of the daemon: the mailbox of its owner, and its last published status.
//!
//! The owner has its own thread, which only handles letters, one at a time, and publishes changes. It waits for nothing else: no disk, no
//! module, no watcher.

use crate::audience::Audience;
use crate::entry::{Probes, RigEntry};
use crate::heartbeat::Heartbeat;
use crate::owner::Owner;
use crate::pin::Pin;
use crate::refusal::Refusal;
use crate::round::{Placing, Round};
use crate::sheets::RigSheets;
use crate::sight::Sight;
use crate::status::Status;
use crate::waiting::{Claim, Press};
use std::fmt;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tripbench_record::Halt;
use tripbench_runner::{RunHandle, Today};

/// Longest time until an owner that is well has taken a letter.
const OWNER_TAKES: Duration = Duration::from_millis(50);

/// A request to a rig's owner.
type Letter = Box<dyn FnOnce(&mut Desk) + Send>;

/// A rig.
pub struct Rig {
    /// Name of the rig.
    pub name: String,
    /// Sheets of the rig.
    pub(crate) sheets: Arc<RigSheets>,
    pub(crate) probes: Option<Probes>,
    pub(crate) audience: Arc<dyn Audience>,
    mail: Sender<Letter>,
    published: Arc<Mutex<Arc<Status>>>,
    /// Stops the run in progress, even if the owner hangs.
    handle: Mutex<Option<RunHandle>>,
    /// Heartbeat of the run's thread.
    pub(crate) heartbeat: Arc<Heartbeat>,
    /// Heartbeat of the owner's thread.
    pub(crate) owner_heartbeat: Arc<Heartbeat>,
    /// When the plugs were last in sight.
    sight: Sight,
    /// Number of scans between runs.
    looks: AtomicU64,
    /// Whether this process holds the module's lock.
    ours: AtomicBool,
    /// Its module, once reached.
    pub(crate) pin: Pin,
}

impl fmt::Debug for Rig {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Rig")
            .field("name", &self.name)
            .field("status", &self.status())
            .finish_non_exhaustive()
    }
}

/// Wakes the worker of a rig when there is something to do.
pub(crate) type Wake = Receiver<()>;

/// The owner's end of the mailbox.
struct Desk {
    owner: Owner,
    audience: Arc<dyn Audience>,
    published: Arc<Mutex<Arc<Status>>>,
    wake: SyncSender<()>,
}

impl Desk {
    /// Publishes changes, and wakes the worker if it has something to do.
    fn publish(&mut self) {
        if let Some(status) = self.owner.news() {
            let status = Arc::new(status);
            *self.published.lock().unwrap_or_else(PoisonError::into_inner) = Arc::clone(&status);
            self.audience.status(&status);
        }
        if self.owner.wanted() {
            // Full: the worker has already been woken. Closed: it has ended.
            let _woken = self.wake.try_send(());
        }
    }
}

impl Rig {
    /// Starts the owner of a rig. The second value wakes its worker.
    ///
    /// # Errors
    /// If its thread cannot be spawned.
    pub(crate) fn new(entry: RigEntry, audience: Arc<dyn Audience>) -> std::io::Result<(Arc<Self>, Wake)> {
        let RigEntry { sheets, simulated, probes } = entry;
        let name = sheets.name();
        let mut owner = Owner::new(name.clone(), simulated, sheets.places(), sheets.preview());
        let first = Arc::new(owner.news().unwrap_or_else(|| owner.status()));
        audience.status(&first);
        let published = Arc::new(Mutex::new(first));
        let (mail, letters) = channel::<Letter>();
        let (wake, woken) = sync_channel(1);
        let mut desk =
            Desk { owner, audience: Arc::clone(&audience), published: Arc::clone(&published), wake };
        let owner_heartbeat = Arc::new(Heartbeat::new());
        std::thread::Builder::new().name(format!("owner {name}")).spawn(move || {
            // Ends when the last sender is dropped.
            for letter in letters {
                letter(&mut desk);
            }
        })?;
        let (handle, heartbeat, looks) = (Mutex::new(None), Arc::new(Heartbeat::new()), AtomicU64::new(0));
        let (sheets, ours, sight) = (Arc::new(sheets), AtomicBool::new(false), Sight::default());
        Ok((
            Arc::new(Self {
                name,
                sheets,
                probes,
                audience,
                mail,
                published,
                handle,
                heartbeat,
                owner_heartbeat,
                sight,
                looks,
                ours,
                pin: Pin::default(),
            }),
            woken,
        ))
    }

    /// Asks the owner and waits for its answer; changes are published before the answer comes.
    ///
    /// # Errors
    /// If the owner does not answer: its thread has failed, and the supervisor ends the program.
    pub(crate) fn ask<T: Send + 'static>(
        &self,
        of: impl FnOnce(&mut Owner) -> T + Send + 'static,
    ) -> Result<T, Refusal> {
        let (answer, answered) = channel();
        let letter: Letter = Box::new(move |desk| {
            let said = of(&mut desk.owner);
            desk.publish();
            let _nobody_waits = answer.send(said);
        });
        self.mail.send(letter).map_err(|_| Refusal::NoOwner)?;
        answered.recv().map_err(|_| Refusal::NoOwner)
    }

    /// Posts a letter to the owner and does not wait.
    pub(crate) fn post(&self, of: impl FnOnce(&mut Owner) + Send + 'static) {
        let letter: Letter = Box::new(move |desk| {
            of(&mut desk.owner);
            desk.publish();
        });
        if self.mail.send(letter).is_err() {
            tracing::error!(rig = self.name, "the owner of this rig has failed");
        }
    }

    /// Asks the owner for a heartbeat; see `owner_heartbeat`.
    pub(crate) fn ping(&self) {
        let heartbeat = Arc::clone(&self.owner_heartbeat);
        self.post(move |_| heartbeat.beat());
    }

    /// The last published status.
    pub fn status(&self) -> Arc<Status> {
        Arc::clone(&self.published.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Mounts devices: the whole round at once. `seen` is a run whose verdict was acknowledged.
    ///
    /// # Errors
    /// If the round was changed in the meantime, a position does not exist, or a serial number is not allowed.
    pub fn mount(
        &self,
        revision: u64,
        placings: Vec<Placing>,
        seen: Option<String>,
    ) -> Result<Round, Refusal> {
        self.ask(move |owner| owner.mount(revision, &placings, seen))?
    }

    /// What is known at this moment, for a run that is requested.
    ///
    /// # Errors
    /// If the owner does not answer.
    pub fn press(&self) -> Result<Press, Refusal> {
        let at = self.heartbeat.now();
        self.ask(move |owner| owner.press(at))
    }

    /// Stops the run in progress at once and withdraws the runs that wait. Allowed at any time.
    pub fn stop(&self, halt: Halt) {
        let (taken, answered) = channel();
        let asked = halt.clone();
        let letter: Letter = Box::new(move |desk| {
            desk.owner.stop(asked);
            desk.publish();
            let _nobody_waits = taken.send(());
        });
        // An owner that hangs or has failed keeps nobody from stopping.
        if self.mail.send(letter).is_err() || answered.recv_timeout(OWNER_TAKES).is_err() {
            self.cut(halt);
        }
    }

    /// The controls of the run in progress; `None` if no run is in progress.
    pub(crate) fn hold_reins(&self, handle: Option<RunHandle>) {
        *self.handle.lock().unwrap_or_else(PoisonError::into_inner) = handle;
    }

    /// Stops the run in progress without its owner, for the reason `halt`.
    pub(crate) fn cut(&self, halt: Halt) {
        if let Some(handle) = &*self.handle.lock().unwrap_or_else(PoisonError::into_inner) {
            handle.stop(halt);
        }
    }

    /// This process holds the module's lock from now on.
    pub(crate) fn owns_module(&self) {
        self.ours.store(true, Ordering::SeqCst);
    }

    /// Whether this process holds the module's lock.
    pub(crate) fn is_ours(&self) -> bool {
        self.ours.load(Ordering::SeqCst)
    }

    /// Answers the open question of a run; `said` is the answer, and who gives it.
    ///
    /// # Errors
    /// If no run is in progress, or the question is not open.
    pub fn answer(&self, run: String, question: u32, said: (String, String)) -> Result<(), Refusal> {
        self.ask(move |owner| owner.answer(&run, question, said))?
    }

    /// Prepares for the end of the daemon: no new run begins, and the run in progress is stopped.
    pub(crate) fn end(&self) {
        self.post(Owner::end);
    }

    /// Reads the sheets again, and publishes the preview if it changed.
    pub(crate) fn look_at_sheets(&self, today: &Today) {
        if self.sheets.look_again(today).is_some() {
            let sheets = Arc::clone(&self.sheets);
            self.post(move |owner| owner.foresee(sheets.preview()));
        }
    }

    /// Reports one of the first scans of a run: the owner stops the run if a device may be another one.
    pub(crate) fn first_scan(&self, claim: Claim) {
        self.post(move |owner| owner.first_scan(&claim));
    }

    /// Counts one more scan between runs.
    pub(crate) fn looked(&self) {
        self.looks.fetch_add(1, Ordering::SeqCst);
    }

    /// A scan has seen the plugs. Reports it to the owner if they were out of sight for too long before.
    pub(crate) fn sees_plugs(&self) {
        if self.sight.sees(self.heartbeat.now()) {
            tracing::warn!(
                rig = self.name,
                "its plugs were out of sight for a while: devices may have been changed"
            );
            self.post(Owner::lost_sight);
        }
    }

    /// Number of scans between runs since the daemon began.
    pub fn looks(&self) -> u64 {
        self.looks.load(Ordering::SeqCst)
    }
}

#[cfg(test)]
pub(crate) mod tests;
