//! A sheet given for another kind of sheet: what it looks like is all that is said of it.

use crate::args::SchemaOf;
use crate::schema;
use std::sync::Arc;
use tripbench_runner::Texts;
use tripbench_sheet::{At, Finding, Findings, Source, Wording, outermost_keys};

/// Every kind of sheet with its name, and the option that takes it.
const KINDS: [(SchemaOf, &str, &str); 8] = [
    (SchemaOf::Site, "a site sheet", "--site"),
    (SchemaOf::Rig, "a rig sheet", "--rig"),
    (SchemaOf::Type, "a type sheet", "--type"),
    (SchemaOf::Settings, "a settings sheet", "--settings"),
    (SchemaOf::Script, "a script", "--script"),
    (SchemaOf::Bench, "a bench sheet", "--bench of `serve`"),
    (SchemaOf::Truth, "a truth sheet", "--truth of `simulate` and `rehearse`"),
    (SchemaOf::Columns, "a column map", "--columns of `analyse`"),
];

/// Whether any of the sheets is of another kind than it was given as; adds a finding for each.
pub(crate) fn mistaken(texts: &Texts, findings: &Findings) -> bool {
    let given = [
        (SchemaOf::Site, &texts.site),
        (SchemaOf::Rig, &texts.rig),
        (SchemaOf::Type, &texts.device_type),
        (SchemaOf::Settings, &texts.settings),
        (SchemaOf::Script, &texts.script),
    ];
    let mut any = false;
    for (kind, source) in given {
        let Some(finding) = source.as_ref().and_then(|source| other_kind(kind, source)) else { continue };
        findings.add(finding);
        any = true;
    }
    any
}

/// A finding, if most of the keys of a sheet belong to another kind, and few to the kind that it was given as.
fn other_kind(given: SchemaOf, source: &Arc<Source>) -> Option<Finding> {
    /// Share of the keys: fewer are known to the kind given, and at least as many to the other.
    const FEW: f64 = 0.5;
    const MOST: f64 = 0.75;
    let mut keys = outermost_keys(source);
    // These begin a sheet of any kind.
    keys.retain(|key| !["name", "revision", "state"].contains(&key.value.as_str()));
    let share = |kind| known(kind, &keys);
    let (_, was, option) = KINDS.iter().find(|(kind, _, _)| *kind == given)?;
    if keys.is_empty() || share(given)? >= FEW {
        return None;
    }
    let others = KINDS.iter().filter_map(|kind| Some((share(kind.0)?, kind)));
    let (most, (_, looks, instead)) = others.max_by(|a, b| a.0.total_cmp(&b.0))?;
    let message = format!("`{}` looks like {looks}, and {option} takes {was}", source.name);
    let wording = Wording::new(
        message,
        format!("a key of {looks}"),
        format!("give it with {instead}, and {was} with {option}"),
    );
    (most >= MOST).then(|| Finding::error("other-kind", &keys[0].place, wording))
}

/// Share of keys that a kind of sheet has.
fn known(kind: SchemaOf, keys: &[At<String>]) -> Option<f64> {
    let schema = schema::of(kind).ok()?;
    let properties = schema["properties"].as_object()?;
    let known = keys.iter().filter(|key| properties.contains_key(&key.value)).count();
    #[expect(clippy::cast_precision_loss, reason = "a few keys")]
    let share = known as f64 / keys.len() as f64;
    Some(share)
}
