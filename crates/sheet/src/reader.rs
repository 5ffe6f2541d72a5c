//! The reader of one table: reads every key by name, or describes the keys as a JSON Schema.

use crate::field::{Field, Problem};
use crate::finding::{Finding, Findings, Wording};
use crate::node::{Node, NodeValue, parse};
use crate::source::{At, Place, Source};
use serde_json::{Map, Value, json};
use std::cell::{Cell, RefCell};
use std::ops::Range;
use std::sync::Arc;

/// One table of a sheet that is being read, or described as a JSON Schema.
///
/// Every method returns `None` if the value is missing or wrong, after adding a finding. A reading function reads all its
/// fields first and uses `?` afterwards, so that no finding hides another.
#[derive(Debug)]
pub struct Reader<'a>(Mode<'a>);

#[derive(Debug)]
enum Mode<'a> {
    Reading(Reading<'a>),
    Describing(RefCell<Shape>),
}

#[derive(Debug)]
struct Reading<'a> {
    source: &'a Arc<Source>,
    findings: &'a Findings,
    entries: &'a [(String, Range<usize>, Node)],
    range: Range<usize>,
    asked: RefCell<Vec<&'static str>>,
    /// Whether any key is accepted: an unknown word in [`Reader::variant`] leaves the allowed keys unknown.
    any_key: Cell<bool>,
}

#[derive(Debug, Default)]
struct Shape {
    properties: Map<String, Value>,
    required: Vec<Value>,
    alternatives: Vec<Value>,
}

/// One form of a table that is selected by a word, such as `do = "zero"`.
#[derive(Debug)]
pub struct Variant<T> {
    /// The word.
    pub word: &'static str,
    /// Description for the schema.
    pub about: &'static str,
    /// Reads the rest of the table.
    pub read: fn(&Reader<'_>) -> Option<T>,
}

/// Reads a whole sheet. Syntax errors, wrong values and unknown keys all become findings.
pub fn read_sheet<T>(
    source: &Arc<Source>,
    findings: &Findings,
    read: impl Fn(&Reader<'_>) -> Option<T>,
) -> Option<T> {
    let root = parse(source, findings);
    let NodeValue::Table(entries) = &root.value else { return None };
    read_table(source, findings, (entries, 0..0), &read)
}

/// The keys of the outermost table of a sheet, each with its place; none if it is not TOML.
pub fn outermost_keys(source: &Arc<Source>) -> Vec<At<String>> {
    let root = parse(source, &Findings::new());
    let NodeValue::Table(entries) = root.value else { return Vec::new() };
    let at = |range| Place { source: Arc::clone(source), range };
    entries.into_iter().map(|(key, range, _)| At { value: key, place: at(range) }).collect()
}

/// JSON Schema (draft 2020-12) of the sheets that `read` accepts.
pub fn schema_of<T>(title: &str, read: impl Fn(&Reader<'_>) -> Option<T>) -> Value {
    let mut schema = describe(&read);
    schema["$schema"] = json!("https://json-schema.org/draft/2020-12/schema");
    schema["title"] = json!(title);
    schema
}

type Entries<'n> = (&'n [(String, Range<usize>, Node)], Range<usize>);

fn read_table<T>(
    source: &Arc<Source>,
    findings: &Findings,
    (entries, range): Entries<'_>,
    read: &impl Fn(&Reader<'_>) -> Option<T>,
) -> Option<T> {
    let reading =
        Reading { source, findings, entries, range, asked: RefCell::default(), any_key: Cell::new(false) };
    let reader = Reader(Mode::Reading(reading));
    let value = read(&reader);
    reader.report_unknown_keys();
    value
}

fn describe<T>(read: &impl Fn(&Reader<'_>) -> Option<T>) -> Value {
    let reader = Reader(Mode::Describing(RefCell::default()));
    let _nothing = read(&reader);
    let Mode::Describing(shape) = reader.0 else { return Value::Null };
    let shape = shape.into_inner();
    if !shape.alternatives.is_empty() {
        return json!({ "oneOf": shape.alternatives });
    }
    json!({
        "type": "object", "additionalProperties": false,
        "properties": shape.properties, "required": shape.required,
    })
}

impl Reader<'_> {
    /// A required value.
    pub fn required<T: Field>(&self, key: &'static str, about: &str) -> Option<At<T>> {
        self.describe_key(key, about, T::schema(), true);
        let Mode::Reading(reading) = &self.0 else { return None };
        match reading.entry(key) {
            Some(node) => reading.read_value(node),
            None => reading.missing(key, about),
        }
    }

    /// An optional value: `Some(None)` if it is left out, `None` if it is wrong.
    pub fn optional<T: Field>(&self, key: &'static str, about: &str) -> Option<Option<At<T>>> {
        self.describe_key(key, about, T::schema(), false);
        let Mode::Reading(reading) = &self.0 else { return None };
        match reading.entry(key) {
            Some(node) => reading.read_value(node).map(Some),
            None => Some(None),
        }
    }

    /// A value with a default.
    pub fn or<T: Field>(&self, key: &'static str, about: &str, default: T) -> Option<At<T>> {
        let found = self.optional(key, about)?;
        Some(found.unwrap_or_else(|| At { value: default, place: self.place() }))
    }

    /// A value that must pass `test`; `allowed` tells people which values do.
    pub fn tested<T: Field>(
        &self,
        value: Option<At<T>>,
        allowed: &str,
        test: impl Fn(&T) -> bool,
    ) -> Option<At<T>> {
        let value = value?;
        if test(&value.value) {
            return Some(value);
        }
        let message = format!("{} is not allowed here", value.place.text());
        self.finding(Finding::error(
            "out-of-range",
            &value.place,
            Wording::new(message, "this value", format!("allowed: {allowed}")),
        ));
        None
    }

    /// A required table.
    pub fn table<T>(
        &self,
        key: &'static str,
        about: &str,
        read: impl Fn(&Reader<'_>) -> Option<T>,
    ) -> Option<T> {
        if let Mode::Describing(_) = self.0 {
            self.describe_key(key, about, describe(&read), true);
        }
        let Mode::Reading(reading) = &self.0 else { return None };
        match reading.entry(key) {
            Some(node) => reading.read_node(node, &read),
            None => reading.missing(key, about),
        }
    }

    /// An optional table: `Some(None)` if it is left out, `None` if something in it is wrong.
    pub fn optional_table<T>(
        &self,
        key: &'static str,
        about: &str,
        read: impl Fn(&Reader<'_>) -> Option<T>,
    ) -> Option<Option<T>> {
        if let Mode::Describing(_) = self.0 {
            self.describe_key(key, about, describe(&read), false);
        }
        let Mode::Reading(reading) = &self.0 else { return None };
        match reading.entry(key) {
            Some(node) => reading.read_node(node, &read).map(Some),
            None => Some(None),
        }
    }

    /// A list of tables, empty if the key is missing.
    pub fn tables<T>(
        &self,
        key: &'static str,
        about: &str,
        read: impl Fn(&Reader<'_>) -> Option<T>,
    ) -> Option<Vec<T>> {
        if let Mode::Describing(_) = self.0 {
            self.describe_key(key, about, json!({ "type": "array", "items": describe(&read) }), false);
        }
        let Mode::Reading(reading) = &self.0 else { return None };
        let Some(node) = reading.entry(key) else { return Some(Vec::new()) };
        let NodeValue::Array(items) = &node.value else {
            return reading.wrong(node, Problem::wrong_kind("a list of tables", node));
        };
        let all: Vec<_> = items.iter().map(|item| reading.read_node(item, &read)).collect();
        all.into_iter().collect()
    }

    /// A table whose form is selected by the word at `key`.
    pub fn variant<T>(&self, key: &'static str, about: &str, variants: &[Variant<T>]) -> Option<T> {
        let reading = match &self.0 {
            Mode::Reading(reading) => reading,
            Mode::Describing(shape) => {
                shape.borrow_mut().alternatives =
                    variants.iter().map(|variant| describe_variant(key, variant)).collect();
                return None;
            }
        };
        let Some(node) = reading.entry(key) else { return reading.missing(key, about) };
        let word: At<String> = reading.read_value(node)?;
        let words: Vec<_> = variants.iter().map(|variant| variant.word).collect();
        match variants.iter().find(|variant| variant.word == *word) {
            Some(variant) => (variant.read)(self),
            None => {
                reading.any_key.set(true);
                reading.wrong(node, Problem::unknown_word(&word, &words))
            }
        }
    }

    /// Place of this table; for the root table, the start of the text.
    pub fn place(&self) -> Place {
        match &self.0 {
            Mode::Reading(reading) => reading.at(reading.range.clone()),
            Mode::Describing(_) => Place { source: Source::new("", ""), range: 0..0 },
        }
    }

    /// Adds a finding of a rule that the sheet itself checks.
    pub fn finding(&self, finding: Finding) {
        if let Mode::Reading(reading) = &self.0 {
            reading.findings.add(finding);
        }
    }

    fn describe_key(&self, key: &str, about: &str, mut schema: Value, required: bool) {
        let Mode::Describing(shape) = &self.0 else { return };
        schema["description"] = json!(about);
        let mut shape = shape.borrow_mut();
        shape.properties.insert(key.to_owned(), schema);
        if required {
            shape.required.push(json!(key));
        }
    }

    fn report_unknown_keys(&self) {
        let Mode::Reading(reading) = &self.0 else { return };
        let asked = reading.asked.borrow();
        if reading.any_key.get() {
            return;
        }
        for (key, range, _) in reading.entries {
            if !asked.contains(&key.as_str()) {
                let help = suggestion(key, &asked);
                let wording =
                    Wording::new(format!("`{key}` is not a key of this table"), "unknown key", help);
                reading.findings.add(Finding::error("unknown-key", &reading.at(range.clone()), wording));
            }
        }
    }
}

fn describe_variant<T>(key: &str, variant: &Variant<T>) -> Value {
    let mut schema = describe(&variant.read);
    schema["description"] = json!(variant.about);
    schema["properties"][key] = json!({ "const": variant.word });
    if let Some(required) = schema["required"].as_array_mut() {
        required.push(json!(key));
    }
    schema
}

impl Reading<'_> {
    fn at(&self, range: Range<usize>) -> Place {
        Place { source: Arc::clone(self.source), range }
    }

    fn entry(&self, key: &'static str) -> Option<&Node> {
        self.asked.borrow_mut().push(key);
        self.entries.iter().find(|(name, _, _)| name == key).map(|(_, _, node)| node)
    }

    fn read_value<T: Field>(&self, node: &Node) -> Option<At<T>> {
        match T::read(node) {
            Ok(value) => Some(At { value, place: self.at(node.range.clone()) }),
            Err(problem) => self.wrong(node, problem),
        }
    }

    fn read_node<T>(&self, node: &Node, read: &impl Fn(&Reader<'_>) -> Option<T>) -> Option<T> {
        let NodeValue::Table(entries) = &node.value else {
            let mut problem = Problem::wrong_kind("a table", node);
            problem.help.push_str("write { key = …, key = … }, or the keys below a [heading] of their own");
            return self.wrong(node, problem);
        };
        read_table(self.source, self.findings, (entries, node.range.clone()), read)
    }

    fn wrong<T>(&self, node: &Node, problem: Problem) -> Option<T> {
        let wording = Wording::new(problem.message, "this value", problem.help);
        self.findings.add(Finding::error(problem.rule, &self.at(node.range.clone()), wording));
        None
    }

    fn missing<T>(&self, key: &str, about: &str) -> Option<T> {
        let wording =
            Wording::new(format!("`{key}` is missing"), "expected in this table", format!("{key}: {about}"));
        self.findings.add(Finding::error("missing-key", &self.at(self.range.clone()), wording));
        None
    }
}

/// The word that was probably meant, if one is near enough.
pub fn nearest<'w>(found: &str, allowed: &[&'w str]) -> Option<&'w str> {
    const NEAR: f64 = 0.82;
    let tidy = |text: &str| text.to_lowercase().replace(['-', ' '], "_");
    let likeness = allowed.iter().map(|word| (strsim::jaro_winkler(&tidy(found), &tidy(word)), *word));
    likeness.max_by(|a, b| a.0.total_cmp(&b.0)).filter(|(likeness, _)| *likeness > NEAR).map(|(_, word)| word)
}

pub(crate) fn suggestion(found: &str, allowed: &[&str]) -> String {
    let list = allowed.join(", ");
    match nearest(found, allowed) {
        Some(word) => format!("did you mean `{word}`?"),
        None if list.is_empty() => "this table has no keys".to_owned(),
        None => format!("allowed: {list}"),
    }
}

#[cfg(test)]
mod tests;
