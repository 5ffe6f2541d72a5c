//! What is wrong with a rig, for those who watch it from afar.

use super::*;
use crate::status::OwedRun;
use std::path::PathBuf;

/// What a rig is doing while it is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Doing {
    Nothing,
    Preparing,
    /// Its run is over, and the record is being made.
    MakingSafe,
    Ending,
}

fn fault() -> impl Strategy<Value = Fault> {
    let text = || "[a-z ]{1,20}";
    let doubt = || prop::sample::select(vec![Doubt::Lost, Doubt::Late, Doubt::Short, Doubt::OtherDevice]);
    prop_oneof![
        text().prop_map(Fault::Unreachable),
        text().prop_map(Fault::Taken),
        text().prop_map(Fault::PortInUse),
        text().prop_map(Fault::Reference),
        doubt().prop_map(Fault::Silent),
        doubt().prop_map(Fault::NotSafe),
        Just(Fault::Opened),
        Just(Fault::Inside),
    ]
}

fn owner(doing: Doing) -> Owner {
    let mut owner = at_rest();
    if doing != Doing::Nothing {
        let job = another_job(1, owner.press(Mono::START));
        enqueue(&mut owner, job).expect("it is taken");
        let (job, ..) = next(&mut owner).expect("it begins");
        if doing != Doing::Preparing {
            owner.begin(&job.claim()).expect("it begins");
            assert_eq!(owner.status.problems(), Vec::<String>::new(), "a run in progress");
            owner.over(job.run());
        }
    }
    if doing == Doing::Ending {
        owner.end();
    }
    owner
}

proptest! {
    /// The module may be switched off while the disk hangs at the folder or the record of a run.
    #[test]
    fn a_rig_is_well_only_as_long_as_the_last_look_was_good(
        doing in prop::sample::select(vec![Doing::Nothing, Doing::Preparing, Doing::MakingSafe, Doing::Ending]),
        looks in prop::collection::vec(prop::option::of(fault()), 1..5),
        owes in any::<bool>(),
    ) {
        let mut owner = owner(doing);
        let look = if doing == Doing::Nothing { Look::AtRest } else { Look::Meanwhile };
        let owed = OwedRun { run: String::from("an earlier run"), folder: PathBuf::new() };
        owner.owe(owes.then_some(owed).into_iter().collect());
        for fault in looks {
            owner.found(look, fault.clone().map_or(Ok(REST), Err));
            let problems = owner.status.problems();
            let told = problems.join("; ");
            prop_assert_eq!(problems.is_empty(), fault.is_none() && !owes && doing != Doing::Ending, "{}", told);
            if let Some(fault) = &fault {
                prop_assert!(problems.contains(&fault.to_string()), "{}", told);
                prop_assert_eq!(told.contains("outputs NOT confirmed safe"), matches!(fault, Fault::NotSafe(_) | Fault::Inside));
            }
            prop_assert_eq!(told.contains("an earlier run"), owes);
        }
    }
}
