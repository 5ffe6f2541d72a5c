//! The report as one HTML file that prints on A4: verdicts first, then the figures, then the method.

use crate::advice;
use crate::bar::margin_bar_svg;
use crate::budget::{amount, budget_lines};
use crate::chart::chart_svg;
use crate::content::Content;
use crate::coverage::{not_checked, verdict_text};
use crate::summary::{other_version, summary};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use std::sync::Arc;
use tripbench_device::{DecisionRule, SiteSheet};
use tripbench_quantity::SignConvention;
use tripbench_record::{
    Check, CheckVerdict, PositionRecord, QuantityName, Record, Role, SheetRole, Trace, Verdict,
};
use tripbench_rig::RigSheet;

const STYLE: &str = "\
@page{size:A4;margin:14mm}*{box-sizing:border-box}\
body{font:15px/1.4 system-ui,sans-serif;color:#111;background:#fff;max-width:210mm;margin:1.5rem auto;padding:0 1rem}\
h1{font-size:1.25rem;margin:0 0 .2rem}h2{font-size:1.05rem;margin:1.4rem 0 .4rem;border-bottom:1px solid #999}\
.overall{font-size:1.7rem;font-weight:700;margin:.4rem 0}.trial{border:3px double #111;padding:.3rem .6rem;font-weight:700}\
.tile{border:2px solid #777;border-radius:4px;padding:.5rem .7rem;margin:.5rem 0;break-inside:avoid}\
.tile b.word{font-size:1.25rem;letter-spacing:.03em}.bad-device{border-width:5px;border-color:#8c0d1b}.good-device{border-left:10px solid #0b6b2e}\
.undecided{border-left:10px double #7a5c00}.aborted{border-style:dashed}\
table{border-collapse:collapse;width:100%;table-layout:auto;font-size:.86rem}th,td{text-align:left;padding:.16rem .45rem;border-bottom:1px solid #ddd;vertical-align:middle}\
th.n{text-align:right}td.n{text-align:right;white-space:nowrap;font-variant-numeric:tabular-nums}tr.bad td{font-weight:700}\
section{break-inside:avoid}details{font-size:.82rem;margin:.3rem 0}.note{font-size:.82rem;color:#333}\
svg.margin{display:block}\
details.more{font-size:1rem}details.more>summary{font-size:.86rem}details.more>table{margin-top:.3rem}\
@media print{body{margin:0;padding:0;max-width:none}details:not([open],.more){display:none}details.more::details-content{content-visibility:visible;block-size:auto}}";

/// The report of a record. The caller reads the rig and site sheets from the texts in the record.
pub fn report_html(record: &Record, trace: &Trace, rig: &RigSheet, site: &SiteSheet) -> String {
    let style = site.style;
    let content = Content::of(record, style);
    let body = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { @if record.is_rig_check() { "Rig check, " } @else { "Test report, " } (record.header.rig) ", " (record.header.started) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                (heading(record, &content))
                @for position in &record.positions { (tile(&content, position)) }
                section {
                    h2 { @if record.is_rig_check() { "Rig check over time" } @else { "Vacuum over time" } }
                    (chart_svg(record, trace, rig, style))
                    p.note {
                        "Grey bands: limits of each level. Crosses: crossings of failed checks, with the number of the position. "
                        "Vacuum as read, without zero correction."
                    }
                }
                @for position in &record.positions { (figures(&content, position)) }
                (conditions(record, &content))
                (how(record, &content, rig, site))
                (cautions(judged(record)))
            }
        }
    };
    body.into_string()
}

fn heading(record: &Record, content: &Content<'_>) -> Markup {
    html! {
        h1 { @if record.is_rig_check() { "Rig check · " } @else { "Test report · rig " } (record.header.rig) }
        @if record.header.trial { p.trial { "TRIAL: a sheet of this run is a draft." } }
        @if record.header.simulated { p.trial { (content.simulated()) } }
        @if !other_version(record).is_empty() { p.trial { (other_version(record)) } }
        @for warning in &record.header.warnings { p.trial { "WARNING: " (warning) } }
        p.overall { (summary(record)) }
        p.note {
            "Started " (record.header.started)
            @if let Some(ended) = &record.ended { ", ended " (ended) }
            ". Operator: " (operators(record)) ". Run " (record.header.run) "."
        }
        @if let Some(again) = &record.header.again {
            p {
                b { (content.attempt()) } " Previous test, run " (again.run) ": " (again.found)
                " (record SHA-256 " (&again.sha256[..16.min(again.sha256.len())]) "…)"
            }
        }
        @if let Some(halt) = &record.halted { p { b { "Stopped: " } (halt) "." } }
        @if !record.safe_confirmed { p { b { "The outputs were NOT confirmed safe at the end of this run." } } }
    }
}

fn operators(record: &Record) -> String {
    if record.header.operators.is_empty() {
        String::from("not named")
    } else {
        record.header.operators.join(", ")
    }
}

/// The mark of a verdict: shapes of this project, readable without colour.
fn mark(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Pass => "●✓",
        Verdict::Fail => "✖",
        Verdict::Undecided => "◈",
        Verdict::Aborted => "▫",
        Verdict::Measured => "○",
    }
}

fn class(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Pass => "tile good-device",
        Verdict::Fail => "tile bad-device",
        Verdict::Undecided => "tile undecided",
        Verdict::Aborted => "tile aborted",
        Verdict::Measured => "tile measured",
    }
}

fn tile(content: &Content<'_>, position: &PositionRecord) -> Markup {
    // For a pass the verdict text contains it already.
    let open = not_checked(position).replacen('n', "N", 1);
    let open =
        if matches!(position.verdict, Verdict::Fail | Verdict::Undecided) { open } else { String::new() };
    let advice = advice(position, content.style);
    html! {
        div class=(class(position.verdict)) {
            "Position " (position.number) " · serial " b { (position.serial) } " · "
            b.word { (mark(position.verdict)) " " (verdict_text(position)) }
            br;
            (content.sentence(position))
            @for other in content.also_failed(position) { br; (other) }
            @if !open.is_empty() { br; (open) "." }
            @if !advice.is_empty() { br; "Do next: " (advice) "." }
        }
    }
}

fn figures(content: &Content<'_>, position: &PositionRecord) -> Markup {
    let shown = position.checks.iter().map(Arc::as_ref).filter(|check| !check.stands_behind_another());
    let (more, plain): (Vec<&Check>, Vec<&Check>) = shown.partition(|check| is_more(check));
    html! {
        @if !position.checks.is_empty() {
            section {
                h2 { "Position " (position.number) ", serial " (position.serial) }
                (table(content, &plain))
                @for check in plain { (budget(content, check)) }
                @if !more.is_empty() {
                    details class="more" {
                        summary { "More checks: " (more.len()) ", none against the device" }
                        (table(content, &more))
                        @for check in more { (budget(content, check)) }
                    }
                }
            }
        }
    }
}

/// Whether a check is shown among the secondary ones: it judges no level and does not count against the device.
fn is_more(check: &Check) -> bool {
    let settled = matches!(check.verdict, CheckVerdict::Pass | CheckVerdict::Measured);
    let beside = check.quantity.is_delay()
        || matches!(
            check.quantity,
            QuantityName::SelectedDelay
                | QuantityName::Bounce
                | QuantityName::Hose
                | QuantityName::Repeatability
                | QuantityName::ResetSpread
                | QuantityName::CutOffSpread
                | QuantityName::ResumeSpread
                | QuantityName::OutputStates
                | QuantityName::OwnEdges
        );
    // If nothing is judged, every figure is of interest.
    settled && beside && (check.verdict == CheckVerdict::Pass || check.role != Role::Informative)
}

fn table(content: &Content<'_>, checks: &[&Check]) -> Markup {
    html! {
        table {
            thead { tr { th { "Check" } th { "Limits" } th { "Value" } th { "± U" } th { "Margin" } th { "Result" } } }
            tbody {
                @for check in checks {
                    @let row = content.row(check);
                    tr class=[row.word.chars().all(|c| c.is_uppercase() || c == ' ').then_some("bad")] {
                        td { (row.name) }
                        td.n { (row.limits) }
                        td.n { (row.value) }
                        td.n { (row.uncertainty) }
                        td { (margin_bar_svg(row.place, half_width(check))) }
                        td {
                            (row.word)
                            @if check.role == Role::Informative && !check.not_checked() { " (for information)" }
                            @if check.role == Role::Screening { " (can fail, cannot pass)" }
                            @if !row.remark.is_empty() { ": " (row.remark) }
                        }
                    }
                }
            }
        }
    }
}

/// Expanded uncertainty as a share of the width between the limits; 0 without an upper limit.
fn half_width(check: &Check) -> f64 {
    let share = check.measured.as_ref().zip(check.limits).and_then(|(measured, limits)| {
        let width = limits.high? - limits.low.unwrap_or(0.0);
        Some(measured.expanded_uncertainty / width)
    });
    share.unwrap_or(0.0)
}

fn budget(content: &Content<'_>, check: &Check) -> Markup {
    let unsigned =
        |value: f64| crate::value_text(check, value, content.style).trim_start_matches('-').to_owned();
    html! {
        @if let Some(measured) = &check.measured {
            details {
                summary { "Uncertainty of the " (crate::quantity_name(check.quantity)) }
                table {
                    thead { tr {
                        th { "Contribution" } th { "Source" } th { "Type" } th { "Distribution" } th.n { "Input" } th.n { "Sensitivity" }
                        th.n { "Degrees of freedom" } th.n { "u" } th.n { "Share" }
                    } }
                    tbody {
                        @for line in budget_lines(check) {
                            tr {
                                td { (line.name) } td { (line.source) } td { (line.evaluation) } td { (line.shape) }
                                td.n { (line.input) } td.n { (line.sensitivity) } td.n { (line.freedom) }
                                td.n { (amount(check, line.standard_uncertainty, content.style)) } td.n { (format!("{:.0} %", line.share * 100.0)) }
                            }
                        }
                    }
                }
                p.note {
                    "u = " (amount(check, measured.standard_uncertainty, content.style)) ", k = " (format!("{:.2}", measured.coverage_factor)) ", U = " (unsigned(measured.expanded_uncertainty))
                    ": the 95 % half width of the convolved distribution; by Welch–Satterthwaite " (unsigned(measured.welch_satterthwaite))
                    @if let Some(freedom) = measured.degrees_of_freedom { " with " (format!("{freedom:.0}")) " effective degrees of freedom" } "."
                    @if let Some(probability) = check.conformance_probability {
                        " Conformance probability " (format!("{:.4}", probability)) "."
                    }
                    @if let Some(needed) = content.needed(check) { " " (needed) }
                }
            }
        }
    }
}

fn conditions(record: &Record, content: &Content<'_>) -> Markup {
    html! {
        section {
            h2 { "The rig in this run" }
            p.note { "Conditions: if one is not met, every device is undecided." }
            (table(content, &record.rig_checks.iter().map(Arc::as_ref).collect::<Vec<_>>()))
            @if !record.header.abilities.is_empty() {
                h2 { "What this rig can decide, according to its sheet" }
                ul { @for line in &record.header.abilities { li { (line) } } }
            }
        }
    }
}

fn how(record: &Record, content: &Content<'_>, rig: &RigSheet, site: &SiteSheet) -> Markup {
    let reference = &rig.reference;
    let calibration = &reference.calibration;
    html! {
        section {
            h2 { "Method" }
            p { @if record.is_rig_check() { "Each value is compared with the rig sheet." } @else { (rule(record, site)) } }
            p {
                @if site.style.sign == SignConvention::Gauge {
                    "Levels are shown as gauge pressure: the vacuum level, ambient − pressure, with a minus sign."
                } @else {
                    "Vacuum level = ambient − pressure."
                }
            }
            p {
                "Reference " b { (reference.name.value) } ", calibrated " (calibration.date.value)
                ", calibration due " (calibration.due.value) ", certificate " (calibration.certificate.value)
                ", U = " (content.style.difference(calibration.expanded_uncertainty.value)) " (k = " (*calibration.coverage_factor) ")."
            }
            table {
                thead { tr { th { "Sheet" } th { "Name" } th { "Revision" } th { "State" } th { "SHA-256" } } }
                tbody {
                    @for sheet in &record.header.sheets {
                        tr { td { (sheet.role) } td { (sheet.name) } td { (sheet.revision) } td { (sheet.state) } td { (&sheet.sha256[..16.min(sheet.sha256.len())]) "…" } }
                    }
                }
            }
            p.note {
                "Trace: " (record.trace.scans) " scans in " (record.trace.file) ", SHA-256 " (record.trace.sha256) ". "
                "tripbench " (record.software.version) ", record version " (record.version) "."
                @if let Some(source) = &record.header.clock.source { " Clock: " (source) "." }
            }
            @if record.header.module.is_some() { p.note { (content.module()) } }
            @if !record.answers.is_empty() {
                table {
                    thead { tr { th { "Question" } th { "Answer" } th { "By" } } }
                    tbody { @for (question, answer, by) in &record.answers { tr { td { (question) } td { (answer) } td { (by) } } } }
                }
            }
        }
    }
}

/// The decision rule, or why nothing was judged.
fn rule(record: &Record, site: &SiteSheet) -> String {
    let process = site.process_spread.map_or_else(String::new, |share| {
        format!(" The risk assumes that such devices lie around nominal with a standard deviation of {share:.2} of half the tolerance.")
    });
    match (judged(record), site.decision) {
        (false, _) => unjudged(record),
        (true, DecisionRule::GuardBand) => String::from(
            "Rule: guard band U (95 %). PASS if inside the limits by at least U, FAIL if outside by at least U, UNDECIDED between. \
             Of devices exactly at a limit, at most about 2.5 % pass.",
        ),
        (true, DecisionRule::Simple) => String::from(
            "Rule: simple acceptance. PASS inside the limits, FAIL outside. U (95 %) is shown but is not a guard band, so a device \
             at a limit passes or fails by chance. If U exceeds half of the tolerance, it is used as a guard band all the same.",
        ),
        (true, DecisionRule::HighestRisk) => format!(
            "Rule: limited risk. PASS if inside the limits and the risk that the device is outside is at most {0:.2} %, FAIL if \
             outside and the risk that it is inside is at most {0:.2} %, UNDECIDED between (U: 95 %).{process}",
            site.highest_risk * 100.0
        ),
    }
}

/// Why nothing was judged.
fn unjudged(record: &Record) -> String {
    let last = record.steps_done.last().and_then(|step| record.header.steps.get(usize::from(*step)));
    let unfinished = record.steps_done.len() < record.header.steps.len();
    if record.halted.is_some() {
        String::from("Nothing was judged: the run was stopped first.")
    } else if let Some(step) = last.filter(|step| unfinished && step.stop_on_failure) {
        format!(
            "Nothing was judged: the run ended at the step `{}`, which failed. Levels were not tested.",
            step.name
        )
    } else if record.header.sheets.iter().any(|sheet| sheet.role == SheetRole::Settings) {
        String::from("Nothing was judged.")
    } else {
        String::from("Nothing was judged: no limits were given.")
    }
}

/// Whether the record has a required check.
fn judged(record: &Record) -> bool {
    record.checks().any(|check| check.role == Role::Required)
}

fn cautions(judged: bool) -> Markup {
    html! {
        p.note {
            "Results relate only to the items tested, as received. Not a calibration certificate. tripbench measures and records; it is not a safety device"
            @if judged { ", and a PASS does not release a machine, a lifting device or a guard" }
            ". Electrical and pneumatic work, lock-out, guarding and return to service belong to qualified and, where required, licensed people under "
            "the codes that apply where you are."
        }
    }
}
