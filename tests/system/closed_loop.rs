//! Steps `response` and `air-saving` on devices whose truth is known.

use rstest::rstest;
use std::time::Duration;
use tripbench_quantity::Mono;
use tripbench_record::{Check, CheckVerdict, QuantityName, Segment, Verdict};
use tripbench_rig::{LONGEST_GAP, Scan};
use tripbench_simulator::{DeviceFault, Effect, Fault, Trigger};
use tripbench_tests::line::{serial_link, with_link};
use tripbench_tests::ways::{by_hand, stamping, with_hand_over, without_output};
use tripbench_tests::{Bench, Outcome};

fn script(steps: &str) -> String {
    format!(
        "name = \"closed loop\"\nrevision = \"1\"\nstate = \"released\"\n\
         [[step]]\ndo = \"zero\"\n[[step]]\ndo = \"leak\"\n{steps}\n[[step]]\ndo = \"zero\"\n"
    )
}

fn response(more: &str) -> String {
    script(&format!(
        "[[step]]\ndo = \"switch-points\"\ncycles = 5\n[[step]]\ndo = \"response\"\noperations = 3\n{more}"
    ))
}

/// Ramps first: they show which delay is selected, which the levels of a device that drives the valve itself depend on.
fn saving(more: &str) -> String {
    let ramps = "[[step]]\ndo = \"switch-points\"\ncycles = 3\n";
    script(&format!("{ramps}[[step]]\ndo = \"air-saving\"\n{more}\n[[step]]\ndo = \"leak\""))
}

fn verdicts(outcome: &Outcome) -> Vec<Verdict> {
    outcome.record.positions.iter().map(|position| position.verdict).collect()
}

fn checks(outcome: &Outcome, step: &str, quantity: QuantityName) -> Vec<Check> {
    let all = outcome.record.positions.iter().flat_map(|position| &position.checks);
    all.map(std::sync::Arc::as_ref)
        .filter(|check| check.step_name == step && check.quantity == quantity)
        .cloned()
        .collect()
}

/// The demo's rig with stamped edges, its devices with the given delays in seconds.
fn with_delays(delays: [f64; 4], more: &str) -> Bench {
    let mut bench = Bench { rig: stamping("100 us", 5), script: response(more), ..Bench::demo() };
    for (device, delay) in bench.truth.devices.iter_mut().zip(delays) {
        (device.delay_on_s, device.delay_off_s) = (delay, delay);
    }
    bench
}

/// The limit applies to the mean of six operations, not to the longest.
#[test]
fn a_limit_on_the_mean_is_judged_on_the_mean() {
    let response = |more: &str| {
        let mut bench = with_delays([0.001, 0.003, 0.025, 0.2], "limit = \"300 ms\"");
        bench.script = bench.script.replace("operations = 3", "operations = 6");
        bench.device_type = bench.device_type.replace("[promise]\n", &format!("[promise]\n{more}\n"));
        let outcome = bench.run();
        checks(&outcome, "response", QuantityName::ResponseOn)
    };
    let (every, mean) = (response(""), response("response_for = \"mean\""));
    let measured = |all: &[Check]| all[1].measured.clone().expect("measured");
    let (longest, mean_found) = (measured(&every).value, measured(&mean));
    assert!(mean_found.value < longest, "{} beside {longest}", mean_found.value);
    assert!((mean_found.value - 0.005).abs() < mean_found.expanded_uncertainty, "{}", mean_found.value);
    assert!(
        every[1].remark.as_ref().is_some_and(|remark| remark.contains("61 % of all operations")),
        "{:?}",
        every[1].remark
    );
}

/// Operations of one device that are identical to the microsecond: unless their phases are spread on purpose, all would meet the scans
/// in the same phase, and their mean would be no better than one of them. On a slow wire a scan takes longer than the interval.
#[rstest]
#[case(2, "5 ms", None)]
#[case(4, "10 ms", None)]
#[case(5, "20 ms", None)]
#[case(8, "20 ms", None)]
#[case(5, "0 ms", None)]
#[case(5, "5 ms", Some(115_200))]
#[case(4, "0 ms", Some(19_200))]
#[case(6, "5 ms", Some(19_200))]
#[case(3, "20 ms", Some(9_600))]
fn operations_that_are_alike_meet_the_scans_in_phases_of_their_own(
    #[case] operations: u16,
    #[case] scan: &str,
    #[case] baud: Option<u32>,
) {
    let mut bench = Bench {
        script: response("limit = \"100 ms\"")
            .replace("operations = 3", &format!("operations = {operations}")),
        ..Bench::demo()
    };
    if let Some(baud) = baud {
        bench.rig = with_link(&serial_link("/dev/ttyUSB0", baud));
    }
    bench.rig = bench.rig.replace("scan_interval = \"5 ms\"", &format!("scan_interval = \"{scan}\""));
    let outcome = bench.run();
    assert_eq!(outcome.record.halted, None);
    let step = outcome
        .record
        .marks
        .iter()
        .filter_map(|mark| matches!(mark.segment, Segment::FastRising { .. }).then_some(mark.step))
        .max();
    for rising in [true, false] {
        let marks = outcome.record.marks.iter().filter(|mark| Some(mark.step) == step);
        let marks = marks.filter(|mark| {
            let [pull, fall] = [
                matches!(mark.segment, Segment::FastRising { .. }),
                matches!(mark.segment, Segment::FastFalling { .. }),
            ];
            if rising { pull } else { fall }
        });
        let mut phases: Vec<f64> = marks.map(|mark| phase_after(&outcome, mark.from)).collect();
        assert_eq!(phases.len(), usize::from(operations));
        phases.sort_by(f64::total_cmp);
        let around = phases
            .windows(2)
            .map(|pair| pair[1] - pair[0])
            .chain([1.0 + phases[0] - phases[phases.len() - 1]]);
        let least = around.fold(f64::INFINITY, f64::min);
        assert!(least > 0.5 / f64::from(operations), "{phases:?}");
    }
}

/// Air pressure falls just when an ejector starts. The order that follows does not wait for delayed scans, on a wire so slow that both
/// together would make a gap.
#[rstest]
fn an_order_behind_a_shift_makes_no_gap(
    #[values(1, 3, 5)] operation: u16,
    #[values(30, 50, 80)] after_ms: u64,
) {
    let mut bench = Bench {
        script: response("limit = \"100 ms\"").replace("operations = 3", "operations = 5"),
        ..Bench::demo()
    };
    let slow = serial_link("/dev/ttyUSB0", 9_600) + "\nanswer_time = \"20 ms\"";
    bench.rig = with_link(&slow);
    let undisturbed = bench.run();
    assert_eq!(undisturbed.record.halted, None);
    let pulls = undisturbed
        .record
        .marks
        .iter()
        .rev()
        .find(|mark| matches!(mark.segment, Segment::FastRising { cycle } if cycle == operation));
    let at_s = (pulls.expect("a pull").from + Duration::from_millis(after_ms)).seconds();
    let effect = Effect::AirPressure { pressure_pa: 3e5, for_s: 5.0 };
    bench.truth.faults.push(Fault { when: Trigger::At(at_s), effect });
    let outcome = bench.run();
    assert_eq!(outcome.record.halted, None);
    let ends: Vec<Mono> = outcome.trace.scans.iter().map(Scan::end).collect();
    let longest = ends.windows(2).map(|pair| pair[1].since(pair[0])).max().expect("scans");
    assert!(longest <= LONGEST_GAP, "{longest:?}");
}

/// On a slow wire the mean of the operations is within its U of the truth, whatever the delay and the phases.
#[rstest]
fn a_mean_response_on_a_slow_wire_is_within_its_u(
    #[values(9_600, 19_200, 115_200)] baud: u32,
    #[values(2, 5, 12)] operations: u16,
) {
    let delays = [0.002, 0.009, 0.016, 0.027];
    let mut bench = with_delays(delays, "limit = \"300 ms\"");
    bench.rig = with_link(&serial_link("/dev/ttyUSB0", baud));
    bench.script = bench.script.replace("operations = 3", &format!("operations = {operations}"));
    let mean = "[promise]\nresponse_for = \"mean\"\n";
    bench.device_type = bench.device_type.replace("[promise]\n", mean);
    let outcome = bench.run();
    assert_eq!(outcome.record.halted, None);
    for quantity in [QuantityName::ResponseOn, QuantityName::ResponseOff] {
        for (check, device) in checks(&outcome, "response", quantity).iter().zip(&bench.truth.devices) {
            let Some(found) = check.measured.as_ref() else { continue };
            let away = found.value - (device.delay_on_s + device.lag_s);
            assert!(
                away.abs() <= found.expanded_uncertainty,
                "{quantity:?} {}: {away} of {}",
                device.position,
                found.expanded_uncertainty
            );
        }
    }
    let measured = checks(&outcome, "response", QuantityName::ResponseOn);
    assert!(measured.iter().any(|check| check.measured.is_some()), "{measured:?}");
}

/// Phase of the scans relative to a moment, as a share of the scan period, once they are evenly spaced again.
fn phase_after(outcome: &Outcome, from: Mono) -> f64 {
    const LATER: usize = 8;
    let starts: Vec<f64> = outcome
        .trace
        .scans
        .iter()
        .map(Scan::start)
        .filter(|start| *start >= from)
        .map(Mono::seconds)
        .take(LATER + 2)
        .collect();
    let period_s = starts[LATER + 1] - starts[LATER];
    ((starts[LATER] - from.seconds()) / period_s).fract()
}

#[test]
fn a_response_is_found_whatever_the_delay() {
    let delays = [0.001, 0.003, 0.025, 0.2];
    let bench = with_delays(delays, "limit = \"300 ms\"");
    let outcome = bench.run();
    assert_eq!(outcome.record.halted, None);
    for quantity in [QuantityName::ResponseOn, QuantityName::ResponseOff] {
        for (check, device) in checks(&outcome, "response", quantity).iter().zip(&bench.truth.devices) {
            let found = check.measured.as_ref().expect("measured");
            let off_s = found.value - (device.delay_on_s + device.lag_s);
            assert!(
                off_s.abs() < found.expanded_uncertainty,
                "{quantity}: {:.1} ms off, U {:.1} ms",
                off_s * 1e3,
                found.expanded_uncertainty * 1e3
            );
        }
    }
}

/// The scatter of a device's level is no delay: at 10 kPa/s, 20 Pa are 2 ms.
#[test]
fn a_response_holds_its_uncertainty_and_a_good_device_is_not_failed_for_its_scatter() {
    let (mut inside, mut all, mut failed) = (0_u32, 0_u32, 0_u32);
    for seed in 0..20 {
        let mut bench = with_delays([0.003; 4], "");
        bench.script =
            bench.script.replace("operations = 3", "operations = 1").replace("cycles = 2", "cycles = 5");
        bench.truth.seed = seed;
        let outcome = bench.run();
        for quantity in [QuantityName::ResponseOn, QuantityName::ResponseOff] {
            for check in checks(&outcome, "response", quantity) {
                let found = check.measured.as_ref().expect("measured");
                all += 1;
                inside += u32::from((found.value - 0.005).abs() < found.expanded_uncertainty);
                failed += u32::from(check.verdict == CheckVerdict::Fail);
            }
        }
    }
    assert!(inside * 100 >= all * 92, "{inside} of {all}");
    assert!(failed * 100 <= all * 2, "{failed} of {all}");
}

#[test]
fn a_late_output_fails_and_one_in_time_passes() {
    let outcome = with_delays([0.001, 0.06, 0.001, 0.06], "limit = \"25 ms\"").run();
    for quantity in [QuantityName::ResponseOn, QuantityName::ResponseOff] {
        let found: Vec<_> =
            checks(&outcome, "response", quantity).iter().map(|check| check.verdict).collect();
        let [pass, fail] = [CheckVerdict::Pass, CheckVerdict::Fail];
        assert_eq!(found, [pass, fail, pass, fail], "{quantity}");
    }
}

/// Timed from the reference as read, an output 11 ms late at a lag of 2 ms would look like 9 ms.
#[test]
fn an_output_later_than_its_limit_by_less_than_the_lag_never_passes() {
    for seed in 0..20 {
        let mut bench = with_delays([0.009; 4], "limit = \"10 ms\"");
        bench.truth.seed = seed;
        let outcome = bench.run();
        for quantity in [QuantityName::ResponseOn, QuantityName::ResponseOff] {
            let passed = checks(&outcome, "response", quantity)
                .iter()
                .filter(|check| check.verdict == CheckVerdict::Pass)
                .count();
            assert_eq!(passed, 0, "seed {seed}");
        }
    }
}

/// A script may allow more time than the sheets promise: the levels are still found with the promised delay.
#[test]
fn an_output_later_than_the_sheets_say_fails_whatever_the_script_allows() {
    let outcome = with_delays([0.001, 0.25, 0.001, 0.001], "limit = \"300 ms\"").run();
    assert_eq!(checks(&outcome, "response", QuantityName::ResponseOn)[1].verdict, CheckVerdict::Fail);
    assert_eq!(verdicts(&outcome)[1], Verdict::Fail);
}

/// A filter that the sheet declares but the module does not have makes every edge early and every level wrong.
#[test]
fn an_output_that_answers_before_its_level_is_never_passed() {
    let mut bench = with_delays([0.001; 4], "limit = \"300 ms\"");
    bench.rig = bench.rig.replace("[module]\n", "[module]\ninput_filter = \"60 ms\"\n");
    let outcome = bench.run();
    for quantity in [QuantityName::ResponseOn, QuantityName::ResponseOff, QuantityName::OffDelay] {
        for check in outcome.record.positions.iter().flat_map(|position| &position.checks) {
            assert!(check.quantity != quantity || check.verdict == CheckVerdict::Undecided, "{quantity}");
        }
    }
    assert!(!verdicts(&outcome).contains(&Verdict::Pass));
}

#[test]
fn an_output_that_bounces_has_no_response() {
    let mut bench = with_delays([0.003; 4], "limit = \"60 ms\"");
    let counter = "at = \"discrete-input 0\", counter = { at = \"input-register 10\" }";
    bench.rig = bench.rig.replace("at = \"discrete-input 0\"", counter);
    bench.truth.devices[0].fault = Some(DeviceFault::Bouncing);
    let found = checks(&bench.run(), "response", QuantityName::ResponseOn);
    assert_eq!(found[0].verdict, CheckVerdict::Undecided, "{:?}", found[0].remark);
    assert_eq!(found[1].verdict, CheckVerdict::Pass);
}

#[rstest]
#[case(by_hand(), "", &["valves-missing"])]
#[case(without_output(&without_output(&Bench::demo().rig, "evacuate-fine"), "bleed"), "", &["response-needs-slower"])]
#[case(Bench::demo().rig, "way = \"full-flow\"", &["response-needs-slower"])]
fn a_response_that_the_rig_can_not_show_is_refused(
    #[case] rig: String,
    #[case] way: &str,
    #[case] rules: &[&str],
) {
    let steps = format!(
        "[[step]]\ndo = \"switch-points\"\n{way}\n[[step]]\ndo = \"response\"\n[[step]]\ndo = \"leak\""
    );
    let bench = Bench { rig, script: script(&steps), ..Bench::demo() };
    assert_eq!(bench.refusals(), rules);
}

// The demo's type responds within 6 ms, plus the delay that is set. No device can respond within the set delay itself.
#[rstest]
#[case("20 ms", "20 ms", Some("response-limit-too-short"))]
#[case("20 ms", "19 ms", Some("response-limit-too-short"))]
#[case("20 ms", "25 ms", Some("response-limit-below-promise"))]
#[case("20 ms", "26 ms", None)]
#[case("0 ms", "5 ms", Some("response-limit-below-promise"))]
#[case("0 ms", "6 ms", None)]
fn a_response_limit_that_devices_can_not_keep_is_said(
    #[case] delay: &str,
    #[case] limit: &str,
    #[case] rule: Option<&str>,
) {
    let steps = format!("[[step]]\ndo = \"switch-points\"\n[[step]]\ndo = \"response\"\nlimit = \"{limit}\"");
    let mut bench = Bench { script: script(&steps), ..Bench::demo() };
    let set = format!("delay = \"{delay}\"");
    bench.settings = bench.settings.map(|text| text.replace("delay = \"0 ms\"", &set));
    let found = bench.findings();
    let said: Vec<&str> = found.into_iter().filter(|rule| rule.starts_with("response-limit")).collect();
    assert_eq!(said, rule.into_iter().collect::<Vec<_>>());
}

#[test]
fn a_response_needs_levels_of_the_same_run() {
    let bench = Bench { script: script("[[step]]\ndo = \"response\""), ..Bench::demo() };
    assert_eq!(bench.refusals(), ["no-levels-before"]);
}

/// The demo with four good devices.
fn all_good() -> Bench {
    let mut bench = Bench::demo();
    bench.truth.devices[2].switch_point_pa = 60_000.0;
    bench
}

fn rig_for(drive: &str) -> String {
    if drive == "by-wire" { with_hand_over() } else { Bench::demo().rig }
}

#[rstest]
fn a_device_that_drives_the_valve_shows_where_it_cuts_and_resumes(
    #[values("through-rig", "by-wire")] drive: &str,
) {
    let script = saving(&format!("drive = \"{drive}\""));
    let bench = Bench { rig: rig_for(drive), script, ..all_good() };
    let outcome = bench.run();
    assert_eq!(verdicts(&outcome), [Verdict::Pass; 4]);
    let truth = |pick: fn(&tripbench_simulator::AirSavingTruth) -> f64| {
        bench.truth.devices.iter().map(move |device| pick(device.air_saving.as_ref().expect("saves air")))
    };
    let levels = [
        (QuantityName::CutOff, truth(|saving| saving.cut_off_pa).collect::<Vec<_>>()),
        (QuantityName::Resume, truth(|saving| saving.resume_pa).collect()),
    ];
    for (quantity, wanted) in levels {
        for (check, wanted) in checks(&outcome, "air-saving", quantity).iter().zip(wanted) {
            let found = check.measured.as_ref().expect("measured");
            let off = (found.value - wanted).abs();
            assert!(off < found.expanded_uncertainty, "{quantity}: {off:.0} Pa off");
            assert_eq!(check.crossings.len(), 3);
        }
    }
}

#[rstest]
fn a_valve_that_is_open_without_power_works_through_the_rig_and_is_refused_by_wire(
    #[values("through-rig", "by-wire")] drive: &str,
) {
    let mut bench =
        Bench { rig: rig_for(drive), script: saving(&format!("drive = \"{drive}\"")), ..all_good() };
    let settings = bench.settings.as_ref().expect("settings");
    bench.settings = Some(settings.replace("closed-without-power", "open-without-power"));
    for device in &mut bench.truth.devices {
        device.air_saving.as_mut().expect("saves air").open_without_power = true;
    }
    if drive == "by-wire" {
        assert_eq!(bench.refusals(), ["valve-of-other-kind"]);
    } else {
        assert_eq!(verdicts(&bench.run()), [Verdict::Pass; 4]);
    }
}

/// A device's misbehaviour, and the check that has to detect it.
#[rstest]
#[case(79_000.0, 64_000.0, 55_000.0, QuantityName::CutOff)]
#[case(70_000.0, 40_000.0, 55_000.0, QuantityName::Resume)]
#[case(70_000.0, 66_000.0, 55_000.0, QuantityName::Resume)]
#[case(72_000.0, 64_000.0, 55_000.0, QuantityName::CutOff)]
#[case(70_000.0, 64_000.0, 63_900.0, QuantityName::LeastDeepLevel)]
fn a_device_that_saves_air_wrongly_fails(
    #[case] cut_off_pa: f64,
    #[case] resume_pa: f64,
    #[case] reset_point_pa: f64,
    #[case] quantity: QuantityName,
    #[values("through-rig", "by-wire")] drive: &str,
) {
    let script = saving(&format!("drive = \"{drive}\""));
    let mut bench = Bench { rig: rig_for(drive), script, ..all_good() };
    let device = &mut bench.truth.devices[1];
    let saving = device.air_saving.as_mut().expect("saves air");
    (saving.cut_off_pa, saving.resume_pa) = (cut_off_pa, resume_pa);
    device.reset_point_pa = reset_point_pa;
    device.switch_point_pa = device.switch_point_pa.max(reset_point_pa + 500.0);
    let outcome = bench.run();
    assert_eq!(outcome.record.halted, None);
    let [pass, fail] = [Verdict::Pass, Verdict::Fail];
    assert_eq!(verdicts(&outcome), [pass, fail, pass, pass]);
    assert_eq!(checks(&outcome, "air-saving", quantity)[1].verdict, CheckVerdict::Fail);
}

#[test]
fn a_device_that_does_not_feed_at_all_never_passes() {
    let mut bench = Bench { script: saving(""), ..all_good() };
    bench.truth.devices[2].air_saving = None;
    let outcome = bench.run();
    assert_ne!(verdicts(&outcome)[2], Verdict::Pass);
    assert_eq!(verdicts(&outcome)[0], Verdict::Pass);
}

#[test]
fn a_plug_pulled_while_a_device_drives_sets_it_aside_and_the_others_go_on() {
    let mut bench = Bench { script: saving(""), ..all_good() };
    let second = Trigger::RisingThrough { level_pa: 66_000.0, time: 6 };
    bench.truth.faults.push(Fault { when: second, effect: Effect::PullPlug(2) });
    let outcome = bench.run();
    assert_eq!(verdicts(&outcome), [Verdict::Pass, Verdict::Aborted, Verdict::Pass, Verdict::Pass]);
    assert!(outcome.record.safe_confirmed);
}

#[test]
fn a_hose_that_comes_off_while_a_device_drives_never_leaves_a_pass() {
    let lasted = Bench { script: saving(""), ..all_good() }.run().lasted.seconds();
    for share in [0.3, 0.5, 0.7] {
        let mut bench = Bench { script: saving(""), ..all_good() };
        bench.truth.faults.push(Fault { when: Trigger::At(lasted * share), effect: Effect::PullHose });
        let found = verdicts(&bench.run());
        assert!(!found.contains(&Verdict::Pass), "{share}: {found:?}");
    }
}

#[rstest]
#[case(Bench::demo().rig, "drive = \"by-wire\"", &["no-hand-over"])]
#[case(by_hand(), "", &["valves-missing"])]
#[case(Bench::demo().rig.replace("valve = {", "# valve = {"), "", &["valve-not-seen", "valve-not-seen"])]
fn air_saving_that_the_rig_can_not_show_is_refused(
    #[case] rig: String,
    #[case] more: &str,
    #[case] rules: &[&str],
) {
    let bench = Bench { rig, script: saving(more), ..all_good() };
    assert_eq!(bench.refusals(), rules);
}

#[test]
fn air_saving_needs_settings_that_have_it() {
    let mut bench = Bench { script: saving(""), ..all_good() };
    let settings = bench.settings.as_ref().expect("settings");
    let (head, rest) = settings.split_once("[air_saving]").expect("air saving");
    let (_, tail) = rest.split_once("[workpiece]").expect("a workpiece");
    bench.settings = Some(format!("{head}[workpiece]{tail}"));
    assert_eq!(bench.refusals(), ["no-air-saving"]);
}
