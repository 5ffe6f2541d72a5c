//! What was not checked, in words, shown beside every verdict.

use tripbench_record::{PositionRecord, QuantityName, Verdict};

/// Short name of a quantity that was not checked.
fn short_name(quantity: QuantityName) -> &'static str {
    let names = [
        (QuantityName::OnDelay, "delay on"),
        (QuantityName::OffDelay, "delay off"),
        (QuantityName::CutOffDelay, "valve delay"),
        (QuantityName::ResumeDelay, "valve delay"),
        (QuantityName::ResetSpread, "repeatability"),
        (QuantityName::CutOffSpread, "valve repeatability"),
        (QuantityName::ResumeSpread, "valve repeatability"),
    ];
    let short = names.into_iter().find_map(|(of, name)| (of == quantity).then_some(name));
    short.unwrap_or_else(|| crate::quantity_name(quantity))
}

/// Quantities not checked at a position, as `not checked: selected delay, bounce`; empty if there are none.
pub fn not_checked(position: &PositionRecord) -> String {
    said_open(position.not_checked().map(|check| check.quantity))
}

/// The text of [`not_checked`] for given quantities.
pub fn said_open(quantities: impl IntoIterator<Item = QuantityName>) -> String {
    let mut names: Vec<&str> = Vec::new();
    for quantity in quantities {
        let name = short_name(quantity);
        if !names.contains(&name) {
            names.push(name);
        }
    }
    if names.is_empty() { String::new() } else { format!("not checked: {}", names.join(", ")) }
}

/// The verdict of a position in words. A pass, or a result without judgement, names what was not checked.
pub fn verdict_text(position: &PositionRecord) -> String {
    if position.set_aside.is_some() {
        return String::from("SET ASIDE");
    }
    let (word, open) = (position.verdict.word(), not_checked(position));
    if matches!(position.verdict, Verdict::Pass | Verdict::Measured) && !open.is_empty() {
        format!("{word}, {open}")
    } else {
        word.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;
    use std::sync::Arc;
    use tripbench_record::{Check, CheckVerdict, Identity, IdentityHow, Role};

    fn position(verdict: Verdict, open: &[QuantityName]) -> PositionRecord {
        let identity = Identity { serial: String::from("A1"), how: IdentityHow::ByOperator };
        let checks = open.iter().map(|quantity| Arc::new(Check::empty(*quantity))).collect();
        PositionRecord { verdict, checks, ..PositionRecord::new(1, &identity) }
    }

    #[rstest]
    #[case(&[], "PASS")]
    #[case(&[QuantityName::Bounce], "PASS, not checked: bounce")]
    #[case(&[QuantityName::SelectedDelay, QuantityName::Bounce], "PASS, not checked: selected delay, bounce")]
    #[case(&[QuantityName::OnDelay, QuantityName::OffDelay], "PASS, not checked: delay on, delay off")]
    #[case(&[QuantityName::CutOffDelay, QuantityName::ResumeDelay], "PASS, not checked: valve delay")]
    #[case(&[QuantityName::Repeatability, QuantityName::ResetSpread], "PASS, not checked: repeatability")]
    #[case(&[QuantityName::CutOffSpread, QuantityName::ResumeSpread], "PASS, not checked: valve repeatability")]
    fn a_pass_says_what_was_not_checked(#[case] open: &[QuantityName], #[case] says: &str) {
        assert_eq!(verdict_text(&position(Verdict::Pass, open)), says);
    }

    #[test]
    fn what_was_checked_or_is_needed_is_not_among_it() {
        let mut checked = position(Verdict::Pass, &[QuantityName::Bounce, QuantityName::SelectedDelay]);
        Arc::make_mut(&mut checked.checks[0]).verdict = CheckVerdict::Pass;
        Arc::make_mut(&mut checked.checks[1]).role = Role::Required;
        assert_eq!(not_checked(&checked), "");
    }

    #[test]
    fn what_was_only_measured_says_it_too() {
        let measured = position(Verdict::Measured, &[QuantityName::OnDelay, QuantityName::OffDelay]);
        assert_eq!(verdict_text(&measured), "MEASURED, not checked: delay on, delay off");
    }

    #[rstest]
    #[case(Verdict::Fail, "FAIL")]
    #[case(Verdict::Undecided, "UNDECIDED")]
    #[case(Verdict::Aborted, "ABORTED")]
    fn other_verdicts_stand_alone(#[case] verdict: Verdict, #[case] says: &str) {
        assert_eq!(verdict_text(&position(verdict, &[QuantityName::Bounce])), says);
    }
}
