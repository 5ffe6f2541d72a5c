use super::*;
use rstest::rstest;

/// A density of a few cells, whose expected values are computed by hand.
fn cells(start: f64, step: f64, masses: &[f64]) -> Density {
    Density::new(start, step, masses.to_vec()).expect("a density")
}

#[track_caller]
fn near(found: f64, expected: f64) {
    assert!((found - expected).abs() < 1e-9, "{found} instead of {expected}");
}

#[rstest]
#[case(1.0, vec![])]
#[case(1.0, vec![0.0, 0.0])]
#[case(1.0, vec![1.0, f64::NAN])]
#[case(1.0, vec![1.0, f64::INFINITY])]
#[case(1.0, vec![1.0, -2.0])]
#[case(0.0, vec![1.0])]
#[case(-1.0, vec![1.0])]
#[case(f64::INFINITY, vec![1.0])]
fn masses_that_are_no_density_are_refused(#[case] step: f64, #[case] masses: Vec<f64>) {
    assert!(Density::new(0.0, step, masses).is_none());
}

// Cells at 10, 12, 14 with masses 1/8, 2/8, 5/8: mean (10 + 24 + 70)/8 = 13, variance (9 + 2 + 5)/8 = 2.
#[test]
fn mean_and_deviation_of_three_cells_are_those_by_hand() {
    let three = cells(10.0, 2.0, &[1.0, 2.0, 5.0]);
    near(three.mean(), 13.0);
    near(three.standard_deviation(), 2f64.sqrt());
    let centred = three.centred();
    near(centred.mean(), 0.0);
    near(centred.standard_deviation(), 2f64.sqrt());
}

// Cells from 9 to 15 with 1/8, 1/4 and 5/8 of the mass, uniform within each cell.
#[rstest]
#[case(9.0, 11.0, 0.125)]
#[case(9.0, 13.0, 0.375)]
#[case(10.0, 12.0, 0.0625 + 0.125)]
#[case(13.0, 14.0, 0.3125)]
#[case(14.5, 99.0, 0.156_25)]
#[case(-99.0, 10.0, 0.0625)]
#[case(-99.0, 99.0, 1.0)]
#[case(12.0, 10.0, 0.0)]
fn the_mass_between_two_values_is_that_of_the_cells(#[case] low: f64, #[case] high: f64, #[case] mass: f64) {
    near(cells(10.0, 2.0, &[1.0, 2.0, 5.0]).between(low, high), mass);
}

// A parabola through three neighbours has its vertex (before − after)/(2 (before − 2 here + after)) cells from the middle one.
#[rstest]
#[case(&[1.0, 4.0, 2.0], 10.0 + 2.0 * 1.1)]
#[case(&[2.0, 4.0, 1.0], 10.0 + 2.0 * 0.9)]
#[case(&[0.0, 1.0, 4.0, 3.0, 0.0], 10.0 + 2.0 * 2.25)]
#[case(&[5.0, 4.0, 1.0], 10.0)]
#[case(&[1.0, 4.0, 5.0], 14.0)]
#[case(&[3.0, 3.0, 3.0], 14.0)]
fn the_mode_is_the_top_of_a_parabola(#[case] masses: &[f64], #[case] mode: f64) {
    near(cells(10.0, 2.0, masses).mode(), mode);
}

#[test]
fn minus_a_quantity_has_its_density_turned_round() {
    let turned = cells(10.0, 2.0, &[1.0, 2.0, 5.0]).mirrored();
    near(turned.mean(), -13.0);
    near(turned.between(-15.0, -13.0), 0.625);
    near(turned.between(-11.0, -9.0), 0.125);
}

#[rstest]
#[case(3.0, 39.0, (27.0, 33.0))]
#[case(-3.0, -39.0, (-33.0, -27.0))]
#[case(0.5, 6.5, (4.5, 5.5))]
fn a_factor_scales_mean_deviation_and_order(
    #[case] factor: f64,
    #[case] mean: f64,
    #[case] first: (f64, f64),
) {
    let scaled = cells(10.0, 2.0, &[1.0, 2.0, 5.0]).scaled(factor);
    near(scaled.mean(), mean);
    near(scaled.standard_deviation(), 2f64.sqrt() * factor.abs());
    near(scaled.between(first.0, first.1), 0.125);
}

#[test]
fn a_weight_multiplies_each_cell() {
    let found = cells(10.0, 2.0, &[1.0, 2.0, 5.0]).weighted(|x| if x < 13.0 { x } else { 0.0 });
    // Remaining masses 10 · 1 and 12 · 2, normalized 10/34 and 24/34.
    near(found.expect("some").mean(), (100.0 + 288.0) / 34.0);
    assert!(cells(10.0, 2.0, &[1.0]).weighted(|_| 0.0).is_none());
}

// Ten equal cells: a rectangle from −5 to 5 steps, of which 95 % lie within 4.75 steps of its middle.
#[rstest]
#[case(0.95, 4.75)]
#[case(0.5, 2.5)]
#[case(1.0, 5.0)]
fn the_half_width_of_a_rectangle_is_its_share(#[case] share: f64, #[case] steps: f64) {
    near(cells(-4.5 * 0.2 + 7.0, 0.2, &[1.0; 10]).half_width(share), steps * 0.2);
}

// A single cell is a rectangle of one step.
#[test]
fn a_single_cell_is_a_rectangle() {
    near(cells(3.0, 2.0, &[7.0]).half_width(0.95), 0.95);
}

/// A normal density on a fine grid, wide enough for the sums in these tests.
fn normal(sd: f64) -> Density {
    Density::normal(sd, 0.05, 12.0).expect("a density")
}

// Normal distribution (closed form, erf(k/√2)): 68.27 % within one, 95.45 % within two standard deviations.
#[rstest]
#[case(1.0, 0.682_689_492)]
#[case(2.0, 0.954_499_736)]
fn a_normal_density_holds_what_the_tables_say(#[case] k: f64, #[case] mass: f64) {
    let found = normal(1.3);
    assert!((found.between(-1.3 * k, 1.3 * k) - mass).abs() < 1e-4);
    assert!(found.mean().abs() < 1e-12);
    assert!((found.standard_deviation() - 1.3).abs() < 1e-6);
}

// Reach 1.2 with cells of 0.5: rounded up to a whole number of cells, three on each side.
#[test]
fn a_normal_density_reaches_a_whole_cell_farther() {
    let short = Density::normal(100.0, 0.5, 1.2).expect("a density");
    near(short.start, -1.5);
    assert_eq!(short.masses.len(), 7);
}

// Variances add: 1.3² + half²/3.
#[rstest]
#[case(0.5)]
#[case(2.0)]
#[case(4.0)]
fn a_rectangle_adds_a_third_of_the_square_of_its_half_width(#[case] half: f64) {
    let found = normal(1.3).with_rectangle(half);
    // The grid of cells 0.05 wide adds 0.05²/12 to the variance.
    let expected = (1.3_f64.powi(2) + half.powi(2) / 3.0).sqrt();
    assert!((found.standard_deviation() - expected).abs() < 2e-3, "{}", found.standard_deviation());
    assert!(found.mean().abs() < 1e-9);
}

#[test]
fn a_rectangle_that_is_next_to_nothing_changes_nothing() {
    let before = normal(1.3);
    assert_eq!(before.with_rectangle(0.05 * 0.9e-3), before);
    assert_ne!(before.with_rectangle(0.05 * 1.1), before);
}

// The mean of the first is kept, that of the second is removed; variances add. The second is asymmetric and on another grid: four
// cells 0.7 apart with 4, 3, 2, 1 tenths of the mass have the variance 1 · 0.7².
#[rstest]
#[case(&[4.0, 3.0, 2.0, 1.0])]
#[case(&[1.0, 2.0, 3.0, 4.0])]
fn a_sum_with_a_lopsided_density_keeps_its_mean_and_adds_the_variances(#[case] masses: &[f64]) {
    let other = cells(5.0, 0.7, masses);
    let found = normal(1.3).with(&other);
    // Uniform mass within a cell adds 0.7²/12.
    let variance = 0.49 + 0.49 / 12.0;
    let expected = (1.3_f64.powi(2) + variance).sqrt();
    assert!((found.standard_deviation() - expected).abs() < 1e-3, "{}", found.standard_deviation());
    assert!(found.mean().abs() < 1e-4, "{}", found.mean());
    // The sum has its longer tail on the same side as the second density.
    let tails = found.between(3.0, 12.0) - found.between(-12.0, -3.0);
    assert!((tails > 0.0) == (masses[0] > masses[3]) && tails.abs() > 1e-3, "{tails}");
}

// The sum of two rectangles of equal width is a triangle. Two times ten cells of 0.2: ±1 and ±1; the mass within ±0.2 of a
// triangle of ±2 is 1 − 0.9² = 0.19.
#[test]
fn two_rectangles_make_a_triangle() {
    let mut wide = vec![0.0; 40];
    wide[15..25].fill(1.0);
    let first = cells(-3.9, 0.2, &wide);
    let second = cells(-0.9, 0.2, &[1.0; 10]);
    let found = first.with(&second);
    near(found.mean(), 0.0);
    assert!((found.between(-0.2, 0.2) - 0.19).abs() < 2e-3, "{}", found.between(-0.2, 0.2));
    assert!((found.between(-2.2, 2.2) - 1.0).abs() < 1e-9);
    assert!((found.standard_deviation() - (2.0_f64 / 3.0).sqrt()).abs() < 5e-3);
}

// Standard deviations of 4 and of 8 cells of 0.5: the mass at the middle is e^½ times that one standard deviation away.
#[rstest]
#[case(2.0)]
#[case(4.0)]
fn a_normal_density_falls_by_the_root_of_e(#[case] sd: f64) {
    let found = Density::normal(sd, 0.5, 20.0).expect("a density");
    let mass = |at: f64| found.between(at - 0.25, at + 0.25);
    assert!((mass(0.0) / mass(sd) - 0.5_f64.exp()).abs() < 1e-9);
}

// Ten cells of 100: 95 % of a rectangle of ± 500.
#[test]
fn wide_cells_have_wide_half_widths() {
    near(cells(-450.0, 100.0, &[1.0; 10]).half_width(0.95), 475.0);
}
