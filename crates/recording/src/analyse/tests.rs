//! Recordings with a known truth.

use super::*;
use rstest::rstest;

/// Asserts equality within a millionth.
#[track_caller]
fn near(found: f64, expected: f64) {
    let close = (found - expected).abs() <= 1e-6 * expected.abs().max(1e-3);
    assert!(close, "{found} instead of {expected}");
}

/// Standard uncertainty of the contribution whose name contains a text.
#[track_caller]
fn part(contributions: &[Contribution], name: &str) -> f64 {
    let found = contributions.iter().find(|part| part.name.contains(name));
    found.unwrap_or_else(|| panic!("no {name} in {contributions:?}")).standard_uncertainty
}

/// A level that rises and falls between two levels at constant rates, with a row every `interval_s`.
fn recording(interval_s: f64, low_pa: f64, high_pa: f64) -> Recording {
    let (mut level, mut filling) = (low_pa + 1_000.0, false);
    let mut found = Recording { signals: vec![(String::from("fill"), Vec::new())], ..Recording::default() };
    let mut next_s = 0.0;
    for millisecond in 0..600_000 {
        let t_s = f64::from(millisecond) / 1e3;
        level += if filling { 200.0 } else { -40.0 } / 1e3;
        if level <= low_pa {
            filling = true;
        } else if level >= high_pa {
            filling = false;
        }
        if t_s >= next_s {
            found.times_s.push(t_s);
            found.levels_pa.push(level);
            found.signals[0].1.push(filling);
            next_s += interval_s;
        }
    }
    found
}

#[test]
fn levels_rates_and_cycles_of_a_sawtooth_are_found() {
    for interval_s in [0.5, 2.0, 7.0] {
        let found = analyse(&recording(interval_s, 8_000.0, 10_000.0), 0.0, None);
        let signal = &found.signals[0];
        let (on, off) = (signal.on.as_ref().expect("on"), signal.off.as_ref().expect("off"));
        for (edge, truth) in [(on, 8_000.0), (off, 10_000.0)] {
            let off = (edge.result.value - truth).abs();
            let u = edge.result.expanded_uncertainty;
            assert!(off <= u + 1.0, "{interval_s} s: {off:.1} Pa off, U {u:.1} Pa");
        }
        assert!(!on.rising && off.rising);
        // The ten seconds of rising have too few rows for a rate at the longest interval.
        if interval_s < 5.0 {
            let rates = [&signal.rate_on, &signal.rate_off].map(|rate| rate.as_ref().expect("a rate").value);
            assert!((rates[0] - 200.0).abs() < 5.0 && (rates[1] + 40.0).abs() < 1.0, "{rates:?}");
        }
        assert!(signal.cycles >= 8, "{}", signal.cycles);
        assert!((signal.period_s.expect("a period") - 60.0).abs() < 8.0);
    }
}

#[test]
fn a_change_within_a_gap_is_not_used() {
    let mut recording = recording(1.0, 8_000.0, 10_000.0);
    let change = recording.signals[0].1.windows(2).position(|pair| pair[0] != pair[1]).expect("a change");
    for time in &mut recording.times_s[change + 1..] {
        *time += 100.0;
    }
    let found = analyse(&recording, 0.0, None);
    let signal = &found.signals[0];
    let gaps: usize = [&signal.on, &signal.off].iter().filter_map(|edge| Some(edge.as_ref()?.in_gaps)).sum();
    assert_eq!((found.gaps.len(), gaps), (1, 1));
}

#[test]
fn a_signal_that_never_changes_has_no_level() {
    let mut recording = recording(1.0, 8_000.0, 10_000.0);
    recording.signals[0].1.fill(true);
    let found = analyse(&recording, 0.0, None);
    assert!(found.signals[0].on.is_none() && found.signals[0].off.is_none());
}

/// Pseudo-random numbers from a seed (`SplitMix64`, Steele, Lea and Flood 2014; constants from memory).
struct Draw(u64);

impl Draw {
    fn even(&mut self, low: f64, high: f64) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mixed = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        let bits = u32::try_from((mixed ^ (mixed >> 31)) >> 32).expect("32 bits");
        low + (high - low) * f64::from(bits) / f64::from(u32::MAX)
    }

    fn normal(&mut self) -> f64 {
        let angle = self.even(0.0, std::f64::consts::TAU);
        (-2.0 * self.even(1e-9, 1.0).ln()).sqrt() * angle.cos()
    }
}

/// A level that rises and falls, and a signal that is on from one level while rising to another while falling.
#[derive(Debug, Clone, Copy)]
struct Saw {
    low_pa: f64,
    high_pa: f64,
    /// Rates while rising and falling, pascal per second.
    rates: [f64; 2],
    on_pa: f64,
    off_pa: f64,
    interval_s: f64,
    noise_pa: f64,
    cycles: u32,
    /// Step to which the time stamps are truncated, seconds.
    stamp_s: f64,
}

impl Saw {
    fn rise_s(&self) -> f64 {
        (self.high_pa - self.low_pa) / self.rates[0]
    }

    fn period_s(&self) -> f64 {
        self.rise_s() + (self.high_pa - self.low_pa) / self.rates[1]
    }

    fn rows(&self, draw: &mut Draw) -> Recording {
        let (rise_s, period_s) = (self.rise_s(), self.period_s());
        let mut found =
            Recording { signals: vec![(String::from("part"), Vec::new())], ..Recording::default() };
        let first_s = draw.even(0.0, period_s);
        let mut row_s = first_s;
        while row_s - first_s < f64::from(self.cycles) * period_s {
            let in_s = row_s.rem_euclid(period_s);
            let rising = in_s < rise_s;
            let level = if rising {
                self.low_pa + self.rates[0] * in_s
            } else {
                self.high_pa - self.rates[1] * (in_s - rise_s)
            };
            let on = if rising { level >= self.on_pa } else { level > self.off_pa };
            let stamp_s =
                if self.stamp_s > 0.0 { (row_s / self.stamp_s).floor() * self.stamp_s } else { row_s };
            found.times_s.push(stamp_s);
            found.levels_pa.push((level + self.noise_pa * draw.normal()).round());
            found.signals[0].1.push(on);
            row_s += self.interval_s;
        }
        let start_s = found.times_s[0];
        found.times_s.iter_mut().for_each(|time| *time -= start_s);
        found
    }
}

/// The kind of a drawn recording.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Kind {
    /// The level goes beyond the signal's levels.
    Watches,
    /// The same, with rows that see every cycle in the same phase.
    Locked,
    /// The level turns where the signal changes.
    Turns,
}

fn drawn(kind: Kind, shares: [f64; 2], stamps: [f64; 2], draw: &mut Draw) -> Saw {
    let (on_pa, off_pa) = (draw.even(58e3, 62e3), draw.even(50e3, 54e3));
    let past = |draw: &mut Draw| if kind == Kind::Turns { 0.0 } else { draw.even(3e3, 6e3) };
    let rates = [draw.even(200.0, 2_000.0), draw.even(200.0, 2_000.0)];
    let (low_pa, high_pa) = (off_pa - past(draw), on_pa + past(draw));
    let steps = draw.even(12.0, 40.0);
    let mut saw = Saw {
        low_pa,
        high_pa,
        rates,
        on_pa,
        off_pa,
        interval_s: 0.0,
        noise_pa: 0.0,
        cycles: 2 + u32::from(draw.even(0.0, 1.0) > 0.2) * 5,
        stamp_s: 0.0,
    };
    // Rows locked to the cycle come a whole number of times per cycle; others do not.
    let steps = if kind == Kind::Locked { steps.round() } else { steps + 0.137 };
    saw.interval_s = saw.period_s() / steps;
    let share = (draw.even(shares[0].ln(), shares[1].ln())).exp();
    saw.noise_pa = share * rates[0].min(rates[1]) * saw.interval_s;
    saw.stamp_s = if stamps[1] > 0.0 { saw.interval_s * draw.even(stamps[0], stamps[1]) } else { 0.0 };
    saw
}

/// Levels within their U, and how many there are; then the mean U in steps from row to row.
fn held(kind: Kind, shares: [f64; 2], stamps: [f64; 2]) -> (u32, u32, f64) {
    let (mut held, mut all, mut u) = (0, 0, 0.0);
    for seed in 0..200 {
        let mut draw = Draw(seed * 7_919 + 13);
        let saw = drawn(kind, shares, stamps, &mut draw);
        let found = analyse(&saw.rows(&mut draw), 0.0, None);
        assert_eq!(found.gaps, [], "{saw:?}");
        let signal = &found.signals[0];
        for (edge, truth, rate) in
            [(&signal.on, saw.on_pa, saw.rates[0]), (&signal.off, saw.off_pa, saw.rates[1])]
        {
            all += 1;
            let Some(edge) = edge else { continue };
            let expanded = edge.result.expanded_uncertainty;
            held += u32::from((edge.result.value - truth).abs() <= expanded);
            u += expanded / (rate * saw.interval_s);
        }
    }
    (held, all, u / f64::from(all))
}

#[rstest]
fn a_level_between_noisy_rows_is_held_by_its_u(
    #[values(Kind::Watches, Kind::Locked, Kind::Turns)] kind: Kind,
    #[values([0.003, 0.03], [0.03, 0.15], [0.15, 0.5], [0.5, 2.0])] shares: [f64; 2],
) {
    let (held, all, u) = held(kind, shares, [0.0, 0.0]);
    assert!(f64::from(held) >= 0.938 * f64::from(all), "held {held} of {all}, U {u:.2} row steps");
    assert!(u < 1.2 + 2.0 * shares[1], "U {u:.2} row steps");
}

#[rstest]
fn stamps_that_rows_share_place_levels_all_the_same(
    #[values(Kind::Watches, Kind::Turns)] kind: Kind,
    #[values([1.2, 3.0], [3.0, 10.0])] stamps: [f64; 2],
) {
    let (held, all, u) = held(kind, [0.003, 0.3], stamps);
    assert!(f64::from(held) >= 0.938 * f64::from(all), "held {held} of {all}, U {u:.2} row steps");
    assert!(u < 1.8, "U {u:.2} row steps");
}

/// Rows of a level with one signal, one second apart.
fn rows(levels: &[f64], on: &[u8]) -> Recording {
    let states = on.iter().map(|state| *state == 1).collect();
    Recording {
        times_s: (0..).map(f64::from).take(levels.len()).collect(),
        levels_pa: levels.to_vec(),
        signals: vec![(String::from("valve"), states)],
        ..Recording::default()
    }
}

// Up by 10 Pa each second, down by 20: on from the fourth row, off from the eighth, on again from the twelfth.
#[test]
fn rows_and_changes_are_those_of_the_table() {
    let levels = [0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 60.0, 40.0, 20.0, 0.0, 30.0, 40.0, 50.0];
    let on = [0, 0, 0, 1, 1, 1, 1, 0, 0, 0, 0, 1, 1, 1];
    let found = analyse(&rows(&levels, &on), 0.0, None);
    assert_eq!(found.rows, 14);
    near(found.lasts_s, 13.0);
    near(found.interval_s, 1.0);
    near(found.longest_gap_s, 5.0);
    assert!(found.gaps.is_empty() && found.stamp_s.abs() < 1e-12);
    let signal = &found.signals[0];
    assert_eq!((signal.name.as_str(), signal.cycles), ("valve", 1));
    near(signal.period_s.expect("one"), 8.0);
    let first = signal.on.as_ref().expect("on").edges[0];
    assert_eq!((first.from_s, first.to_s, first.between_pa), (2.0, 3.0, [20.0, 30.0]));
}

#[rstest]
#[case(&[0.0, 10.0, 14.0, 30.0], 4.0)]
#[case(&[30.0, 14.0, 14.0, 10.0], 4.0)]
#[case(&[1e6, 1e6 + 1e-4, 1e6 + 7.0], 7.0)]
#[case(&[50.0, 50.0], 50e-6)]
#[case(&[], 0.0)]
fn the_smallest_step_of_a_recording(#[case] levels: &[f64], #[case] expected: f64) {
    assert!((smallest_step(levels) - expected).abs() < 1e-3 * expected + 1e-12);
}

// Off for eight rows at 10 Pa/s, on for eight at −40 Pa/s, off again at 12 Pa/s; a row at each end of a stretch is left out.
#[test]
fn rates_are_those_of_the_lines() {
    let mut levels: Vec<f64> = (0..8).map(|row| 10.0 * f64::from(row)).collect();
    levels.extend((0..8).map(|row| 300.0 - 40.0 * f64::from(row)));
    levels.extend((0..8).map(|row| 12.0 * f64::from(row)));
    let on: Vec<u8> = (0..24).map(|row| u8::from((8..16).contains(&row))).collect();
    let recording = rows(&levels, &on);
    let found = analyse(&recording, 3.0, None);
    let rates = |found: &Analysis| {
        let signal = &found.signals[0];
        [&signal.rate_on, &signal.rate_off].map(|rate| rate.clone().expect("a rate"))
    };
    let [on, off] = rates(&found);
    near(on.value, -40.0);
    near(off.value, 11.0);
    // Six rows one second apart: the slope is known to σ/√17.5, where σ is the smallest step (2 Pa, 3 are given) over √12.
    let sigma = 3.0 / 12_f64.sqrt() / 17.5_f64.sqrt();
    near(part(&on.contributions, "lines"), sigma);
    near(part(&off.contributions, "lines"), sigma / 2_f64.sqrt());
    near(part(&off.contributions, "stretch to stretch"), 1.0);
    near(part(&on.contributions, "stretch to stretch") + 1.0, 1.0);
    // Rows exactly as far apart as allowed are not a gap.
    let [_, even] = rates(&analyse(&recording, 3.0, Some(1.0)));
    near(even.value, 11.0);
    // A stretch with a gap has no line.
    let mut gapped = recording;
    gapped.times_s[4..].iter_mut().for_each(|time| *time += 20.0);
    let found = analyse(&gapped, 3.0, None);
    near(rates(&found)[1].value, 12.0);
    assert_eq!(found.gaps, [(3.0, 21.0)]);
}

// A gap is longer than five intervals, or than the length asked for.
#[rstest]
#[case(None, 6.0, 0)]
#[case(None, 5.0, 1)]
#[case(Some(10.0), 6.0, 1)]
#[case(Some(0.5), 1.0, 0)]
fn a_change_in_a_gap_says_nothing(#[case] longest: Option<f64>, #[case] gap_s: f64, #[case] edges: usize) {
    let mut found = rows(&[0.0; 10], &[0, 0, 0, 0, 0, 1, 1, 1, 1, 1]);
    found.times_s[5..].iter_mut().for_each(|time| *time += gap_s - 1.0);
    found.levels_pa = found.times_s.iter().map(|time| 10.0 * time).collect();
    let found = analyse(&found, 0.0, longest);
    assert_eq!(found.signals[0].on.as_ref().map_or(0, |on| on.edges.len()), edges);
}
