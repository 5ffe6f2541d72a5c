use super::*;
use proptest::prelude::*;
use std::path::PathBuf;
use std::time::Duration;
use tripbench_record::Halt;

/// What the disk does at the files of one run.
#[derive(Debug, Clone, Copy)]
enum Disk {
    /// Every attempt fails at once: the journal is damaged.
    Damaged,
    /// Attempts that begin before this time hang; they end then, or never. Later ones make the record at once.
    HangsUntil { s: u64, and_wakes: bool },
    /// Every attempt hangs, for ever.
    Hangs,
}

fn disk() -> impl Strategy<Value = Disk> {
    let hangs = (0_u64..250, any::<bool>()).prop_map(|(s, and_wakes)| Disk::HangsUntil { s, and_wakes });
    prop_oneof![1 => Just(Disk::Damaged), 3 => hangs, 1 => Just(Disk::Hangs)]
}

/// An attempt that began at a time: when it ends, if ever, and whether the record exists then.
fn attempt(disk: Disk, now_s: u64) -> (Option<u64>, bool) {
    match disk {
        Disk::Damaged => (Some(now_s), false),
        Disk::HangsUntil { s, .. } if now_s >= s => (Some(now_s), true),
        Disk::HangsUntil { s, and_wakes: true } => (Some(s), true),
        Disk::HangsUntil { and_wakes: false, .. } | Disk::Hangs => (None, false),
    }
}

fn at(s: u64) -> Mono {
    Mono::START + Duration::from_secs(s)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Whatever the disk does at other records, one is made once the disk is well, and those that hang cost few threads.
    #[test]
    fn every_record_that_can_be_made_is_made_and_few_threads_hang(
        disks in proptest::collection::vec(disk(), 1..6),
    ) {
        let times = DiskTimes::default();
        let (patience_s, every_s) = (times.hangs_after.as_secs(), times.try_every.as_secs());
        let mut ledger: Ledger<(Option<u64>, bool)> = Ledger::new(times);
        for run in 0..disks.len() {
            let run = OwedRun { run: run.to_string(), folder: PathBuf::new() };
            ledger.owe(PendingRecord { run, sheets: None, halt: Halt::Killed }, at(0));
        }
        let disk_of = |run: &str| disks[run.parse::<usize>().expect("a number")];
        let mut tried = vec![0_u32; disks.len()];
        // A look a second, for two hours.
        for now_s in every_s..7_200 {
            for (owed, (_, is_made)) in ledger.ended(at(now_s), |(ends, _)| ends.is_some_and(|s| s <= now_s)) {
                if is_made {
                    ledger.paid(&owed.run.run);
                }
            }
            ledger.given_up(at(now_s));
            if let Some(owed) = ledger.due(at(now_s)) {
                let run = owed.run.run;
                tried[run.parse::<usize>().expect("a number")] += 1;
                ledger.began(&run, attempt(disk_of(&run), now_s), at(now_s));
            }
            for owed in &ledger.owed {
                let threads = owed.attempts.len();
                let grows = (now_s / patience_s + 1).ilog2() as usize + 1;
                prop_assert!(threads <= MOST_HANG.min(grows), "{} threads after {} s", threads, now_s);
            }
            let in_progress = ledger.owed.iter().flat_map(|owed| &owed.attempts).filter(|one| !one.is_given_up);
            prop_assert!(in_progress.count() <= 1);
        }
        let left: Vec<String> = ledger.owed().into_iter().map(|owed| owed.run).collect();
        for (run, (disk, tried)) in disks.iter().zip(tried).enumerate() {
            let never = !matches!(disk, Disk::HangsUntil { .. });
            // Four attempts that never end leave none for later.
            let may_stay = never || (matches!(disk, Disk::HangsUntil { and_wakes: false, .. }) && tried > 3);
            prop_assert!(may_stay || !left.contains(&run.to_string()), "{:?} is owed still", disk);
            prop_assert!(!never || left.contains(&run.to_string()), "{:?} was made", disk);
            // A damaged one fails at once, and is tried again all the same.
            prop_assert!(!matches!(disk, Disk::Damaged) || tried > 100, "{} times", tried);
        }
    }
}
