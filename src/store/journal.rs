//! The journal: the readings that no block has yet, in files of its own beside the database.
//!
//! An append is one record, written to the end of a file and synced: **one** sync of one file, where the database syncs
//! a file for each size of leaf that changed, its metadata and a directory. At 100 readings an append that is three
//! times as fast as SQLite's log (`cargo bench --features beside`), and a card wears by a page or two for each append.
//!
//! ```text
//! DIR/journal/FIRST        a segment, named by the number of its first append, 16 hexadecimal digits:
//!     "fadeline journal 1 ", the id of the database, a line feed
//!     records, one behind the other; zeros to the end, which is there before they are
//! a record: "rec\n"; length of the batch (4 bytes); number of the append (8); crc32 of these 12 bytes (4); the batch,
//!     which begins with its own checksum
//! ```
//! The zeros are written, not only put by: where a page has been written before, a sync has no news of the file itself
//! to write. All numbers little-endian; the numbers of appends ascend. A segment is written by one process only, and goes as a
//! whole when the journal begins behind its last record. Where it begins is written in the database, with the blocks that
//! make it so: a file that came back after a power cut changes nothing.
//!
//! One record is under way at a time. So at the end of the newest segment, and only there, a record may be there in part:
//! nobody was told that it is stored, and it is cut off. Whatever else does not fit is damage: it is said, a copy of the
//! file is kept, and the segment is written again with the records that fit.

use std::collections::VecDeque;
use std::fs::{self, File};
use std::io;
use std::os::unix::fs::{FileExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use super::codec::check_crc;
use super::reserve::write_zeros;
use super::{StoreError, mend};

const DIRECTORY: &str = "journal";
const TITLE: &str = "fadeline journal 1 ";
const MARK: &[u8; 4] = b"rec\n";
/// Mark, length, number and checksum.
const HEAD_BYTES: usize = 20;
/// A segment has so much room, or as much as its first record needs. Smaller ones go sooner, and what lies unused in the
/// newest is less: a day of 50 units at a reading a minute takes half a megabyte.
const SEGMENT_BYTES: u64 = 1 << 18;
/// What the kernel writes at least.
const PAGE_BYTES: u64 = 4_096;

/// The journal of one store.
#[derive(Debug)]
pub(super) struct Journal {
    dir: PathBuf,
    title: Vec<u8>,
    /// Oldest first; the last is the one being written, if there is one.
    segments: VecDeque<Segment>,
    writer: Option<Writer>,
    written: u64,
}

#[derive(Debug)]
struct Segment {
    path: PathBuf,
    /// Number of its last append; 0 while it has none.
    last: u64,
}

#[derive(Debug)]
struct Writer {
    file: File,
    end: u64,
    room: u64,
}

/// An append: its number and its batch.
pub(super) type Record = (u64, Vec<u8>);

/// What a segment has.
#[derive(Debug, Default)]
pub(super) struct Contents {
    /// Ascending.
    pub records: Vec<Record>,
    /// Places where something that is no record lies between records.
    pub damaged: u64,
    /// Behind the last record.
    end: usize,
    /// Whether anything but zeros follows.
    torn: bool,
}

/// Where it lies in a store's directory.
pub(super) fn directory(home: &Path) -> PathBuf {
    home.join(DIRECTORY)
}

/// Whether this is the name of its directory.
pub(super) fn is_directory(name: &std::ffi::OsStr) -> bool {
    name == DIRECTORY
}

impl Journal {
    /// Makes an empty one for the database `id`, in the place of whatever is there.
    pub fn make(home: &Path, id: &str) -> Result<Self, StoreError> {
        let dir = directory(home);
        let made = || -> io::Result<()> {
            if dir.exists() {
                fs::remove_dir_all(&dir)?;
            }
            fs::create_dir(&dir)?;
            File::open(home)?.sync_all()
        };
        made().map_err(StoreError::io("make the journal", &dir))?;
        Ok(Self::empty(dir, id))
    }

    fn empty(dir: PathBuf, id: &str) -> Self {
        let title = format!("{TITLE}{id}\n").into_bytes();
        Self { dir, title, segments: VecDeque::new(), writer: None, written: 0 }
    }

    /// The one that must be there. Segments without a record are removed, a record that was not finished is cut off.
    ///
    /// # Errors
    /// It is missing or of another database, or what the operating system said.
    pub fn open(home: &Path, id: &str) -> Result<Self, StoreError> {
        let dir = directory(home);
        let gone = |why: &str| StoreError::DataGone { path: home.to_owned(), why: why.to_owned() };
        let mut paths = match fs::read_dir(&dir) {
            Ok(entries) => entries
                .map(|entry| Ok(entry?.path()))
                .collect::<io::Result<Vec<PathBuf>>>()
                .map_err(StoreError::io("list", &dir))?,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Err(gone("its journal is missing")),
            Err(error) => return Err(StoreError::io("list", &dir)(error)),
        };
        paths.retain(|path| first_of(path).is_some());
        paths.sort();
        let mut journal = Self::empty(dir, id);
        let newest = paths.last().cloned();
        for path in paths {
            let bytes = fs::read(&path).map_err(StoreError::io("read", &path))?;
            let title = bytes.get(..journal.title.len()).unwrap_or_default();
            if title != journal.title && title.starts_with(TITLE.as_bytes()) {
                return Err(gone("its journal is of another database"));
            }
            let found = contents(&bytes, journal.title.len());
            let newest = newest.as_ref() == Some(&path);
            let last = found.records.last().map_or(0, |(number, _)| *number);
            let titled = title == journal.title || bytes.iter().all(|byte| *byte == 0);
            journal.mend(&path, &found, newest, titled).map_err(StoreError::io("mend", &path))?;
            if last > 0 {
                journal.segments.push_back(Segment { path, last });
            }
        }
        Ok(journal)
    }

    /// Leaves a segment of an earlier process with whole records only.
    fn mend(&self, path: &Path, found: &Contents, newest: bool, titled: bool) -> io::Result<()> {
        let damaged = found.damaged > 0 || !titled || (found.torn && !newest);
        if damaged {
            let aside = mend::aside(&self.dir);
            let copy = aside.join(format!("journal-{}", name_of(path)));
            tracing::error!(
                segment = %path.display(), kept = %copy.display(), records = found.records.len(),
                "a part of the journal was damaged on the disk and is lost; the rest is served"
            );
            fs::create_dir_all(&aside)?;
            fs::copy(path, &copy)?;
            File::open(&copy)?.sync_all()?;
            File::open(&aside)?.sync_all()?;
        } else if found.torn {
            tracing::warn!(
                segment = %path.display(),
                "the end of the journal was not written whole; it had not been acknowledged, and was cut off"
            );
        }
        if found.records.is_empty() {
            fs::remove_file(path)
        } else if damaged {
            self.write_again(path, &found.records)
        } else if newest {
            let file = File::options().write(true).open(path)?;
            file.set_len(found.end as u64)?;
            file.sync_all()
        } else {
            Ok(())
        }
    }

    /// Puts a segment with these records only in the place of another, durably.
    fn write_again(&self, path: &Path, records: &[Record]) -> io::Result<()> {
        let new = path.with_extension("new");
        let framed = records.iter().map(|(number, batch)| framed(*number, batch));
        fs::write(&new, [self.title.clone()].into_iter().chain(framed).collect::<Vec<_>>().concat())?;
        File::open(&new)?.sync_all()?;
        fs::rename(&new, path)?;
        File::open(&self.dir)?.sync_all()
    }

    /// Its segments, oldest first.
    pub fn segments(&self) -> Vec<PathBuf> {
        self.segments.iter().map(|segment| segment.path.clone()).collect()
    }

    /// What a segment has.
    pub fn read(&self, segment: &Path) -> io::Result<Contents> {
        Ok(contents(&fs::read(segment)?, self.title.len()))
    }

    /// Makes sure that a batch of so many bytes finds room, with the number its append will have. What can fail for want
    /// of space fails here.
    pub fn make_room(&mut self, number: u64, batch_bytes: usize) -> io::Result<()> {
        let needed = (HEAD_BYTES + batch_bytes) as u64;
        u32::try_from(batch_bytes).map_err(|_| io::Error::new(io::ErrorKind::InvalidInput, "an append of 4 GiB"))?;
        if self.writer.as_ref().is_some_and(|writer| writer.room - writer.end >= needed) {
            return Ok(());
        }
        // Clean already, unless it took records that were not synced one by one.
        self.sync()?;
        let path = self.dir.join(format!("{number:016x}"));
        let room = SEGMENT_BYTES.max(self.title.len() as u64 + needed);
        let begun = || -> io::Result<File> {
            let file = File::options().create(true).truncate(true).write(true).mode(0o600).open(&path)?;
            write_zeros(&file, room)?;
            file.write_all_at(&self.title, 0)?;
            file.sync_all()?;
            File::open(&self.dir)?.sync_all()?;
            Ok(file)
        };
        let file = match begun() {
            Ok(file) => file,
            Err(error) => {
                let _gone = fs::remove_file(&path);
                return Err(error);
            }
        };
        // One without a record was begun for an append that then was refused.
        self.segments.retain(|segment| segment.last > 0);
        self.segments.push_back(Segment { path, last: 0 });
        self.written += room.next_multiple_of(PAGE_BYTES);
        self.writer = Some(Writer { file, end: self.title.len() as u64, room });
        Ok(())
    }

    /// Writes the batch of an append for which room was made; durable when it returns. After an error nothing more may
    /// be written: what is on the disk is not known then.
    pub fn append(&mut self, number: u64, batch: &[u8]) -> io::Result<()> {
        self.write(number, batch)?;
        self.sync()
    }

    /// The same, durable after the next [`Journal::sync`] only.
    pub fn write(&mut self, number: u64, batch: &[u8]) -> io::Result<()> {
        let (Some(writer), Some(segment)) = (&mut self.writer, self.segments.back_mut()) else {
            return Err(io::Error::other("no room was made in the journal"));
        };
        let record = framed(number, batch);
        writer.file.write_all_at(&record, writer.end)?;
        let end = writer.end + record.len() as u64;
        self.written += (end.div_ceil(PAGE_BYTES) - writer.end / PAGE_BYTES) * PAGE_BYTES;
        writer.end = end;
        segment.last = number;
        Ok(())
    }

    /// Makes durable what was written to the newest segment.
    pub fn sync(&mut self) -> io::Result<()> {
        self.writer.as_ref().map_or(Ok(()), |writer| writer.file.sync_data())
    }

    /// Lets the segments go that have nothing from `first` on. One that cannot be removed is tried again next time.
    pub fn drop_before(&mut self, first: u64) {
        let writing = usize::from(self.writer.is_some());
        while self.segments.len() > writing
            && let Some(oldest) = self.segments.front().filter(|oldest| oldest.last < first)
        {
            if let Err(error) = fs::remove_file(&oldest.path) {
                tracing::warn!(segment = %oldest.path.display(), %error, "a segment of the journal cannot be removed");
                return;
            }
            self.segments.pop_front();
        }
    }

    /// Bytes written to the disk by this process, in whole pages.
    pub fn bytes_written(&self) -> u64 {
        self.written
    }
}

fn name_of(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

/// The number in a segment's name.
fn first_of(path: &Path) -> Option<u64> {
    let name = path.file_name()?.to_str()?;
    (name.len() == 16).then(|| u64::from_str_radix(name, 16).ok())?
}

fn framed(number: u64, batch: &[u8]) -> Vec<u8> {
    let mut about = [0; 12];
    about[..4].copy_from_slice(&(batch.len() as u32).to_le_bytes());
    about[4..].copy_from_slice(&number.to_le_bytes());
    [MARK.as_slice(), &about, &crc32fast::hash(&about).to_le_bytes(), batch].concat()
}

/// The record at the front of `bytes`: its number and its batch.
fn record(bytes: &[u8]) -> Option<(u64, &[u8])> {
    let (head, rest) = bytes.split_at_checked(HEAD_BYTES)?;
    let (about, sum) = head.strip_prefix(MARK)?.split_first_chunk::<12>()?;
    if sum != crc32fast::hash(about).to_le_bytes() {
        return None;
    }
    let (length, number) = about.split_first_chunk::<4>()?;
    let batch = rest.get(..u32::from_le_bytes(*length) as usize)?;
    check_crc(batch).ok()?;
    Some((u64::from_le_bytes(number.try_into().ok()?), batch))
}

/// What a segment has behind its title of so many bytes.
fn contents(bytes: &[u8], title: usize) -> Contents {
    let mut found = Contents { end: title.min(bytes.len()), ..Contents::default() };
    loop {
        let rest = &bytes[found.end..];
        let last = found.records.last().map_or(0, |(number, _)| *number);
        let next = |place: &usize| record(&rest[*place..]).is_some_and(|(number, _)| number > last);
        let place = if next(&0) {
            0
        } else if rest.iter().all(|byte| *byte == 0) {
            return found;
        } else if let Some(place) = (1..rest.len()).filter(|place| rest[*place..].starts_with(MARK)).find(next) {
            found.damaged += 1;
            place
        } else {
            found.torn = true;
            return found;
        };
        let Some((number, batch)) = record(&rest[place..]) else { return found };
        found.records.push((number, batch.to_vec()));
        found.end += place + HEAD_BYTES + batch.len();
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::codec::{UnitRows, encode_batch, seal_crc};
    use super::*;

    const ID: &str = "00112233445566778899aabbccddeeff";

    /// A batch as the journal sees it: any bytes behind their checksum. The mark of a record is common in them.
    fn batch() -> impl Strategy<Value = Vec<u8>> {
        let piece = prop_oneof![prop::collection::vec(any::<u8>(), 0..40), Just(MARK.to_vec()), Just(vec![0; 9])];
        prop::collection::vec(piece, 0..4).prop_map(|pieces| {
            let mut bytes = [vec![0; 4], pieces.concat()].concat();
            seal_crc(&mut bytes);
            bytes
        })
    }

    fn batches() -> impl Strategy<Value = Vec<Vec<u8>>> {
        prop::collection::vec(batch(), 1..12)
    }

    fn numbered(batches: &[Vec<u8>]) -> Vec<Record> {
        (1..).zip(batches.iter().cloned()).collect()
    }

    fn append(journal: &mut Journal, records: &[Record]) {
        for (number, batch) in records {
            journal.make_room(*number, batch.len()).unwrap();
            journal.append(*number, batch).unwrap();
        }
    }

    fn all(journal: &Journal) -> Vec<Record> {
        let of = |segment: &PathBuf| journal.read(segment).unwrap().records;
        journal.segments().iter().flat_map(of).collect()
    }

    /// A segment's bytes as they are on the disk, and where its records begin.
    fn segment(batches: &[Vec<u8>]) -> (tempfile::TempDir, PathBuf, Vec<usize>) {
        let dir = tempfile::tempdir().unwrap();
        let mut journal = Journal::make(dir.path(), ID).unwrap();
        append(&mut journal, &numbered(batches));
        let path = journal.segments().remove(0);
        let lengths = batches.iter().map(|batch| HEAD_BYTES + batch.len());
        let begins = lengths.scan(journal.title.len(), |at, length| Some(std::mem::replace(at, *at + length)));
        (dir, path, begins.collect())
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

        #[test]
        fn what_was_written_is_read_by_the_next_process(one in batches(), other in batches()) {
            let dir = tempfile::tempdir().unwrap();
            append(&mut Journal::make(dir.path(), ID).unwrap(), &numbered(&one));
            let both: Vec<_> = numbered(&[one.clone(), other].concat());
            let mut journal = Journal::open(dir.path(), ID).unwrap();
            append(&mut journal, &both[one.len()..]);
            prop_assert_eq!(all(&journal), both.clone());
            prop_assert_eq!(all(&Journal::open(dir.path(), ID).unwrap()), both);
            prop_assert!(!mend::aside(&directory(dir.path())).exists());
        }

        /// A power cut: of the last record some bytes are there, and zeros in place of the rest.
        #[test]
        fn a_record_cut_off_is_as_if_it_had_not_been(batches in batches(), cut: prop::sample::Index) {
            let (dir, path, begins) = segment(&batches);
            let (last, whole) = (begins[begins.len() - 1], batches.len() - 1);
            let cut = last + cut.index(HEAD_BYTES + batches[whole].len());
            let mut bytes = fs::read(&path).unwrap();
            bytes[cut..].fill(0);
            // What ends in zeros anyhow may be whole.
            prop_assume!(record(&bytes[last..]).is_none());
            fs::write(&path, bytes).unwrap();
            let mut journal = Journal::open(dir.path(), ID).unwrap();
            prop_assert_eq!(all(&journal), numbered(&batches[..whole]));
            // The same number again.
            append(&mut journal, &numbered(&batches)[whole..]);
            prop_assert_eq!(all(&Journal::open(dir.path(), ID).unwrap()), numbered(&batches));
        }

        /// A bit that turned: at most the record it lies in is lost.
        #[test]
        fn damage_costs_the_record_it_lies_in(batches in batches(), at: prop::sample::Index, flip in 1_u8..) {
            let (dir, path, begins) = segment(&batches);
            let mut bytes = fs::read(&path).unwrap();
            let end = begins[begins.len() - 1] + HEAD_BYTES + batches[batches.len() - 1].len();
            let at = begins[0] + at.index(end - begins[0]);
            bytes[at] ^= flip;
            fs::write(&path, bytes).unwrap();
            let hit = begins.iter().filter(|begin| **begin <= at).count() as u64;
            let rest: Vec<_> = numbered(&batches).into_iter().filter(|(number, _)| *number != hit).collect();
            for _ in 0..2 {
                let journal = Journal::open(dir.path(), ID).unwrap();
                prop_assert_eq!(all(&journal), rest.clone());
                // The last one could as well have been under way.
                prop_assert_eq!(mend::given_up(&journal.dir), usize::from(hit < batches.len() as u64));
            }
        }

        #[test]
        fn any_bytes_are_read_without_panic(noise: Vec<u8>, batches in batches(), places: Vec<(prop::sample::Index, u8)>) {
            let (dir, path, begins) = segment(&batches);
            let mut bytes = fs::read(&path).unwrap();
            bytes.truncate(begins[begins.len() - 1] + 64);
            bytes.extend(noise);
            for (place, byte) in places {
                let place = place.index(bytes.len());
                bytes[place] = byte;
            }
            fs::write(&path, bytes).unwrap();
            if let Ok(journal) = Journal::open(dir.path(), ID) {
                let found = all(&journal);
                prop_assert!(found.windows(2).all(|pair| pair[0].0 < pair[1].0));
            }
        }
    }

    #[test]
    fn segments_go_when_the_journal_begins_behind_them() {
        let dir = tempfile::tempdir().unwrap();
        let mut journal = Journal::make(dir.path(), ID).unwrap();
        let batch = |bytes: usize| {
            let mut batch = vec![7; bytes];
            seal_crc(&mut batch);
            batch
        };
        // Three to a segment, and one that needs a larger one.
        let records: Vec<_> =
            (1..=8).map(|n| (n, batch(if n == 7 { 3 << 20 } else { SEGMENT_BYTES as usize / 3 - 100 }))).collect();
        append(&mut journal, &records);
        assert_eq!(all(&journal), records);
        let names = |journal: &Journal| journal.segments().iter().filter_map(|path| first_of(path)).collect::<Vec<_>>();
        assert_eq!(names(&journal), [1, 4, 7, 8]);
        journal.drop_before(6);
        assert_eq!(names(&journal), [4, 7, 8]);
        // The one that is being written stays, whatever it has.
        journal.drop_before(9);
        assert_eq!(names(&journal), [8]);
        assert_eq!(fs::read_dir(&journal.dir).unwrap().count(), 1);
        let mut journal = Journal::open(dir.path(), ID).unwrap();
        journal.drop_before(9);
        assert_eq!(fs::read_dir(&journal.dir).unwrap().count(), 0);
    }

    #[test]
    fn a_journal_that_is_missing_or_not_its_own_is_refused() {
        let dir = tempfile::tempdir().unwrap();
        let refusal = |id| Journal::open(dir.path(), id).unwrap_err().to_string();
        assert!(refusal(ID).contains("its journal is missing"), "{}", refusal(ID));
        append(&mut Journal::make(dir.path(), ID).unwrap(), &numbered(&[encode_batch(&[])]));
        let other = ID.replace('0', "1");
        assert!(refusal(&other).contains("of another database"), "{}", refusal(&other));
        assert_eq!(all(&Journal::open(dir.path(), ID).unwrap()).len(), 1);
    }

    #[test]
    fn a_segment_that_was_just_begun_is_no_damage() {
        let dir = tempfile::tempdir().unwrap();
        let mut journal = Journal::make(dir.path(), ID).unwrap();
        append(&mut journal, &numbered(&[encode_batch(&[UnitRows { unit: 3, rows: vec![] }])]));
        for (name, bytes) in [(2_u64, vec![]), (3, vec![0; 4_096]), (4, journal.title.clone())] {
            fs::write(journal.dir.join(format!("{name:016x}")), bytes).unwrap();
        }
        let journal = Journal::open(dir.path(), ID).unwrap();
        assert_eq!((all(&journal).len(), fs::read_dir(&journal.dir).unwrap().count()), (1, 1));
        assert_eq!(mend::given_up(&journal.dir), 0);
    }
}
