//! The list of checksums of a delivery, in the form that `sha256sum -c` reads, and the check against it.

use std::collections::BTreeMap;
use std::path::Path;

use crate::output::write_atomic;
use crate::run_record::{InputFile, digests};
use crate::{Error, Result};

/// Name of the list.
pub const SUMS: &str = "SHA256SUMS";

/// Writes the list of all files in the folder and gives its own digest.
pub(super) fn write(folder: &Path) -> Result<String> {
    let files = digests(folder)?.into_iter().filter(|file| file.file != SUMS);
    let list = files.fold(String::new(), |list, file| list + &file.sha256 + "  " + &file.file + "\n");
    write_atomic(&folder.join(SUMS), list.as_bytes())?;
    Ok(InputFile::of_bytes(SUMS, list.as_bytes()).sha256)
}

/// How a delivery differs from what was sealed.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Difference {
    /// Other content.
    Changed(String),
    /// No longer there.
    Missing(String),
    /// Not there when it was sealed.
    Added(String),
}

/// What a check came to.
#[derive(Debug, Clone, serde::Serialize)]
pub struct Verification {
    /// Files on the list.
    pub files: usize,
    /// The digest of the list itself, to be held against the one that was told at delivery.
    pub seal: String,
    /// What differs; empty: the delivery is as it was sealed.
    pub differences: Vec<Difference>,
}

/// Checks a delivered folder against its list.
///
/// # Errors
/// The folder or its list is not there, or is not such a list.
pub fn verify(folder: &Path) -> Result<Verification> {
    let path = folder.join(SUMS);
    if !path.is_file() {
        let reason = format!("{SUMS} is not in it");
        return Err(Error::input(
            folder,
            "delivery",
            reason,
            "give the folder that `thermal deliver` wrote (unpack a zip first)",
        ));
    }
    let text = crate::file::read_plain(&path)?;
    let seal = InputFile::of_bytes(SUMS, &text).sha256;
    let text = String::from_utf8(text)
        .map_err(|_| Error::input(&path, "text", "it is not UTF-8", "get the delivery again from who made it"))?;
    let mut listed = BTreeMap::new();
    for (i, line) in text.lines().enumerate() {
        let entry = line
            .split_once("  ")
            .filter(|(sum, name)| sum.len() == 64 && sum.bytes().all(|b| b.is_ascii_hexdigit()) && !name.is_empty());
        let Some((sum, name)) = entry else {
            let reason = "it is not a checksum and a name";
            let remedy = "get the delivery again from who made it";
            return Err(Error::input(&path, format!("line {}", i + 1), reason, remedy));
        };
        listed.insert(name.to_owned(), sum.to_lowercase());
    }
    let files = listed.len();
    let mut differences = Vec::new();
    // Only what lies in the folder is read; names on the list open nothing.
    for file in digests(folder)?.into_iter().filter(|file| file.file != SUMS) {
        match listed.remove(&file.file) {
            Some(sum) if sum == file.sha256 => {}
            Some(_) => differences.push(Difference::Changed(file.file)),
            None => differences.push(Difference::Added(file.file)),
        }
    }
    differences.extend(listed.into_keys().map(Difference::Missing));
    Ok(Verification { files, seal, differences })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_change_is_named() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        std::fs::create_dir(at("evidence")).unwrap();
        for name in ["a.csv", "b.csv", "evidence/F1.png"] {
            std::fs::write(at(name), name).unwrap();
        }
        let seal = write(folder.path()).unwrap();
        let whole = verify(folder.path()).unwrap();
        assert_eq!((whole.files, whole.differences.len(), &whole.seal), (3, 0, &seal));
        std::fs::write(at("a.csv"), "a.csw").unwrap();
        std::fs::remove_file(at("evidence/F1.png")).unwrap();
        std::fs::write(at("c.txt"), "").unwrap();
        let found = verify(folder.path()).unwrap().differences;
        let expected = [
            Difference::Changed("a.csv".into()),
            Difference::Added("c.txt".into()),
            Difference::Missing("evidence/F1.png".into()),
        ];
        assert_eq!(found, expected);
        // Who forges the list as well is found by the seal.
        write(folder.path()).unwrap();
        assert_ne!(verify(folder.path()).unwrap().seal, seal);
        std::fs::write(at(SUMS), "x\n").unwrap();
        assert!(verify(folder.path()).unwrap_err().to_string().contains("line 1"));
    }
}
