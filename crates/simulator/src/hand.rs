//! The person at a rig without valves: does what the guide says, a little late, too fast at first, and never quite evenly.

use std::f64::consts::TAU;
use tripbench_quantity::LevelRate;
use tripbench_rig::{Guide, Hint};

/// Time until a hand follows a word, seconds: judgement.
const REACTION_S: f64 = 0.3;

/// What a hand does at a moment.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Grip {
    /// Rate at which it moves the level, pascal per second; negative is less deep.
    pub(crate) rate_pa_per_s: f64,
    /// Whether it has opened the rig to ambient.
    pub(crate) open: bool,
}

/// A hand with the words that it still has to follow.
#[derive(Debug, Clone, Default)]
pub(crate) struct Hand {
    grip: Grip,
    told: Vec<(f64, Guide)>,
    /// Until when it goes the other way than it means to, seconds.
    turned_until_s: f64,
}

impl Hand {
    pub(crate) fn tell(&mut self, at_s: f64, guide: Guide) {
        self.told.push((at_s + REACTION_S, guide));
    }

    /// Goes the other way until `until_s`, as a hand does that overshot, or that saw the lamp come on.
    pub(crate) const fn turn(&mut self, until_s: f64) {
        self.turned_until_s = until_s;
    }

    /// What it does at `now_s`.
    pub(crate) fn grip(&mut self, now_s: f64) -> Grip {
        while self.told.first().is_some_and(|(at_s, _)| *at_s <= now_s) {
            let (_, guide) = self.told.remove(0);
            self.follow(guide);
        }
        if self.grip.rate_pa_per_s.abs() <= 0.0 {
            return self.grip;
        }
        let uneven = 1.0 + 0.1 * (TAU * 0.4 * now_s).sin() + 0.05 * (TAU * 1.1 * now_s).sin();
        let way = if now_s < self.turned_until_s { -1.0 } else { 1.0 };
        Grip { rate_pa_per_s: self.grip.rate_pa_per_s * uneven * way, ..self.grip }
    }

    fn follow(&mut self, guide: Guide) {
        const TOO_FAST_AT_FIRST: f64 = 1.6;
        const WITHOUT_A_RATE_PA_PER_S: f64 = 4_000.0;
        let rate = guide.rate.map_or(WITHOUT_A_RATE_PA_PER_S, LevelRate::si) * TOO_FAST_AT_FIRST;
        let now = self.grip.rate_pa_per_s;
        self.grip = match guide.hint {
            Hint::Deeper => Grip { rate_pa_per_s: rate, open: false },
            Hint::LessDeep => Grip { rate_pa_per_s: -rate, open: false },
            Hint::Hold => Grip::default(),
            Hint::LetIn => Grip { rate_pa_per_s: 0.0, open: true },
            Hint::Slower => Grip { rate_pa_per_s: now * 0.75, open: false },
            Hint::Faster => Grip { rate_pa_per_s: now * 1.25, open: false },
            Hint::Steady => self.grip,
        };
    }
}
