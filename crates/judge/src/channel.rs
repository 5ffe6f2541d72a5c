//! Channels: decoded stretches of the trace, with the reference corrected by zero and calibration.

use std::cell::{OnceCell, RefCell};
use std::ops::Range;
use tripbench_measure::{Sample, distinct, mean, standard_deviation};
use tripbench_quantity::Span;
use tripbench_record::{Mark, Segment, Task, Trace};
use tripbench_rig::{
    Bit, Decoder, DigitalInput, EdgeCounter, Output, OutputImage, OutputName, ReferenceKind, RegisterInput,
    Scan,
};

/// The mean of the vented reference, with its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Zero {
    /// Mean reading, pascal.
    pub(crate) offset_pa: f64,
    /// Standard uncertainty of that mean, pascal.
    pub(crate) uncertainty_pa: f64,
    /// Middle of the stretch, seconds.
    pub(crate) at_s: f64,
    /// Standard deviation of a reading, pascal.
    pub(crate) spread_pa: f64,
    /// Number of readings.
    pub(crate) count: usize,
}

/// A view of a task's trace.
#[derive(Debug)]
pub(crate) struct Channels<'t> {
    pub(crate) task: &'t Task,
    trace: &'t Trace,
    decoder: Decoder,
    resolution_pa: f64,
    /// What was decoded, in chunks of [`CHUNK`] scans. Only the chunks that a step needs are decoded, so that a step costs the same after
    /// an hour; each only once, because every output needs it.
    decoded: Vec<OnceCell<Vec<Decoded>>>,
    /// Stretches in which no valve was switched, as far as they were found, seconds.
    valves_stand: RefCell<Vec<[f64; 2]>>,
}

/// Number of scans that are decoded at once.
const CHUNK: usize = 512;

/// What a scan contains.
#[derive(Debug, Clone, Copy)]
struct Decoded {
    /// Whether its blocks match the read plan.
    accepted: bool,
    /// The reference as read.
    read: Option<Sample>,
}

impl<'t> Channels<'t> {
    pub(crate) fn new(task: &'t Task, trace: &'t Trace) -> Self {
        let input = &task.sheets.rig.reference.input;
        let mut channels = Self {
            task,
            trace,
            decoder: Decoder::new(trace.plan.clone()),
            resolution_pa: input.resolution(),
            decoded: vec![OnceCell::new(); trace.scans.len().div_ceil(CHUNK)],
            valves_stand: RefCell::default(),
        };
        if input.step_unknown() {
            channels.resolution_pa = channels.resolution_pa.max(channels.smallest_step_pa());
        }
        channels
    }

    /// Smallest difference between two readings of the run, pascal: the step of a converter behind a floating-point value.
    fn smallest_step_pa(&self) -> f64 {
        /// Most readings examined.
        const MOST: usize = 5_000;
        let mut all: Vec<f64> = self
            .decoded(0..self.trace.scans.len())
            .filter_map(|decoded| decoded.read)
            .map(|sample| sample.level_pa)
            .take(MOST)
            .collect();
        all.sort_by(f64::total_cmp);
        let floor = self.task.sheets.rig.reference.input.resolution();
        let steps = all.windows(2).map(|pair| pair[1] - pair[0]).filter(|step| *step > floor);
        steps.reduce(f64::min).unwrap_or(0.0)
    }

    /// Scans of a marked stretch whose blocks match the read plan.
    pub(crate) fn scans(&self, mark: &Mark) -> impl Iterator<Item = &'t Scan> + '_ {
        let range = self.trace.range(mark.from, mark.to);
        let scans = self.trace.scans[range.clone()].iter().zip(self.decoded(range));
        scans.filter(|(_, decoded)| decoded.accepted).map(|(scan, _)| scan)
    }

    /// Samples for a fit, without repeated values. With a slow converter, a value is placed where it was new, between two reads; one
    /// that lasts longer comes from a coarse converter and is placed at the middle of its time.
    pub(crate) fn fitted(&self, samples: &[Sample]) -> Vec<Sample> {
        /// A value that lasts for more conversions than this moves by less than a count. Judgement of this project.
        const RESTS: f64 = 1.5;
        if !conversions_show(self.task) {
            return distinct(samples);
        }
        let longest_s = RESTS * self.task.sheets.rig.module.converter.si();
        let runs: Vec<&[Sample]> =
            samples.chunk_by(|a, b| a.level_pa.total_cmp(&b.level_pa).is_eq()).collect();
        let sample = |pair: &[&[Sample]]| {
            let (before, first, last) = (pair[0].last()?, pair[1].first()?, pair[1].last()?);
            let rests = last.t_s - first.t_s > longest_s;
            let other_s = if rests { last.t_s } else { before.t_s };
            Some(Sample { t_s: f64::midpoint(first.t_s, other_s), ..*first })
        };
        runs.windows(2).filter_map(sample).collect()
    }

    /// What the scans of a range of the trace contain.
    fn decoded(&self, range: Range<usize>) -> impl Iterator<Item = Decoded> + '_ {
        range.map(|index| {
            let chunk = self.decoded[index / CHUNK].get_or_init(|| self.decode(index / CHUNK));
            chunk[index % CHUNK]
        })
    }

    /// Decodes a chunk. A reading is half a conversion old on average, unless the trace shows when it was converted.
    fn decode(&self, chunk: usize) -> Vec<Decoded> {
        let converter_s = self.task.sheets.rig.module.converter.si();
        let age_s = if conversions_show(self.task) { 0.0 } else { converter_s / 2.0 };
        let read = |scan: &Scan| {
            let level = self.decoder.level(scan, &self.task.sheets.rig).ok()?;
            Some(Sample { t_s: level.span.middle_seconds() - age_s, level_pa: level.value.si() })
        };
        let scans = self.trace.scans.iter().skip(chunk * CHUNK).take(CHUNK);
        let decoded = scans.map(|scan| {
            let accepted = self.decoder.accepts(scan);
            Decoded { accepted, read: accepted.then(|| read(scan)).flatten() }
        });
        decoded.collect()
    }

    /// Stretch around a moment in which no valve of the rig was switched, seconds: from the first scan that shows the valves in this
    /// state to the last. Searches outwards from that moment.
    pub(crate) fn valves_stand(&self, at_s: f64) -> [f64; 2] {
        let inside = |[from_s, to_s]: &[f64; 2]| (*from_s..=*to_s).contains(&at_s);
        if let Some(known) = self.valves_stand.borrow().iter().find(|known| inside(known)) {
            return *known;
        }
        let found = self.find_valves_stand(at_s);
        self.valves_stand.borrow_mut().push(found);
        found
    }

    /// A regulator's set point is left out, because it changes throughout a ramp.
    fn find_valves_stand(&self, at_s: f64) -> [f64; 2] {
        use OutputName as O;
        let valves = |output: &&Output| {
            matches!(output.name, O::Evacuate | O::EvacuateFine | O::Bleed | O::Vent | O::HandOver)
        };
        let valves: Vec<&Output> = self.task.sheets.rig.outputs.iter().filter(valves).collect();
        let same = |one: &Scan, two: &Scan| {
            valves.iter().all(|output| self.output(one, output) == self.output(two, output))
        };
        let scans = &self.trace.scans;
        let split = scans.partition_point(|scan| scan.end().seconds() <= at_s);
        let accepted = |index: &usize| self.decoded(*index..index + 1).any(|decoded| decoded.accepted);
        let mut back = (0..split).rev().filter(accepted).map(|index| &scans[index]);
        let newest = back.next();
        let (mut from_s, mut first) = (f64::NEG_INFINITY, newest);
        for before in back {
            if first.is_some_and(|first| !same(before, first)) {
                from_s = first.map_or(from_s, |first| first.end().seconds());
                break;
            }
            first = Some(before);
        }
        let mut last = newest;
        for after in (split..scans.len()).filter(accepted).map(|index| &scans[index]) {
            if let Some(last) = last.filter(|last| !same(last, after)) {
                return [from_s, last.start().seconds()];
            }
            last = Some(after);
        }
        [from_s, f64::INFINITY]
    }

    /// Reference samples of a stretch as read, in time order.
    pub(crate) fn raw_samples(&self, mark: &Mark) -> Vec<Sample> {
        self.decoded(self.trace.range(mark.from, mark.to)).filter_map(|decoded| decoded.read).collect()
    }

    /// The same, corrected by the zero and the calibration line.
    pub(crate) fn samples(&self, mark: &Mark, zero: Zero) -> Vec<Sample> {
        let calibration = &self.task.sheets.rig.reference.calibration;
        let correct = |sample: Sample| Sample {
            level_pa: calibration.corrected_pa(sample.level_pa - zero.offset_pa),
            ..sample
        };
        self.raw_samples(mark).into_iter().map(correct).collect()
    }

    /// States of a digital input over a stretch.
    pub(crate) fn bits(&self, mark: &Mark, input: &DigitalInput) -> Vec<Bit> {
        self.decoder.bits(self.scans(mark), input)
    }

    /// State of a digital input in one scan.
    pub(crate) fn bit(&self, scan: &Scan, input: &DigitalInput) -> Option<Bit> {
        self.decoder.bit(scan, input)
    }

    /// The state of a digital input in a scan, looked up once for many scans.
    pub(crate) fn state<'s>(&self, input: &'s DigitalInput) -> impl Fn(&Scan) -> Option<bool> + use<'s> {
        self.decoder.state(input)
    }

    /// An unsigned register value in one scan, and the span of its read.
    pub(crate) fn count(&self, scan: &Scan, input: &RegisterInput) -> Option<(u64, Span)> {
        self.decoder.count(scan, input)
    }

    /// One output as read back in one scan.
    pub(crate) fn output(&self, scan: &Scan, output: &Output) -> Option<u16> {
        self.decoder.output(scan, output)
    }

    /// The outputs as read back in one scan, in the order of the rig sheet.
    pub(crate) fn outputs(&self, scan: &Scan) -> Option<OutputImage> {
        self.decoder.outputs(scan, &self.task.sheets.rig)
    }

    /// Edges that the module counted over a stretch; `None` for fewer than two readings of the counter.
    pub(crate) fn counted(&self, mark: &Mark, counter: &EdgeCounter) -> Option<u64> {
        let mut counts = self.scans(mark).filter_map(|scan| self.decoder.count(scan, &counter.register));
        let (first, _) = counts.next()?;
        let (last, _) = counts.last()?;
        Some(last.wrapping_sub(first) % counter.register.modulus())
    }

    /// Whether a counter advanced in the scans around a change.
    pub(crate) fn counts_around(&self, mark: &Mark, counter: &EdgeCounter, change: &Change) -> bool {
        let counts: Vec<(u64, Span)> =
            self.scans(mark).filter_map(|scan| self.decoder.count(scan, &counter.register)).collect();
        let before = counts.iter().rposition(|(_, span)| span.before <= change.last_old.before).unwrap_or(0);
        let after = counts.iter().position(|(_, span)| span.before >= change.first_new.before);
        let (from, to) = (before.saturating_sub(1), after.map_or(counts.len(), |after| after + 2));
        let around = counts.get(from..to.min(counts.len())).unwrap_or_default();
        around.first().zip(around.last()).is_some_and(|(first, last)| first.0 != last.0)
    }

    /// The mean of the vented reference over a mark; `None` for fewer than two readings.
    pub(crate) fn zero(&self, mark: &Mark) -> Option<Zero> {
        const FEW: usize = 10;
        let levels: Vec<f64> = self.raw_samples(mark).iter().map(|sample| sample.level_pa).collect();
        let (mean, spread) = (mean(&levels)?, standard_deviation(&levels)?);
        #[expect(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
        let count = levels.len() as f64;
        // The scatter of a few readings says little about the noise, so it is at least the declared one.
        let declared_pa = self.task.sheets.rig.reference.noise.si();
        let noise_pa = if levels.len() < FEW { spread.max(declared_pa) } else { spread };
        let floor = self.resolution_pa() / 12f64.sqrt();
        let at_s = f64::midpoint(mark.from.seconds(), mark.to.seconds());
        Some(Zero {
            offset_pa: mean,
            uncertainty_pa: (noise_pa / count.sqrt()).hypot(floor),
            at_s,
            spread_pa: spread,
            count: levels.len(),
        })
    }

    /// Whether a gauge reference read an end stop of its converter within a stretch: levels beyond it are cut off.
    pub(crate) fn at_a_stop(&self, mark: &Mark) -> bool {
        let input = &self.task.sheets.rig.reference.input;
        let half = input.resolution() / 2.0;
        let stops: Vec<f64> = input.stops().into_iter().map(|count| input.value(count).si()).collect();
        let gauge = self.task.sheets.rig.reference.kind == ReferenceKind::Gauge;
        let at = |level: f64| stops.iter().any(|stop| (level - stop).abs() <= half);
        gauge && self.raw_samples(mark).iter().any(|sample| at(sample.level_pa))
    }

    /// Smallest step of the reference, pascal: as declared, or as the readings show.
    pub(crate) const fn resolution_pa(&self) -> f64 {
        self.resolution_pa
    }
}

/// Marks of a step whose segment is wanted.
pub(crate) fn marks_of(marks: &[Mark], step: u16, wanted: impl Fn(Segment) -> bool) -> Vec<Mark> {
    marks.iter().filter(|mark| mark.step == step && wanted(mark.segment)).copied().collect()
}

/// The latest vented stretch of any step before `step`.
pub(crate) fn zero_before(marks: &[Mark], step: u16) -> Option<&Mark> {
    marks.iter().rev().find(|mark| mark.step < step && mark.segment == Segment::Vented)
}

/// A change of a signal, between the read of the old state and the read of the new.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Change {
    /// Read with the old state.
    pub(crate) last_old: Span,
    /// Read with the new state.
    pub(crate) first_new: Span,
    /// The new state.
    pub(crate) on: bool,
}

/// Whether each conversion of the reference is read several times, so that the trace shows when it was new.
pub(crate) fn conversions_show(task: &Task) -> bool {
    let rig = &task.sheets.rig;
    rig.module.converter.si() >= 2.0 * rig.scan_time().si()
}

/// Largest deviation of a reading's age from its mean, seconds: half of the time between two conversions, or between two reads where
/// these show which reading is new. It is about constant within a ramp and differs between ramps.
pub(crate) fn age_half_s(task: &Task) -> f64 {
    let rig = &task.sheets.rig;
    if conversions_show(task) { rig.scan_time().si() / 2.0 } else { rig.module.converter.si() / 2.0 }
}

/// Every change of a signal.
pub(crate) fn changes(bits: &[Bit]) -> Vec<Change> {
    let pairs = bits.windows(2).filter(|pair| pair[0].on != pair[1].on);
    pairs.map(|pair| Change { last_old: pair[0].span, first_new: pair[1].span, on: pair[1].on }).collect()
}

#[cfg(test)]
mod tests;
