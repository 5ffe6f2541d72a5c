//! The disk that keeps the journal of a drawn run: what it had at every moment, its faults, and what a crash leaves of it.

use std::io;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tripbench_record::journal::MAGIC;
use tripbench_runner::Medium;

/// Faults of a disk.
#[derive(Debug, Clone, Copy, Default)]
pub struct DiskFaults {
    /// Number, from 0, of the write at which the disk is full, and how many bytes of it are still written.
    pub full_at: Option<(usize, usize)>,
    /// Number, from 0, of the sync that fails.
    pub sync_fails_at: Option<usize>,
}

/// A disk with one journal. Clones share it.
#[derive(Debug, Clone)]
pub struct Disk(Arc<Mutex<Platter>>);

#[derive(Debug)]
struct Platter {
    bytes: Vec<u8>,
    /// Everything that happened, in order.
    deeds: Vec<Deed>,
    writes: usize,
    syncs: usize,
    faults: DiskFaults,
}

/// Something that happened to a journal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Deed {
    /// It was written up to this length.
    Wrote(usize),
    /// It was synced.
    Synced,
    /// The listener received the next event.
    Heard,
}

/// How a program ends in the middle of a run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kill {
    /// Moment, as a share of everything that happened to the journal.
    pub at: f64,
    /// Share of the write in progress, or with a loss of power of everything after the last sync, that is kept.
    pub kept: f64,
    /// Whether the computer loses its power too, so that everything after the last sync may be lost.
    pub power: bool,
    /// With a loss of power: start of a sector that is zero, as a share of what is kept after the last sync.
    pub hole: Option<f64>,
}

/// A journal as it was when its program was killed.
#[derive(Debug)]
pub(super) struct Killed {
    /// Bytes of the file.
    pub(super) bytes: Vec<u8>,
    /// Number of events that the listener had received.
    pub(super) heard: usize,
}

/// Length of a sector, bytes.
const SECTOR: usize = 512;

impl Disk {
    /// A disk with an empty journal, which is synced.
    pub fn new(faults: DiskFaults) -> Self {
        let bytes = MAGIC.as_bytes().to_vec();
        let deeds = vec![Deed::Wrote(bytes.len()), Deed::Synced];
        Self(Arc::new(Mutex::new(Platter { bytes, deeds, writes: 0, syncs: 0, faults })))
    }

    /// The listener received an event.
    pub(crate) fn heard(&self) {
        self.lock().deeds.push(Deed::Heard);
    }

    /// All bytes of the journal.
    pub(super) fn bytes(&self) -> Vec<u8> {
        self.lock().bytes.clone()
    }

    /// The journal as a kill leaves it.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "shares of lengths"
    )]
    pub(super) fn killed(&self, kill: Kill) -> Killed {
        let platter = self.lock();
        let share = |whole: usize, share: f64| (whole as f64 * share) as usize;
        // The first line was written and synced before the run began.
        let (done, ahead) = platter.deeds.split_at(2 + share(platter.deeds.len() - 2, kill.at));
        let (mut written, mut synced, mut heard) = (0, 0, 0);
        for deed in done {
            match deed {
                Deed::Wrote(length) => written = *length,
                Deed::Synced => synced = written,
                Deed::Heard => heard += 1,
            }
        }
        if let Some(Deed::Wrote(length)) = ahead.first() {
            written += share(length - written, kill.kept);
        }
        if !kill.power {
            return Killed { bytes: platter.bytes[..written].to_vec(), heard };
        }
        let kept = synced + share(written - synced, kill.kept);
        let mut bytes = platter.bytes[..kept].to_vec();
        if let Some(hole) = kill.hole {
            let start = synced + share(kept - synced, hole);
            let end = (start + SECTOR).min(kept);
            bytes[start..end].fill(0);
        }
        Killed { bytes, heard }
    }

    fn lock(&self) -> MutexGuard<'_, Platter> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Medium for Disk {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        let mut platter = self.lock();
        let full = platter.faults.full_at.filter(|(number, _)| *number <= platter.writes);
        let room = full.map_or(bytes.len(), |(_, room)| room.min(bytes.len() / 2));
        platter.writes += 1;
        platter.bytes.extend(&bytes[..room]);
        let length = platter.bytes.len();
        platter.deeds.push(Deed::Wrote(length));
        if full.is_some() { Err(io::ErrorKind::StorageFull.into()) } else { Ok(()) }
    }

    fn sync(&mut self) -> io::Result<()> {
        let mut platter = self.lock();
        let fails = platter.faults.sync_fails_at.is_some_and(|number| number <= platter.syncs);
        platter.syncs += 1;
        if fails {
            return Err(io::Error::other("the sync failed"));
        }
        platter.deeds.push(Deed::Synced);
        Ok(())
    }

    fn trim(&mut self) -> io::Result<()> {
        Ok(())
    }
}
