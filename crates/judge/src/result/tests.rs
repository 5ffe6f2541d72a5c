use super::*;
use crate::bench::{Bench, ZERO, near, part, ramps, within};
use crate::hose::Drop;
use rstest::rstest;
use tripbench_measure::{CrossingInterval, Distribution};
use tripbench_record::{CrossingRecord, SwitchPointsTask};

/// Crossings at these rates, each 40 Pa wide, `delay_s` times its rate beside the level, one every three seconds after 10 s. The
/// throttled ones are in the middle.
fn crossings(level_pa: f64, rates: &[f64], slow: u16, delay_s: f64) -> Crossings {
    let cycles = u16::try_from(rates.len()).expect("few");
    let task = SwitchPointsTask { slow_rising: slow, ..ramps(cycles) };
    let mut found = Crossings {
        rising: rates[0] > 0.0,
        slow: task.slow(true),
        taken_off_s: 0.001,
        hose: Drop { largest_pa: 90.0, root_mean_square_pa: 33.0 },
        ..Crossings::default()
    };
    for (cycle, rate) in (1..=cycles).zip(rates) {
        let middle = level_pa + rate * delay_s;
        let at_s = 10.0 + 3.0 * f64::from(cycle);
        let (low_pa, high_pa) = (middle - 20.0, middle + 20.0);
        found.records.push(CrossingRecord {
            cycle,
            earliest_s: at_s - 0.002,
            latest_s: at_s + 0.002,
            low_pa,
            high_pa,
            rate_pa_per_s: *rate,
            planned_phase: None,
            fast: false,
        });
        found.intervals.push(CrossingInterval { low_pa, high_pa, fit_pa: 2.0 });
        found.rate_uncertainties.push(1.0);
    }
    found
}

fn basis(task: &Task) -> Basis<'_> {
    Basis { task, zero: ZERO, resolution_pa: 6.0 }
}

const ROOT: f64 = 1.732_050_807_568_877_2;

// The sheets: 0.25 kPa with k = 2, drift 60 Pa, hysteresis 30 Pa, lag ± 1 ms, response 6 ms, another selectable delay 200 ms away,
// resolution 6 Pa; zero known to 4 Pa. At 2000 Pa/s the response gives ± 6 Pa, the lag 2 Pa, the other delay 400 Pa.
#[rstest]
#[case(&[2_000.0, 2_000.0, 2_000.0], 0.0)]
#[case(&[-2_000.0, -2_000.0, -2_000.0], 0.2)]
fn a_level_at_one_rate_has_the_budget_of_the_sheets(#[case] rates: &[f64], #[case] other_s: f64) {
    let task = Bench::new().task();
    let found = crossings(60e3, rates, 0, 0.0);
    let level = level(basis(&task), &found, None, Delay::AsPromised { other_s }).expect("a level");
    let parts = &level.result.contributions;
    near(part(parts, "calibration"), 125.0);
    near(part(parts, "zero drift"), 60.0 / ROOT);
    near(part(parts, "hysteresis"), 30.0 / ROOT);
    near(part(parts, "zero reading"), 4.0);
    near(part(parts, "leak behind"), 33.0);
    near(part(parts, "resolution"), 3.0 / ROOT);
    near(part(parts, "delay of the device"), 2_000.0 * 3e-3 / ROOT);
    near(part(parts, "lag of the reference"), 2_000.0 * 1e-3 / ROOT);
    // All crossings are at one place: they count as one, combined with the promised spread.
    let alone = posterior(&found.intervals, 100.0).expect("some");
    near(part(parts, "crossings"), alone.standard_deviation_pa);
    near(level.result.value, alone.mean_pa);
    within(level.result.value, 60e3, 1.0);
    let other = parts.iter().find(|part| part.name == OTHER_DELAY);
    assert_eq!(other.map(|part| part.standard_uncertainty), (other_s > 0.0).then_some(400.0 / ROOT));
    near(level.per_delay_pa_per_s, -rates[0]);
    assert!(!level.at_rates && level.count == 3);
    near(level.at_s, 16.0);
    near(level.hose_pa, 33.0);
    near(level.other_delay_pa, if other_s > 0.0 { 400.0 } else { 0.0 });
    let input =
        parts.iter().find(|part| part.name == DELAY).and_then(|part| part.input.clone()).expect("an input");
    near(input.standard_uncertainty, 3e-3 / ROOT);
    near(input.sensitivity, rates[0]);
    assert_eq!(input.unit, "s");
    assert!(parts.iter().any(|part| part.source == "certificate test reference"));
    assert_eq!(parts[0].degrees_of_freedom, Some(2.0));
    assert!(super::level(basis(&task), &found, None, Delay::AsFound).is_none());
    let none = Crossings { intervals: vec![], records: vec![], ..found };
    assert!(super::level(basis(&task), &none, None, Delay::AsPromised { other_s }).is_none());
}

/// Ramps with the middle one throttled, whose edges are `delay_s` later than the delay that was subtracted.
fn two_rates(delay_s: f64) -> Crossings {
    crossings(60e3, &[6_000.0, 1_000.0, 6_000.0], 1, delay_s)
}

#[rstest]
#[case(Delay::AsPromised { other_s: 0.0 })]
#[case(Delay::AsFound)]
fn a_level_at_two_rates_says_itself_what_it_knows_of_the_delay(#[case] believed: Delay) {
    let task = Bench::new().task();
    let found = two_rates(0.001);
    let rates = at_rates(&task, &found, 0.0).expect("two rates");
    // Prior: 0 to 6 ms, less the lag of 2 ms, less the 1 ms already subtracted.
    let prior = tripbench_measure::DelayPrior { centre_s: 0.0, half_widths_s: [3e-3, 1e-3] };
    assert_eq!(rates, posterior_at_rates(&found.groups(), 100.0, prior).expect("two rates"));
    let level = level(basis(&task), &found, Some(rates.clone()), believed).expect("a level");
    let (posterior, per_delay) = match believed {
        Delay::AsFound => (&rates.free, 0.0),
        Delay::AsPromised { .. } => (&rates.level, rates.level_per_delay),
    };
    near(level.result.value, posterior.mean_pa);
    near(level.per_delay_pa_per_s, per_delay);
    near(part(&level.result.contributions, "crossings at two rates"), posterior.standard_deviation_pa);
    assert!(
        level.at_rates
            && level.result.contributions.iter().all(|part| part.name != DELAY && part.name != LAG)
    );
    near(level.other_delay_pa, 0.0);
    assert!(at_rates(&task, &crossings(60e3, &[2_000.0; 3], 0, 0.0), 0.0).is_none());
}

// The edges are 4 ms later than the 1 ms that was subtracted; the lag of the reference adds 2 ms: 7 ms.
#[test]
fn a_delay_is_told_by_two_rates() {
    let task = Bench::new().task();
    let found = two_rates(0.004);
    let rates = at_rates(&task, &found, 0.0).expect("two rates");
    let found_delay = delay(basis(&task), (&found, 0.0), &rates).expect("a delay");
    near(found_delay.value, 0.001 + rates.delay.mean() + 0.002);
    within(found_delay.value, 0.007, 2e-3);
    let parts = &found_delay.contributions;
    let away = 6_000.0 - 1_000.0;
    near(part(parts, "crossings"), rates.delay.standard_deviation());
    near(part(parts, "lag"), 1e-3 / ROOT);
    near(part(parts, "resolution"), 3.0 / away / ROOT);
    // Comparator noise is not a contribution: it makes an output seem late by three of its standard deviations.
    near(seems_later_s(&found, &rates), 3.0 * rates.free.repeatability_pa / away);
    // The slow and the fast crossings both have a mean time of 16 s, so no drift lies between them.
    near(part(parts, "zero drift") + 1.0, 1.0);
    let input = parts[0].input.as_ref().expect("an input");
    near(input.sensitivity, 1.0 / away);
    assert_eq!(input.unit, "Pa");
}

// The zero is at 0.5 s: 60 Pa of drift up to the mean of both times, and of it the share between them.
#[rstest]
#[case(10.5, 10.5, 0.0)]
#[case(8.5, 12.5, 60.0 * 4.0 / 10.0)]
#[case(12.5, 8.5, 60.0 * 4.0 / 10.0)]
#[case(0.5, 30.5, 60.0)]
#[case(0.2, 0.4, 60.0)]
fn a_zero_drifts_with_the_time_since_it(#[case] first_s: f64, #[case] second_s: f64, #[case] drift: f64) {
    within(drift_pa(&Bench::new().task(), ZERO, [first_s, second_s]), drift, 1e-9);
}

// With levels 5 kPa apart the calibration cancels except for its gain, 5/60 of 125 Pa. The reference's hysteresis counts twice, and
// each millisecond of lag pulls levels passed at ±2000 Pa/s apart by 4 Pa.
#[rstest]
#[case(0.0)]
#[case(0.2)]
fn a_hysteresis_at_one_rate_has_the_budget_of_the_sheets(#[case] other_s: f64) {
    let task = Bench::new().task();
    let on = crossings(60e3, &[2_000.0; 3], 0, 0.0);
    let mut off = crossings(55e3, &[-2_000.0; 3], 0, 0.0);
    off.records.iter_mut().for_each(|record| {
        (record.earliest_s, record.latest_s) = (record.earliest_s + 1.5, record.latest_s + 1.5);
    });
    off.hose.root_mean_square_pa = 10.0;
    let [on, off] = [&on, &off]
        .map(|found| level(basis(&task), found, None, Delay::AsPromised { other_s }).expect("a level"));
    let result = hysteresis(basis(&task), &on, &off).expect("a hysteresis");
    near(result.value, on.result.value - off.result.value);
    let parts = &result.contributions;
    near(part(parts, "crossings of the switch point"), on.random.standard_deviation_pa);
    near(part(parts, "crossings of the reset point"), off.random.standard_deviation_pa);
    within(part(parts, "gain"), 125.0 * 5.0 / 60.0, 1e-3);
    near(part(parts, "reference, rising"), 30.0 / ROOT);
    near(part(parts, "reference, falling"), 30.0 / ROOT);
    near(part(parts, "zero drift"), 60.0 * 1.5 / (16.75 - 0.5) / ROOT);
    near(part(parts, "device, rising"), 6.0 / ROOT);
    near(part(parts, "device, falling"), 6.0 / ROOT);
    near(part(parts, "differing between"), 0.3 * 33.0);
    near(part(parts, LAG), 4_000.0 * 1e-3 / ROOT);
    near(part(parts, "resolution"), 3.0 / ROOT);
    let other = parts.iter().find(|part| part.name == OTHER_DELAY);
    assert_eq!(other.map(|part| part.standard_uncertainty), (other_s > 0.0).then_some(800.0 / ROOT));
    assert!(parts.iter().filter(|part| part.distribution == Distribution::Intervals).count() == 2);
}

// Levels at two rates contain their own share of the lag: the part of (a − b)² beyond a² + b² is left.
#[rstest]
#[case(-300.0, 400.0, (2.0_f64 * 300.0 * 400.0).sqrt())]
#[case(300.0, 400.0, 0.0)]
fn the_lag_counts_for_what_the_levels_do_not_hold(
    #[case] first: f64,
    #[case] second: f64,
    #[case] left: f64,
) {
    let task = Bench::new().task();
    let found = two_rates(0.0);
    let rates = at_rates(&task, &found, 0.0);
    let both = [first, second].map(|per_delay_pa_per_s| {
        let one = level(basis(&task), &found, rates.clone(), Delay::AsFound).expect("a level");
        Level { per_delay_pa_per_s, ..one }
    });
    let result = hysteresis(basis(&task), &both[0], &both[1]).expect("a hysteresis");
    within(part(&result.contributions, LAG), left * 1e-3 / ROOT, 1e-9);
    assert!(result.contributions.iter().all(|part| !part.name.starts_with("delay of the device")));
    let mixed = [Level { at_rates: false, ..both[0].clone() }, both[1].clone()];
    let result = hysteresis(basis(&task), &mixed[0], &mixed[1]).expect("a hysteresis");
    let beyond = ((first - second).powi(2) - second.powi(2)).max(0.0).sqrt();
    within(part(&result.contributions, LAG), beyond * 1e-3 / ROOT, 1e-9);
    near(part(&result.contributions, "device, rising"), 300.0 * 3e-3 / ROOT);
}
