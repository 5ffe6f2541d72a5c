//! The time of an edge: between two reads, or closer where the module stamps it with its own clock.

use crate::channel::{Change, Channels};
use tripbench_measure::{Bracket, bracket};
use tripbench_quantity::Span;
use tripbench_record::Mark;
use tripbench_rig::{Bit, DigitalInput, ModuleClock, RegisterInput};

/// Largest relative error of a module's clock: twice the 50 ppm of a common crystal, from memory.
const LARGEST_DRIFT: f64 = 1e-4;

/// The interval in which an edge lies. With a stamp it is the intersection of the intervals from stamp and reads; `None` if these
/// contradict each other, or the stamp was not read.
pub(crate) fn edge(
    channels: &Channels<'_>,
    mark: &Mark,
    input: &DigitalInput,
    change: &Change,
) -> Option<Bracket> {
    let module = &channels.task.sheets.rig.module;
    let by_reads = bracket(change.last_old, change.first_new, module.input_filter, module.image_age);
    let (Some(capture), Some(clock)) = (&input.capture, &module.clock) else { return Some(by_reads) };
    let stamped = by_stamp(channels, mark, (input, capture), clock, change)?;
    // Like the state, the stamp is taken after the input filter, but it does not pass through the image.
    let filter_s = module.input_filter.si();
    let both = Bracket {
        earliest_s: by_reads.earliest_s.max(stamped.earliest_s - filter_s),
        latest_s: by_reads.latest_s.min(stamped.latest_s - filter_s),
    };
    (both.earliest_s <= both.latest_s).then_some(both)
}

/// A reading of the module's clock: ticks, continued across overflows, and the span of the read.
#[derive(Debug, Clone, Copy)]
struct Reading {
    ticks: f64,
    span: Span,
}

/// The edge from its stamp, on the clock of the run. Every reading of the module's clock in the stretch bounds the offset between the
/// two clocks.
fn by_stamp(
    channels: &Channels<'_>,
    mark: &Mark,
    (input, capture): (&DigitalInput, &RegisterInput),
    clock: &ModuleClock,
    change: &Change,
) -> Option<Bracket> {
    let tick_s = clock.tick.si();
    let modulus = capture.modulus();
    let mut readings: Vec<Reading> = Vec::new();
    let (mut last, mut ticks) = (None, 0.0);
    let mut stamped: Option<f64> = None;
    for scan in channels.scans(mark) {
        let (count, span) = channels.count(scan, &clock.register)?;
        let gone = last.map_or(0, |last| count.wrapping_sub(last) % modulus);
        last = Some(count);
        ticks += whole(gone);
        readings.push(Reading { ticks, span });
        let (stamp, read) = channels.count(scan, capture)?;
        // The first scan whose stamp was surely read after the new state.
        let after = read.before >= change.first_new.before && span.before >= change.first_new.before;
        let still: Option<Bit> = channels.bit(scan, input);
        if stamped.is_none() && after && still.is_some_and(|bit| bit.on == change.on) {
            stamped = Some(ticks - whole(count.wrapping_sub(stamp) % modulus));
        }
    }
    let stamp = stamped?;
    // Start of that tick on the clock of the run, bounded by each reading: tick n lasts from n to n + 1.
    let (mut earliest_s, mut latest_s) = (f64::NEG_INFINITY, f64::INFINITY);
    for reading in &readings {
        let away_s = (reading.ticks - stamp) * tick_s;
        let drift_s = away_s.abs() * LARGEST_DRIFT;
        earliest_s = earliest_s.max(reading.span.before.seconds() - away_s - tick_s - drift_s);
        latest_s = latest_s.min(reading.span.after.seconds() - away_s + drift_s);
    }
    Some(Bracket { earliest_s, latest_s: latest_s + tick_s })
}

#[expect(clippy::cast_precision_loss, reason = "a module's counter has 32 bits at most")]
const fn whole(count: u64) -> f64 {
    count as f64
}

#[cfg(test)]
mod tests;
