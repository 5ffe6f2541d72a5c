//! `tripbench schema`: the keys of each sheet, for editors as a JSON Schema, for people as a list.

use crate::args::{SchemaOf, SchemaOptions};
use crate::exit::Exit;
use crate::say;
use anyhow::{Context, Result};
use serde_json::Value;
use tripbench_bench::BenchSheet;
use tripbench_device::{SettingsDraft, SiteSheet, TypeSheet};
use tripbench_engine::Script;
use tripbench_record::Record;
use tripbench_recording::ColumnMap;
use tripbench_rig::RigSheet;
use tripbench_sheet::{Findings, Source, read_sheet, schema_of};
use tripbench_simulator::Truth;

pub(crate) fn schema(options: &SchemaOptions) -> Result<Exit> {
    let schema = of(options.of)?;
    if options.keys {
        keys(&schema, 0);
    } else {
        say::json(&serde_json::to_string_pretty(&schema)?);
    }
    Ok(Exit::Good)
}

/// The schema of a kind of sheet, or of the record.
pub(crate) fn of(kind: SchemaOf) -> Result<Value> {
    Ok(match kind {
        SchemaOf::Site => schema_of("tripbench site sheet", SiteSheet::read),
        SchemaOf::Rig => schema_of("tripbench rig sheet", RigSheet::read),
        SchemaOf::Type => schema_of("tripbench type sheet", TypeSheet::read),
        SchemaOf::Settings => schema_of("tripbench settings sheet", SettingsDraft::read),
        SchemaOf::Script => schema_of("tripbench script", Script::read),
        SchemaOf::Bench => schema_of("tripbench bench sheet", BenchSheet::read),
        SchemaOf::Truth => truth()?,
        SchemaOf::Columns => schema_of("tripbench column map", ColumnMap::read),
        SchemaOf::Record => serde_json::to_value(schemars::schema_for!(Record))?,
    })
}

/// The schema of a truth sheet. It is read against a rig sheet, but its keys are the same for every rig.
fn truth() -> Result<Value> {
    let source = Source::new("goods-in-1.toml", include_str!("../../../bench-scripts/rigs/goods-in-1.toml"));
    let rig =
        read_sheet(&source, &Findings::new(), RigSheet::read).context("the demo's rig sheet has errors")?;
    Ok(schema_of("tripbench truth of a simulated bench", |reader| Truth::read(reader, &rig)))
}

/// Prints keys with their meaning, tables indented.
fn keys(schema: &Value, depth: usize) {
    let indent = "  ".repeat(depth);
    for form in schema["oneOf"].as_array().into_iter().flatten().filter(|form| form["properties"].is_object())
    {
        let named = form["properties"]
            .as_object()
            .into_iter()
            .flatten()
            .find(|(_, value)| value["const"].is_string());
        if let Some((key, value)) = named {
            let about = form["description"].as_str().unwrap_or_default();
            say::out(&format!("{indent}{key} = {}  {about}", value["const"]));
        }
        keys(form, depth + 1);
    }
    let required: Vec<&str> =
        schema["required"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
    for (key, value) in schema["properties"]
        .as_object()
        .into_iter()
        .flatten()
        .filter(|(_, value)| !value["const"].is_string())
    {
        let list = value["items"]["type"] == "object" || value["items"]["oneOf"].is_array();
        let shown = match (value["type"] == "object", list) {
            (true, _) => format!("[{key}]"),
            (_, true) => format!("[[{key}]]"),
            (false, false) => key.clone(),
        };
        let need = if required.contains(&key.as_str()) { "required  " } else { "" };
        let about = value["description"].as_str().unwrap_or_default();
        say::out(&format!("{indent}{shown:<22} {need}{about}"));
        keys(if list { &value["items"] } else { value }, depth + 1);
    }
}
