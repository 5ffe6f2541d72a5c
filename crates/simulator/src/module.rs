//! The simulated module: its responses to requests at any time.

use crate::bench::{STEP_S, SimulatedBench};
use crate::encode::{count_words, raw_bit, registers};
use tripbench_quantity::{Mono, Quantity};
use tripbench_rig::{
    AnalogInput, Area, DigitalInput, Edges, Exception, Guide, OutputName, PointAddress, Query, RegisterInput,
    Request, Response, VirtualModule,
};

impl SimulatedBench {
    /// Units of the rig sheet; no other unit answers.
    pub fn units(&self) -> &[u8] {
        &self.units
    }

    /// Records edges of the inputs that the module counts or stamps.
    pub(crate) fn note_edges(&mut self) {
        let now_s = self.time_s();
        self.lines.note(&self.devices, now_s, self.truth.module.input_filter_s);
    }

    /// Fills in the values of all requested addresses that the rig sheet defines.
    fn fill(&mut self, at_s: f64, image: &mut Image) {
        self.reads += 1;
        for (output, driven) in self.rig.outputs.iter().zip(&self.outputs) {
            let on = output.on.filter(|_| driven.word != 0);
            image.put_shifted(output.at.value, on.unwrap_or(driven.word));
        }
        let instant = self.rig.module.converter.si() < STEP_S;
        let reference = if instant && !self.reference_frozen {
            self.reading(self.reference_at(at_s), self.reads)
        } else {
            self.converted_at(at_s)
        };
        image.put_analog(&self.rig.reference.input, reference);
        if let Some(input) = &self.rig.air_pressure {
            let pressure =
                if at_s >= self.air_back_s { self.truth.air.pressure.si() } else { self.air_pressure_pa };
            image.put_analog(input, pressure);
        }
        if let Some(input) = &self.rig.ambient {
            image.put_analog(input, self.plant.ambient_pa);
        }
        let seen_s = self.seen_s(at_s);
        for line in &self.lines.0 {
            image.put_bit(&line.input, || {
                if line.is_looped() { self.looped_at(seen_s) } else { line.state_at(&self.devices, seen_s) }
            });
            if let Some(counter) = &line.input.counter {
                let count = if counter.edges == Edges::Both { line.both } else { line.rising };
                image.put_count(&counter.register, count);
            }
            if let Some(capture) = &line.input.capture {
                image.put_count(capture, self.ticks(line.edge_s));
            }
        }
        if let Some(clock) = &self.rig.module.clock {
            image.put_count(&clock.register, self.ticks(at_s));
        }
    }

    /// Time whose state the digital inputs show, delayed by image age and filter, in seconds.
    fn seen_s(&self, at_s: f64) -> f64 {
        let module = &self.truth.module;
        let image_s =
            if module.image_s > 0.0 { (at_s / module.image_s).floor() * module.image_s } else { at_s };
        (image_s - module.input_filter_s).min(self.inputs_frozen_s)
    }

    /// State of the output `loop` at a time since its change before last.
    fn looped_at(&self, at_s: f64) -> bool {
        let mut outputs = self.rig.outputs.iter().zip(&self.outputs);
        let looped = outputs.find(|(output, _)| output.name == OutputName::Loop);
        looped.is_some_and(|(_, driven)| driven.at(at_s) != 0)
    }

    /// Count of the module's clock, which started 60 s before the bench.
    fn ticks(&self, at_s: f64) -> u64 {
        const BEFORE_S: f64 = 60.0;
        let tick_s = self.rig.module.clock.as_ref().map_or(1e-3, |clock| clock.tick.si());
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "positive and far below 2^53"
        )]
        let ticks = ((at_s + BEFORE_S).max(0.0) / tick_s) as u64;
        ticks
    }

    /// Writes words from `start` on; refused if any address is not an output, or takes only two words and is given another.
    fn write(
        &mut self,
        at_s: f64,
        (unit, area, start): (u8, Area, u16),
        words: &[u16],
    ) -> Result<Response, Exception> {
        let own = *self.rig.link.unit;
        let offset = |at: &PointAddress| {
            let offset = usize::from(at.number.checked_sub(start)?);
            (at.unit.unwrap_or(own) == unit && at.area == area && offset < words.len()).then_some(offset)
        };
        let offsets: Vec<Option<usize>> = self.rig.outputs.iter().map(|output| offset(&output.at)).collect();
        if !(0..words.len()).all(|offset| offsets.contains(&Some(offset))) {
            return Err(Exception::ILLEGAL_DATA_ADDRESS);
        }
        let mut written = Vec::with_capacity(offsets.len());
        for (output, offset) in self.rig.outputs.iter().zip(offsets) {
            let word = offset.map(|offset| words[offset]);
            written.push(match (word, output.on) {
                (Some(word), Some(on)) if word == 0 || word == on => Some(u16::from(word != 0)),
                (Some(_), Some(_)) => return Err(Exception::ILLEGAL_DATA_VALUE),
                (word, None) => word.map(|word| output.at.bit.map_or(word, |bit| word >> bit & 1)),
                (None, Some(_)) => None,
            });
        }
        self.set_outputs(at_s, written.into_iter());
        Ok(Response::Written)
    }
}

impl VirtualModule for SimulatedBench {
    fn guided(&mut self, at: Mono, guide: Guide) {
        self.hand.tell(at.seconds(), guide);
    }

    fn answer(&mut self, at: Mono, query: &Query) -> Result<Response, Exception> {
        let at_s = at.seconds();
        self.advance_to(at_s);
        self.last_request_s = at_s;
        if !self.units.contains(&query.unit) {
            return Err(Exception::NO_SUCH_UNIT);
        }
        if !query.request.is_legal() {
            return Err(Exception::ILLEGAL_DATA_VALUE);
        }
        match &query.request {
            Request::Read { area, start, count } => {
                self.reference_reads += u64::from(*area == self.rig.reference.input.at.area);
                let own = *self.rig.link.unit;
                let unit = Some(query.unit).filter(|unit| *unit != own);
                let mut image = Image::of(unit, *area, (*start, *count));
                self.fill(at_s, &mut image);
                image.words().map(Response::Values).ok_or(Exception::ILLEGAL_DATA_ADDRESS)
            }
            Request::WriteCoils { start, states } => {
                let words: Vec<u16> = states.iter().map(|state| u16::from(*state)).collect();
                self.write(at_s, (query.unit, Area::Coil, *start), &words)
            }
            Request::WriteRegisters { start, values } => {
                self.write(at_s, (query.unit, Area::HoldingRegister, *start), values)
            }
            Request::WriteCoil { at, state } => {
                self.write(at_s, (query.unit, Area::Coil, *at), &[u16::from(*state)])
            }
            Request::WriteRegister { at, value } => {
                self.write(at_s, (query.unit, Area::HoldingRegister, *at), &[*value])
            }
        }
    }
}

/// The words of one read, of which the module has those that are put in.
struct Image {
    unit: Option<u8>,
    area: Area,
    start: u16,
    words: Vec<u16>,
    /// A bit for each word, set where the module has it. A read is of at most 2,000 words.
    there: [u64; 32],
    /// Number of words that the module has.
    count: usize,
}

impl Image {
    fn of(unit: Option<u8>, area: Area, (start, count): (u16, u16)) -> Self {
        Self { unit, area, start, words: vec![0; usize::from(count)], there: [0; 32], count: 0 }
    }

    /// The words; `None` if the module lacks one of them.
    fn words(self) -> Option<Vec<u16>> {
        (self.count == self.words.len()).then_some(self.words)
    }

    /// A word that the module has; `None` if it is not of this read.
    fn word(&mut self, at: PointAddress) -> Option<&mut u16> {
        let offset = usize::from(self.offset(at)?);
        let (bits, bit) = (&mut self.there[offset / 64], 1 << (offset % 64));
        self.count += usize::from(*bits & bit == 0);
        *bits |= bit;
        self.words.get_mut(offset)
    }

    fn offset(&self, at: PointAddress) -> Option<u16> {
        let offset = at.number.checked_sub(self.start)?;
        let here = (at.unit, at.area) == (self.unit, self.area);
        (here && usize::from(offset) < self.words.len()).then_some(offset)
    }

    fn put_shifted(&mut self, at: PointAddress, word: u16) {
        if let Some(place) = self.word(at) {
            *place |= word << at.bit.unwrap_or(0);
        }
    }

    fn put_words(&mut self, at: PointAddress, words: Vec<u16>) {
        for (offset, word) in (0..).zip(words) {
            if let Some(place) = self.word(PointAddress { number: at.number.saturating_add(offset), ..at }) {
                *place = word;
            }
        }
    }

    fn put_analog<Q: Quantity>(&mut self, input: &AnalogInput<Q>, si: f64) {
        // Checked first because encoding is the most expensive part.
        if (input.at.unit, input.at.area) == (self.unit, self.area) {
            self.put_words(input.at.value, registers(input, si));
        }
    }

    fn put_count(&mut self, input: &RegisterInput, count: u64) {
        self.put_words(input.at.value, count_words(input, count));
    }

    fn put_bit(&mut self, input: &DigitalInput, on: impl Fn() -> bool) {
        if self.offset(input.at.value).is_some() {
            self.put_shifted(input.at.value, u16::from(raw_bit(input, on())));
        }
    }
}
