//! Leaves of the database that the disk has spoiled: found by their checksums, put aside for whoever can still read
//! something in them, and replaced by empty ones, so that the rest is served.
//!
//! sled answers everything with an error once it has read one leaf with a wrong checksum. So this looks at its files
//! itself, while nobody has them open: the one place that knows how version 1.0.0-alpha.124 lies on disk (its
//! `metadata_store.rs`, `heap.rs` and `leaf.rs`):
//! ```text
//! metadata/snapshot_N, then metadata/log_M, M > N (hexadecimal): frames of
//!     6 bytes length, 2 bytes of the crc32 of these; that many bytes of Zstandard; 4 bytes crc32 of all before, ^ 0xAF
//!     inside, one after another: object, collection, location, length of the low key (8 bytes each); the low key
//!     location 0: the object is gone; otherwise its first byte (of most weight) is the slab + 1, the rest the slot
//! slabs/SIZE: slots of SIZE bytes: the leaf, zeros, the leaf's length (1, 2 or 4 bytes), 4 bytes crc32 of all before, ^ 0xAF
//! a leaf: Zstandard of bincode of low key, high key, length of the keys' common prefix, entries, two counts
//! collection 0: name of a collection -> its number
//! ```
//! All numbers little-endian. Leaves of a collection lie side by side: the high key of one is the low key of the next.

use std::collections::{BTreeMap, HashMap};
use std::fs::{self, File};
use std::io::{self, Read};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::StoreError;
use super::tree::Space;

/// What every stored checksum is combined with.
const CHECKSUM_XOR: u32 = 0xAF;
/// The collection of the collections' names.
const NAMES: u64 = 0;
/// A frame cannot be longer than this; what says so is no frame.
const FRAME_BYTES_MAX: u64 = 1 << 32;

/// Beside the database: some of its leaves are spoilt, and the next opening gives them up.
const OWED: &str = "spoilt";
/// Beside the database: what was given up.
const ASIDE: &str = "damaged";
/// Without these nothing else can be read for what it is: which database this is, and which number is which unit.
const VITAL: [Space; 2] = [Space::Meta, Space::Units];

/// Notes that the database in `database` has spoilt leaves. Where even that cannot be written, the next process comes
/// to the same leaf.
pub(super) fn owe(database: &Path) {
    if let Err(error) = File::create(database.with_file_name(OWED)) {
        tracing::error!(%error, "the damage to the store could not be noted beside it");
    }
}

/// Whether that was noted.
pub(super) fn is_owed(database: &Path) -> bool {
    database.with_file_name(OWED).exists()
}

/// Where what was given up is kept, of the database or the journal of a store.
pub(super) fn aside(database: &Path) -> PathBuf {
    database.with_file_name(ASIDE)
}

/// How many leaves and segments of the journal were given up, ever.
pub(super) fn given_up(database: &Path) -> usize {
    fs::read_dir(aside(database)).map_or(0, Iterator::count)
}

/// Gives up every spoilt leaf of the database in `database`, which nobody must have open, and says which. Cut short, it
/// is done again.
///
/// # Errors
/// A leaf that nothing works without, or what the operating system said; nothing was changed then.
pub(super) fn mend(database: &Path) -> Result<(), StoreError> {
    let look = |slots: Vec<Slot>| {
        let spoilt = slots.into_iter().map(|slot| Ok(slot.is_spoilt()?.then_some(slot)));
        spoilt.filter_map(Result::transpose).collect::<io::Result<Vec<Slot>>>()
    };
    let spoilt = leaves(database).and_then(look).map_err(StoreError::io("look for damage in", database))?;
    if let Some(vital) = spoilt.iter().find(|leaf| leaf.is_vital()) {
        let why = format!("of its lists `{}` cannot be read", vital.space.as_deref().unwrap_or("of lists"));
        return Err(StoreError::Damaged { path: database.to_owned(), why });
    }
    let aside = aside(database);
    for leaf in &spoilt {
        leaf.give_up(&aside).map_err(StoreError::io("mend", &leaf.file))?;
        tracing::error!(
            space = leaf.space,
            from = ?leaf.from,
            to = ?leaf.to,
            kept = %aside.join(leaf.name()).display(),
            "a part of the store was damaged on the disk and is lost; the rest is served"
        );
    }
    Ok(())
}

/// Notes that all that follows from a [`mend`] is done.
pub(super) fn end(database: &Path) -> Result<(), StoreError> {
    fs::remove_file(database.with_file_name(OWED)).map_err(StoreError::io("end the mending of", database))
}

/// Where a leaf lies: the entries of `space` with `from <= key`, and `key < to` if there is a `to`.
#[derive(Clone, Debug)]
struct Slot {
    /// Name of the key space; `None`: the database's own.
    space: Option<String>,
    /// First key it may hold.
    from: Vec<u8>,
    /// First key of the leaf after it.
    to: Option<Vec<u8>>,
    file: PathBuf,
    number: u64,
    bytes: usize,
}

impl Slot {
    fn is_vital(&self) -> bool {
        self.space.as_ref().is_none_or(|name| VITAL.iter().any(|space| space.name() == name))
    }

    /// What its bytes are called where they are put aside.
    fn name(&self) -> String {
        format!("{}-slab-{}-slot-{}", self.space.as_deref().unwrap_or("own"), self.bytes, self.number)
    }

    fn offset(&self) -> u64 {
        self.number * self.bytes as u64
    }

    /// Its bytes; what a file cut short lacks of it counts as zeros, which no checksum fits.
    fn read(&self) -> io::Result<Vec<u8>> {
        let file = File::open(&self.file)?;
        let mut bytes = vec![0; self.bytes];
        let mut read = 0;
        while read < self.bytes {
            match file.read_at(&mut bytes[read..], self.offset() + read as u64)? {
                0 => break,
                more => read += more,
            }
        }
        Ok(bytes)
    }

    fn is_spoilt(&self) -> io::Result<bool> {
        let bytes = self.read()?;
        let (all, sum) = bytes.split_at(self.bytes - 4);
        Ok(sum != checksum(all))
    }

    /// Keeps its bytes in `aside` and puts an empty leaf in their place, durably. Doing it twice does no harm.
    fn give_up(&self, aside: &Path) -> io::Result<()> {
        let empty = Leaf { low: self.from.clone(), high: self.to.clone(), ..Leaf::default() }.slot(self.bytes)?;
        fs::create_dir_all(aside)?;
        let copy = File::options().create(true).truncate(true).write(true).open(aside.join(self.name()))?;
        copy.write_all_at(&self.read()?, 0)?;
        copy.sync_all()?;
        File::open(aside)?.sync_all()?;
        let slab = File::options().write(true).open(&self.file)?;
        slab.write_all_at(&empty, self.offset())?;
        slab.sync_all()
    }
}

/// A leaf as it lies in a slot.
#[derive(Debug, Default, Serialize, Deserialize)]
struct Leaf {
    low: Vec<u8>,
    high: Option<Vec<u8>>,
    prefix: u64,
    entries: Vec<(Vec<u8>, Vec<u8>)>,
    size: u64,
    changes: u64,
}

impl Leaf {
    fn read(slot: &[u8]) -> io::Result<Self> {
        let (width, end) = (length_width(slot.len()), slot.len() - 4);
        let mut length = [0; 8];
        length[..width].copy_from_slice(&slot[end - width..end]);
        let length = usize::try_from(u64::from_le_bytes(length)).unwrap_or(usize::MAX).min(end - width);
        bincode::deserialize(&zstd::stream::decode_all(&slot[..length])?).map_err(io::Error::other)
    }

    /// Of a leaf of the collections' names: each collection's number with its name.
    fn names(&self) -> impl Iterator<Item = (u64, String)> {
        let prefix = usize::try_from(self.prefix).unwrap_or(usize::MAX).min(self.low.len());
        self.entries.iter().filter_map(move |(key, number)| {
            let name = [&self.low[..prefix], key].concat();
            Some((u64::from_le_bytes(number.as_slice().try_into().ok()?), String::from_utf8(name).ok()?))
        })
    }

    /// The whole slot with this leaf in it.
    fn slot(&self, slot_bytes: usize) -> io::Result<Vec<u8>> {
        let mut bytes = zstd::stream::encode_all(&bincode::serialize(self).map_err(io::Error::other)?[..], 19)?;
        let (width, end) = (length_width(slot_bytes), slot_bytes - 4);
        let length = bytes.len();
        if length > end - width {
            let why = format!("an empty leaf of {length} bytes does not fit its place of {slot_bytes}");
            return Err(io::Error::new(io::ErrorKind::InvalidData, why));
        }
        bytes.resize(slot_bytes, 0);
        bytes[end - width..end].copy_from_slice(&length.to_le_bytes()[..width]);
        let sum = checksum(&bytes[..end]);
        bytes[end..].copy_from_slice(&sum);
        Ok(bytes)
    }
}

fn length_width(slot_bytes: usize) -> usize {
    match slot_bytes {
        0..=0xFF => 1,
        0x100..=0xFFFF => 2,
        _ => 4,
    }
}

fn checksum(bytes: &[u8]) -> [u8; 4] {
    (crc32fast::hash(bytes) ^ CHECKSUM_XOR).to_le_bytes()
}

/// Where an object lies.
struct Place {
    collection: u64,
    location: u64,
    low: Vec<u8>,
}

/// Every leaf of the database in `path`, which nobody must have open.
///
/// # Errors
/// What the operating system said, or that the lists of the database itself cannot be read.
fn leaves(path: &Path) -> io::Result<Vec<Slot>> {
    let slabs = slabs(&path.join("slabs"))?;
    let mut collections: BTreeMap<u64, BTreeMap<Vec<u8>, u64>> = BTreeMap::new();
    for place in objects(&path.join("metadata"))?.into_values() {
        collections.entry(place.collection).or_default().insert(place.low, place.location);
    }
    let mut names: HashMap<u64, String> = HashMap::new();
    let mut slots = Vec::new();
    for (collection, leaves) in &collections {
        let mut leaves = leaves.iter().peekable();
        while let Some((low, location)) = leaves.next() {
            let [slab, number @ ..] = location.to_be_bytes();
            let number = number.iter().fold(0, |sum, byte| sum << 8 | u64::from(*byte));
            let slab = usize::from(slab).checked_sub(1).and_then(|slab| slabs.get(slab));
            let (bytes, file) = slab.ok_or_else(|| bad("a leaf lies in a slab that is not there"))?.clone();
            let (space, to) = (names.get(collection).cloned(), leaves.peek().map(|(low, _)| (*low).clone()));
            let slot = Slot { space, from: low.clone(), to, file, number, bytes };
            if *collection == NAMES && !slot.is_spoilt()? {
                names.extend(Leaf::read(&slot.read()?)?.names());
            }
            slots.push(slot);
        }
    }
    Ok(slots)
}

/// The slabs in the order of their numbers, which is that of their slots' sizes.
fn slabs(folder: &Path) -> io::Result<Vec<(usize, PathBuf)>> {
    let mut slabs = Vec::new();
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        if let Some(size) = path.file_name().and_then(|name| name.to_str()).and_then(|name| name.parse().ok()) {
            slabs.push((size, path));
        }
    }
    slabs.sort();
    Ok(slabs)
}

/// The live objects, by their numbers.
fn objects(metadata: &Path) -> io::Result<HashMap<u64, Place>> {
    let (mut snapshot, mut logs) = (None, Vec::new());
    for entry in fs::read_dir(metadata)? {
        let path = entry?.path();
        let name = path.file_name().and_then(|name| name.to_str()).unwrap_or("");
        let number = |prefix: &str| u64::from_str_radix(name.strip_prefix(prefix)?, 16).ok();
        match (number("snapshot_"), number("log_")) {
            (Some(number), _) => snapshot = snapshot.max(Some((number, path))),
            (_, Some(number)) => logs.push((number, path)),
            _ => {}
        }
    }
    let covered = snapshot.as_ref().map_or(0, |(number, _)| *number);
    logs.retain(|(number, _)| *number > covered);
    logs.sort();
    let mut objects = HashMap::new();
    for (_, path) in snapshot.iter().chain(&logs) {
        let mut file = io::BufReader::new(File::open(path)?);
        // A frame that is cut short was never acknowledged.
        while let Some(frame) = read_frame(&mut file)? {
            apply(&frame, &mut objects).ok_or_else(|| bad("a list of its leaves ends early"))?;
        }
    }
    Ok(objects)
}

fn read_frame(file: &mut impl Read) -> io::Result<Option<Vec<u8>>> {
    let mut head = [0; 8];
    match file.read_exact(&mut head) {
        Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => return Ok(None),
        read => read?,
    }
    let hash = crc32fast::hash(&head[..6]).to_le_bytes();
    let mut length = head;
    length[6..].fill(0);
    let length = u64::from_le_bytes(length);
    if head[6..] != hash[..2] || length > FRAME_BYTES_MAX {
        return Ok(None);
    }
    let mut frame = head.to_vec();
    file.take(length + 4).read_to_end(&mut frame)?;
    let end = frame.len().saturating_sub(4);
    if (end as u64) < 8 + length || frame[end..] != checksum(&frame[..end]) {
        return Ok(None);
    }
    zstd::stream::decode_all(&frame[8..end]).map(Some)
}

/// `None` where the frame ends in the middle of a record.
fn apply(mut frame: &[u8], objects: &mut HashMap<u64, Place>) -> Option<()> {
    let number = |frame: &mut &[u8]| {
        let (number, rest) = frame.split_first_chunk::<8>()?;
        *frame = rest;
        Some(u64::from_le_bytes(*number))
    };
    while !frame.is_empty() {
        let (object, collection, location) = (number(&mut frame)?, number(&mut frame)?, number(&mut frame)?);
        let length = usize::try_from(number(&mut frame)?).ok()?;
        let (low, rest) = frame.split_at_checked(length)?;
        frame = rest;
        if location == 0 {
            objects.remove(&object);
        } else {
            objects.insert(object, Place { collection, location, low: low.to_vec() });
        }
    }
    Some(())
}

fn bad(why: &'static str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, why)
}

#[cfg(test)]
mod tests {
    use super::super::migrate::copy_synced;
    use super::super::settings::StoreSettings;
    use super::super::{Store, StoreError};
    use super::*;
    use crate::domain::time::HOUR;
    use crate::domain::{Channel, Reading, Timestamp, UnitId};

    const UNITS: i64 = 3;
    const DAYS: i64 = 40;
    /// Entries of a leaf at most: what one spoilt leaf can cost.
    const OF_LEAF: usize = 8;

    fn open(dir: &Path) -> Result<Store, StoreError> {
        Store::open(&StoreSettings { path: dir.to_owned(), cache_bytes: 16 << 20 })
    }

    fn id(unit: i64) -> UnitId {
        UnitId::new("heron-bight", &format!("cabin-{unit}")).unwrap()
    }

    /// Every hour; what cannot be squeezed, so that the blocks lie in slots of some size.
    fn rows() -> Vec<(UnitId, Reading)> {
        let rows = (0..UNITS).flat_map(|unit| (0..DAYS * 24).map(move |hour| (unit, hour)));
        let light = |n: i64| 15.0 + (n.wrapping_mul(2_654_435_761) % 10_007).unsigned_abs() as f64 / 1e3;
        let start = Timestamp::from_millis(1_760_054_400_000);
        rows.map(|(unit, hour)| {
            let at = start.plus_millis(hour * HOUR);
            (id(unit), Reading::new(at).with(Channel::Intensity, light(unit * 10_000 + hour)))
        })
        .collect()
    }

    fn all(store: &Store) -> Result<usize, StoreError> {
        (0..UNITS).map(|n| store.readings(&id(n), Timestamp::MIN, Timestamp::MAX).map(|rows| rows.len())).sum()
    }

    /// Flips one bit in the middle of a leaf of a space, of the database of the store in `dir`.
    fn flip(dir: &Path, space: Space, place: usize) -> Slot {
        let mut slots = leaves(&dir.join("db")).unwrap();
        slots.retain(|slot| slot.space.as_deref() == Some(space.name()));
        let slot = slots.swap_remove(place % slots.len());
        let mut bytes = slot.read().unwrap();
        bytes[slot.bytes / 3] ^= 4;
        let file = File::options().write(true).open(&slot.file).unwrap();
        file.write_all_at(&bytes, slot.offset()).unwrap();
        slot
    }

    /// What the next process finds: this one keeps the database's lock after such an error.
    fn left_by(dir: &Path) -> tempfile::TempDir {
        let next = tempfile::tempdir().unwrap();
        fs::remove_dir(next.path()).unwrap();
        copy_synced(dir, next.path()).unwrap();
        next
    }

    fn filled() -> tempfile::TempDir {
        let dir = tempfile::tempdir().unwrap();
        let store = open(dir.path()).unwrap();
        store.load(&rows()).unwrap();
        store.append(&rows()[..100]).unwrap();
        store.close();
        dir
    }

    #[test]
    fn the_files_are_read_as_they_lie() {
        let dir = filled();
        let slots = leaves(&dir.path().join("db")).unwrap();
        assert!(slots.iter().all(|slot| !slot.is_spoilt().unwrap()));
        let of = |space: Space| slots.iter().filter(move |slot| slot.space.as_deref() == Some(space.name()));
        let entries =
            |space| of(space).map(|slot| Leaf::read(&slot.read().unwrap()).unwrap().entries.len()).sum::<usize>();
        assert_eq!([Space::Units, Space::Blocks].map(entries), [UNITS as usize, (UNITS * DAYS) as usize]);
        for slot in of(Space::Blocks) {
            let leaf = Leaf::read(&slot.read().unwrap()).unwrap();
            assert_eq!((&leaf.low, &leaf.high), (&slot.from, &slot.to), "side by side");
        }
    }

    #[test]
    fn one_flipped_bit_costs_one_leaf_and_what_was_lost_can_be_loaded_again() {
        for place in 0..9 {
            let dir = filled();
            let slot = flip(dir.path(), Space::Blocks, place * 7);
            let store = open(dir.path()).unwrap();
            let error = all(&store).unwrap_err().to_string();
            assert!(error.contains("the next start gives up what cannot be read"), "{error}");
            // The next start: everything but the days of that leaf is there.
            let dir = left_by(dir.path());
            let store = open(dir.path()).unwrap();
            assert!(!is_owed(&dir.path().join("db")));
            let lost = rows().len() - all(&store).unwrap();
            assert!((24..=24 * OF_LEAF).contains(&lost) && lost.is_multiple_of(24), "{lost} readings lost");
            let found = store.verify(|_| ()).unwrap();
            assert!(found.is_sound() && found.readings as usize == rows().len() - lost, "nothing else is wrong");
            assert_eq!(fs::read_dir(dir.path().join(ASIDE)).unwrap().count(), 1, "its bytes are kept");
            assert!(store.stats().unwrap().damaged >= 1);
            // As from a backup; the rest stays as it is.
            store.load(&rows()).unwrap();
            assert_eq!(all(&store).unwrap(), rows().len());
            store.close();
            let store = open(dir.path()).unwrap();
            let found = store.verify(|_| ()).unwrap();
            assert!(found.is_sound() && found.readings as usize == rows().len(), "{}", slot.name());
        }
    }

    #[test]
    fn many_spoilt_leaves_are_given_up_at_once() {
        let dir = filled();
        (0..5).for_each(|place| drop(flip(dir.path(), Space::Blocks, place * 3)));
        assert!(all(&open(dir.path()).unwrap()).is_err());
        let dir = left_by(dir.path());
        let store = open(dir.path()).unwrap();
        assert!(all(&store).unwrap() >= rows().len() - 5 * 24 * OF_LEAF);
        assert_eq!(fs::read_dir(dir.path().join(ASIDE)).unwrap().count(), 5);
    }

    #[test]
    fn without_the_list_of_units_nothing_is_changed() {
        let dir = filled();
        flip(dir.path(), Space::Units, 0);
        assert!(matches!(open(dir.path()).unwrap_err(), StoreError::Rotten { .. }));
        let dir = left_by(dir.path());
        for _ in 0..2 {
            let error = open(dir.path()).unwrap_err().to_string();
            assert!(error.contains("`units` cannot be read") && error.contains("`fadeline restore`"), "{error}");
        }
        assert!(!dir.path().join(ASIDE).exists());
    }
}
