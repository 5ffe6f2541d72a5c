//! Letters to the owner of a rig, drawn in any order.

use super::*;

/// A letter to the owner.
#[derive(Debug, Clone, Copy)]
enum Letter {
    Good,
    Bad,
    PlugOut,
    PlugsIn,
    Mount,
    Press,
    Ask { unattended: bool },
    Stop,
    Next,
    Begin,
    Over,
    End,
}

fn letters() -> impl Strategy<Value = Vec<Letter>> {
    let letter = prop_oneof![
        4 => Just(Letter::Good),
        1 => Just(Letter::Bad),
        1 => Just(Letter::PlugOut),
        1 => Just(Letter::PlugsIn),
        1 => Just(Letter::Mount),
        3 => Just(Letter::Press),
        4 => any::<bool>().prop_map(|unattended| Letter::Ask { unattended }),
        1 => Just(Letter::Stop),
        6 => Just(Letter::Next),
        5 => Just(Letter::Begin),
        3 => Just(Letter::Over),
    ];
    (prop::collection::vec(letter, 1..60), any::<bool>()).prop_map(|(mut letters, ends)| {
        if ends {
            letters.push(Letter::End);
            letters.extend([Letter::Press, Letter::Ask { unattended: true }, Letter::Next, Letter::Begin]);
        }
        letters
    })
}

/// Whether a phase may follow another, as drawn in docs/architecture.md.
const fn may_follow(before: &Phase, after: &Phase) -> bool {
    matches!(
        (before, after),
        (Phase::Starting | Phase::Idle(_) | Phase::Faulted(_), Phase::Idle(_) | Phase::Faulted(_))
            | (Phase::Idle(_), Phase::Preparing { .. })
            | (
                Phase::Preparing { .. },
                Phase::Preparing { .. } | Phase::Running(_) | Phase::MakingSafe { .. }
            )
            | (Phase::Running(_), Phase::Running(_) | Phase::MakingSafe { .. })
            | (Phase::MakingSafe { .. }, Phase::MakingSafe { .. } | Phase::Idle(_) | Phase::Faulted(_))
            | (Phase::Starting, Phase::Starting)
            | (_, Phase::Ending { .. })
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    /// For any order of letters, with those of the worker as it sends them: phases follow each other as drawn, and a run begins only if
    /// nothing has happened to it since it was requested.
    #[test]
    fn whatever_comes_a_run_begins_only_if_nothing_was_changed_since_the_press(letters in letters()) {
            let mut owner = at_rest();
        // The claim of the worker's run, and whether the run is in progress.
        let mut at_work: Option<(Claim, bool)> = None;
        // Runs to which something happened, and runs whose plug was missed by a look.
        let (mut spoilt, mut unseen): (BTreeSet<String>, BTreeSet<String>) = Default::default();
        // Runs that were requested while no plug was in.
        let mut empty: BTreeSet<String> = BTreeSet::new();
        let (mut asked, mut number): (Vec<String>, usize) = (Vec::new(), 0);
        let mut pressed: Option<(String, Press, u64)> = None;
        let mut plug_is_in = true;
        for letter in letters {
            let before = owner.status.phase.clone();
            match letter {
                Letter::Good | Letter::Bad => {
                    let found = if matches!(letter, Letter::Good) { Ok(REST) } else { Err(Fault::Opened) };
                    match at_work {
                        Some((_, true)) => continue,
                        Some(_) => owner.found(Look::Meanwhile, found),
                        None => owner.found(Look::AtRest, found),
                    }
                }
                Letter::PlugOut | Letter::PlugsIn => {
                    plug_is_in = matches!(letter, Letter::PlugsIn);
                    see(&mut owner, if plug_is_in { &[] } else { &[1] });
                }
                Letter::Mount => {
                    let revision = owner.status.round.revision;
                    let another = placing(1, &format!("B-{revision}"));
                    owner.mount(revision, &[another], None).expect("it is mounted");
                }
                Letter::Press => {
                    number += 1;
                    pressed = Some((format!("run {number}"), owner.press(Mono::START), owner.status.stops));
                    let run = format!("run {number}");
                    empty.extend((!plug_is_in).then(|| run.clone()));
                    asked.push(run);
                }
                Letter::Ask { unattended } => {
                    if let Some((run, press, stops)) = pressed.take() {
                        let mut job = another_job(0, press);
                        job.prepared.header.run.clone_from(&run);
                        // Refused or not: what was spoilt must not run.
                        let _refused = owner.enqueue(job, Seen { unattended, ..seen(stops) }, Mono::START);
                    }
                }
                Letter::Stop => owner.stop(Halt::Signal),
                Letter::Next if at_work.is_none() => {
                    at_work = next(&mut owner).map(|(job, ..)| (job.claim(), false));
                }
                Letter::Begin => {
                    if let Some((claim, runs @ false)) = &mut at_work {
                        if owner.begin(claim).is_ok() {
                            prop_assert!(!spoilt.contains(&claim.run), "{claim:?}");
                            // If no plug was in and none is in now, there is no device to be confused.
                            let is_empty = empty.contains(&claim.run) && !plug_is_in;
                            prop_assert!(is_empty || !unseen.contains(&claim.run), "{claim:?}");
                            *runs = true;
                        } else {
                            owner.over(&claim.run);
                            at_work = None;
                        }
                    }
                }
                Letter::Over => {
                    if let Some((claim, true)) = &at_work {
                        owner.over(&claim.run);
                        at_work = None;
                    }
                }
                Letter::Next => continue,
                Letter::End => owner.end(),
            }
            if matches!(letter, Letter::Mount | Letter::Stop | Letter::End) {
                spoilt.extend(asked.iter().cloned());
            }
            if matches!(letter, Letter::Bad | Letter::PlugOut) {
                unseen.extend(asked.iter().cloned());
            }
            let after = &owner.status.phase;
            prop_assert!(may_follow(&before, after), "{letter:?}: {before:?} {after:?}");
            if matches!(letter, Letter::Stop | Letter::End | Letter::Bad) {
                prop_assert!(owner.queue.is_empty(), "{letter:?}");
            }
            // Only a rig at rest reports its outputs as safe.
            prop_assert_eq!(after.outputs_safe() == Some(true), matches!(after, Phase::Idle(_)));
        }
    }
}
