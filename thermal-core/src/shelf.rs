//! What a flight has too much of for memory, laid down on disk as it comes and read back piece by piece: of the lists that
//! grow with the flight, those of one frame are wanted at a time.
//!
//! A shelf is a file of pieces: length, checksum (CRC-32, ISO 3309), content.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::marker::PhantomData;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::{Error, Result};

/// No piece is longer; a longer one is none.
const LONGEST: u32 = 1 << 28;
/// Memory taken for a piece before its content is read.
const MOST_AHEAD: usize = 1 << 16;
/// Bytes of a piece before its content.
const LEAD: u64 = 8;

/// A place for values: a file, or by default the memory. Copies are the same place.
#[derive(Debug, Clone, Default)]
pub struct Shelf(Option<Arc<Disk>>);

#[derive(Debug)]
struct Disk {
    /// The name for messages.
    path: PathBuf,
    open: Mutex<Open>,
}

#[derive(Debug)]
struct Open {
    file: File,
    /// Where the next piece goes: behind the last one that was written whole.
    end: u64,
}

/// A value on a shelf, or in memory.
#[derive(Debug, Clone)]
pub struct Shelved<T>(Place<T>);

#[derive(Debug, Clone)]
enum Place<T> {
    /// In a box, so that what is on disk takes a few bytes only.
    Memory(Box<T>),
    Disk(Arc<Disk>, u64, PhantomData<fn() -> T>),
}

impl Shelf {
    /// A shelf beside the file or folder `out`, in a file without a name: nothing of it is left, however the program ends.
    ///
    /// # Errors
    /// [`Error::Io`] where the folder cannot be written to.
    pub fn beside(out: &Path) -> Result<Self> {
        let folder = crate::output::parent(out);
        let file = tempfile::tempfile_in(&folder).map_err(|e| Error::io(&folder, "lay something aside", e))?;
        Ok(Self::over(&folder, file, 0))
    }

    /// A shelf in a file of which the first `end` bytes stay as they are; `path` is its name for messages.
    pub(crate) fn over(path: &Path, file: File, end: u64) -> Self {
        Self(Some(Arc::new(Disk { path: path.to_owned(), open: Mutex::new(Open { file, end }) })))
    }

    /// Lays a value down.
    ///
    /// # Errors
    /// [`Error::Io`] where the disk refuses; what is on the shelf by then stays whole.
    pub fn put<T: Serialize>(&self, value: T) -> Result<Shelved<T>> {
        self.put_pieces(Vec::new(), value)
    }

    /// Lays a value down behind a head of its own, both in one go: no other piece comes between them.
    pub(crate) fn put_behind<T: Serialize>(&self, head: &impl Serialize, value: T) -> Result<Shelved<T>> {
        match &self.0 {
            None => self.put(value),
            Some(disk) => self.put_pieces(piece(head).map_err(|e| disk.fail_write(e))?, value),
        }
    }

    fn put_pieces<T: Serialize>(&self, mut bytes: Vec<u8>, value: T) -> Result<Shelved<T>> {
        let Some(disk) = &self.0 else { return Ok(value.into()) };
        let before = bytes.len() as u64;
        bytes.append(&mut piece(&value).map_err(|e| disk.fail_write(e))?);
        let at = before + disk.write(&bytes).map_err(|e| disk.fail_write(e))?;
        Ok(Shelved(Place::Disk(Arc::clone(disk), at, PhantomData)))
    }

    /// The value of the piece that begins at byte `at`.
    pub(crate) fn at<T: Default>(&self, at: u64) -> Shelved<T> {
        let disk = |disk: &Arc<Disk>| Place::Disk(Arc::clone(disk), at, PhantomData);
        Shelved(self.0.as_ref().map_or_else(|| Place::Memory(Box::default()), disk))
    }

    /// Brings all to the disk.
    pub(crate) fn sync(&self) -> Result<()> {
        let Some(disk) = &self.0 else { return Ok(()) };
        disk.open.lock().unwrap_or_else(PoisonError::into_inner).file.sync_all().map_err(|e| disk.fail_write(e))
    }
}

impl Disk {
    fn write(&self, bytes: &[u8]) -> io::Result<u64> {
        let mut open = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        let at = open.end;
        open.file.seek(SeekFrom::Start(at))?;
        open.file.write_all(bytes)?;
        open.end += bytes.len() as u64;
        Ok(at)
    }

    /// The content of the piece at byte `at`; `None` where it is not what was written.
    fn read(&self, at: u64) -> io::Result<Option<Vec<u8>>> {
        let mut content = Vec::new();
        let mut open = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        open.file.seek(SeekFrom::Start(at))?;
        Ok(read_piece(&mut open.file, &mut content)?.then_some(content))
    }

    fn fail_write(&self, source: io::Error) -> Error {
        Error::io(&self.path, "write down what is known of the frames", source)
    }
}

impl<T> Shelved<T> {
    /// The value.
    ///
    /// # Errors
    /// [`Error::Io`] where the disk refuses; [`Error::Input`] where it gives back something else than was written.
    pub fn read(&self) -> Result<T>
    where
        T: Clone + DeserializeOwned,
    {
        let (disk, at) = match &self.0 {
            Place::Memory(value) => return Ok((**value).clone()),
            Place::Disk(disk, at, _) => (disk, *at),
        };
        let content = disk.read(at).map_err(|e| Error::io(&disk.path, "read back what is known of the frames", e))?;
        content.and_then(|content| postcard::from_bytes(&content).ok()).ok_or_else(|| {
            let reason = "it does not hold what was written there";
            let remedy = "let no other program change it and have the disk checked, then inspect again with --force";
            Error::input(&disk.path, format!("entry at byte {at}"), reason, remedy)
        })
    }
}

impl<T> From<T> for Shelved<T> {
    /// A value in memory.
    fn from(value: T) -> Self {
        Self(Place::Memory(Box::new(value)))
    }
}

impl<T: Default> Default for Shelved<T> {
    fn default() -> Self {
        T::default().into()
    }
}

/// The bytes of a piece.
fn piece(value: &impl Serialize) -> io::Result<Vec<u8>> {
    let bytes = postcard::to_extend(value, vec![0; LEAD as usize]);
    let mut bytes: Vec<u8> = bytes.map_err(io::Error::other)?;
    let content = &bytes[LEAD as usize..];
    let lead = [(content.len() as u32).to_le_bytes(), crc32fast::hash(content).to_le_bytes()];
    bytes[..LEAD as usize].copy_from_slice(lead.as_flattened());
    Ok(bytes)
}

/// Reads the content of the next piece, in the place of what `content` holds; `false` where none follows that is whole.
pub(crate) fn read_piece(input: &mut impl Read, content: &mut Vec<u8>) -> io::Result<bool> {
    let mut lead = [0; LEAD as usize];
    if !fill(input, &mut lead)? {
        return Ok(false);
    }
    let [a, b, c, d, e, f, g, h] = lead;
    let (length, sum) = (u32::from_le_bytes([a, b, c, d]), u32::from_le_bytes([e, f, g, h]));
    content.clear();
    // Read in one go; a length that is none does not take memory before the bytes are there.
    content.reserve((length as usize).min(MOST_AHEAD));
    Ok(length <= LONGEST
        && input.by_ref().take(u64::from(length)).read_to_end(content)? == length as usize
        && crc32fast::hash(content) == sum)
}

/// How many bytes a piece of this content takes.
pub(crate) fn piece_bytes(content: &[u8]) -> u64 {
    LEAD + content.len() as u64
}

/// Reads until the buffer is full; `false` at the end of the file.
pub(crate) fn fill(input: &mut impl Read, buffer: &mut [u8]) -> io::Result<bool> {
    match input.read_exact(buffer) {
        Ok(()) => Ok(true),
        Err(e) if e.kind() == io::ErrorKind::UnexpectedEof => Ok(false),
        Err(e) => Err(e),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_put_comes_back_from_disk_and_memory() {
        let folder = tempfile::tempdir().unwrap();
        let on_disk = Shelf::beside(&folder.path().join("run")).unwrap();
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0, "it has no name");
        for shelf in [on_disk, Shelf::default()] {
            let lists: Vec<Vec<f32>> = (0..50).map(|n| (0..n).map(|v| v as f32 / 3.0).collect()).collect();
            let shelved: Vec<_> = std::thread::scope(|scope| {
                let put = |list: &Vec<f32>| shelf.put(list.clone()).unwrap();
                let threads: Vec<_> = lists.iter().map(|list| scope.spawn(move || put(list))).collect();
                threads.into_iter().map(|t| t.join().unwrap()).collect()
            });
            let behind = shelf.put_behind(&"a head".to_owned(), "a value".to_owned()).unwrap();
            for (shelved, list) in shelved.iter().zip(&lists).rev() {
                assert_eq!(shelved.read().unwrap(), *list);
            }
            assert_eq!(behind.clone().read().unwrap(), "a value");
        }
        assert_eq!(Shelved::from(7).read().unwrap(), 7);
    }

    #[test]
    fn what_the_disk_does_not_give_back_is_an_error_and_not_a_shorter_list() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a shelf");
        let open = || File::options().read(true).write(true).create(true).truncate(false).open(&path).unwrap();
        let shelf = Shelf::over(&path, open(), 5);
        let first = shelf.put(vec![1u32; 100]).unwrap();
        let second = shelf.put(vec![2u32; 100]).unwrap();
        let failed = |list: &Shelved<Vec<u32>>| list.read().unwrap_err().to_string();
        // A byte of the second is another, and then the end is missing.
        let mut bytes = std::fs::read(&path).unwrap();
        let last = bytes.len() - 1;
        bytes[last] = 3;
        std::fs::write(&path, &bytes).unwrap();
        let message = failed(&second);
        assert!(message.contains("a shelf: entry at byte ") && message.contains("have the disk checked"), "{message}");
        open().set_len(last as u64).unwrap();
        assert_eq!(failed(&second), message);
        assert_eq!(first.read().unwrap().len(), 100);
        // The system refuses: a folder cannot be read as a file, one opened for reading not be written to.
        let unreadable = Shelf::over(folder.path(), File::open(folder.path()).unwrap(), 0);
        let list: Shelved<Vec<u32>> = unreadable.at(0);
        assert!(failed(&list).contains("cannot read back what is known of the frames"), "{}", failed(&list));
        let message = unreadable.put(1).unwrap_err().to_string();
        assert!(message.contains("cannot write down what is known of the frames"), "{message}");
    }
}
