//! The chart: vacuum over time with the tolerance band of each level, and a lane for each digital signal.

use maud::{Markup, html};
use tripbench_quantity::{LevelStyle, VacuumLevel};
use tripbench_record::{CheckVerdict, QuantityName, Record, Role, Trace};
use tripbench_rig::{Bit, Decoder, DigitalInput, RigSheet, Scan};

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
pub fn chart_svg(record: &Record, trace: &Trace, rig: &RigSheet, style: LevelStyle) -> Markup {
    let decoder = Decoder::new(trace.plan.clone());
    let level =
        |scan: &Scan| decoder.level(scan, rig).ok().map(|read| (read.span.middle_seconds(), read.value.si()));
    let points: Vec<(f64, f64)> = trace.scans.iter().filter_map(level).collect();
    let Some(&(last_s, _)) = points.last() else {
        return html! { p class="note" { "No scans were recorded." } };
    };
    let deepest = points.iter().map(|(_, level)| *level).fold(10e3, f64::max);
    let frame = Frame { seconds: last_s.max(0.1), deepest_pa: (deepest / 10e3).ceil() * 10e3 };
    let lanes = lanes(record, rig);
    let tops: Vec<f64> = (0..=lanes.len())
        .scan(TOP + PLOT_HEIGHT + 24.0, |y, _| Some(std::mem::replace(y, *y + LANE)))
        .collect();
    let height = tops.last().copied().unwrap_or(TOP + PLOT_HEIGHT) + 6.0;
    html! {
        svg class="chart" viewBox={"0 0 " (WIDTH) " " (height)} width="100%" role="img" font-family="sans-serif" font-size="10"
            aria-label="Vacuum over time with tolerance bands and digital signals" {
            (grid(&frame, style))
            (bands(record, &frame))
            (crosses(record, &frame))
            (curve(&points, &frame))
            (thrown(record, &frame))
            @for ((name, input), top) in lanes.iter().zip(&tops) {
                (lane(&decoder, trace, &frame, (name, input, *top)))
            }
        }
    }
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

/// A coordinate, to a tenth of a pixel.
fn px(value: f64) -> String {
    format!("{value:.1}")
}

/// Multiples of a step from 0 to an end.
fn steps(step: f64, end: f64) -> impl Iterator<Item = f64> {
    std::iter::successors(Some(0.0), move |at| Some(at + step)).take_while(move |at| *at <= end)
}

fn grid(frame: &Frame, style: LevelStyle) -> Markup {
    let bottom = TOP + PLOT_HEIGHT;
    let every_s = [1.0, 2.0, 5.0, 10.0, 20.0, 60.0, 120.0]
        .into_iter()
        .find(|step| frame.seconds / step <= 12.0)
        .unwrap_or(300.0);
    html! {
        @for level in steps(level_step(frame.deepest_pa, style), frame.deepest_pa + 1.0) {
            @let y = frame.y(level);
            path d={"M" (LEFT) " " (px(y)) "H" (px(WIDTH - RIGHT))} stroke="#ddd" stroke-width="0.5" {}
            text x=(LEFT - 6.0) y=(px(y + 3.5)) text-anchor="end" fill="#333" { (style.number(VacuumLevel::new(level))) }
        }
        text x=(LEFT - 6.0) y="11" text-anchor="end" fill="#333" { (style.unit.symbol()) ", deeper ↑" }
        @for seconds in steps(every_s, frame.seconds) {
            @let x = px(frame.x(seconds));
            path d={"M" (x) " " (px(bottom)) "v4"} stroke="#333" stroke-width="0.75" {}
            text x=(x) y=(px(bottom + 14.0)) text-anchor="middle" fill="#333" { (format!("{seconds:.0} s")) }
        }
    }
}

/// Whether the limits of a quantity are drawn as a band: one per level, without widened repetitions.
const fn has_band(quantity: QuantityName) -> bool {
    matches!(
        quantity,
        QuantityName::SwitchPoint | QuantityName::ResetPoint | QuantityName::CutOff | QuantityName::Resume
    )
}

/// Limits of each level as a grey band with edge lines, readable without colour.
fn bands(record: &Record, frame: &Frame) -> Markup {
    let mut drawn: Vec<QuantityName> = Vec::new();
    let required = record.checks().filter(|check| check.role == Role::Required && has_band(check.quantity));
    let bands = required.filter_map(|check| {
        let (low, high) = check.limits.and_then(|limits| Some((limits.low?, limits.high?)))?;
        let first = !drawn.contains(&check.quantity);
        drawn.push(check.quantity);
        first.then(|| (check.quantity, frame.y(high), frame.y(low)))
    });
    html! {
        @for (quantity, top, bottom) in bands {
            rect x=(LEFT) y=(px(top)) width=(WIDTH - RIGHT - LEFT) height=(px(bottom - top)) fill="#e8e8e8" stroke="#999"
                stroke-width="0.4" {}
            text x=(WIDTH - RIGHT - 3.0) y=(px(f64::midpoint(top, bottom) + 3.0)) text-anchor="end" fill="#333" font-size="9" {
                (crate::quantity_name(quantity))
            }
        }
    }
}

/// Crosses at the crossings of failed checks, each with its position.
fn crosses(record: &Record, frame: &Frame) -> Markup {
    let failed =
        record.checks().filter(|check| check.role == Role::Required && check.verdict == CheckVerdict::Fail);
    let crossings = failed.flat_map(|check| {
        let position = check.position.unwrap_or(0);
        check.crossings.iter().map(move |crossing| (position, crossing.earliest_s, crossing.low_pa))
    });
    html! {
        @for (position, seconds, pascal) in crossings {
            @let (x, y) = (frame.x(seconds), frame.y(pascal));
            path d={"M" (px(x - 3.0)) " " (px(y - 3.0)) "l6 6m0 -6l-6 6"} stroke="#b00020" stroke-width="1.5" {}
            text x=(px(x + 5.0)) y=(px(y + 3.0)) fill="#8c0d1b" font-size="8" { (position) }
        }
    }
}

fn curve(points: &[(f64, f64)], frame: &Frame) -> Markup {
    let every = points.len().div_ceil(1_500).max(1);
    let points = points.iter().step_by(every).map(|(seconds, level)| (frame.x(*seconds), frame.y(*level)));
    let place = |(index, (x, y)): (usize, (f64, f64))| {
        let command = if index == 0 { 'M' } else { 'L' };
        format!("{command}{x:.1} {y:.1}")
    };
    let path: String = points.enumerate().map(place).collect();
    html! { path d=(path) fill="none" stroke="#111" stroke-width="1.1" {} }
}

/// Frames around the stretches that were discarded and repeated.
fn thrown(record: &Record, frame: &Frame) -> Markup {
    html! {
        @for stretch in &record.thrown {
            @let (from, to) = (frame.x(stretch.from.seconds()), frame.x(stretch.to.seconds()));
            rect x=(px(from)) y=(TOP) width=(px((to - from).max(1.0))) height=(PLOT_HEIGHT) fill="none" stroke="#666"
                stroke-dasharray="3 3" {}
            text x=(px(from + 3.0)) y=(px(TOP + 10.0)) fill="#333" font-size="9" { "repeated" }
        }
    }
}

/// A signal over time, with its name; `top` is the upper edge of its lane.
fn lane(
    decoder: &Decoder,
    trace: &Trace,
    frame: &Frame,
    (name, input, top): (&str, &DigitalInput, f64),
) -> Markup {
    let (high, low) = (top + 3.0, top + LANE - 4.0);
    let mut last: Option<bool> = None;
    let change = |bit: Bit| {
        let (x, y) = (frame.x(bit.span.middle_seconds()), if bit.on { high } else { low });
        match last.replace(bit.on) {
            None => Some(format!("M{x:.1} {y:.1}")),
            Some(before) if before != bit.on => Some(format!("H{x:.1}V{y:.1}")),
            Some(_) => None,
        }
    };
    let changes: String =
        trace.scans.iter().filter_map(|scan| decoder.bit(scan, input)).filter_map(change).collect();
    html! {
        text x=(LEFT - 6.0) y=(px(low)) text-anchor="end" fill="#333" { (name) }
        path d={(changes) "H" (px(frame.x(frame.seconds)))} fill="none" stroke="#111" stroke-width="1" {}
    }
}
