//! The trace as it grows, shared with the judge of a step: neither waits for the other, and nothing is copied.

use std::sync::Arc;
use tripbench_record::Trace;
use tripbench_rig::{ReadPlan, Scan};

/// All scans so far.
#[derive(Debug)]
pub(crate) struct Recording {
    shared: Arc<Trace>,
    /// Scans received while the trace was shared.
    since: Vec<Scan>,
}

impl Recording {
    pub(crate) fn new(plan: ReadPlan) -> Self {
        Self { shared: Arc::new(Trace::new(plan)), since: Vec::new() }
    }

    /// Adds a scan. While the trace is shared, the scan is kept aside.
    pub(crate) fn push(&mut self, scan: Scan) {
        match Arc::get_mut(&mut self.shared) {
            Some(trace) => {
                trace.scans.append(&mut self.since);
                trace.scans.push(scan);
            }
            None => self.since.push(scan),
        }
    }

    /// The trace up to now. Copied only if an earlier share is still in use.
    pub(crate) fn share(&mut self) -> Arc<Trace> {
        if !self.since.is_empty() {
            Arc::make_mut(&mut self.shared).scans.append(&mut self.since);
        }
        Arc::clone(&self.shared)
    }

    /// The scans, newest first.
    pub(crate) fn newest(&self) -> impl Iterator<Item = &Scan> {
        self.since.iter().rev().chain(self.shared.scans.iter().rev())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;
    use tripbench_quantity::{Mono, Span};
    use tripbench_rig::Block;

    fn scan(number: u64) -> Scan {
        let at = Mono::from_nanos(number);
        Scan { blocks: [Block { span: Span { before: at, after: at }, words: Vec::new() }].into() }
    }

    fn numbers<'s>(scans: impl Iterator<Item = &'s Scan>) -> Vec<u64> {
        scans.map(|scan| scan.end().nanos()).collect()
    }

    #[rstest]
    fn a_trace_that_is_held_stays_as_it_was_and_is_never_copied(
        #[values(0, 1, 3)] before: u64,
        #[values(1, 4)] held: u64,
    ) {
        let mut recording = Recording::new(ReadPlan { reads: Vec::new() });
        (0..before).for_each(|number| recording.push(scan(number)));
        let share = recording.share();
        (before..before + held).for_each(|number| recording.push(scan(number)));
        let all: Vec<u64> = (0..before + held).collect();
        assert_eq!(numbers(share.scans.iter()), all[..usize::try_from(before).expect("few")]);
        assert_eq!(numbers(recording.newest()), all.iter().rev().copied().collect::<Vec<_>>());
        let place = Arc::as_ptr(&share);
        drop(share);
        recording.push(scan(before + held));
        let again = recording.share();
        assert_eq!((Arc::as_ptr(&again), again.scans.len()), (place, all.len() + 1));
    }

    #[test]
    fn who_asks_again_while_an_earlier_one_is_held_gets_all_of_it() {
        let mut recording = Recording::new(ReadPlan { reads: Vec::new() });
        recording.push(scan(0));
        let first = recording.share();
        recording.push(scan(1));
        let second = recording.share();
        assert_eq!((numbers(first.scans.iter()), numbers(second.scans.iter())), (vec![0], vec![0, 1]));
    }
}
