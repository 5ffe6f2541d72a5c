//! Comparison of values that were computed on different machines.

use serde::Serialize;
use serde_json::Value;

/// Largest difference of two equal numbers, relative to the larger one or to [`LEAST`]: far more than rounding causes, far less than an
/// alteration would change.
const ROUNDING: f64 = 1e-9;
/// Smallest reference for [`ROUNDING`], in the unit of the number (pascal, second, share): a small difference of two large numbers has
/// the rounding error of the large ones.
const LEAST: f64 = 0.01;

/// Whether two values are equal up to the last digits of their floating-point numbers. Mathematical libraries do not round alike on all
/// machines.
pub fn same_but_for_rounding<T: Serialize + ?Sized>(one: &T, other: &T) -> bool {
    let [one, other] = [one, other].map(serde_json::to_value);
    one.ok().zip(other.ok()).is_some_and(|(one, other)| alike(&one, &other))
}

fn alike(one: &Value, other: &Value) -> bool {
    match (one, other) {
        (Value::Number(one), Value::Number(other)) if one.is_f64() || other.is_f64() => {
            let figures = one.as_f64().zip(other.as_f64());
            figures.is_some_and(|(one, other)| {
                (one - other).abs() <= ROUNDING * one.abs().max(other.abs()).max(LEAST)
            })
        }
        (Value::Array(one), Value::Array(other)) => {
            one.len() == other.len() && one.iter().zip(other).all(|(one, other)| alike(one, other))
        }
        (Value::Object(one), Value::Object(other)) => {
            one.len() == other.len()
                && one.iter().all(|(key, one)| other.get(key).is_some_and(|other| alike(one, other)))
        }
        (one, other) => one == other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;
    use serde_json::json;

    #[rstest]
    #[case::same(json!(60_000.0), json!(60_000.0), true)]
    #[case::last_digit(json!(60_000.0), json!(60_000.000_000_000_01), true)]
    #[case::a_difference_of_two(json!(0.0), json!(-7e-12), true)]
    #[case::a_hundredth_of_a_pascal(json!(60_000.0), json!(60_000.01), false)]
    #[case::a_microsecond(json!(0.02), json!(0.020_001), false)]
    #[case::a_small_one(json!(1e-5), json!(1.000_01e-5), false)]
    #[case::another_sign(json!(0.02), json!(-0.02), false)]
    #[case::whole_beside_whole(json!(1_000_000_000_000_u64), json!(1_000_000_000_001_u64), false)]
    #[case::whole_beside_figure(json!(5), json!(5.0), true)]
    #[case::figure_beside_none(json!(5.0), json!(null), false)]
    #[case::figure_beside_text(json!(5.0), json!("5.0"), false)]
    #[case::nested(json!({"a": [1.5, {"b": 0.1}]}), json!({"a": [1.5, {"b": 0.100_000_000_000_000_02}]}), true)]
    #[case::longer(json!([1.5]), json!([1.5, 1.5]), false)]
    #[case::another_key(json!({"a": 1.5}), json!({"b": 1.5}), false)]
    #[case::a_key_more(json!({"a": 1.5}), json!({"a": 1.5, "b": 1.5}), false)]
    #[case::another_word(json!(["pass"]), json!(["fail"]), false)]
    fn only_the_last_digits_of_figures_may_differ(
        #[case] one: Value,
        #[case] other: Value,
        #[case] same: bool,
    ) {
        assert_eq!(same_but_for_rounding(&one, &other), same);
        assert_eq!(same_but_for_rounding(&other, &one), same);
    }
}
