//! Runs that were accepted and never began: the rig says why.

use super::*;
use crate::status::MOST_NEVER_BEGAN;

/// Something that happens at a rig whose runs may wait.
#[derive(Debug, Clone, Copy)]
enum Happens {
    Asked,
    Stopped,
    PlugOutAndBack,
    LookFails,
    LookIsGood,
    Next,
    Begins,
    /// The folder of the run in preparation cannot be created.
    CannotBegin,
    /// The run in progress ends.
    Over,
    /// The run in progress ends, and no record can be made of it.
    NoRecord,
}

fn happenings() -> impl Strategy<Value = Vec<Happens>> {
    let one = prop_oneof![
        6 => Just(Happens::Asked),
        1 => Just(Happens::Stopped),
        1 => Just(Happens::PlugOutAndBack),
        1 => Just(Happens::LookFails),
        4 => Just(Happens::LookIsGood),
        5 => Just(Happens::Next),
        3 => Just(Happens::Begins),
        2 => Just(Happens::CannotBegin),
        3 => Just(Happens::Over),
        1 => Just(Happens::NoRecord),
    ];
    prop::collection::vec(one, 1..60)
}

/// A rig, the run that its worker has, and what became of every accepted run as far as the worker knows.
struct Played {
    owner: Owner,
    claim: Option<Claim>,
    runs: bool,
    accepted: Vec<String>,
    begun: BTreeSet<String>,
}

impl Played {
    fn take(&mut self, what: Happens) {
        match what {
            Happens::Asked => {
                let job = another_job(self.accepted.len(), self.owner.press(Mono::START));
                let (run, stops) = (job.run().to_owned(), self.owner.status.stops);
                let asked = Seen { unattended: true, ..seen(stops) };
                self.accepted.extend(self.owner.enqueue(job, asked, Mono::START).ok().map(|()| run));
            }
            Happens::Stopped => self.owner.stop(Halt::Signal),
            Happens::PlugOutAndBack => [&[1][..], &[]].iter().for_each(|out| see(&mut self.owner, out)),
            Happens::LookFails | Happens::LookIsGood if self.runs => {}
            Happens::LookFails | Happens::LookIsGood => {
                let found = if matches!(what, Happens::LookIsGood) { Ok(REST) } else { Err(Fault::Opened) };
                let look = if self.claim.is_some() { Look::Meanwhile } else { Look::AtRest };
                self.owner.found(look, found);
            }
            Happens::Next if self.claim.is_none() => {
                self.claim = next(&mut self.owner).map(|(job, ..)| job.claim());
            }
            Happens::Begins if !self.runs => {
                let Some(claim) = self.claim.clone() else { return };
                match self.owner.begin(&claim) {
                    Ok(()) => self.runs = self.begun.insert(claim.run),
                    Err(refusal) => self.ends(Some(NoVerdict::NoRun(refusal.to_string()))),
                }
            }
            Happens::CannotBegin if !self.runs => self.ends(Some(NoVerdict::NoRun(String::from("no room")))),
            Happens::Over if self.runs => self.ends(None),
            Happens::NoRecord if self.runs => self.ends(Some(NoVerdict::NoRecord(String::from("no room")))),
            Happens::Next | Happens::Begins | Happens::CannotBegin | Happens::Over | Happens::NoRecord => {}
        }
    }

    fn ends(&mut self, why: Option<NoVerdict>) {
        let Some(claim) = self.claim.take() else { return };
        self.owner.over(&claim.run);
        if let Some(why) = why {
            self.owner.failed(claim.run, why);
        }
        self.runs = false;
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(500))]

    /// Whoever asks, at any time: an accepted run waits, or the worker has it, or it began, or the rig says why it never will.
    #[test]
    fn no_accepted_run_disappears_without_a_reason(happenings in happenings()) {
        let (accepted, begun) = (Vec::new(), BTreeSet::new());
        let mut played = Played { owner: at_rest(), claim: None, runs: false, accepted, begun };
        for what in happenings {
            played.take(what);
            let status = played.owner.news().unwrap_or_else(|| played.owner.status());
            for run in &played.accepted {
                let known = [
                    status.queue.iter().any(|waiting| waiting.run == *run),
                    played.claim.as_ref().is_some_and(|claim| claim.run == *run) && !played.runs,
                    played.begun.contains(run),
                    status.why_never_began(run).is_some(),
                ];
                prop_assert_eq!(known.into_iter().filter(|known| *known).count(), 1, "{} {:?} {:?}", run, what, known);
            }
        }
    }
}

#[test]
fn the_reason_names_what_happened() {
    let mut owner = at_rest();
    for number in 0..2 {
        let job = another_job(number, owner.press(Mono::START));
        owner.enqueue(job, Seen { unattended: true, ..seen(0) }, Mono::START).expect("it is taken");
    }
    let (job, ..) = next(&mut owner).expect("it is prepared");
    owner.over(job.run());
    owner.failed(job.run().to_owned(), NoVerdict::NoRun(String::from("no room")));
    assert_eq!(owner.status.why_never_began("run 0"), Some("could not begin: no room"));
    let second = "was withdrawn from the queue by a run that failed";
    assert_eq!(owner.status.why_never_began("run 1"), Some(second));
    assert_eq!(owner.status.why_never_began("run 2"), None);
}

#[test]
fn only_the_last_thousand_are_remembered() {
    let mut owner = at_rest();
    for number in 0..=MOST_NEVER_BEGAN {
        let job = another_job(number, owner.press(Mono::START));
        enqueue(&mut owner, job).expect("it is taken");
        owner.stop(Halt::Signal);
    }
    assert_eq!(owner.status.never_began.len(), MOST_NEVER_BEGAN);
    assert_eq!(owner.status.why_never_began("run 0"), None);
    for number in [1, MOST_NEVER_BEGAN] {
        assert!(owner.status.why_never_began(&format!("run {number}")).is_some(), "{number}");
    }
}
