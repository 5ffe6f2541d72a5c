//! The uncertainty budget of a check as lines of text, and what would decide an undecided check.

use crate::content::Content;
use crate::value_text;
use tripbench_measure::{Contribution, Distribution, Evaluation};
use tripbench_quantity::LevelStyle;
use tripbench_record::Check;

/// One contribution to the uncertainty, ready to be shown.
#[derive(Debug, Clone, PartialEq)]
pub struct BudgetLine {
    /// Name of the contribution.
    pub name: String,
    /// Source of its value.
    pub source: String,
    /// Type of evaluation, `A` or `B` (GUM).
    pub evaluation: &'static str,
    /// Distribution.
    pub shape: &'static str,
    /// Standard uncertainty of the input with its unit; empty if it has the unit of the result.
    pub input: String,
    /// Sensitivity with its unit; `1` without an input of its own.
    pub sensitivity: String,
    /// Degrees of freedom, `∞` if unlimited.
    pub freedom: String,
    /// Standard uncertainty in the unit of the check.
    pub standard_uncertainty: f64,
    /// Share of the variance, 0 to 1.
    pub share: f64,
}

/// The budget of a check, largest contribution first; empty without a result.
pub fn budget_lines(check: &Check) -> Vec<BudgetLine> {
    let Some(measured) = &check.measured else { return Vec::new() };
    let whole: f64 = measured.contributions.iter().map(|part| part.standard_uncertainty.powi(2)).sum();
    let mut all: Vec<BudgetLine> =
        measured.contributions.iter().map(|part| line(part, &check.unit, whole)).collect();
    all.sort_by(|a, b| b.standard_uncertainty.total_cmp(&a.standard_uncertainty));
    all
}

fn line(part: &Contribution, unit: &str, whole: f64) -> BudgetLine {
    let input = part.input.as_ref();
    BudgetLine {
        name: part.name.clone(),
        source: part.source.clone(),
        evaluation: match part.evaluation {
            Evaluation::A => "A",
            Evaluation::B => "B",
        },
        shape: match part.distribution {
            Distribution::Normal => "normal",
            Distribution::Rectangular => "rectangular",
            Distribution::Intervals => "from intervals",
        },
        input: input.map_or_else(String::new, |input| in_unit(input.standard_uncertainty, &input.unit)),
        sensitivity: input.map_or_else(
            || String::from("1"),
            |input| {
                let value = short(input.sensitivity);
                if input.unit == unit { value } else { format!("{value} {unit}/{}", input.unit) }
            },
        ),
        freedom: part.degrees_of_freedom.map_or_else(|| String::from("∞"), |freedom| format!("{freedom:.0}")),
        standard_uncertainty: part.standard_uncertainty,
        share: part.standard_uncertainty.powi(2) / whole,
    }
}

/// A standard uncertainty in the unit of the site, with three significant digits.
pub fn amount(check: &Check, value: f64, style: LevelStyle) -> String {
    match check.unit.as_str() {
        "Pa" => format!("{} {}", short(value / style.unit.pascal()), style.unit.symbol()),
        "Pa/s" => format!("{} {}/s", short(value / style.unit.pascal()), style.unit.symbol()),
        unit => in_unit(value, unit),
    }
}

fn in_unit(value: f64, unit: &str) -> String {
    if unit == "s" { format!("{} ms", short(value * 1e3)) } else { format!("{} {unit}", short(value)) }
}

/// A number with three significant digits.
fn short(value: f64) -> String {
    let size = value.abs();
    if size <= 0.0 {
        String::from("0")
    } else if !(1e-4..1e5).contains(&size) {
        format!("{value:.2e}")
    } else {
        #[expect(clippy::cast_possible_truncation, reason = "between -4 and 5")]
        let digits = (2 - size.log10().floor() as i32).max(0);
        format!("{value:.*}", usize::try_from(digits).unwrap_or(0))
    }
}

impl Content<'_> {
    /// What would decide a check that only U leaves undecided, as a sentence.
    pub fn needed(&self, check: &Check) -> Option<String> {
        let needed = check.to_decide.as_ref()?;
        let text = |value: f64| value_text(check, value, self.style).trim_start_matches('-').to_owned();
        let Some(u) = needed.expanded_uncertainty else {
            return Some(String::from(
                "Undecided: the value lies at a limit, and no smaller U would decide it.",
            ));
        };
        let share = |value: f64| amount(check, value, self.style);
        let how = needed.to.map_or_else(
            || {
                format!(
                    "the largest contribution, {}, is not the only one that is too large",
                    needed.contribution
                )
            },
            |to| {
                format!(
                    "{} would have to shrink from {} to {}",
                    needed.contribution,
                    share(needed.from),
                    share(to)
                )
            },
        );
        let again = needed.ramps.zip(check.position).map_or_else(
            || String::from(" More ramps on this rig would not."),
            |(ramps, position)| {
                let about = needed.takes_s.map_or_else(String::new, |s| format!(", in about {s:.0} s"));
                format!(" {ramps} ramps would{about}: `tripbench run --again {position}`.")
            },
        );
        let again = if check.crossings.is_empty() { String::new() } else { again };
        Some(format!("Undecided: U of {} or less would decide it; {how}.{again}", text(u)))
    }
}
