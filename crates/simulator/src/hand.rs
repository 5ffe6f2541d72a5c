//! The simulated operator of a rig without valves, who follows the guide a little late, too fast at first, and unevenly.

use std::f64::consts::TAU;
use tripbench_quantity::LevelRate;
use tripbench_rig::{Guide, Hint};

/// Reaction time to an instruction, in seconds: a judgement of this project.
const REACTION_S: f64 = 0.3;

/// Action of a hand at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Grip {
    /// Rate at which it moves the level, in pascals per second; negative towards less deep.
    pub(crate) rate_pa_per_s: f64,
    /// Whether the rig is open to ambient.
    pub(crate) open: bool,
}

/// A hand with the instructions that it has not followed yet.
#[derive(Debug, Clone, Default)]
pub(crate) struct Hand {
    grip: Grip,
    told: Vec<(f64, Guide)>,
    /// Time until which it moves in the wrong direction, in seconds.
    turned_until_s: f64,
}

impl Hand {
    pub(crate) fn tell(&mut self, at_s: f64, guide: Guide) {
        self.told.push((at_s + REACTION_S, guide));
    }

    /// Moves in the wrong direction until `until_s`, like a hand that has overshot or has seen the lamp turn on.
    pub(crate) const fn turn(&mut self, until_s: f64) {
        self.turned_until_s = until_s;
    }

    /// The action at `now_s`.
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
