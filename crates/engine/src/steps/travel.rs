//! Moving the air from one level to another, in each way that a rig offers.

use super::{longest, until};
use crate::bench::{Bench, Break};
use crate::state::Seen;
use std::collections::VecDeque;
use std::time::Duration;
use tripbench_judge::{TURN_OVER_NOISE, TURN_SEEN_OVER_S, turned_pa};
use tripbench_quantity::{LevelRate, Mono, TimeSpan, VacuumLevel};
use tripbench_record::{Halt, Motion};
use tripbench_rig::{Air, Guide, Hint};

/// Target level and direction.
#[derive(Debug, Clone, Copy)]
pub(super) struct Aim {
    /// The level.
    pub(super) to: VacuumLevel,
    /// Whether it is deeper than the present level.
    pub(super) deeper: bool,
    /// Share by which the first pulse is longer, so that the pulses of one cycle end between those of another.
    pub(super) shift: f64,
}

/// Moves the air until `enough`, which is called with every scan that the step sees.
pub(super) async fn travel(
    bench: &Bench,
    motion: Motion,
    aim: Aim,
    enough: impl FnMut(&Seen) -> bool,
) -> Result<Seen, Break> {
    match motion {
        Motion::FullFlow | Motion::Throttled => {
            let air = motion.air(aim.deeper);
            if !bench.is_on(air) {
                bench.air(air).await?;
            }
            until(bench, air, aim.to, enough).await
        }
        Motion::Regulated { rate } => regulated(bench, rate, aim, enough).await,
        Motion::Pulses { air, pulse, settle } => pulses(bench, air, (pulse, settle), aim, enough).await,
        Motion::ByHand { rate } => by_hand(bench, rate, aim, enough).await,
    }
}

/// Moves the set point ahead of the level at the planned rate, in steps far shorter than the regulator's time constant.
async fn regulated(
    bench: &Bench,
    rate: LevelRate,
    aim: Aim,
    mut enough: impl FnMut(&Seen) -> bool,
) -> Result<Seen, Break> {
    const STEP: Duration = Duration::from_millis(50);
    let start = bench.scan().await?;
    let begun = bench.now();
    let [least, most] = bench.set_points(aim.to, rate);
    let limit =
        begun + longest(bench, Air::full_flow(aim.deeper), start.level, aim.to) + time_at(rate, &start, aim);
    let mut next = begun;
    loop {
        if bench.now() >= next {
            let gone = rate.si() * (bench.now().since(begun) + STEP).as_secs_f64();
            let wanted = start.level.si() + if aim.deeper { gone } else { -gone };
            bench.regulate(VacuumLevel::new(wanted.clamp(least, most))).await?;
            next = bench.now() + STEP;
        }
        let seen = bench.scan().await?;
        if enough(&seen) {
            return Ok(seen);
        }
        if bench.now() > limit {
            return Err(Halt::NotReached {
                wanted: aim.to,
                reached: seen.level,
                air: Air::full_flow(aim.deeper),
            }
            .into());
        }
    }
}

/// Twice the time that the distance takes at its rate.
fn time_at(rate: LevelRate, start: &Seen, aim: Aim) -> Duration {
    Duration::from_secs_f64(2.0 * (aim.to.si() - start.level.si()).abs() / rate.si().max(1.0))
}

/// One pulse after the other, each followed by a wait until every device has responded.
async fn pulses(
    bench: &Bench,
    air: Air,
    (pulse, settle): (TimeSpan, TimeSpan),
    aim: Aim,
    mut enough: impl FnMut(&Seen) -> bool,
) -> Result<Seen, Break> {
    /// Pulses after which the level must have moved.
    const MOVES_WITHIN: u32 = 100;
    let mut length = pulse.duration().mul_f64(1.0 + aim.shift);
    let (mut before, mut idle) = (bench.scan().await?, 0_u32);
    loop {
        bench.air(air).await?;
        bench.sleep(length).await?;
        bench.air(Air::Hold).await?;
        length = pulse.duration();
        let settled = bench.now() + settle.duration();
        let mut seen = bench.scan().await?;
        loop {
            if enough(&seen) {
                return Ok(seen);
            }
            if bench.now() >= settled {
                break;
            }
            seen = bench.scan().await?;
        }
        let gained = if aim.deeper { seen.level > before.level } else { seen.level < before.level };
        idle = if gained { 0 } else { idle + 1 };
        if idle >= MOVES_WITHIN {
            return Err(Halt::NotReached { wanted: aim.to, reached: seen.level, air }.into());
        }
        if gained {
            before = seen;
        }
    }
}

/// Guides a person who moves the air at a rate. If the level goes back on the way, the motion is thrown away and repeated.
async fn by_hand(
    bench: &Bench,
    rate: LevelRate,
    aim: Aim,
    mut enough: impl FnMut(&Seen) -> bool,
) -> Result<Seen, Break> {
    /// Time for a person to react to the instruction.
    const REACTION: Duration = Duration::from_mins(1);
    let toward = Some(aim.to);
    let tell = |hint| bench.guide(Guide { hint, toward, rate: Some(rate) });
    tell(if aim.deeper { Hint::Deeper } else { Hint::LessDeep });
    let start = bench.scan().await?;
    let limit = bench.now() + REACTION + time_at(rate, &start, aim).mul_f64(2.0);
    let (mut recent, mut told) = (Recent::default(), bench.now());
    let mut farthest_pa = start.level.si();
    let (noise_pa, back_pa) = {
        let sheets = &bench.state.borrow().task.sheets;
        (sheets.rig.reference.noise.si(), turned_pa(sheets))
    };
    loop {
        let seen = bench.scan().await?;
        if enough(&seen) {
            return Ok(seen);
        }
        recent.take(&seen);
        let sign = if aim.deeper { 1.0 } else { -1.0 };
        let Some((level_pa, share)) = recent.mean() else { continue };
        if (level_pa - farthest_pa) * sign > 0.0 {
            farthest_pa = level_pa;
        } else if (farthest_pa - level_pa) * sign > back_pa + TURN_OVER_NOISE * noise_pa * share
            && moved(&start, farthest_pa, sign)
        {
            return Err(Break::Again(String::from("the level went back")));
        }
        if bench.now() > limit {
            return Err(Halt::NotReached {
                wanted: aim.to,
                reached: seen.level,
                air: Air::full_flow(aim.deeper),
            }
            .into());
        }
        if let Some(now_rate) = recent.rate().filter(|_| bench.now().since(told) > Recent::LONG) {
            let onward = if aim.deeper { Hint::Deeper } else { Hint::LessDeep };
            tell(hint(now_rate * sign, rate.si(), onward));
            told = bench.now();
        }
    }
}

/// Whether a level has clearly started to move: before that, air from the step before may still be settling.
fn moved(start: &Seen, farthest_pa: f64, sign: f64) -> bool {
    (farthest_pa - start.level.si()) * sign > 1_000.0
}

/// What to change; `onward` is the right direction, for a hand that moves the wrong way.
fn hint(rate_pa_per_s: f64, wanted_pa_per_s: f64, onward: Hint) -> Hint {
    if rate_pa_per_s < -0.2 * wanted_pa_per_s {
        onward
    } else if rate_pa_per_s > 1.4 * wanted_pa_per_s {
        Hint::Slower
    } else if rate_pa_per_s < 0.6 * wanted_pa_per_s {
        Hint::Faster
    } else {
        Hint::Steady
    }
}

/// The last scans, for a level with less noise and a rate that a person can follow.
#[derive(Debug, Default)]
struct Recent(VecDeque<(Mono, f64)>);

impl Recent {
    /// Time over which the rate is taken, and between two hints.
    const LONG: Duration = Duration::from_millis(400);

    /// Whether a reading is recent enough to count for the level.
    fn recent(last: Mono, at: Mono) -> bool {
        last.since(at).as_secs_f64() <= TURN_SEEN_OVER_S
    }

    fn take(&mut self, seen: &Seen) {
        self.0.push_back((seen.at, seen.level.si()));
        while self.0.front().is_some_and(|(at, _)| seen.at.since(*at) > Self::LONG) {
            self.0.pop_front();
        }
    }

    /// Mean of the readings of the last 0.2 s, pascal, and the share of a reading's noise that remains in it: equal consecutive
    /// readings count once, because a converter may be slower than the scans.
    fn mean(&self) -> Option<(f64, f64)> {
        let &(last, mut before) = self.0.back()?;
        let (mut count, mut sum, mut new) = (0.0, 0.0, 1.0);
        for (_, level) in self.0.iter().rev().take_while(|(at, _)| Self::recent(last, *at)) {
            new += f64::from(u8::from(level.total_cmp(&before).is_ne()));
            before = *level;
            (count, sum) = (count + 1.0, sum + level);
        }
        Some((sum / count, 1.0 / f64::sqrt(new)))
    }

    /// Slope of the line through the readings, pascal per second; `None` until enough readings are there.
    fn rate(&self) -> Option<f64> {
        let (first, last) = (self.0.front()?.0, self.0.back()?.0);
        let moments = self.0.iter().map(|(at, level)| (at.since(first).as_secs_f64(), *level));
        #[expect(clippy::cast_precision_loss, reason = "a few dozen readings")]
        let count = self.0.len() as f64;
        let middle =
            moments.clone().fold((0.0, 0.0), |sum, (t, level)| (sum.0 + t / count, sum.1 + level / count));
        let (along, across) = moments.fold((0.0, 0.0), |sum, (t, level)| {
            (sum.0 + (t - middle.0).powi(2), sum.1 + (t - middle.0) * (level - middle.1))
        });
        (!Self::recent(last, first) && along > 0.0).then(|| across / along)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::input_states::InputStates;
    use rstest::rstest;

    fn seen(index: u32, level_pa: f64) -> Seen {
        let level = VacuumLevel::new(level_pa);
        let at = Mono::START + Duration::from_millis(50) * index;
        Seen {
            at,
            read: level,
            level,
            air_pressure: None,
            switches: InputStates::default(),
            valves: InputStates::default(),
        }
    }

    // Equal consecutive readings of a converter are one: of five in 0.2 s the first and two others are new.
    #[test]
    fn a_reading_that_is_repeated_takes_no_noise_away() {
        let mut recent = Recent::default();
        for (index, level_pa) in (0..).zip([7.0, 1.0, 1.0, 4.0, 4.0, 5.0]) {
            recent.take(&seen(index, level_pa));
        }
        assert_eq!(recent.mean(), Some((3.0, 1.0 / 3_f64.sqrt())));
    }

    // Readings of 0, 1, 2 … kPa every 50 ms are 20 kPa/s; those of the last 0.2 s are the last five, of the last 0.4 s the last nine.
    #[test]
    fn level_and_rate_are_those_of_the_last_readings() {
        let mut recent = Recent::default();
        let seen = |index: u32| seen(index, f64::from(index) * 1e3);
        (0..5).for_each(|index| recent.take(&seen(index)));
        assert_eq!(recent.rate(), None);
        (5..20).for_each(|index| recent.take(&seen(index)));
        assert_eq!(recent.0.len(), 9);
        assert_eq!(recent.mean(), Some((17e3, 1.0 / 5_f64.sqrt())));
        assert!(recent.rate().is_some_and(|rate| (rate - 20e3).abs() < 1e-6), "{:?}", recent.rate());
    }

    #[rstest]
    #[case(1_500.0, Hint::Slower)]
    #[case(1_100.0, Hint::Steady)]
    #[case(500.0, Hint::Faster)]
    #[case(-100.0, Hint::Faster)]
    #[case(-400.0, Hint::Deeper)]
    fn a_person_is_told_what_to_change(#[case] rate: f64, #[case] expected: Hint) {
        assert_eq!(hint(rate, 1_000.0, Hint::Deeper), expected);
    }
}
