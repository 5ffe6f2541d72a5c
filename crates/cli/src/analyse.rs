//! `tripbench analyse`: the levels at which the signals of a recording from another instrument change.

use crate::args::{AnalyseOptions, SchemaOf};
use crate::exit::Exit;
use crate::{load, say};
use anyhow::{Context, Result};
use serde_json::{Value, json};
use tripbench_measure::MeasurementResult;
use tripbench_quantity::PressureUnit;
use tripbench_recording::{
    Analysis, ColumnMap, EdgeLevel, Recording, SignalAnalysis, analyse as analyse_recording,
};
use tripbench_sheet::Findings;

pub(crate) fn analyse(options: &AnalyseOptions) -> Result<Exit> {
    let findings = Findings::new();
    let columns = load::source(&options.columns)?;
    let map = load::read_given(SchemaOf::Columns, &columns, &findings, ColumnMap::read);
    if load::show(findings) {
        return Ok(Exit::Usage);
    }
    let map = map.context("the column map has errors")?;
    let path = options.recording.display();
    let bytes = std::fs::read(&options.recording).with_context(|| format!("cannot read `{path}`"))?;
    let text = String::from_utf8(bytes).with_context(|| format!("`{path}` is not UTF-8 text"))?;
    let recording = Recording::from_csv(&map, &text).with_context(|| format!("`{path}` cannot be used"))?;
    let resolution_pa = map.resolution * map.level.1.pascal();
    let gap_s = map.longest_gap.map(|gap| gap.duration().as_secs_f64());
    let found = analyse_recording(&recording, resolution_pa, gap_s);
    if options.json {
        say::json(&serde_json::to_string_pretty(&as_json(&found, recording.left_out, map.level.1))?);
        return Ok(Exit::Measured);
    }
    say::out(&format!(
        "{path}: {} rows over {:.1} s, usually {:.3} s apart; {} gaps of more than {:.1} s; {} rows with an empty cell left out.",
        found.rows,
        found.lasts_s,
        found.interval_s,
        found.gaps.len(),
        found.longest_gap_s,
        recording.left_out
    ));
    let scatter = found.scatter_pa / map.level.1.pascal();
    say::out(&format!(
        "Single rows scatter by {scatter:.*} {}; every U includes this.",
        digits(scatter),
        map.level.1.symbol()
    ));
    if found.stamp_s > 0.0 {
        say::out(&format!(
            "Rows share time stamps in steps of {:.3} s: the time of a row within a step is unknown, so changes are located no more closely.",
            found.stamp_s
        ));
    }
    for (from_s, long_s) in &found.gaps {
        say::out(&format!("  gap at {from_s:.1} s, {long_s:.1} s long"));
    }
    for signal in &found.signals {
        show(signal, map.level.1);
    }
    say::out(
        "\nMeasured, not judged: U covers only resolution and row spacing. The calibration and delays of the recording's transducer",
    );
    say::out("are unknown here; no U includes them.");
    Ok(Exit::Measured)
}

fn show(signal: &SignalAnalysis, unit: PressureUnit) {
    say::out(&format!("\nSignal {}", signal.name));
    for (name, edge) in [("on", &signal.on), ("off", &signal.off)] {
        match edge {
            None => say::out(&format!("  turns {name:<4} never between two rows close enough together")),
            Some(edge) => edge_lines(name, edge, unit),
        }
    }
    if let Some(difference) = &signal.difference {
        say::out(&format!("  on minus off       {}", amount(difference, unit, "")));
    }
    let period = signal.period_s.map_or_else(String::new, |period| format!(", mean period {period:.1} s"));
    say::out(&format!("  complete cycles    {}{period}", signal.cycles));
    for (name, rate) in [("rate while on", &signal.rate_on), ("rate while off", &signal.rate_off)] {
        if let Some(rate) = rate {
            say::out(&format!("  {name:<17}  {}", amount(rate, unit, "/s")));
        }
    }
}

fn edge_lines(name: &str, edge: &EdgeLevel, unit: PressureUnit) {
    let scale = unit.pascal();
    let direction = if edge.rising { "rising" } else { "falling" };
    let (value, u) = (edge.result.value / scale, edge.result.expanded_uncertainty / scale);
    let digits = digits(u);
    say::out(&format!(
        "  turns {name:<4} at     {}, {direction}: between {:.digits$} and {:.digits$} {} (95 %), from {} changes{}",
        amount(&edge.result, unit, ""),
        value - u,
        value + u,
        unit.symbol(),
        edge.edges.len(),
        if edge.in_gaps > 0 {
            format!(", {} more within gaps not used", edge.in_gaps)
        } else {
            String::new()
        }
    ));
    for one in &edge.edges {
        let [low, high] = one.between_pa.map(|level| level / scale);
        let turned = if one.turned_pa > 0.0 {
            format!(
                ", and up to {:.digits$} beyond where the level turned between them",
                one.turned_pa / scale
            )
        } else {
            String::new()
        };
        say::out(&format!(
            "    rows {:.1} s and {:.1} s: {low:.digits$} … {high:.digits$} {}{turned}",
            one.from_s,
            one.to_s,
            unit.symbol()
        ));
    }
}

/// Number of decimals that shows two digits of an uncertainty.
fn digits(u: f64) -> usize {
    #[expect(clippy::cast_possible_truncation, reason = "a small number")]
    let digits = (1 - u.abs().max(1e-9).log10().floor() as i32).clamp(0, 9);
    usize::try_from(digits).unwrap_or(0)
}

fn amount(result: &MeasurementResult, unit: PressureUnit, per: &str) -> String {
    let (value, u) = (result.value / unit.pascal(), result.expanded_uncertainty / unit.pascal());
    let digits = digits(u);
    format!("{value:.digits$} ± {u:.digits$} {}{per}", unit.symbol())
}

fn as_json(found: &Analysis, left_out: u64, unit: PressureUnit) -> Value {
    let result = |result: &MeasurementResult| json!({ "value": result.value, "expanded_uncertainty": result.expanded_uncertainty });
    let edge = |edge: &Option<EdgeLevel>| {
        edge.as_ref().map(|edge| {
            let edges = edge.edges.iter().map(|one| {
                json!({ "from_s": one.from_s, "to_s": one.to_s, "between_pa": one.between_pa, "turned_pa": one.turned_pa })
            });
            json!({
                "level_pa": result(&edge.result), "rising": edge.rising, "in_gaps": edge.in_gaps,
                "edges": edges.collect::<Vec<_>>(),
            })
        })
    };
    let signals = found.signals.iter().map(|signal| {
        json!({
            "name": signal.name, "on": edge(&signal.on), "off": edge(&signal.off),
            "on_less_off_pa": signal.difference.as_ref().map(result), "cycles": signal.cycles, "period_s": signal.period_s,
            "rate_on_pa_per_s": signal.rate_on.as_ref().map(result), "rate_off_pa_per_s": signal.rate_off.as_ref().map(result),
        })
    });
    json!({
        "unit_of_the_file": unit.symbol(), "rows": found.rows, "rows_left_out": left_out, "lasts_s": found.lasts_s,
        "interval_s": found.interval_s, "stamp_s": found.stamp_s, "scatter_pa": found.scatter_pa, "longest_gap_s": found.longest_gap_s, "gaps_s": found.gaps,
        "signals": signals.collect::<Vec<_>>(),
    })
}
