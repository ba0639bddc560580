//! Tables as GeoJSON (RFC 7946): WGS 84, exterior rings counter-clockwise, a feature a line, every column a property.

use std::borrow::Borrow;
use std::fmt;
use std::fs::File;
use std::io::{self, BufReader, BufWriter, Read, Write};
use std::marker::PhantomData;
use std::path::Path;

use geojson::{Geometry, GeometryValue, JsonValue};
use serde::de::{Error as _, SeqAccess, Visitor};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use serde_json::value::RawValue;

use super::Table;
use super::column::{Column, Value};
use super::place::{Place, Placed, corners};
use crate::{Error, Result};

/// Longest text of one feature, bytes: a finding takes some thousand, and its notes are bounded.
const MAX_FEATURE_BYTES: usize = 1 << 20;

#[derive(Serialize)]
struct Feature<'a, R: 'static> {
    #[serde(rename = "type")]
    kind: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    id: Option<&'a str>,
    geometry: Option<Geometry>,
    #[serde(serialize_with = "by_columns")]
    properties: (&'static [Column<R>], &'a R),
}

/// The columns in their order as the properties.
fn by_columns<R, S: Serializer>(
    (columns, record): &(&'static [Column<R>], &R),
    serializer: S,
) -> std::result::Result<S::Ok, S::Error> {
    serializer.collect_map(columns.iter().map(|column| (column.spec.name, column.value(record))))
}

fn geometry(place: Place) -> Option<Geometry> {
    match place {
        Place::Polygon(ring) => Some(GeometryValue::new_polygon([ring]).into()),
        Place::Point(centre) => Some(GeometryValue::new_point(centre).into()),
        Place::Unknown => None,
    }
}

impl<R: Default + Placed> Table<R> {
    /// Writes the records into a new file: polygons where the corners on the ground are known, else the centre's
    /// point, else a feature without a geometry, which the standard allows.
    pub fn write_geojson<'a>(&self, path: &Path, records: impl IntoIterator<Item = &'a R>) -> Result<()>
    where
        R: 'a,
    {
        self.write_geojson_of(path, records.into_iter().map(Ok))
    }

    /// As [`Table::write_geojson`], of records that are read one after another; it ends with the first error.
    pub(crate) fn write_geojson_of<B: Borrow<R>>(
        &self,
        path: &Path,
        records: impl IntoIterator<Item = Result<B>>,
    ) -> Result<()> {
        let fail = |source| Error::io(path, "write the map", source);
        let mut out = BufWriter::new(File::create(path).map_err(fail)?);
        self.write_geojson_to(&mut out, records, fail)?;
        out.into_inner().map_err(io::IntoInnerError::into_error).and_then(|file| file.sync_all()).map_err(fail)
    }

    /// As [`Table::write_geojson`], to any writer, of which `fail` words the errors.
    pub(crate) fn write_geojson_to<B: Borrow<R>>(
        &self,
        mut out: impl Write,
        records: impl IntoIterator<Item = Result<B>>,
        fail: impl Fn(io::Error) -> Error,
    ) -> Result<()> {
        out.write_all(b"{\"type\":\"FeatureCollection\",\"features\":[").map_err(&fail)?;
        for (i, record) in records.into_iter().enumerate() {
            let record = record?;
            let record = record.borrow();
            out.write_all(if i == 0 { b"\n" } else { b",\n" }).map_err(&fail)?;
            let (id, geometry) = (record.id(), geometry(record.place()));
            let feature = Feature { kind: "Feature", id, geometry, properties: (self.columns, record) };
            serde_json::to_writer(&mut out, &feature).map_err(|e| fail(e.into()))?;
        }
        out.write_all(b"\n]}\n").map_err(&fail)
    }

    /// Reads what [`Table::write_geojson`] wrote: all that the CSV holds, and the corners on the ground.
    ///
    /// # Errors
    /// The file cannot be read, is not a feature collection, or a property is missing or outside its column's limits;
    /// the message names feature, counted from 1, and property.
    pub fn read_geojson(&self, path: &Path) -> Result<Vec<R>> {
        let file = crate::file::open_own(path)?;
        self.read_geojson_from(path, BufReader::new(file))
    }

    /// As [`Table::read_geojson`], from any source; `path` is the name for messages.
    pub fn read_geojson_from(&self, path: &Path, input: impl Read) -> Result<Vec<R>> {
        let collection: Collection<R> = serde_json::from_reader(input).map_err(|error| {
            let remedy = format!("give a FeatureCollection of RFC 7946 with the properties of {}", self.name);
            Error::input(path, "GeoJSON", error.to_string(), remedy)
        })?;
        Ok(collection.features.0)
    }
}

/// A feature collection, of which each feature becomes a record as soon as it is read: a list of parsed features would
/// take several times the memory.
#[derive(Deserialize)]
#[serde(bound = "R: Default + Placed")]
struct Collection<R> {
    #[serde(rename = "type")]
    _kind: CollectionKind,
    features: Rows<R>,
}

#[derive(Deserialize)]
enum CollectionKind {
    FeatureCollection,
}

struct Rows<R>(Vec<R>);

impl<'de, R: Default + Placed> Deserialize<'de> for Rows<R> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> std::result::Result<Self, D::Error> {
        deserializer.deserialize_seq(RowsVisitor(PhantomData))
    }
}

struct RowsVisitor<R>(PhantomData<R>);

impl<'de, R: Default + Placed> Visitor<'de> for RowsVisitor<R> {
    type Value = Rows<R>;

    fn expecting(&self, words: &mut fmt::Formatter<'_>) -> fmt::Result {
        words.write_str("a list of features")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut features: A) -> std::result::Result<Rows<R>, A::Error> {
        let mut rows = Vec::new();
        // As its text first: brackets and numbers take thirty times their size once they are parsed.
        while let Some(text) = features.next_element::<Box<RawValue>>()? {
            let row = feature(text.get()).and_then(|feature| record(&feature));
            rows.push(row.map_err(|why| A::Error::custom(format!("feature {}, {why}", rows.len() + 1)))?);
        }
        Ok(Rows(rows))
    }
}

/// The feature of a text; the error is the reason.
fn feature(text: &str) -> std::result::Result<geojson::Feature, String> {
    if text.len() > MAX_FEATURE_BYTES {
        return Err(format!("it has more than {MAX_FEATURE_BYTES} bytes"));
    }
    serde_json::from_str(text).map_err(|e| e.to_string())
}

/// The feature's record; the error is the property and the reason.
fn record<R: Default + Placed>(feature: &geojson::Feature) -> std::result::Result<R, String> {
    let mut record = R::default();
    for column in R::table().columns {
        let name = column.spec.name;
        let property = feature.property(name).unwrap_or(&JsonValue::Null);
        let value = value(property).and_then(|value| column.spec.check(value));
        column.set(&mut record, value.map_err(|reason| format!("property {name}: {reason}"))?);
    }
    if let Some(GeometryValue::Polygon { coordinates }) = feature.geometry.as_ref().map(|geometry| &geometry.value) {
        let ring = coordinates.first().map_or(&[][..], Vec::as_slice);
        let ring: Option<Vec<[f64; 2]>> = ring.iter().map(|at| at.as_slice().first_chunk().copied()).collect();
        *record.ground_mut() = ring.as_deref().and_then(corners);
    }
    Ok(record)
}

/// A property as a value; lists and objects stand for no column.
fn value(property: &JsonValue) -> std::result::Result<Value<'_>, String> {
    match property {
        JsonValue::Null => Ok(Value::Empty),
        JsonValue::Bool(yes) => Ok(Value::Boolean(*yes)),
        JsonValue::String(text) => Ok(Value::Text(text.into())),
        JsonValue::Number(n) => match (n.as_i64(), n.as_f64()) {
            (Some(n), _) => Ok(Value::Integer(n)),
            (None, Some(x)) => Ok(Value::Number(x)),
            (None, None) => Err(format!("`{n}` is too large")),
        },
        JsonValue::Array(_) | JsonValue::Object(_) => Err("a list or an object where a plain value belongs".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::super::{FINDINGS, Finding, MODULES, ModuleRecord};
    use super::*;

    fn finding() -> Finding {
        let mut finding = Finding { finding: "F0001".to_owned(), ..Finding::default() };
        finding.module.frame = "f.tif".into();
        // Upper left, upper right, lower right, lower left as seen from above: clockwise.
        finding.module.ground = Some([[11.0, 49.00002], [11.00001, 49.00002], [11.00001, 49.0], [11.0, 49.0]]);
        finding
    }

    fn write<R: Default + Placed>(table: &Table<R>, records: &[R]) -> String {
        let mut text = Vec::new();
        table.write_geojson_to(&mut text, records.iter().map(Ok), |e| Error::io("t", "write", e)).unwrap();
        String::from_utf8(text).unwrap()
    }

    #[test]
    fn a_map_reads_back_to_the_same_bytes() {
        let mut point = finding();
        point.module.ground = None;
        (point.lat, point.lon) = (Some(-33.5), Some(-70.25));
        let mut bare = finding();
        bare.module.ground = None;
        let text = write(&FINDINGS, &[finding(), point, bare]);
        let back = FINDINGS.read_geojson_from(Path::new("t.geojson"), text.as_bytes()).unwrap();
        assert_eq!(write(&FINDINGS, &back), text);
        assert_eq!(back[0].module.ground, finding().module.ground);
        assert_eq!((back[1].lat, back[1].module.ground), (Some(-33.5), None));
        assert!(text.contains(r#""geometry":{"type":"Point","coordinates":[-70.25,-33.5]}"#), "{text}");
        assert!(text.contains(r#""geometry":null"#), "{text}");
        // No record at all is a map too.
        let none: Vec<ModuleRecord> =
            MODULES.read_geojson_from(Path::new("t"), write(&MODULES, &[]).as_bytes()).unwrap();
        assert_eq!(none, []);
    }

    #[test]
    fn polygons_that_no_map_can_hold_become_points() {
        let mut finding = finding();
        // Over the 180th meridian: RFC 7946, 3.1.9.
        finding.module.ground =
            Some([[179.99999, 0.00002], [-179.99999, 0.00002], [-179.99999, 0.0], [179.99999, 0.0]]);
        assert_eq!(finding.place(), Place::Point([-180.0, 0.00001]));
        // Corners that coincide, a latitude over the pole, no number.
        for spoiled in [[11.0, 49.0], [11.0, 99.0], [f64::NAN, 49.0]] {
            finding.module.ground = Some([spoiled; 4]);
            (finding.lat, finding.lon) = (Some(49.0), Some(11.0));
            assert_eq!(finding.place(), Place::Point([11.0, 49.0]));
        }
    }

    #[test]
    fn a_broken_map_is_named_by_feature_and_property() {
        let text = write(&FINDINGS, &[finding(), finding()]);
        let at = text.rfind("\"pattern\":\"none\"").unwrap();
        let spoiled = format!("{}\"pattern\":7{}", &text[..at], &text[at + 16..]);
        let message = FINDINGS.read_geojson_from(Path::new("t"), spoiled.as_bytes()).unwrap_err().to_string();
        assert!(
            message.starts_with("t: GeoJSON: feature 2, property pattern: the value is of another type"),
            "{message}"
        );
        let endless = format!("\"note\":\"{}\"", "x".repeat(MAX_FEATURE_BYTES));
        let endless = text.replacen("\"note\":null", &endless, 1);
        let message = FINDINGS.read_geojson_from(Path::new("t"), endless.as_bytes()).unwrap_err().to_string();
        assert!(message.starts_with("t: GeoJSON: feature 1, it has more than 1048576 bytes"), "{message}");
        for broken in ["", "[]", "{\"type\":\"FeatureCollection\",\"features\":[{]}", &text[..at], "{\"features\":[]}"]
        {
            let read = FINDINGS.read_geojson_from(Path::new("t"), broken.as_bytes());
            assert!(read.is_err(), "{broken}");
        }
    }
}
