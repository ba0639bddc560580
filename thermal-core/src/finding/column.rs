//! One column of a table: its name, type, unit, description and limits, and the field of the record it stands for.

use std::borrow::Cow;
use std::fmt::Write as _;
use std::sync::Arc;

use serde::{Serialize, Serializer};

use super::{Flag, Pattern};

/// Numbers of this size or more are no measurement; they are written as an empty cell, as NaN and infinity are.
const MAX_NUMBER: f64 = 1e12;

/// What a cell holds.
#[derive(Debug, Clone, PartialEq)]
pub enum Value<'a> {
    /// Nothing is known.
    Empty,
    /// Text.
    Text(Cow<'a, str>),
    /// A count.
    Integer(i64),
    /// A finite number.
    Number(f64),
    /// Yes or no.
    Boolean(bool),
}

impl Serialize for Value<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Empty => serializer.serialize_none(),
            Self::Text(text) => serializer.serialize_str(text),
            Self::Integer(n) => serializer.serialize_i64(*n),
            Self::Number(x) => serializer.serialize_f64(*x),
            Self::Boolean(yes) => serializer.serialize_bool(*yes),
        }
    }
}

/// The type of a column with its limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    /// Any text.
    Text,
    /// One of these words.
    Words(&'static [&'static str]),
    /// Flags of the registry, `;` between them.
    Flags,
    /// A whole number from `min` to `max`.
    Integer {
        /// Smallest.
        min: i64,
        /// Largest.
        max: i64,
    },
    /// A number from `min` to `max` (infinite: no limit), written with `decimals` digits after the point.
    Number {
        /// Digits after the point.
        decimals: u8,
        /// Smallest.
        min: f64,
        /// Largest.
        max: f64,
    },
    /// `true` or `false`.
    Boolean,
    /// A time with its offset from UTC, RFC 3339.
    Time,
}

/// What is known of a column apart from the record it belongs to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spec {
    /// Name in the header.
    pub name: &'static str,
    /// Type and limits.
    pub kind: Kind,
    /// Unit; empty for a plain number or text.
    pub unit: &'static str,
    /// One sentence for the schema and the documentation.
    pub description: &'static str,
    /// Whether a cell must not be empty.
    pub required: bool,
}

impl Spec {
    /// The same column with cells that must not be empty.
    pub(crate) const fn required(mut self) -> Self {
        self.required = true;
        self
    }

    /// The cell's text as a value within the column's limits; the error is the reason in words.
    pub fn parse(&self, text: &str) -> Result<Value<'static>, String> {
        if text.is_empty() {
            return self.check(Value::Empty);
        }
        let value = match self.kind {
            Kind::Text | Kind::Words(_) | Kind::Flags | Kind::Time => Value::Text(Cow::Owned(text.to_owned())),
            Kind::Integer { .. } => {
                Value::Integer(text.parse().map_err(|_| format!("`{text}` is not a whole number"))?)
            }
            Kind::Number { .. } => Value::Number(text.parse().map_err(|_| format!("`{text}` is not a number"))?),
            Kind::Boolean => match text {
                // A spreadsheet that saves the table again writes the words in capitals.
                "true" | "TRUE" | "True" => Value::Boolean(true),
                "false" | "FALSE" | "False" => Value::Boolean(false),
                _ => return Err(format!("`{text}` is neither `true` nor `false`")),
            },
        };
        self.check(value)
    }

    /// The value, if it is of the column's type and within its limits; the error is the reason in words.
    pub fn check<'a>(&self, value: Value<'a>) -> Result<Value<'a>, String> {
        match (self.kind, &value) {
            (_, Value::Empty) if self.required => Err("the cell is empty".to_owned()),
            (Kind::Words(words), Value::Text(text)) if !words.contains(&text.as_ref()) => {
                Err(format!("`{text}` is none of the words {}", words.join(", ")))
            }
            (Kind::Flags, Value::Text(text)) => match text.split(';').find(|word| Flag::from_word(word).is_none()) {
                Some(word) => Err(format!("`{word}` is not a flag of this version")),
                None => Ok(value),
            },
            (Kind::Time, Value::Text(text)) if text.parse::<jiff::Timestamp>().is_err() => {
                Err(format!("`{text}` is not a time with its offset from UTC (2025-06-01T12:00:00+02:00)"))
            }
            (_, Value::Empty)
            | (Kind::Text | Kind::Words(_) | Kind::Time, Value::Text(_))
            | (Kind::Boolean, Value::Boolean(_)) => Ok(value),
            (Kind::Integer { min, max }, Value::Integer(n)) => {
                if (min..=max).contains(n) {
                    Ok(value)
                } else {
                    Err(format!("{n} is not within {min} to {max}"))
                }
            }
            (Kind::Number { min, max, .. }, Value::Number(x)) => {
                if x.is_finite() && (min..=max).contains(x) {
                    Ok(value)
                } else {
                    Err(format!("{x} is not a number within {min} to {max}"))
                }
            }
            (Kind::Number { .. }, Value::Integer(n)) => self.check(Value::Number(*n as f64)),
            _ => Err("the value is of another type than the column".to_owned()),
        }
    }
}

/// A column of the table of `R`.
pub struct Column<R> {
    /// Name, type, unit, description, limits.
    pub spec: Spec,
    pub(crate) get: fn(&R) -> Value<'_>,
    pub(crate) set: fn(&mut R, Value<'_>),
}

impl<R> Column<R> {
    /// The record's value, numbers rounded to the column's decimals; what is not finite is empty.
    pub fn value<'a>(&self, record: &'a R) -> Value<'a> {
        match ((self.get)(record), self.spec.kind) {
            (Value::Number(x), Kind::Number { decimals, .. }) => round(x, decimals),
            // A count from 1 that is still 0 was never set.
            (Value::Integer(n), Kind::Integer { min, .. }) if n < min => Value::Empty,
            (Value::Text(text), _) if text.is_empty() => Value::Empty,
            (value, _) => value,
        }
    }

    /// The text of the record's cell.
    pub fn text(&self, record: &R) -> String {
        let mut text = String::new();
        self.write(record, &mut text);
        text
    }

    /// Appends the text of the record's cell.
    pub(super) fn write(&self, record: &R, text: &mut String) {
        let decimals = if let Kind::Number { decimals, .. } = self.spec.kind { decimals.into() } else { 0 };
        // Writing to a string cannot fail.
        let _ = match self.value(record) {
            Value::Empty => Ok(()),
            Value::Text(cell) => text.write_str(&cell),
            Value::Integer(n) => write!(text, "{n}"),
            Value::Number(x) => write!(text, "{x:.decimals$}"),
            Value::Boolean(yes) => write!(text, "{yes}"),
        };
    }

    /// Sets the record's field to a value that [`Spec::check`] let through.
    pub(super) fn set(&self, record: &mut R, value: Value<'_>) {
        (self.set)(record, value);
    }
}

/// The number at `decimals` digits, never minus zero; empty where it is no measurement.
fn round<'a>(x: f64, decimals: u8) -> Value<'a> {
    if !x.is_finite() || x.abs() >= MAX_NUMBER {
        return Value::Empty;
    }
    let scale = 10_f64.powi(decimals.into());
    Value::Number((x * scale).round() / scale + 0.0)
}

/// A field of a record that can stand in a table.
pub trait Field {
    /// Its value.
    fn value(&self) -> Value<'_>;
    /// Takes a value of the column's kind over; an empty one becomes the field's "not known".
    fn set(&mut self, value: Value<'_>);
}

impl Field for String {
    fn value(&self) -> Value<'_> {
        Value::Text(Cow::Borrowed(self))
    }
    fn set(&mut self, value: Value<'_>) {
        *self = if let Value::Text(text) = value { text.into_owned() } else { Self::new() };
    }
}

impl Field for Arc<str> {
    fn value(&self) -> Value<'_> {
        Value::Text(Cow::Borrowed(self))
    }
    fn set(&mut self, value: Value<'_>) {
        *self = if let Value::Text(text) = value { text.into() } else { Self::default() };
    }
}

impl Field for Option<String> {
    fn value(&self) -> Value<'_> {
        self.as_deref().map_or(Value::Empty, |text| Value::Text(Cow::Borrowed(text)))
    }
    fn set(&mut self, value: Value<'_>) {
        *self = if let Value::Text(text) = value { Some(text.into_owned()) } else { None };
    }
}

impl Field for f64 {
    fn value(&self) -> Value<'_> {
        Value::Number(*self)
    }
    fn set(&mut self, value: Value<'_>) {
        *self = if let Value::Number(x) = value { x } else { Self::NAN };
    }
}

impl Field for Option<f64> {
    fn value(&self) -> Value<'_> {
        self.map_or(Value::Empty, Value::Number)
    }
    fn set(&mut self, value: Value<'_>) {
        *self = if let Value::Number(x) = value { Some(x) } else { None };
    }
}

impl Field for u32 {
    fn value(&self) -> Value<'_> {
        Value::Integer((*self).into())
    }
    fn set(&mut self, value: Value<'_>) {
        *self = if let Value::Integer(n) = value { n.try_into().unwrap_or(0) } else { 0 };
    }
}

impl Field for u8 {
    fn value(&self) -> Value<'_> {
        Value::Integer((*self).into())
    }
    fn set(&mut self, value: Value<'_>) {
        *self = if let Value::Integer(n) = value { n.try_into().unwrap_or(0) } else { 0 };
    }
}

impl Field for bool {
    fn value(&self) -> Value<'_> {
        Value::Boolean(*self)
    }
    fn set(&mut self, value: Value<'_>) {
        *self = matches!(value, Value::Boolean(true));
    }
}

impl Field for Pattern {
    fn value(&self) -> Value<'_> {
        Value::Text(Cow::Borrowed(self.as_str()))
    }
    fn set(&mut self, value: Value<'_>) {
        *self = if let Value::Text(word) = value { Self::from_word(&word).unwrap_or_default() } else { Self::None };
    }
}

impl Field for Vec<Flag> {
    fn value(&self) -> Value<'_> {
        let mut flags = self.clone();
        flags.sort_unstable();
        flags.dedup();
        let words: Vec<_> = flags.into_iter().map(|flag| flag.info().name).collect();
        Value::Text(Cow::Owned(words.join(";")))
    }
    fn set(&mut self, value: Value<'_>) {
        *self =
            if let Value::Text(text) = value { text.split(';').filter_map(Flag::from_word).collect() } else { vec![] };
    }
}
