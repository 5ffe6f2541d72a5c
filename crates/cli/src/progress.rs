//! Progress of a run: a bar with step, level, rate and time left on a terminal; a line for each step elsewhere.

use crate::say;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::IsTerminal;
use tripbench_quantity::{LevelRate, LevelStyle, VacuumLevel};
use tripbench_record::{CheckVerdict, Event, EventKind, Halt, RunView};
use tripbench_report::{quantity_name, value_text};
use tripbench_rig::{Decoder, Doubt, Guide, Hint, RigSheet};
use tripbench_sheet::shown_in_line;

/// Shows a run from its events.
pub(crate) struct Progress {
    rig: RigSheet,
    decoder: Decoder,
    style: LevelStyle,
    bar: Option<ProgressBar>,
    /// Time (seconds) and level (pascal) of recent scans, for the rate.
    recent: Vec<(f64, f64)>,
    drawn_s: f64,
    /// Whether the run ended with a doubt about the module, so that the state of the outputs is unknown until they are confirmed safe.
    doubted: bool,
}

impl Progress {
    pub(crate) fn new(rig: &RigSheet, style: LevelStyle) -> Self {
        let bar = std::io::stderr().is_terminal().then(|| {
            let bar = ProgressBar::with_draw_target(Some(1_000), ProgressDrawTarget::stderr_with_hz(10));
            let template = ProgressStyle::with_template("  {prefix:<14} [{bar:20}] {msg}");
            bar.set_style(template.unwrap_or_else(|_| ProgressStyle::default_bar()).progress_chars("=> "));
            bar
        });
        Self {
            rig: rig.clone(),
            decoder: Decoder::new(rig.read_plan()),
            style,
            bar,
            recent: Vec::new(),
            drawn_s: 0.0,
            doubted: false,
        }
    }

    /// Shows an event that has already been folded into the view.
    pub(crate) fn show(&mut self, event: &Event, view: &RunView) {
        match &event.kind {
            EventKind::Scan(scan) => {
                if let Ok(read) = self.decoder.level(scan, &self.rig) {
                    self.recent.push((read.span.middle_seconds(), read.value.si()));
                    let from = self.recent.len().saturating_sub(60);
                    self.recent.drain(..from);
                }
                if event.at.seconds() - self.drawn_s > 0.1 {
                    self.drawn_s = event.at.seconds();
                    self.draw(view);
                }
            }
            EventKind::StepDone(index) => self.step_done(*index, view),
            EventKind::Waiting(why) => self.line(&format!("  waiting        {why}; valves in safe state")),
            // On a rig with valves the line of the wait says it already.
            EventKind::Thrown(thrown) if self.rig.by_hand() => {
                self.line(&format!(
                    "  AGAIN          {}: this part does not count and is repeated",
                    thrown.why
                ));
            }
            EventKind::GoesOn => self.line("  continues      the interrupted part is repeated"),
            EventKind::SetAside(aside) => {
                let level = self.style.level(aside.level);
                self.line(&format!(
                    "  SET ASIDE      position {} at {:.1} s, {level}: {}",
                    aside.position,
                    aside.at.seconds(),
                    aside.why
                ));
            }
            EventKind::Halted(halt) => {
                self.clear();
                self.line(&format!("  STOPPED        {halt}"));
                self.doubted = matches!(halt, Halt::Doubt(_));
                if self.doubted {
                    self.line(
                        "  NOT CONFIRMED  The outputs are not confirmed safe. If this lasts, shut off air and power by hand.",
                    );
                }
            }
            EventKind::Safe if self.doubted => self.line("  safe           the outputs, read back"),
            // Said once; every further try to make the rig safe finds the same.
            EventKind::Doubt(doubt @ Doubt::OtherDevice)
                if view.doubts.iter().filter(|known| *known == doubt).count() == 1 =>
            {
                self.clear();
                self.line(&format!("  OTHER DEVICE   {doubt}"));
            }
            EventKind::Guide(guide) => self.guide(*guide),
            EventKind::Asked { text, .. } => self.line(&format!("  QUESTION       {text} (yes/no)")),
            EventKind::Ended { .. } => self.clear(),
            EventKind::Started(_)
            | EventKind::StepBegan(_)
            | EventKind::Cycle(..)
            | EventKind::Mark(_)
            | EventKind::Thrown(_)
            | EventKind::Ordered { .. }
            | EventKind::Confirmed { .. }
            | EventKind::Answered { .. }
            | EventKind::AnswerRefused(_)
            | EventKind::Doubt(_)
            | EventKind::Check(_)
            | EventKind::Safe
            | EventKind::NotSafe
            | EventKind::Verdict { .. }
            | EventKind::Recovered { .. } => {}
        }
    }

    /// Prints what the operator of a rig without valves has to do now; on a terminal, hints about the rate appear only on the bar.
    fn guide(&self, guide: Guide) {
        if self.bar.is_none() || !matches!(guide.hint, Hint::Slower | Hint::Faster | Hint::Steady) {
            self.line(&format!("  BY HAND        {}", self.instruction(guide)));
        }
    }

    fn instruction(&self, guide: Guide) -> String {
        let word = match guide.hint {
            Hint::Deeper => "PULL VACUUM",
            Hint::LessDeep => "LET AIR IN slowly",
            Hint::Hold => "HOLD: close everything, keep it closed",
            Hint::LetIn => "OPEN to ambient",
            Hint::Slower => "SLOWER",
            Hint::Faster => "FASTER",
            Hint::Steady => "good rate",
        };
        let toward =
            guide.toward.map_or_else(String::new, |level| format!(" to {}", self.style.level(level)));
        let rate = guide.rate.map_or_else(String::new, |rate| {
            format!(" at {}", self.style.rate(rate).trim_start_matches('+'))
        });
        format!("{word}{toward}{rate}")
    }

    fn clear(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }

    fn line(&self, text: &str) {
        match &self.bar {
            Some(bar) => bar.suspend(|| say::note(text)),
            None => say::note(text),
        }
    }

    /// Prints a step's line: its name, and the conditions found.
    fn step_done(&self, index: u16, view: &RunView) {
        let Some(step) = view.header.as_ref().and_then(|header| header.steps.get(usize::from(index))) else {
            return;
        };
        let found = view.checks.iter().filter(|check| check.step == index && check.position.is_none());
        let text: Vec<String> = found
            .map(|check| {
                let value = check.measured.as_ref().map_or_else(
                    // Without a figure, the word alone.
                    || String::from(if check.verdict == CheckVerdict::Met { " met" } else { "" }),
                    |measured| format!(" {}", value_text(check, measured.value, self.style)),
                );
                let limit = check.limits.and_then(|limits| limits.high).map_or_else(String::new, |high| {
                    format!(" (limit {})", value_text(check, high, self.style))
                });
                let doubt = match check.verdict {
                    CheckVerdict::NotMet | CheckVerdict::Fail => " NOT MET",
                    CheckVerdict::Undecided => " undecided",
                    CheckVerdict::Met | CheckVerdict::Pass | CheckVerdict::Measured => "",
                };
                format!("{}{value}{limit}{doubt}", quantity_name(check.quantity))
            })
            .collect();
        self.line(&format!("  {:<14} done  {}", step.name, text.join(" · ")));
    }

    fn draw(&self, view: &RunView) {
        let Some(bar) = &self.bar else { return };
        let progress = view.progress();
        let step = progress.step.and_then(|index| view.header.as_ref()?.steps.get(usize::from(index)));
        bar.set_prefix(
            step.map_or_else(|| String::from("starting"), |step| shown_in_line(&step.name).into_owned()),
        );
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share of 1000")]
        bar.set_position((progress.share * 1_000.0) as u64);
        let level = self.recent.last().map_or(0.0, |(_, level)| *level);
        let cycle = view.cycle.map_or_else(String::new, |(cycle, of)| format!("cycle {cycle}/{of}   "));
        let left = progress.left.si().round();
        let left = format!("{:.0}:{:02.0} left", (left / 60.0).floor(), left % 60.0);
        let figures = format!(
            "{cycle}{}   {}",
            self.style.level(VacuumLevel::new(level)),
            self.style.rate(self.rate())
        );
        // A person decides the pace, not the clock: the instruction comes first, and no time left is shown.
        bar.set_message(match view.guide {
            Some(guide) => format!("{}   {figures}", self.instruction(guide)),
            None => format!("{figures}   {left}"),
        });
    }

    /// Rate over the recent scans.
    fn rate(&self) -> LevelRate {
        match (self.recent.first(), self.recent.last()) {
            (Some(first), Some(last)) if last.0 - first.0 > 0.02 => {
                LevelRate::new((last.1 - first.1) / (last.0 - first.0))
            }
            _ => LevelRate::ZERO,
        }
    }
}
