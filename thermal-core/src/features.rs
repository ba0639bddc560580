//! The features of a GeoJSON collection (RFC 7946), one after the other and each as its text: brackets and numbers would
//! take thirty times their size as a tree of values.

use std::fmt;
use std::path::Path;

use serde::de::{DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde_json::value::RawValue;

use crate::{Error, Result};

/// Most features that are read of one file: more than the modules of any plant.
pub(crate) const MAX_FEATURES: usize = 1_000_000;

/// Most brackets open at once; a polygon of a collection needs nine.
const MAX_DEPTH: usize = 64;

/// What a text holds beside its features.
#[derive(Debug, Default)]
pub(crate) struct Collection<'a> {
    /// It has a list of features.
    pub(crate) is_one: bool,
    /// The text of the member `crs`.
    pub(crate) crs: Option<&'a str>,
}

/// Hands the text of each feature to `take`, in the file's order; `path` names the file in messages.
///
/// # Errors
/// [`Error::Input`] where the text is not JSON, is nested too deeply, or has more than [`MAX_FEATURES`].
pub(crate) fn each<'a>(text: &'a str, path: &Path, take: &mut dyn FnMut(&'a str)) -> Result<Collection<'a>> {
    if let Some(line) = too_deep(text) {
        let reason = format!("more than {MAX_DEPTH} brackets are open at once");
        return Err(Error::input(path, format!("line {line}"), reason, "export the polygons as GeoJSON again"));
    }
    let mut json = serde_json::Deserializer::from_str(text);
    let mut reader = Reader { take, count: 0 };
    let read = (&mut json).deserialize_map(&mut reader);
    let count = reader.count;
    match read.and_then(|found| json.end().map(|()| found)) {
        Ok(_) if count > MAX_FEATURES => {
            let reason = format!("it has {count} features, more than the {MAX_FEATURES} that are read");
            Err(Error::input(path, "features", reason, "give the part of the plant that is flown"))
        }
        Ok(found) => Ok(found),
        Err(e) if e.is_data() => Ok(Collection::default()),
        Err(e) => {
            let place = format!("line {}, column {}", e.line(), e.column());
            Err(Error::input(path, place, format!("not JSON: {e}"), "export the polygons as GeoJSON again"))
        }
    }
}

/// The line on which too many brackets are open: passing over a value takes memory for each.
fn too_deep(text: &str) -> Option<usize> {
    let (mut depth, mut quoted, mut escaped) = (0_usize, false, false);
    for (at, byte) in text.bytes().enumerate() {
        match byte {
            _ if escaped => escaped = false,
            b'\\' => escaped = quoted,
            b'"' => quoted = !quoted,
            b'[' | b'{' if !quoted => depth += 1,
            b']' | b'}' if !quoted => depth = depth.saturating_sub(1),
            _ => {}
        }
        if depth > MAX_DEPTH {
            return Some(1 + text.bytes().take(at).filter(|byte| *byte == b'\n').count());
        }
    }
    None
}

struct Reader<'t, 'a> {
    take: &'t mut dyn FnMut(&'a str),
    count: usize,
}

impl<'a> Visitor<'a> for &mut Reader<'_, 'a> {
    type Value = Collection<'a>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a FeatureCollection")
    }

    fn visit_map<A: MapAccess<'a>>(self, mut map: A) -> std::result::Result<Collection<'a>, A::Error> {
        let mut found = Collection::default();
        while let Some(key) = map.next_key::<String>()? {
            match key.as_str() {
                "features" => {
                    map.next_value_seed(List(self))?;
                    found.is_one = true;
                }
                "crs" => found.crs = Some(map.next_value::<&RawValue>()?.get()),
                _ => {
                    map.next_value::<IgnoredAny>()?;
                }
            }
        }
        Ok(found)
    }
}

/// The list of features.
struct List<'r, 't, 'a>(&'r mut Reader<'t, 'a>);

impl<'a> DeserializeSeed<'a> for List<'_, '_, 'a> {
    type Value = ();

    fn deserialize<D: Deserializer<'a>>(self, deserializer: D) -> std::result::Result<(), D::Error> {
        deserializer.deserialize_seq(self)
    }
}

impl<'a> Visitor<'a> for List<'_, '_, 'a> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a list of features")
    }

    fn visit_seq<A: SeqAccess<'a>>(self, mut list: A) -> std::result::Result<(), A::Error> {
        while let Some(feature) = list.next_element::<&RawValue>()? {
            self.0.count += 1;
            if self.0.count <= MAX_FEATURES {
                (self.0.take)(feature.get());
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> std::result::Result<(Vec<String>, Option<String>, bool), String> {
        let mut features = Vec::new();
        let read = each(text, Path::new("layout.geojson"), &mut |feature| features.push(feature.to_owned()));
        let found = read.map_err(|e| e.to_string())?;
        Ok((features, found.crs.map(str::to_owned), found.is_one))
    }

    #[test]
    fn features_come_as_they_are_written() {
        let (features, crs, is_one) =
            read("{\"a\":[\"]\\\"[\"],\"features\":[ {\"b\": [1, 2]} ,3],\"crs\":{\"c\":4}}").unwrap();
        assert_eq!(features, ["{\"b\": [1, 2]}", "3"]);
        assert!(crs.as_deref() == Some("{\"c\":4}") && is_one);
        for none in ["[]", "7", "{}", "{\"features\":7}"] {
            assert!(!read(none).unwrap().2, "{none}");
        }
    }

    #[test]
    fn what_is_no_json_or_too_much_is_refused_by_its_place() {
        for (text, words) in [
            ("{\"features\":[\n1,2".to_owned(), "layout.geojson: line 2, column 3: not JSON"),
            ("{} {}".to_owned(), "not JSON"),
            (format!("{{\n\n\"a\":{}", "[".repeat(1000)), "layout.geojson: line 3: more than 64 brackets"),
            (format!("{{\"features\":[{}0]}}", "0,".repeat(MAX_FEATURES)), "it has 1000001 features, more than"),
        ] {
            let said = read(&text).unwrap_err();
            assert!(said.contains(words) && said.contains("; "), "{said}");
        }
        let deep = format!("{{\"a\":{}{}}}", "[".repeat(63), "]".repeat(63));
        assert!(read(&deep).is_ok());
    }
}
