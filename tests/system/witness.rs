//! scipy as an independent witness: t, normal and interval likelihood on random cases.

use crate::python::{python, script};
use rand_core::SeedableRng;
use rand_distr::{Distribution, Uniform};
use rand_pcg::Pcg64Mcg;
use serde_json::{Value, json};
use std::io::Write;
use std::process::{Command, Stdio};
use tripbench_measure::{
    Contribution, CrossingInterval, Limits, combine, conformance_probability, posterior,
};

/// scipy's answer to each question, in order; `None` without the python that `tests/run` sets up.
fn asked(questions: &[Value]) -> Option<Vec<Value>> {
    let python = python()?;
    let mut child = Command::new(python)
        .arg(script("witness.py"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python starts");
    let mut lines: Vec<String> = questions.iter().map(Value::to_string).collect();
    lines.push(String::new());
    let lines = lines.join("\n");
    let mut input = child.stdin.take().expect("a pipe");
    let writer = std::thread::spawn(move || input.write_all(lines.as_bytes()));
    let output = child.wait_with_output().expect("answers");
    writer.join().expect("no panic").expect("questions are written");
    assert!(output.status.success(), "the witness failed");
    let answers: Vec<Value> = String::from_utf8_lossy(&output.stdout)
        .lines()
        .map(|line| serde_json::from_str(line).expect("an answer"))
        .collect();
    assert_eq!(answers.len(), questions.len());
    Some(answers)
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

#[test]
fn student_and_normal_agree_with_scipy() {
    let mut random = Pcg64Mcg::seed_from_u64(1);
    let mut within = |low: f64, high: f64| Uniform::new(low, high).expect("a range").sample(&mut random);
    let freedoms: Vec<f64> = (0..60).map(|_| 10_f64.powf(within(0.0, 3.5))).collect();
    let cases: Vec<[f64; 4]> = (0..60)
        .map(|_| {
            let low = within(-3.0, 2.0);
            [within(-2.0, 2.0), within(0.2, 2.0), low, low + within(0.1, 4.0)]
        })
        .collect();
    let questions = freedoms.iter().map(|nu| json!({ "kind": "t", "nu": nu })).chain(
        cases
            .iter()
            .map(|[y, u, low, high]| json!({ "kind": "inside", "y": y, "u": u, "low": low, "high": high })),
    );
    let Some(answers) = asked(&questions.collect::<Vec<_>>()) else { return };
    for (freedom, expected) in freedoms.iter().zip(&answers) {
        let part = Contribution { degrees_of_freedom: Some(*freedom), ..Contribution::normal("part", 1.0) };
        let found = combine(0.0, 0.0, vec![part]).expect("a result").welch_satterthwaite;
        let expected = number(expected);
        assert!((found / expected - 1.0).abs() < 1e-8, "t({freedom}) = {found} instead of {expected}");
    }
    for ([y, u, low, high], expected) in cases.iter().zip(&answers[freedoms.len()..]) {
        let result = combine(*y, 0.0, vec![Contribution::normal("all", *u)]).expect("a result");
        let found = conformance_probability(&result, Limits { low: Some(*low), high: Some(*high) });
        let expected = number(expected);
        assert!((found - expected).abs() < 2e-4, "{found} instead of {expected}");
    }
}

/// Two crossings with a known spread, in cases where they leave it at the promised value.
#[test]
fn the_likelihood_of_intervals_agrees_with_scipy() {
    let mut random = Pcg64Mcg::seed_from_u64(2);
    let mut within = |low: f64, high: f64| Uniform::new(low, high).expect("a range").sample(&mut random);
    let cases: Vec<([[f64; 2]; 2], f64)> = (0..60)
        .map(|_| {
            let spread = within(2.0, 40.0);
            let mut interval = || {
                let low = within(-30.0, 10.0);
                [low, low + within(5.0, 60.0)]
            };
            ([interval(), interval()], spread)
        })
        // Intervals with nothing in common show by themselves that the spread is larger.
        .filter(|([a, b], spread)| (a[0].max(b[0]) - a[1].min(b[1])) < *spread)
        .collect();
    assert!(cases.len() > 40);
    let question = |kind: &str, (intervals, spread): &([[f64; 2]; 2], f64)| json!({ "kind": kind, "intervals": intervals, "spread": spread });
    let questions = cases
        .iter()
        .map(|case| question("most-likely", case))
        .chain(cases.iter().map(|case| question("posterior", case)));
    let Some(answers) = asked(&questions.collect::<Vec<_>>()) else { return };
    for (index, (intervals, spread)) in cases.iter().enumerate() {
        let crossings = intervals.map(|[low_pa, high_pa]| CrossingInterval { low_pa, high_pa, fit_pa: 0.0 });
        let found = posterior(&crossings, *spread).expect("a level");
        let width = found.standard_deviation_pa;
        let most_likely = number(&answers[index]);
        assert!(
            (found.density.mode() - most_likely).abs() < 0.1 * width,
            "{} instead of {most_likely}",
            found.density.mode()
        );
        let posterior = &answers[cases.len() + index];
        let (mean, deviation) = (number(&posterior[0]), number(&posterior[1]));
        assert!((found.mean_pa - mean).abs() < 0.01 * deviation, "{} instead of {mean}", found.mean_pa);
        assert!((width / deviation - 1.0).abs() < 0.01, "{width} instead of {deviation}");
    }
}
