//! The table's description for machines (Frictionless Table Schema, the data package standard's version 2.0), made from
//! the registry of columns.

use serde::Serialize;

use super::column::{Kind, Spec};
use super::{FLAGS, Table};

#[derive(Serialize)]
struct Schema {
    #[serde(rename = "$schema")]
    profile: &'static str,
    name: &'static str,
    title: &'static str,
    description: &'static str,
    fields: Vec<SchemaField>,
    #[serde(rename = "missingValues")]
    missing_values: [&'static str; 1],
    #[serde(rename = "primaryKey", skip_serializing_if = "Option::is_none")]
    primary_key: Option<&'static str>,
}

#[derive(Serialize)]
struct SchemaField {
    name: &'static str,
    #[serde(rename = "type")]
    kind: &'static str,
    description: &'static str,
    #[serde(skip_serializing_if = "str::is_empty")]
    unit: &'static str,
    constraints: Constraints,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    flags: Vec<Legend>,
}

#[derive(Serialize)]
struct Constraints {
    required: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    minimum: Option<serde_json::Number>,
    #[serde(skip_serializing_if = "Option::is_none")]
    maximum: Option<serde_json::Number>,
    #[serde(rename = "enum", skip_serializing_if = "<[_]>::is_empty")]
    words: &'static [&'static str],
    #[serde(skip_serializing_if = "Option::is_none")]
    pattern: Option<String>,
}

#[derive(Serialize)]
struct Legend {
    name: &'static str,
    short: &'static str,
    long: &'static str,
}

impl<R> Table<R> {
    /// The text of `<name>.schema.json`, a Frictionless Table Schema. The unit of a column stands in its property
    /// `unit`, the legend of the flags in the property `flags`: the standard allows properties of one's own.
    pub fn schema_json(&self) -> String {
        let schema = Schema {
            profile: "https://datapackage.org/profiles/2.0/tableschema.json",
            name: self.name,
            title: self.title,
            description: self.description,
            fields: self.columns.iter().map(|column| field(&column.spec)).collect(),
            missing_values: [""],
            primary_key: self.key,
        };
        // Plain structs of text and finite numbers always serialise.
        serde_json::to_string_pretty(&schema).unwrap_or_default() + "\n"
    }
}

fn type_word(kind: Kind) -> &'static str {
    match kind {
        Kind::Text | Kind::Words(_) | Kind::Flags => "string",
        Kind::Integer { .. } => "integer",
        Kind::Number { .. } => "number",
        Kind::Boolean => "boolean",
        Kind::Time => "datetime",
    }
}

fn field(spec: &Spec) -> SchemaField {
    let mut constraints =
        Constraints { required: spec.required, minimum: None, maximum: None, words: &[], pattern: None };
    let mut flags = vec![];
    match spec.kind {
        Kind::Text | Kind::Boolean | Kind::Time => {}
        Kind::Words(words) => constraints.words = words,
        Kind::Flags => {
            let names: Vec<_> = FLAGS.iter().map(|info| info.name).collect();
            let one = names.join("|");
            constraints.pattern = Some(format!("({one})(;({one}))*"));
            flags = FLAGS.iter().map(|info| Legend { name: info.name, short: info.short, long: info.long }).collect();
        }
        Kind::Integer { min, max } => {
            constraints.minimum = Some(min.into());
            // The largest number that the record holds is no limit of the matter.
            constraints.maximum = (max < u32::MAX.into()).then(|| max.into());
        }
        Kind::Number { min, max, .. } => {
            // Infinite limits are none.
            constraints.minimum = serde_json::Number::from_f64(min);
            constraints.maximum = serde_json::Number::from_f64(max);
        }
    }
    let (name, description, unit) = (spec.name, spec.description, spec.unit);
    SchemaField { name, kind: type_word(spec.kind), description, unit, constraints, flags }
}
