//! A sheet given with the wrong option: the finding says what it looks like.

use crate::args::SchemaOf;
use crate::load::{By, Given};
use crate::schema;
use std::sync::Arc;
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
pub(crate) fn mistaken(given: &Given, findings: &Findings) -> bool {
    let texts = &given.texts;
    let all = [
        (SchemaOf::Site, &texts.site),
        (SchemaOf::Rig, &texts.rig),
        (SchemaOf::Type, &texts.device_type),
        (SchemaOf::Settings, &texts.settings),
        (SchemaOf::Script, &texts.script),
    ];
    let mut any = false;
    for (kind, source) in all {
        let by = given.by.iter().find(|(named, _)| *named == kind).map(|(_, by)| by);
        let Some(finding) = source.as_ref().and_then(|source| other_kind(kind, source, by)) else { continue };
        findings.add(finding);
        any = true;
    }
    any
}

/// A finding, if few of the keys of a sheet belong to the kind that it was given as, and most to another kind. `by` says how it was named if
/// not by an option.
pub(crate) fn other_kind(given: SchemaOf, source: &Arc<Source>, by: Option<&By>) -> Option<Finding> {
    /// Fewer than FEW of its keys belong to the kind it was given as, at least MOST to another, in quarters.
    const FEW: usize = 2;
    const MOST: usize = 3;
    let mut keys = outermost_keys(source);
    // These begin a sheet of any kind.
    keys.retain(|key| !["name", "revision", "state"].contains(&key.value.as_str()));
    let (_, was, option) = KINDS.iter().find(|(kind, _, _)| *kind == given)?;
    if keys.is_empty() || 4 * known(given, &keys)?.len() >= FEW * keys.len() {
        return None;
    }
    let all: Vec<_> = KINDS.iter().filter_map(|kind| Some((known(kind.0, &keys)?, kind))).collect();
    let most = all.iter().map(|(known, _)| known.len()).max().filter(|most| 4 * most >= MOST * keys.len())?;
    // Sheets of several kinds may have the same few keys.
    let alike = all.iter().filter(|(known, _)| known.len() == most);
    let (looks, options): (Vec<&str>, Vec<&str>) =
        alike.map(|(_, (_, looks, option))| (*looks, *option)).unzip();
    let (looks, options) = (looks.join(" or "), options.join(" or "));
    let first =
        all.iter().find(|(known, _)| known.len() == most).and_then(|(known, _)| known.first().copied())?;
    let message = format!("`{}` looks like {looks}, expected {was}", source.name);
    let help = match by {
        None => format!("give it with {options}, and {was} with {option}"),
        Some(By::Site(_)) => format!("name {was} in the site sheet"),
        Some(By::Name) => format!("put {was} in its place"),
    };
    let finding =
        Finding::error("other-kind", &first.place, Wording::new(message, format!("a key of {looks}"), help));
    Some(match by {
        Some(By::Site(place)) => finding.with(place, "the site sheet names it here"),
        Some(By::Name) | None => finding,
    })
}

/// The keys that a kind of sheet has.
fn known(kind: SchemaOf, keys: &[At<String>]) -> Option<Vec<&At<String>>> {
    let schema = schema::of(kind).ok()?;
    let properties = schema["properties"].as_object()?;
    Some(keys.iter().filter(|key| properties.contains_key(&key.value)).collect())
}
