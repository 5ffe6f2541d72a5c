//! The link: scans, orders with read-back, and the return to safe after a doubt.

use crate::clock::Clock;
use crate::latch::StopLatch;
use crate::transport::Transport;
use std::time::Duration;
use tripbench_quantity::{Mono, Span};
use tripbench_rig::{
    Block, Command, Doubt, Identification, Order, OutputImage, Query, ReadBack, ReadPlan, Response, RigSheet,
    Scan,
};

/// Times kept by a link.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LinkTimes {
    /// Longest time after which a request can still take effect.
    pub slowest_answer: Duration,
    /// Interval between two reads of the outputs while safe must last.
    pub look: Duration,
}

/// The guards that a link keeps: all of them, except in a test that shows why one matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Discipline {
    /// Every guard.
    Kept,
    /// Safe counts as confirmed as soon as it is read back, even after a doubt.
    SafeAtFirstSight,
}

/// Exceptions by which a gateway says that it did not reach the module (application protocol V1.1b3, clause 7).
const NOT_THE_MODULE: [u8; 2] = [0x0A, 0x0B];

/// A link to the module of a rig.
#[derive(Debug)]
pub struct Link<T> {
    transport: T,
    clock: Clock,
    latch: StopLatch,
    times: LinkTimes,
    discipline: Discipline,
    safe: OutputImage,
    /// Unit identifier for reads without one.
    unit: u8,
    /// Time of the last doubt. Until safe has been confirmed, only safe is sent.
    doubt_at: Option<Mono>,
    /// Whether the module has answered a request.
    answered: bool,
}

impl<T: Transport> Link<T> {
    /// A link over a wire. It is in doubt until safe has been confirmed, because the state of the module is unknown.
    pub fn new(transport: T, clock: Clock, latch: StopLatch, rig: &RigSheet) -> Self {
        let times =
            LinkTimes { slowest_answer: rig.link.slowest_answer.duration(), look: Duration::from_millis(20) };
        let safe = rig.image_of(Order::Safe);
        let doubt_at = Some(clock.now());
        let unit = *rig.link.unit;
        Self {
            transport,
            clock,
            latch,
            times,
            discipline: Discipline::Kept,
            safe,
            unit,
            doubt_at,
            answered: false,
        }
    }

    /// Replaces the discipline, for a test that shows why a guard matters.
    #[must_use]
    pub fn with_discipline(self, discipline: Discipline) -> Self {
        Self { discipline, ..self }
    }

    /// Performs one transaction, with its time stamps. Any doubt but a refusal puts the link in doubt.
    ///
    /// # Errors
    /// As [`Transport::transact`]; a refusal also if a quantity exceeds the limits of the standard.
    pub async fn transact(&mut self, query: &Query) -> Result<(Response, Span), Doubt> {
        if !query.request.is_legal() {
            return Err(Doubt::Refused(3));
        }
        let before = self.clock.now();
        // In doubt during the transaction, so that a dropped future leaves the link in doubt.
        let earlier = self.doubt_at.replace(before);
        let answer = self.transport.transact(query, &self.clock).await;
        let after = self.clock.now();
        match answer {
            Ok((response, span)) if query.request.fits(&response) => {
                (self.doubt_at, self.answered) = (earlier, true);
                Ok((response, span))
            }
            Ok(_) => self.doubted(after, Doubt::Short),
            Err(Doubt::Refused(code)) => {
                self.doubt_at = earlier;
                self.answered |= !NOT_THE_MODULE.contains(&code);
                Err(Doubt::Refused(code))
            }
            Err(doubt) => self.doubted(after, doubt),
        }
    }

    /// Whether the module has given a valid answer, or has refused a request. An answer that does not belong to its request does not count,
    /// nor does the refusal of a gateway that did not reach the module.
    pub const fn has_answered(&self) -> bool {
        self.answered
    }

    /// Whether an earlier request may still take effect. If so, only safe is sent.
    pub const fn is_in_doubt(&self) -> bool {
        self.doubt_at.is_some()
    }

    /// Identification of the unit of the rig; `None` if it gives none or does not support the function. Any doubt but a refusal puts the
    /// link in doubt, so this is called before the first order.
    ///
    /// # Errors
    /// As [`Transport::identify`], except that a refusal is no error.
    pub async fn identify(&mut self) -> Result<Option<Identification>, Doubt> {
        let before = self.clock.now();
        let earlier = self.doubt_at.replace(before);
        let said = self.transport.identify(self.unit, &self.clock).await;
        match said {
            Ok(objects) => {
                self.doubt_at = earlier;
                Ok(Identification::of(&objects))
            }
            Err(Doubt::Refused(_)) => {
                self.doubt_at = earlier;
                Ok(None)
            }
            Err(doubt) => self.doubted(self.clock.now(), doubt),
        }
    }

    fn doubted<R>(&mut self, at: Mono, doubt: Doubt) -> Result<R, Doubt> {
        self.doubt_at = Some(at);
        Err(doubt)
    }

    /// Performs all reads of a plan once.
    ///
    /// # Errors
    /// The doubt of the first read that fails; [`Doubt::Stopped`] if the stop latch is set.
    pub async fn scan(&mut self, plan: &ReadPlan) -> Result<Scan, Doubt> {
        let mut blocks = Vec::with_capacity(plan.reads.len());
        for read in &plan.reads {
            // A stop takes effect between two reads, not after the scan.
            if self.latch.is_set() {
                return Err(Doubt::Stopped);
            }
            let (response, span) = self.transact(&read.query(self.unit)).await?;
            let Response::Values(words) = response else { return self.doubted(span.after, Doubt::Foreign) };
            blocks.push(Block { span, words });
        }
        Ok(Scan { blocks: blocks.into() })
    }

    /// Carries out a command and reads the outputs back.
    ///
    /// # Errors
    /// If its deadline has passed, the stop latch is set, the link is in doubt, a transaction fails, or the outputs read back differ. Safe
    /// is always attempted.
    pub async fn carry_out(&mut self, command: &Command, rig: &RigSheet) -> Result<ReadBack, Doubt> {
        if command.order == Order::Safe {
            return self.make_safe(rig).await;
        }
        if self.latch.is_set() {
            return Err(Doubt::Stopped);
        }
        if self.doubt_at.is_some() {
            return Err(Doubt::Late);
        }
        // This computer was too late; nothing has been sent to the module.
        if command.not_after.is_some_and(|latest| self.clock.now() > latest) {
            return Err(Doubt::Gap);
        }
        if let Order::Silent(milliseconds) = command.order {
            return self.keep_silent(Duration::from_millis(milliseconds.into()), rig).await;
        }
        let image = rig.image_of(command.order);
        let before = self.clock.now();
        for write in rig.writes(&image) {
            // Checked again before each write: a stop takes effect at once.
            if self.latch.is_set() {
                return Err(Doubt::Stopped);
            }
            self.transact(&write).await?;
        }
        // The outputs are read back unless a stop intervenes; then safe comes first.
        if self.latch.is_set() {
            return Err(Doubt::Stopped);
        }
        let outputs = self.read_outputs(rig).await?;
        let after = self.clock.now();
        if outputs == image {
            Ok(ReadBack { outputs, span: Span { before, after } })
        } else {
            self.doubted(after, Doubt::OutputsDiffer)
        }
    }

    /// Sends nothing for a time, then reads the outputs. A stop ends the silence at once.
    async fn keep_silent(&mut self, time: Duration, rig: &RigSheet) -> Result<ReadBack, Doubt> {
        let before = self.clock.now();
        while self.clock.now() < before + time {
            if self.latch.is_set() {
                return Err(Doubt::Stopped);
            }
            let next = self.clock.now() + self.times.look;
            self.clock.sleep_until(next.min(before + time)).await;
        }
        let outputs = self.read_outputs(rig).await?;
        Ok(ReadBack { outputs, span: Span { before, after: self.clock.now() } })
    }

    /// Writes safe, reads it back, and checks that it lasts for as long as an earlier request could still take effect, because another
    /// master may write too. After a doubt, safe is written again once no earlier request can take effect.
    ///
    /// # Errors
    /// If a transaction fails, or safe does not last.
    pub async fn make_safe(&mut self, rig: &RigSheet) -> Result<ReadBack, Doubt> {
        let before = self.clock.now();
        let doubt_at = self.doubt_at;
        // First at once.
        self.write_safe(rig).await?;
        if self.discipline == Discipline::Kept {
            if let Some(doubt_at) = doubt_at {
                // Kept until safe has lasted, so that a failure leaves the link in doubt.
                self.doubt_at = Some(doubt_at);
                self.clock.sleep_until(doubt_at + self.times.slowest_answer).await;
                self.write_safe(rig).await?;
            }
            self.outlast(rig).await?;
        }
        self.doubt_at = None;
        Ok(ReadBack { outputs: self.safe.clone(), span: Span { before, after: self.clock.now() } })
    }

    /// Writes safe and reads it back. Every write is sent, even if an earlier one failed; returns the first doubt afterwards.
    async fn write_safe(&mut self, rig: &RigSheet) -> Result<(), Doubt> {
        let mut first = Ok(());
        for write in rig.writes(&self.safe.clone()) {
            let written = self.transact(&write).await.map(|_| ());
            first = first.and(written);
        }
        first?;
        let outputs = self.read_outputs(rig).await?;
        if outputs == self.safe { Ok(()) } else { self.doubted(self.clock.now(), Doubt::OutputsDiffer) }
    }

    /// Reads the outputs repeatedly until they have been safe for as long as an earlier request could still take effect.
    async fn outlast(&mut self, rig: &RigSheet) -> Result<(), Doubt> {
        let until = self.clock.now() + self.times.slowest_answer;
        while self.clock.now() < until {
            self.clock.sleep(self.times.look).await;
            if self.read_outputs(rig).await? != self.safe {
                return self.doubted(self.clock.now(), Doubt::OutputsDiffer);
            }
        }
        Ok(())
    }

    async fn read_outputs(&mut self, rig: &RigSheet) -> Result<OutputImage, Doubt> {
        let mut answers = Vec::new();
        for read in rig.output_reads() {
            let (response, span) = self.transact(&read).await?;
            let Response::Values(words) = response else { return self.doubted(span.after, Doubt::Foreign) };
            answers.push(words);
        }
        rig.outputs_read(&answers).map_or_else(|| self.doubted(self.clock.now(), Doubt::Short), Ok)
    }
}

#[cfg(test)]
mod tests;
