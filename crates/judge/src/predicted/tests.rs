use super::*;
use crate::bench::{Bench, near, part, ramps, within};
use rstest::rstest;
use tripbench_quantity::{LevelDifference, TimeSpan};
use tripbench_rig::Air;

const ROOT: f64 = 1.732_050_807_568_877_2;

// Factors c4 for the mean of sample standard deviations, from tables for control charts (from memory: ISO 7870-2, Table 2).
#[rstest]
#[case(2, 0.7979)]
#[case(3, 0.8862)]
#[case(5, 0.9400)]
#[case(6, 0.9515)]
#[case(10, 0.9727)]
#[case(17, 0.9845)]
fn predicted_crossings_scatter_as_promised_ones_do_in_the_mean(#[case] count: usize, #[case] shown: f64) {
    let all = scatter(count, 100.0);
    assert_eq!(all.len(), count);
    let found = tripbench_measure::standard_deviation(&all).expect("some");
    assert!((found / 100.0 - shown).abs() < 4e-3, "{found}");
    assert!(tripbench_measure::mean(&all).expect("some").abs() < 1e-6);
}

/// Rates of the tests: 6 kPa/s at full flow up, 8 kPa/s down, a tenth through a throttle.
fn rate(ramp: Ramp, _: VacuumLevel) -> f64 {
    let whole = if ramp.deeper { 6_000.0 } else { 8_000.0 };
    if ramp.motion == Motion::Throttled { whole / 10.0 } else { whole }
}

fn foresight<'f>(task: &'f Task, ramps: &'f SwitchPointsTask) -> Foresight<'f> {
    Foresight { task, ramps, rate: &rate, leak_pa_per_s: 10.0 }
}

fn limits(low: f64, high: f64) -> LevelLimits {
    LevelLimits { low: VacuumLevel::new(low), high: VacuumLevel::new(high) }
}

// Two reads 5 ms apart, each within the 0.7 ms of its answer, with an image of 3 ms; a converter of 4 ms that shows every value once;
// one of 20 ms that shows when a value is new; a clock of 1 ms that stamps edges at every position: two ticks and an answer.
#[rstest]
#[case("image_age = \"3 ms\"", "", 8.7e-3)]
#[case("converter = \"4 ms\"", "", 9.7e-3)]
#[case("converter = \"9.9 ms\"", "", 15.6e-3)]
#[case("converter = \"20 ms\"", "", 10.7e-3)]
#[case("clock = { at = \"input-register 9\", tick = \"1 ms\" }", "", 5.7e-3)]
#[case("clock = { at = \"input-register 9\", tick = \"1 ms\" }", "captured", 2.7e-3)]
fn a_predicted_crossing_is_as_wide_as_reads_and_conversions(
    #[case] module: &str,
    #[case] captured: &str,
    #[case] seconds: f64,
) {
    let mut bench = Bench::new().rig("image_age = \"0 ms\"", module);
    if !captured.is_empty() {
        for (input, register) in [(0, 11), (1, 12)] {
            let line = format!("switch = {{ at = \"discrete-input {input}\" }}");
            bench = bench.rig(
                &line,
                &line.replace('}', &format!(", capture = {{ at = \"input-register {register}\" }} }}")),
            );
        }
    }
    let (task, ramps) = (bench.task(), ramps(3));
    near(foresight(&task, &ramps).wide_pa(2_000.0, true), 2_000.0 * seconds);
    near(foresight(&task, &ramps).wide_pa(500.0, false), 500.0 * seconds);
}

// A pulse of 50 ms and a command of 1.4 ms, at the rate of the pulse.
#[test]
fn a_pulse_is_as_wide_as_what_it_moves() {
    let pulse = Motion::Pulses { air: Air::Evacuate, pulse: TimeSpan::new(0.05), settle: TimeSpan::new(0.1) };
    let (task, ramps) = (Bench::new().task(), SwitchPointsTask { rising: pulse, ..ramps(3) });
    near(foresight(&task, &ramps).wide_pa(2_000.0, true), 2_000.0 * 0.0514);
    near(foresight(&task, &ramps).wide_pa(2_000.0, false), 2_000.0 * 0.0057);
}

// 20 Pa of noise and 6 Pa over √12. 0.1 s to each side, with a reading every 5 ms or every 6 Pa. At 1 Pa/s eight counts take 48 s, 24 s
// to each side, and give 8 readings. Where a fifth of 60 Pa over 1 Pa/s, 12 s, limits the curve, there are 4, but never fewer than 6
// are assumed.
#[rstest]
#[case("image_age = \"0 ms\"", 6_000.0, 60e3, 40.0)]
#[case("image_age = \"0 ms\"", 600.0, 60e3, 20.0)]
#[case("image_age = \"0 ms\"", 1.0, 60e3, 8.0)]
#[case("image_age = \"0 ms\"", 1.0, -60.0, 6.0)]
#[case("converter = \"10 ms\"", 6_000.0, 60e3, 40.0)]
fn a_predicted_fit_is_as_good_as_its_readings(
    #[case] module: &str,
    #[case] rate: f64,
    #[case] level_pa: f64,
    #[case] readings: f64,
) {
    let (task, ramps) = (Bench::new().rig("image_age = \"0 ms\"", module).task(), ramps(3));
    let sigma = 20_f64.hypot(6.0 / 12_f64.sqrt());
    near(foresight(&task, &ramps).noise_pa(), sigma);
    near(foresight(&task, &ramps).fit_pa(rate, level_pa), 1.5 * sigma / readings.sqrt());
}

#[test]
fn a_foreseen_zero_has_a_hundred_readings() {
    let (task, ramps) = (Bench::new().task(), ramps(3));
    let foresight = foresight(&task, &ramps);
    let basis = foresight.basis();
    let step = 6.0 / 12_f64.sqrt();
    near(basis.zero.uncertainty_pa, (20_f64.hypot(step) / 10.0).hypot(step));
    near(basis.resolution_pa, 6.0);
    near(foresight.promised_s()[0], 0.003);
    near(foresight.promised_s()[1], 0.006);
}

// The crossings of a group are spread over the phases of a scan: each of three is a third of the width beside the next. They scatter as
// three crossings with a promise of 100 Pa do on average: c4 of three is 0.8862 (the usual approximation gives 8/9). A single one lies
// in the middle.
#[rstest]
fn predicted_crossings_are_spread_over_phases_and_promise(#[values(true, false)] rising: bool) {
    let (task, ramps) = (Bench::new().task(), ramps(3));
    let foresight = foresight(&task, &ramps);
    let group = |cycles, motion, rate_pa_per_s, fast| Group { cycles, motion, rate_pa_per_s, fast };
    let groups = [
        group([1, 3], Motion::FullFlow, 6_000.0, false),
        group([4, 4], Motion::Throttled, 600.0, false),
        group([1, 1], Motion::FullFlow, 9_000.0, true),
    ];
    let found = foresight.at(rising, limits(58_900.0, 61_100.0), &groups);
    assert_eq!(found.records.iter().map(|one| one.cycle).collect::<Vec<_>>(), [1, 2, 3, 4, 1]);
    assert_eq!(
        found.records.iter().map(|one| one.fast).collect::<Vec<_>>(),
        [false, false, false, false, true]
    );
    let sign = if rising { 1.0 } else { -1.0 };
    let shares = [1.0 / 6.0, 0.5, 5.0 / 6.0, 0.5, 0.5];
    let mut beside = Vec::new();
    for ((record, interval), share) in found.records.iter().zip(&found.intervals).zip(shares) {
        let wide = 5.7e-3 * record.rate_pa_per_s.abs();
        near(interval.high_pa - interval.low_pa, wide);
        near(interval.fit_pa, foresight.fit_pa(record.rate_pa_per_s.abs(), 60e3));
        beside.push(f64::midpoint(interval.low_pa, interval.high_pa) - 60e3 - (share - 0.5) * wide);
        // A cycle takes six seconds, starting at 15 s; its fall comes half a cycle later.
        near(record.earliest_s, 15.0 + 6.0 * (f64::from(record.cycle) + if rising { 0.0 } else { 0.5 }));
        near(record.latest_s, record.earliest_s);
    }
    near(found.records[0].rate_pa_per_s, sign * 6_000.0);
    near(found.records[3].rate_pa_per_s, sign * 600.0);
    within(tripbench_measure::standard_deviation(&beside[..3]).expect("some"), 800.0 / 9.0, 1e-6);
    within(beside[..3].iter().sum::<f64>(), 0.0, 1e-6);
    within(beside[3], 0.0, 1e-6);
    within(beside[4], 0.0, 1e-6);
    assert!(found.rising == rising && found.alive && found.rate_uncertainties == [0.0; 5]);
    near(found.taken_off_s, 1e-3);
    // The middle one comes first, then the less deep one, in both directions.
    for (beside, expected) in beside.iter().zip([0.0, -800.0 / 9.0, 800.0 / 9.0]) {
        within(*beside, expected, 1e-6);
    }
    // The order has no trend: neighbours differ.
    assert!(beside[..3].windows(2).all(|pair| (pair[0] - pair[1]).abs() > 1.0), "{beside:?}");
}

// Rectangles of 100 and 50 give a trapezoid that is flat over ±25, with a quarter of the probability in each slope: at 1/8 it is 75 −
// √(2 · 100 · 50/8) = 39.645 from the middle. Two equal ones give a triangle, a single one a uniform distribution.
#[rstest]
#[case(0.0, [100.0, 50.0], -75.0)]
#[case(0.125, [100.0, 50.0], -39.644_660_940_7)]
#[case(0.25, [100.0, 50.0], -25.0)]
#[case(0.3, [50.0, 100.0], -20.0)]
#[case(0.5, [100.0, 50.0], 0.0)]
#[case(0.875, [50.0, 100.0], 39.644_660_940_7)]
#[case(1.0 / 8.0, [100.0, 100.0], -50.0)]
#[case(0.5, [100.0, 100.0], 0.0)]
#[case(1.0 / 6.0, [60.0, 0.0], -20.0)]
#[case(5.0 / 6.0, [60.0, 0.0], 20.0)]
fn an_edge_meets_scans_and_conversions_in_phases_of_their_own(
    #[case] share: f64,
    #[case] widths: [f64; 2],
    #[case] expected: f64,
) {
    within(met(share, widths), expected, 1e-9);
}

// Deviations of five: quantiles at 0.1, 0.3, 0.5, 0.7, 0.9 (±1.2816, ±0.5244, 0; tables), scaled to a standard deviation of 100 times
// 16/17, the usual approximation 4(n − 1)/(4n − 3) of c4; descending, starting with the second.
#[test]
fn five_deviations_come_in_their_order() {
    let found = scatter(5, 100.0);
    let scale =
        100.0 * 16.0 / 17.0 / ((2.0 * 1.281_552_f64.powi(2) + 2.0 * 0.524_401_f64.powi(2)) / 4.0).sqrt();
    let expected = [-0.524_401, -1.281_552, 1.281_552, 0.524_401, 0.0].map(|quantile| quantile * scale);
    for (found, expected) in found.iter().zip(expected) {
        within(*found, expected, 1e-3);
    }
    assert_eq!(scatter(1, 100.0), [0.0]);
    assert!(scatter(0, 100.0).is_empty());
}

// Three cycles, the middle one throttled, and a fast pair at full flow; a throttled ramp reaches the valve's cut-off in one cycle only.
#[rstest]
#[case(true, false, &[6_000.0, 600.0, 600.0, 6_000.0, 6_000.0])]
#[case(false, false, &[-8_000.0, -800.0, -8_000.0, -8_000.0, -8_000.0])]
#[case(true, true, &[6_000.0, 600.0, 6_000.0, 6_000.0, 6_000.0])]
#[case(false, true, &[-8_000.0, -800.0, -8_000.0, -8_000.0, -8_000.0])]
fn cycles_are_predicted_as_they_are_planned(
    #[case] rising: bool,
    #[case] valve: bool,
    #[case] rates: &[f64],
) {
    let task = Bench::new().saving().task();
    let ramps =
        SwitchPointsTask { slow_rising: 2, slow_falling: 1, valve: true, fast_shows: [true; 2], ..ramps(4) };
    let found = foresight(&task, &ramps).crossings(rising, limits(58_900.0, 61_100.0), valve);
    let mut all: Vec<f64> = found.records.iter().map(|one| one.rate_pa_per_s).collect();
    if !rising {
        // Of four cycles the second is the slow one.
        assert_eq!(found.slow.count(), 1);
    }
    assert_eq!(all.pop(), rates.last().copied());
    assert_eq!(all, rates[..4]);
    assert!(found.records[4].fast);
    near(f64::from(found.slow.count()), if rising { 2.0 } else { 1.0 });
    // The pull of a pair shows even where only the fall shows a delay; the fall shows where enough readings lie in it.
    for (fast_shows, pull, fall) in [([false; 2], 4, 4), ([true, false], 5, 4), ([false, true], 5, 5)] {
        let other = SwitchPointsTask { fast_shows, ..ramps };
        let found = foresight(&task, &other).crossings(rising, limits(58_900.0, 61_100.0), valve);
        assert_eq!(found.records.len(), if rising { pull } else { fall });
    }
}

// Of four cycles the second falls through the throttle, so the rise of the third follows it. The first rise continues from the
// approach, as after a fall of its own cycle; the fast pair starts from rest.
#[test]
fn a_ramp_is_predicted_after_the_one_before() {
    fn after(ramp: Ramp, _: VacuumLevel) -> f64 {
        match ramp.after {
            None => 1_000.0,
            Some(Motion::Throttled) => 2_000.0,
            Some(_) => 3_000.0,
        }
    }
    let task = Bench::new().task();
    let ramps = SwitchPointsTask { slow_falling: 1, fast_shows: [true; 2], ..ramps(4) };
    let foresight = Foresight { rate: &after, ..foresight(&task, &ramps) };
    let rates = |rising| -> Vec<f64> {
        let found = foresight.crossings(rising, limits(58_900.0, 61_100.0), false);
        found.records.iter().map(|record| record.rate_pa_per_s).collect()
    };
    assert_eq!(rates(true), [3_000.0, 3_000.0, 2_000.0, 3_000.0, 1_000.0]);
    assert_eq!(rates(false), [-3_000.0, -3_000.0, -3_000.0, -3_000.0, -1_000.0]);
}

fn expected_of(task: &Task) -> Expected {
    let (settings, device) = (task.sheets.settings.as_ref(), task.sheets.device.as_ref());
    tripbench_device::expected(settings.expect("settings"), device.expect("a type"))
}

// One rate does not show the selected delay: 200 ms times the rate is left open, far more than all else.
#[test]
fn ramps_at_one_rate_leave_the_other_delay_open() {
    let (task, ramps) = (Bench::new().task(), ramps(3));
    let foresight = foresight(&task, &ramps);
    let levels = foresight.levels(&expected_of(&task));
    assert_eq!(levels.len(), 2);
    for (level, rate) in levels.iter().zip([6_000.0, 8_000.0]) {
        assert!(level.delay_expanded_s().is_none());
        near(
            part(&level.level.result.contributions, "a delay other than the selected one"),
            0.2 * rate / ROOT,
        );
        near(part(&level.level.result.contributions, "calibration"), 125.0);
        near(part(&level.level.result.contributions, "leak behind") + 1.0, 1.0);
        near(level.expanded_pa(), level.level.result.expanded_uncertainty);
        near(level.standing.standard_deviation(), level.level.random.standard_deviation_pa);
        near(level.spare_s(1e3), (level.expanded_pa() / 3.0).max(1e3).min(0.1 * rate) / rate);
    }
    let apart = foresight.hysteresis_pa(&levels[0], &levels[1]);
    let direct = hysteresis(foresight.basis(), &levels[0].level, &levels[1].level).expect("both");
    near(apart, direct.expanded_uncertainty);
    // The device drives its valve at one rate, `cycles` times.
    let limits = expected_of(&task).on;
    let [open, shown] =
        [false, true].map(|shown| foresight.at_one_rate_pa(limits, (2_000.0, true, 4), shown));
    // 400 Pa to both sides dominates: at least 0.95 of that.
    assert!(open > 0.95 * 400.0 && open < 800.0 && shown < open, "{open} {shown}");
    let group = Group { cycles: [1, 4], motion: Motion::FullFlow, rate_pa_per_s: 2_000.0, fast: false };
    let crossings = foresight.at(true, limits, &[group]);
    let same =
        level(foresight.basis(), &crossings, None, Delay::AsPromised { other_s: 0.0 }).expect("a level");
    near(shown, same.result.expanded_uncertainty);
}

#[test]
fn ramps_at_two_rates_show_the_delay_of_every_output() {
    let task = Bench::new().saving().position("hose = { bore = \"1 mm\", length = \"1 m\" }").task();
    let ramps = SwitchPointsTask { slow_rising: 1, slow_falling: 1, valve: true, ..ramps(3) };
    let foresight = foresight(&task, &ramps);
    let levels = foresight.levels(&expected_of(&task));
    assert_eq!(levels.len(), 4);
    assert!(levels.iter().all(|level| level.delay_expanded_s().is_some_and(|u| (0.005..0.1).contains(&u))));
    assert!(levels.iter().all(|level| level.level.at_rates));
    let expected = expected_of(&task);
    for (level, middle) in levels.iter().zip([60e3, 55e3, 70e3, 64e3]) {
        within(level.level.result.value, middle, 120.0);
    }
    // A leak known to 10 Pa/s, at the level of the first crossing, with the delays that are known.
    let found = foresight.crossings(true, expected.on, false);
    let position = &task.sheets.rig.positions[0];
    let leak = Leak::known(0.0, 10.0, 200.0);
    let delays: Vec<&MeasurementResult> = levels.iter().filter_map(|level| level.delay.as_ref()).collect();
    let drop = hose::through(&task, position, leak, found.intervals[0].low_pa, &delays);
    assert!(drop.root_mean_square_pa > 1.0, "{drop:?}");
    near(part(&levels[0].level.result.contributions, "leak behind"), drop.root_mean_square_pa);
    let without = SwitchPointsTask { valve: false, ..ramps };
    assert_eq!(self::foresight(&task, &without).levels(&expected).len(), 2);
}

// A response: half of 5.7 ms to each side of an edge, the lag to 1 ms, the random part of the level and a fit, over the rate.
#[rstest]
#[case(10_000.0)]
#[case(20_000.0)]
fn a_response_is_foreseen_by_its_parts(#[case] rate: f64) {
    let (task, ramps) = (Bench::new().task(), ramps(3));
    let foresight = foresight(&task, &ramps);
    let levels = foresight.levels(&expected_of(&task));
    let parts = [
        2.85e-3 / ROOT,
        1e-3 / ROOT,
        levels[0].standing.standard_deviation() / rate,
        foresight.fit_pa(rate, 60e3) / rate,
        3.0 / rate / ROOT,
    ];
    let u = parts.iter().map(|part| part * part).sum::<f64>().sqrt();
    let foresight = Foresight { rate: &|_, _| rate, ..foresight };
    let found = foresight.response_s(&levels[0], true);
    // Above the factor of a rectangle, and up to slightly more than that of a normal distribution, because few crossings have long
    // tails.
    assert!((1.645..=2.1).contains(&(found / u)), "{}", found / u);
    assert!(LevelDifference::new(found).si() > 0.0);
}
