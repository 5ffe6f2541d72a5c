//! The chart: vacuum over time with the tolerance band of each level, and a lane for each digital signal.

use std::fmt::Write;
use tripbench_quantity::LevelStyle;
use tripbench_record::{CheckVerdict, QuantityName, Record, Role, Trace};
use tripbench_rig::{Decoder, DigitalInput, RigSheet, Scan};

const WIDTH: f64 = 720.0;
const LEFT: f64 = 92.0;
const RIGHT: f64 = 12.0;
const PLOT_HEIGHT: f64 = 220.0;
const TOP: f64 = 18.0;
const LANE: f64 = 15.0;
/// Largest number of lanes: two for each of four positions.
const MOST_LANES: usize = 8;

/// Scales of the chart.
struct Frame {
    seconds: f64,
    deepest_pa: f64,
}

impl Frame {
    fn x(&self, seconds: f64) -> f64 {
        LEFT + (WIDTH - LEFT - RIGHT) * (seconds / self.seconds).clamp(0.0, 1.0)
    }

    /// Deeper levels are drawn higher.
    fn y(&self, pascal: f64) -> f64 {
        TOP + PLOT_HEIGHT * (1.0 - (pascal / self.deepest_pa).clamp(0.0, 1.0))
    }
}

/// The chart as SVG.
pub fn chart_svg(record: &Record, trace: &Trace, rig: &RigSheet, style: LevelStyle) -> String {
    let decoder = Decoder::new(trace.plan.clone());
    let level =
        |scan: &Scan| decoder.level(scan, rig).ok().map(|read| (read.span.middle_seconds(), read.value.si()));
    let points: Vec<(f64, f64)> = trace.scans.iter().filter_map(level).collect();
    let Some(&(last_s, _)) = points.last() else {
        return String::from("<p class=\"note\">No scans were recorded.</p>");
    };
    let deepest = points.iter().map(|(_, level)| *level).fold(10e3, f64::max);
    let frame = Frame { seconds: last_s.max(0.1), deepest_pa: (deepest / 10e3).ceil() * 10e3 };
    let lanes = lanes(record, rig);
    #[expect(clippy::cast_precision_loss, reason = "at most eight")]
    let height = TOP + PLOT_HEIGHT + 24.0 + LANE * lanes.len() as f64 + 6.0;
    let mut svg = format!(
        "<svg class=\"chart\" viewBox=\"0 0 {WIDTH} {height}\" width=\"100%\" role=\"img\" font-family=\"sans-serif\" font-size=\"10\" \
         aria-label=\"Vacuum over time with tolerance bands and digital signals\">"
    );
    svg.push_str(&grid(&frame, style));
    svg.push_str(&bands(record, &frame));
    svg.push_str(&curve(&points, &frame));
    svg.push_str(&thrown(record, &frame));
    for (index, (name, input)) in lanes.iter().enumerate() {
        #[expect(clippy::cast_precision_loss, reason = "at most eight")]
        let y = TOP + PLOT_HEIGHT + 24.0 + LANE * index as f64;
        svg.push_str(&lane(&decoder, trace, &frame, (name, input, y)));
    }
    svg.push_str("</svg>");
    svg
}

/// The lanes of all positions if there are at most four, else of those that did not pass.
fn lanes<'r>(record: &Record, rig: &'r RigSheet) -> Vec<(String, &'r DigitalInput)> {
    let all = record.positions.len() <= 4;
    let shown =
        record.positions.iter().filter(|position| all || position.verdict != tripbench_record::Verdict::Pass);
    let of = |number: u8| {
        rig.position(number).into_iter().flat_map(move |position| {
            let valve = position.valve.as_ref().map(|valve| (format!("{number} valve"), valve));
            std::iter::once((format!("{number} output"), &position.switch)).chain(valve)
        })
    };
    shown.flat_map(|position| of(position.number)).take(MOST_LANES).collect()
}

/// Distance of the grid lines, pascal: a round number in the unit of the site, with at most ten intervals.
fn level_step(deepest_pa: f64, style: LevelStyle) -> f64 {
    let unit = style.unit.pascal();
    let decades = (0..9).map(|power| 10_f64.powi(power - 3));
    let steps = decades.flat_map(|decade| [1.0, 2.0, 5.0].map(|digit| digit * decade * unit));
    steps.into_iter().find(|step| deepest_pa / step <= 10.0).unwrap_or(deepest_pa)
}

fn grid(frame: &Frame, style: LevelStyle) -> String {
    let mut svg = String::new();
    let (mut level, step) = (0.0, level_step(frame.deepest_pa, style));
    while level <= frame.deepest_pa + 1.0 {
        let y = frame.y(level);
        let number = style.number(tripbench_quantity::VacuumLevel::new(level));
        push(
            &mut svg,
            format_args!(
                "<path d=\"M{LEFT} {y:.1}H{:.1}\" stroke=\"#ddd\" stroke-width=\"0.5\"/>",
                WIDTH - RIGHT
            ),
        );
        push(
            &mut svg,
            format_args!(
                "<text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\" fill=\"#333\">{number}</text>",
                LEFT - 6.0,
                y + 3.5
            ),
        );
        level += step;
    }
    push(
        &mut svg,
        format_args!(
            "<text x=\"{}\" y=\"11\" text-anchor=\"end\" fill=\"#333\">{}, deeper ↑</text>",
            LEFT - 6.0,
            style.unit.symbol()
        ),
    );
    let step = [1.0, 2.0, 5.0, 10.0, 20.0, 60.0, 120.0]
        .into_iter()
        .find(|step| frame.seconds / step <= 12.0)
        .unwrap_or(300.0);
    let mut seconds = 0.0;
    while seconds <= frame.seconds {
        let (x, y) = (frame.x(seconds), TOP + PLOT_HEIGHT);
        push(&mut svg, format_args!("<path d=\"M{x:.1} {y:.1}v4\" stroke=\"#333\" stroke-width=\"0.75\"/>"));
        push(
            &mut svg,
            format_args!(
                "<text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\" fill=\"#333\">{seconds:.0} s</text>",
                y + 14.0
            ),
        );
        seconds += step;
    }
    svg
}

/// Whether the limits of a quantity are drawn as a band: one per level, without widened repetitions.
const fn has_band(quantity: QuantityName) -> bool {
    matches!(
        quantity,
        QuantityName::SwitchPoint | QuantityName::ResetPoint | QuantityName::CutOff | QuantityName::Resume
    )
}

/// Limits of each level as a grey band with edge lines, readable without colour; crosses at the crossings of failed checks.
fn bands(record: &Record, frame: &Frame) -> String {
    let mut drawn: Vec<QuantityName> = Vec::new();
    let mut svg = String::new();
    for check in record.checks().filter(|check| check.role == Role::Required && has_band(check.quantity)) {
        let Some((low, high)) = check.limits.and_then(|limits| Some((limits.low?, limits.high?))) else {
            continue;
        };
        if drawn.contains(&check.quantity) {
            continue;
        }
        drawn.push(check.quantity);
        let (top, bottom) = (frame.y(high), frame.y(low));
        let width = WIDTH - RIGHT - LEFT;
        push(
            &mut svg,
            format_args!(
                "<rect x=\"{LEFT}\" y=\"{top:.1}\" width=\"{width}\" height=\"{:.1}\" fill=\"#e8e8e8\" stroke=\"#999\" stroke-width=\"0.4\"/>",
                bottom - top
            ),
        );
        push(
            &mut svg,
            format_args!(
                "<text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\" fill=\"#333\" font-size=\"9\">{}</text>",
                WIDTH - RIGHT - 3.0,
                f64::midpoint(top, bottom) + 3.0,
                crate::quantity_name(check.quantity)
            ),
        );
    }
    for check in
        record.checks().filter(|check| check.role == Role::Required && check.verdict == CheckVerdict::Fail)
    {
        for crossing in &check.crossings {
            let (x, y) = (frame.x(crossing.earliest_s), frame.y(crossing.low_pa));
            push(
                &mut svg,
                format_args!(
                    "<path d=\"M{:.1} {:.1}l6 6m0 -6l-6 6\" stroke=\"#b00020\" stroke-width=\"1.5\"/>\
                     <text x=\"{:.1}\" y=\"{:.1}\" fill=\"#8c0d1b\" font-size=\"8\">{}</text>",
                    x - 3.0,
                    y - 3.0,
                    x + 5.0,
                    y + 3.0,
                    check.position.unwrap_or(0)
                ),
            );
        }
    }
    svg
}

fn curve(points: &[(f64, f64)], frame: &Frame) -> String {
    let every = points.len().div_ceil(1_500).max(1);
    let mut path = String::new();
    for (index, (seconds, level)) in points.iter().step_by(every).enumerate() {
        let command = if index == 0 { 'M' } else { 'L' };
        push(&mut path, format_args!("{command}{:.1} {:.1}", frame.x(*seconds), frame.y(*level)));
    }
    format!("<path d=\"{path}\" fill=\"none\" stroke=\"#111\" stroke-width=\"1.1\"/>")
}

/// Frames around the stretches that were discarded and repeated.
fn thrown(record: &Record, frame: &Frame) -> String {
    let mut svg = String::new();
    for stretch in &record.thrown {
        let (from, to) = (frame.x(stretch.from.seconds()), frame.x(stretch.to.seconds()));
        push(
            &mut svg,
            format_args!(
                "<rect x=\"{from:.1}\" y=\"{TOP}\" width=\"{:.1}\" height=\"{PLOT_HEIGHT}\" fill=\"none\" stroke=\"#666\" stroke-dasharray=\"3 3\"/>\
             <text x=\"{:.1}\" y=\"{:.1}\" fill=\"#333\" font-size=\"9\">repeated</text>",
                (to - from).max(1.0),
                from + 3.0,
                TOP + 10.0
            ),
        );
    }
    svg
}

fn lane(
    decoder: &Decoder,
    trace: &Trace,
    frame: &Frame,
    (name, input, y): (&str, &DigitalInput, f64),
) -> String {
    let mut path = String::new();
    let (high, low) = (y + 3.0, y + LANE - 4.0);
    let mut last: Option<bool> = None;
    for bit in trace.scans.iter().filter_map(|scan| decoder.bit(scan, input)) {
        let x = frame.x(bit.span.middle_seconds());
        let line = if bit.on { high } else { low };
        match last {
            None => push(&mut path, format_args!("M{x:.1} {line:.1}")),
            Some(before) if before != bit.on => push(&mut path, format_args!("H{x:.1}V{line:.1}")),
            Some(_) => {}
        }
        last = Some(bit.on);
    }
    push(&mut path, format_args!("H{:.1}", frame.x(frame.seconds)));
    format!(
        "<text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\" fill=\"#333\">{name}</text><path d=\"{path}\" fill=\"none\" stroke=\"#111\" stroke-width=\"1\"/>",
        LEFT - 6.0,
        y + LANE - 4.0
    )
}

fn push(text: &mut String, arguments: std::fmt::Arguments<'_>) {
    let _fits_in_memory = text.write_fmt(arguments);
}
