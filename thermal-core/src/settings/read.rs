//! Reads `inspection.toml`; every error names the line, the key, the reason and the remedy.

use std::fmt::Write as _;
use std::ops::Range;
use std::path::Path;

use serde::{Deserialize, Serialize};
use toml::de::{DeTable, DeValue};

use super::Settings;
use super::keys::KEYS;
use crate::table::suggest;
use crate::{Error, Result};

/// Settings with every key and its comment take a hundredth of it, bytes; parsed, they take up to seventy times their size.
const MAX_BYTES: usize = 1 << 20;

/// Where the value of a setting came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Source {
    /// Built in.
    Default,
    /// Given in `inspection.toml`.
    File,
    /// Worked out from the frames or another input.
    Derived,
}

/// One setting with the value that was used, for `run.json`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Assumed {
    /// Dotted key, `module.width_m`.
    pub key: String,
    /// The value as TOML writes it; empty where there is none.
    pub value: String,
    /// Where it came from.
    pub source: Source,
}

impl Settings {
    /// Reads and checks an `inspection.toml`.
    ///
    /// # Errors
    /// [`Error::Io`] where the file cannot be read; [`Error::Input`] with line and key where a key is unknown or a value
    /// is of the wrong kind, out of its range, or contradicts another.
    pub fn read(path: impl AsRef<Path>) -> Result<Self> {
        let path = path.as_ref();
        Self::parse(path, &crate::file::read_text(path)?)
    }

    /// The settings in `text`; `path` serves the messages only.
    pub(crate) fn parse(path: &Path, text: &str) -> Result<Self> {
        if text.len() > MAX_BYTES {
            let reason = format!("it has more than the {MAX_BYTES} bytes allowed for settings");
            return Err(Error::input(
                path,
                "file",
                reason,
                "keep the keys that `thermal prepare` writes, and no others",
            ));
        }
        let source = SourceText { path, text };
        let table = DeTable::parse(text).map_err(|e| source.syntax_error(&e))?;
        let given = given_keys(table.get_ref());
        for (key, span) in &given {
            check_known(key).map_err(|(reason, remedy)| source.error(span, key, reason, remedy))?;
        }
        if let Some((name, _)) = table.get_ref().iter().find(|(_, value)| !value.get_ref().is_table()) {
            let remedy = format!("write [{}] on a line of its own and the keys under it", name.get_ref());
            return Err(source.error(&name.span(), name.get_ref(), "this must be one table", remedy));
        }
        if let Some((dotted, span)) = open_value(table.get_ref(), &given) {
            let about = KEYS.iter().find(|key| key.dotted() == dotted).map_or("the value", |key| key.about);
            let reason = "this value is still to be filled in";
            return Err(source.error(&span, &dotted, reason, format!("in the place of \"?\" write {about}")));
        }
        let mut settings: Self = toml::from_str(text).map_err(|e| source.type_error(&e, &given))?;
        if let Some(fault) = settings.first_fault() {
            let span = given.iter().find(|(key, _)| *key == fault.key).map_or(0..0, |(_, span)| span.clone());
            return Err(source.error(&span, &fault.key, fault.reason, fault.remedy));
        }
        settings.sources = given.into_iter().map(|(key, _)| (key, Source::File)).collect();
        Ok(settings)
    }

    /// Every setting with its value and where it came from, in the order of the file.
    ///
    /// Code that works a value out from an input sets the field and enters [`Source::Derived`] in [`Settings::sources`].
    pub fn assumed(&self) -> Vec<Assumed> {
        let table = self.to_table();
        KEYS.iter()
            .map(|key| {
                let dotted = key.dotted();
                Assumed {
                    value: key.value(&table).map(ToString::to_string).unwrap_or_default(),
                    source: self.sources.get(&dotted).copied().unwrap_or(Source::Default),
                    key: dotted,
                }
            })
            .collect()
    }

    /// The settings that a record of a run lists; keys of a newer version are passed over.
    ///
    /// # Errors
    /// As [`Settings::read`]; `path` names the record.
    pub(crate) fn from_assumed(path: &Path, assumed: &[Assumed]) -> Result<Self> {
        let mut sections: std::collections::BTreeMap<&str, String> = std::collections::BTreeMap::new();
        for entry in assumed.iter().filter(|entry| !entry.value.is_empty() && check_known(&entry.key).is_ok()) {
            if let Some((section, name)) = entry.key.split_once('.') {
                let _ = writeln!(sections.entry(section).or_default(), "{name} = {}", entry.value);
            }
        }
        let text = sections.iter().fold(String::new(), |text, (section, keys)| text + "[" + section + "]\n" + keys);
        let mut settings = Self::parse(path, &text)?;
        settings.sources = assumed.iter().map(|entry| (entry.key.clone(), entry.source)).collect();
        Ok(settings)
    }

    /// The settings as a table; keys without a value are not in it.
    pub(super) fn to_table(&self) -> toml::Table {
        toml::Table::try_from(self).unwrap_or_default()
    }
}

/// The file behind a message.
struct SourceText<'a> {
    path: &'a Path,
    text: &'a str,
}

impl SourceText<'_> {
    fn line(&self, at: usize) -> usize {
        1 + self.text.bytes().take(at).filter(|b| *b == b'\n').count()
    }

    fn error(&self, span: &Range<usize>, key: &str, reason: impl Into<String>, remedy: impl Into<String>) -> Error {
        // A default can contradict a given value; then there is no line to name.
        let place = if span.is_empty() { key.to_owned() } else { format!("line {}, {key}", self.line(span.start)) };
        Error::input(self.path, place, reason, remedy)
    }

    /// The text is not TOML.
    fn syntax_error(&self, e: &toml::de::Error) -> Error {
        let line = e.span().map_or(1, |span| self.line(span.start));
        let content = self.text.lines().nth(line - 1).unwrap_or_default();
        let remedy = if has_decimal_comma(content) {
            "write decimals with a point, 1.04"
        } else if e.message().contains("duplicate") {
            "keep one of the two"
        } else {
            "write `key = value`, words in quotation marks; see https://toml.io"
        };
        Error::input(self.path, format!("line {line}"), one_line(e.message()), remedy)
    }

    /// A value has the wrong kind: text for a number, an unknown word.
    fn type_error(&self, e: &toml::de::Error, given: &[(String, Range<usize>)]) -> Error {
        let at = e.span().map_or(0, |span| span.start);
        let key = given.iter().rev().find(|(_, span)| span.start <= at);
        let (key, span) = key.map_or(("", 0..0), |(key, span)| (key, span.clone()));
        let remedy = if e.message().starts_with("unknown variant") {
            "use one of the words it lists"
        } else if e.message().starts_with("invalid length") || e.message().contains("array") {
            "write two numbers, cells = [6, 10]"
        } else if e.message().contains("expected f64") || e.message().contains("expected u32") {
            "write a number without quotation marks, decimals with a point"
        } else {
            "write the value as `thermal prepare` writes it"
        };
        self.error(&span, key, one_line(e.message()), remedy)
    }
}

fn one_line(message: &str) -> String {
    message.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn has_decimal_comma(line: &str) -> bool {
    let value = line.split_once('=').map_or("", |(_, v)| v);
    !value.trim_start().starts_with(['[', '"', '\''])
        && value.as_bytes().windows(3).any(|w| w[0].is_ascii_digit() && w[1] == b',' && w[2].is_ascii_digit())
}

/// Dotted keys in the file with the place of each. A value outside any table has a key without a dot.
fn given_keys(table: &DeTable<'_>) -> Vec<(String, Range<usize>)> {
    let mut keys = Vec::new();
    for (section, value) in table {
        if let DeValue::Table(inner) = value.get_ref() {
            // An empty table still counts: its name may be wrong.
            keys.push((section.get_ref().to_string(), section.span()));
            keys.extend(inner.keys().map(|name| (format!("{}.{}", section.get_ref(), name.get_ref()), name.span())));
        } else {
            keys.push((section.get_ref().to_string(), section.span()));
        }
    }
    keys.sort_by_key(|(_, span)| span.start);
    keys
}

/// The first key whose value is the mark that `thermal prepare` leaves where it does not know one.
fn open_value(table: &DeTable<'_>, given: &[(String, Range<usize>)]) -> Option<(String, Range<usize>)> {
    given.iter().find_map(|(dotted, span)| {
        let (section, name) = dotted.split_once('.')?;
        let value = table.get(section)?.get_ref().as_table()?.get(name)?;
        (value.get_ref().as_str() == Some("?")).then(|| (dotted.clone(), span.clone()))
    })
}

/// Reason and remedy for a key that the registry does not hold.
fn check_known(dotted: &str) -> std::result::Result<(), (String, String)> {
    let Some((section, name)) = dotted.split_once('.') else {
        if KEYS.iter().any(|key| key.section == dotted) {
            return Ok(());
        }
        let reason = if let Some(key) = KEYS.iter().find(|key| key.name == dotted) {
            return Err(("the key stands in no table".into(), format!("put it under [{}]", key.section)));
        } else {
            format!("there is no table [{dotted}]")
        };
        let sections = KEYS.iter().map(|key| key.section);
        return Err((reason, suggest(dotted, sections).map_or("remove it".into(), |s| format!("did you mean [{s}]?"))));
    };
    if KEYS.iter().any(|key| key.section == section && key.name == name) {
        return Ok(());
    }
    let reason = format!("[{section}] has no key `{name}`");
    let here = KEYS.iter().filter(|key| key.section == section).map(|key| key.name);
    let remedy = if let Some(key) = KEYS.iter().find(|key| key.name == name) {
        format!("it belongs under [{}]", key.section)
    } else if let Some(near) = suggest(name, here.clone()).or_else(|| suggest(name, KEYS.iter().map(|key| key.name))) {
        format!("did you mean `{near}`?")
    } else {
        format!("remove it; the keys of [{section}] are {}", here.collect::<Vec<_>>().join(", "))
    };
    Err((reason, remedy))
}
