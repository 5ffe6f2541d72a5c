//! The link: scans, orders that are read back, and the way back to safe after a doubt.

use crate::clock::Clock;
use crate::latch::StopLatch;
use crate::transport::Transport;
use std::time::Duration;
use tripbench_quantity::{Mono, Span};
use tripbench_rig::{
    Block, Command, Doubt, Identification, Order, OutputImage, Query, ReadBack, ReadPlan, Response, RigSheet,
    Scan,
};

/// Times that a link keeps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LinkTimes {
    /// Longest time after which something that was sent can still act.
    pub slowest_answer: Duration,
    /// How often outputs are looked at while safe has to last.
    pub look: Duration,
}

/// Which guards are kept. Everything, but in a test that shows what a guard is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Discipline {
    /// Every guard.
    Kept,
    /// Safe counts as soon as it is read back, even after a doubt.
    SafeAtFirstSight,
}

/// A link to one rig's module.
#[derive(Debug)]
pub struct Link<T> {
    transport: T,
    clock: Clock,
    latch: StopLatch,
    times: LinkTimes,
    discipline: Discipline,
    safe: OutputImage,
    /// Unit identifier of every read that gives none.
    unit: u8,
    /// Moment of the last doubt; until it is worked off, nothing but safe goes out.
    doubt_at: Option<Mono>,
}

impl<T: Transport> Link<T> {
    /// A link over a wire. It is in doubt until safe has been confirmed: what ran before is not known.
    pub fn new(transport: T, clock: Clock, latch: StopLatch, rig: &RigSheet) -> Self {
        let times =
            LinkTimes { slowest_answer: rig.link.slowest_answer.duration(), look: Duration::from_millis(20) };
        let safe = rig.image_of(Order::Safe);
        let doubt_at = Some(clock.now());
        let unit = *rig.link.unit;
        Self { transport, clock, latch, times, discipline: Discipline::Kept, safe, unit, doubt_at }
    }

    /// The same link without a guard, for a test that shows what the guard is for.
    #[must_use]
    pub fn with_discipline(self, discipline: Discipline) -> Self {
        Self { discipline, ..self }
    }

    /// One transaction with its stamps. Any doubt but a refusal puts the link in doubt.
    ///
    /// # Errors
    /// As [`Transport::transact`]; also if a quantity is outside the standard's limits.
    pub async fn transact(&mut self, query: &Query) -> Result<(Response, Span), Doubt> {
        if !query.request.is_legal() {
            return Err(Doubt::Refused(3));
        }
        let before = self.clock.now();
        // In doubt while it is under way: a dropped future leaves the doubt behind.
        let earlier = self.doubt_at.replace(before);
        let answer = self.transport.transact(query, &self.clock).await;
        let after = self.clock.now();
        match answer {
            Ok((response, span)) if query.request.fits(&response) => {
                self.doubt_at = earlier;
                Ok((response, span))
            }
            Ok(_) => self.doubted(after, Doubt::Short),
            Err(Doubt::Refused(code)) => {
                self.doubt_at = earlier;
                Err(Doubt::Refused(code))
            }
            Err(doubt) => self.doubted(after, doubt),
        }
    }

    /// Whether something that was sent may still act; then nothing but safe goes out.
    pub const fn is_in_doubt(&self) -> bool {
        self.doubt_at.is_some()
    }

    /// What the rig's unit says it is; `None` if it does not know the function. Before the first order: anything but a
    /// valid answer or a refusal puts the link in doubt, as after any other request.
    ///
    /// # Errors
    /// As [`Transport::identify`], but for a refusal.
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

    /// One round of reads.
    ///
    /// # Errors
    /// The doubt of the first read that has one.
    pub async fn scan(&mut self, plan: &ReadPlan) -> Result<Scan, Doubt> {
        let mut blocks = Vec::with_capacity(plan.reads.len());
        for read in &plan.reads {
            // A stop goes between two reads, not after the round.
            if self.latch.is_set() {
                return Err(Doubt::Stopped);
            }
            let (response, span) = self.transact(&read.query(self.unit)).await?;
            let Response::Values(words) = response else { return self.doubted(span.after, Doubt::Foreign) };
            blocks.push(Block { span, words });
        }
        Ok(Scan { blocks })
    }

    /// Carries out a command and reads the outputs back.
    ///
    /// # Errors
    /// If it is too late for it, the stop latch is set, the link is in doubt, or the outputs read back differ. Safe is never
    /// refused.
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
        // Nobody looked at it in time: the module was not asked.
        if command.not_after.is_some_and(|latest| self.clock.now() > latest) {
            return Err(Doubt::Gap);
        }
        if let Order::Silent(milliseconds) = command.order {
            return self.keep_silent(Duration::from_millis(milliseconds.into()), rig).await;
        }
        let image = rig.image_of(command.order);
        let before = self.clock.now();
        for write in rig.writes(&image) {
            // Looked at again before each write: stop counts from the moment that it is set.
            if self.latch.is_set() {
                return Err(Doubt::Stopped);
            }
            self.transact(&write).await?;
        }
        // What was written is read back, unless somebody stops: then safe is what matters.
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

    /// Sends nothing for a time, then reads the outputs as the module left them. A stop ends it at once.
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

    /// Writes safe, reads it back, and looks that it lasts for as long as something sent before could still act: somebody
    /// else may write too. After a doubt safe is written once more when nothing sent before can act any more.
    ///
    /// # Errors
    /// If the module does not answer, or safe does not last.
    pub async fn make_safe(&mut self, rig: &RigSheet) -> Result<ReadBack, Doubt> {
        let before = self.clock.now();
        let doubt_at = self.doubt_at;
        // At once, whatever comes later.
        self.write_safe(rig).await?;
        if self.discipline == Discipline::Kept {
            if let Some(doubt_at) = doubt_at {
                // Kept until safe has lasted: a failure on the way leaves the link in doubt.
                self.doubt_at = Some(doubt_at);
                self.clock.sleep_until(doubt_at + self.times.slowest_answer).await;
                self.write_safe(rig).await?;
            }
            self.outlast(rig).await?;
        }
        self.doubt_at = None;
        Ok(ReadBack { outputs: self.safe.clone(), span: Span { before, after: self.clock.now() } })
    }

    /// Every write goes out, even when one before it was refused or not answered; the first doubt is told afterwards.
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

    /// Looks at the outputs until they were safe for as long as something old could still act.
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
