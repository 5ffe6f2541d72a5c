use super::*;
use crate::bench::{Bench, near};
use rstest::rstest;

// Response 6 ms, lag 2 ms ± 1 ms: the mean net delay is selected + 3 − 2 ms, the longest delay selected + 6 ms.
#[rstest]
#[case("0 ms", 0.0)]
#[case("200 ms", 0.2)]
fn delays_are_what_the_sheets_say(#[case] selected: &str, #[case] selected_s: f64) {
    let task = Bench::new().settings("delay = \"0 ms\"", &format!("delay = \"{selected}\"")).task();
    near(selected_delay_s(&task), selected_s);
    near(response_s(&task), 6e-3);
    near(longest_delay_s(&task), selected_s + 6e-3);
    near(net_delay_s(&task), selected_s + 1e-3);
    // The selected delay is one of the type's, and is listed once.
    assert_eq!(selectable_s(&task), [0.0, 0.2]);
}

#[test]
fn of_an_unknown_device_no_delay_is_promised() {
    let task = Bench::new().unknown_device().task();
    near(longest_delay_s(&task), 0.0);
    near(net_delay_s(&task), -2e-3);
    assert_eq!(selectable_s(&task), [0.0]);
    near(promised_spread_pa(&task, 60e3), 50.0);
}

// With nothing left open: 0 to 6 ms, less 2 ms of lag, less 1 ms already subtracted: 0 ± 3 ms and ± 1 ms. With another delay 200 ms
// away left open: 0 (a delay is never negative) to 206 ms; 0 to 406 ms where 200 ms is selected.
#[rstest]
#[case("0 ms", 0.0, 3e-3 - 2e-3 - 1e-3, 3e-3)]
#[case("0 ms", 0.2, 103e-3 - 3e-3, 103e-3)]
#[case("200 ms", 0.0, 203e-3 - 3e-3, 3e-3)]
#[case("200 ms", 0.2, 203e-3 - 3e-3, 203e-3)]
fn what_is_known_beforehand_of_a_delay(
    #[case] selected: &str,
    #[case] other_s: f64,
    #[case] centre_s: f64,
    #[case] half_s: f64,
) {
    let task = Bench::new().settings("delay = \"0 ms\"", &format!("delay = \"{selected}\"")).task();
    let prior = delay_prior(&task, 1e-3, other_s);
    near(prior.centre_s, centre_s);
    near(prior.half_widths_s[0], half_s);
    near(prior.half_widths_s[1], 1e-3);
}

// 0.2 % of 100 kPa as a half width is 200 Pa, two standard deviations; a percentage of the reading gives another value.
#[rstest]
#[case("0.2 %FS", 60e3, 100.0)]
#[case("0.5 %reading", 60e3, 150.0)]
#[case("3 digits", 60e3, 150.0)]
fn the_promised_spread_is_half_of_the_half_width(
    #[case] text: &str,
    #[case] level: f64,
    #[case] spread: f64,
) {
    let task = Bench::new().device("0.2 %FS", text).task();
    near(promised_spread_pa(&task, level), spread);
}
