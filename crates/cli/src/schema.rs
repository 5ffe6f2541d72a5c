//! `tripbench schema`: what each sheet may hold, for editors.

use crate::args::SchemaOf;
use crate::exit::Exit;
use crate::say;
use anyhow::Result;
use tripbench_device::{SettingsDraft, SiteSheet, TypeSheet};
use tripbench_engine::Script;
use tripbench_record::Record;
use tripbench_rig::RigSheet;
use tripbench_sheet::schema_of;

pub(crate) fn schema(of: SchemaOf) -> Result<Exit> {
    let schema = match of {
        SchemaOf::Site => schema_of("tripbench site sheet", SiteSheet::read),
        SchemaOf::Rig => schema_of("tripbench rig sheet", RigSheet::read),
        SchemaOf::Type => schema_of("tripbench type sheet", TypeSheet::read),
        SchemaOf::Settings => schema_of("tripbench settings sheet", SettingsDraft::read),
        SchemaOf::Script => schema_of("tripbench script", Script::read),
        SchemaOf::Record => serde_json::to_value(schemars::schema_for!(Record))?,
    };
    say::out(&serde_json::to_string_pretty(&schema)?);
    Ok(Exit::Good)
}
