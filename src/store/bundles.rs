//! Days that are long over, [`DAYS`] of them in one value.
//!
//! For each leaf the database has, it keeps some 400 bytes in memory, whatever its cache. One entry for each unit-day of
//! readings, of hours and of roll-ups is most of a leaf for each unit-day: 200 units took 2 MB more every month, for
//! ever. So what is written is an entry of its day, and once a unit has come far enough, all its entries of earlier days
//! move into bundles: [`Disk::bundle`].
//!
//! Nobody else sees that: [`Disk::get`] and [`Disk::scan`] look at the entry of a day first, then into its bundle. An
//! entry written later goes before what the bundle has of its day, and an empty one says that the day was removed, until
//! both are bundled, too. So days that come late, are made again or are given up do not rewrite a bundle one by one.
//!
//! A bundle: checksum of its head, version, form of the bodies, count, then for each day its place in the bundle and its
//! length; then the bodies one after another. Blocks and hours have checksums of their own.

use std::collections::BTreeMap;

use super::StoreError;
use super::bytes::{Damage, Reader, put_varint};
use super::mend;
use super::series::{day_key, parse_day_key};
use super::tree::{Commit, Disk, Entry, Space};

/// Days of a bundle. A leaf has four to eight of them, so this is also how much of a unit one spoilt leaf takes along:
/// at most four months.
const DAYS: i64 = 16;
/// The days up to this many before a unit's newest are not bundled: they may well change.
const LATE_DAYS: i64 = 8;
/// What is larger stays an entry of its own: there it is little beside what it holds, and a bundle of them would be
/// much to read for one day.
const BODY_BYTES_MAX: usize = 4096;
/// So many entries are bundled with one commit.
const ENTRIES_PER_COMMIT: usize = 16 * DAYS as usize;
/// The version written.
const VERSION: u8 = 1;
/// As good as the default and twice as fast, with 16 days of roll-ups.
const ZSTD_LEVEL: i32 = 1;
/// Bodies of a damaged bundle are not believed to be larger than this, bytes.
const BODIES_BYTES_MAX: usize = 16 * DAYS as usize * BODY_BYTES_MAX;

/// How the bodies of a bundle lie.
const PLAIN: u8 = 0;
const ZSTD: u8 = 1;

/// The day a unit's bundles may reach up to, not included, when its newest is `newest`.
pub(super) fn due_before(newest: i64) -> i64 {
    first_of(newest.saturating_sub(LATE_DAYS))
}

/// The first day of the bundle a day belongs to.
fn first_of(day: i64) -> i64 {
    day.div_euclid(DAYS) * DAYS
}

/// The first day of the bundle after a day's.
pub(super) fn after(day: i64) -> i64 {
    first_of(day).saturating_add(DAYS)
}

/// The key of the bundle that the entry `key` belongs to.
fn bundle_key(key: &[u8]) -> Option<[u8; 12]> {
    parse_day_key(key).map(|(unit, day)| day_key(unit, first_of(day)))
}

fn day_of(key: &[u8]) -> i64 {
    parse_day_key(key).map_or(0, |(_, day)| day)
}

impl Space {
    /// Those whose entries, one for each unit-day, are bundled.
    const BY_DAY: [Self; 3] = [Self::Blocks, Self::Hours, Self::Days];

    /// Where the bundles of its entries are.
    fn bundles(self) -> Option<Self> {
        match self {
            Self::Blocks => Some(Self::BlockBundles),
            Self::Hours => Some(Self::HourBundles),
            Self::Days => Some(Self::DayBundles),
            _ => None,
        }
    }

    /// Whether what it has is packed already.
    fn is_dense(self) -> bool {
        self == Self::BlockBundles
    }
}

/// The bodies of one bundle's days, by day.
type Bodies = BTreeMap<i64, Vec<u8>>;

impl Disk {
    /// The value of `key`.
    pub fn get(&mut self, space: Space, key: &[u8]) -> Result<Option<Vec<u8>>, StoreError> {
        let own = self.read(space, key)?;
        match (own, space.bundles()) {
            (None, Some(bundles)) => self.in_bundle(bundles, key),
            (own, None) => Ok(own),
            (own, Some(_)) => Ok(own.filter(|value| !value.is_empty())),
        }
    }

    /// The entries with `from <= key`, and `key < to` if there is a `to`, ascending.
    pub fn scan(&mut self, space: Space, from: &[u8], to: Option<&[u8]>) -> Result<Vec<Entry>, StoreError> {
        let own = self.range(space, from, to, usize::MAX)?;
        let Some(bundles) = space.bundles() else { return Ok(own) };
        let first = bundle_key(from).map_or_else(|| from.to_vec(), |key| key.to_vec());
        let mut all = own;
        for (key, bundle) in self.range(bundles, &first, to, usize::MAX)? {
            let Some((unit, _)) = parse_day_key(&key) else { continue };
            let bodies = self.unpacked(bundles, &key, bundle)?;
            let entries = bodies.into_iter().map(|(day, body)| (day_key(unit, day).to_vec(), body));
            all.extend(entries.filter(|(key, _)| from <= &key[..] && to.is_none_or(|to| &key[..] < to)));
        }
        // A stable sort: of two with the same key the day's own entry is first, and stays.
        all.sort_by(|(a, _), (b, _)| a.cmp(b));
        all.dedup_by(|(a, _), (b, _)| a == b);
        all.retain(|(_, value)| !value.is_empty());
        Ok(all)
    }

    /// Every entry of a space, ascending.
    pub fn all(&mut self, space: Space) -> Result<Vec<Entry>, StoreError> {
        self.scan(space, &[], None)
    }

    /// Makes all of `commit` durable. What goes into the database appears there whole or not at all, and before what goes
    /// into the journal. On [`StoreError::Full`] nothing was touched.
    pub fn commit(&mut self, mut commit: Commit) -> Result<(), StoreError> {
        for (space, key, value) in commit.changes_mut() {
            if let (None, Some(bundles)) = (&*value, space.bundles())
                && self.in_bundle(bundles, key)?.is_some()
            {
                *value = Some(Vec::new());
            }
        }
        self.write(commit)
    }

    /// Moves the entries of a unit's days before `before` into bundles, durably.
    pub fn bundle(&mut self, unit: u32, before: i64) -> Result<(), StoreError> {
        let end = day_key(unit, before);
        for space in Space::BY_DAY {
            let mut from = day_key(unit, i64::MIN).to_vec();
            loop {
                let own = self.range(space, &from, Some(&end), ENTRIES_PER_COMMIT)?;
                let Some((last, _)) = own.last() else { break };
                // The least key after it.
                from = [last, &[0][..]].concat();
                let whole = own.len() < ENTRIES_PER_COMMIT;
                self.bundle_entries(space, own)?;
                if whole {
                    break;
                }
            }
        }
        Ok(())
    }

    fn bundle_entries(&mut self, space: Space, entries: Vec<Entry>) -> Result<(), StoreError> {
        let Some(bundles) = space.bundles() else { return Ok(()) };
        let mut commit = Commit::default();
        // It can wait until there is room.
        commit.bulky = true;
        for part in entries.chunk_by(|(a, _), (b, _)| bundle_key(a) == bundle_key(b)) {
            let Some(key) = bundle_key(&part[0].0) else { continue };
            let mut bodies = match self.read(bundles, &key)? {
                Some(bundle) => self.unpacked(bundles, &key, bundle)?,
                None => Bodies::new(),
            };
            let mut changed = false;
            for (key, value) in part {
                let day = day_of(key);
                if value.is_empty() || value.len() > BODY_BYTES_MAX {
                    // What the bundle has of its day is older.
                    changed |= bodies.remove(&day).is_some();
                } else {
                    bodies.insert(day, value.clone());
                    changed = true;
                }
                if value.len() <= BODY_BYTES_MAX {
                    commit.remove(space, key.clone());
                }
            }
            if changed && bodies.is_empty() {
                commit.remove(bundles, key);
            } else if changed {
                commit.put(bundles, key, packed(&bodies, bundles.is_dense()));
            }
        }
        self.write(commit)
    }

    /// What a bundle has of the entry `key`.
    fn in_bundle(&mut self, bundles: Space, key: &[u8]) -> Result<Option<Vec<u8>>, StoreError> {
        let Some(bundle_key) = bundle_key(key) else { return Ok(None) };
        let Some(bundle) = self.read(bundles, &bundle_key)? else { return Ok(None) };
        match body_in(&bundle, day_of(&bundle_key), day_of(key)) {
            Ok(body) => Ok(body),
            Err(damage) => self.lose_bundle(bundles, &bundle_key, bundle, damage).map(|()| None),
        }
    }

    fn unpacked(&mut self, bundles: Space, key: &[u8], bundle: Vec<u8>) -> Result<Bodies, StoreError> {
        match unpack(&bundle, day_of(key)) {
            Ok(bodies) => Ok(bodies),
            Err(damage) => self.lose_bundle(bundles, key, bundle, damage).map(|()| Bodies::new()),
        }
    }

    /// Sets a damaged bundle aside. The next opening counts what is left.
    fn lose_bundle(&mut self, bundles: Space, key: &[u8], bundle: Vec<u8>, damage: Damage) -> Result<(), StoreError> {
        let (unit, first) = parse_day_key(key).unwrap_or_default();
        tracing::error!(?bundles, unit, first, days = DAYS, %damage, "a bundle of days is damaged; it was set aside");
        mend::owe(self.path());
        let mut commit = Commit::default();
        commit.set_aside(bundles, key, bundle);
        self.write(commit)
    }
}

/// The bundle of `bodies`, of which there is at least one and all are of the same bundle's days.
fn packed(bodies: &Bodies, dense: bool) -> Vec<u8> {
    let plain = bodies.values().map(Vec::as_slice).collect::<Vec<_>>().concat();
    let smaller = if dense { None } else { zstd::bulk::compress(&plain, ZSTD_LEVEL).ok() };
    let smaller = smaller.filter(|smaller| smaller.len() < plain.len());
    let mut head = vec![VERSION, if smaller.is_some() { ZSTD } else { PLAIN }, bodies.len() as u8];
    for (day, body) in bodies {
        head.push((day - first_of(*day)) as u8);
        put_varint(&mut head, body.len() as u64);
    }
    let mut out = crc32fast::hash(&head).to_le_bytes().to_vec();
    out.append(&mut head);
    out.extend_from_slice(&smaller.unwrap_or(plain));
    out
}

/// Where the bodies of a bundle lie, and they.
struct Opened<'a> {
    /// Day, and length of its body.
    days: Vec<(i64, usize)>,
    form: u8,
    bodies: &'a [u8],
}

impl<'a> Opened<'a> {
    /// Of the bundle that begins with the day `first`.
    fn open(bundle: &'a [u8], first: i64) -> Result<Self, Damage> {
        let mut reader = Reader::new(bundle);
        let checksum = u32::from_le_bytes(reader.array()?);
        let head_from = bundle.len() - reader.left();
        let (version, form, count) = (reader.byte()?, reader.byte()?, reader.byte()?);
        let mut days = Vec::with_capacity(usize::from(count));
        for _ in 0..count {
            let day = first.saturating_add(i64::from(reader.byte()?));
            days.push((day, usize::try_from(reader.varint()?).unwrap_or(usize::MAX)));
        }
        let head_to = bundle.len() - reader.left();
        if checksum != crc32fast::hash(&bundle[head_from..head_to]) {
            return Err(Damage("the checksum of a bundle does not fit"));
        }
        if version != VERSION || form > ZSTD {
            return Err(Damage("a bundle of a version not known here"));
        }
        Ok(Self { days, form, bodies: reader.take(reader.left())? })
    }

    fn plain(&self) -> Result<std::borrow::Cow<'a, [u8]>, Damage> {
        if self.form == PLAIN {
            return Ok(self.bodies.into());
        }
        let length = self.days.iter().fold(0_usize, |sum, (_, length)| sum.saturating_add(*length));
        let plain = zstd::bulk::decompress(self.bodies, length.min(BODIES_BYTES_MAX));
        plain.map(Into::into).map_err(|_| Damage("the bodies of a bundle"))
    }
}

/// Every body of the bundle that begins with the day `first`.
fn unpack(bundle: &[u8], first: i64) -> Result<Bodies, Damage> {
    let opened = Opened::open(bundle, first)?;
    let plain = opened.plain()?;
    let mut reader = Reader::new(&plain);
    opened.days.iter().map(|(day, length)| Ok((*day, reader.take(*length)?.to_vec()))).collect()
}

/// The body of one day of it.
fn body_in(bundle: &[u8], first: i64, wanted: i64) -> Result<Option<Vec<u8>>, Damage> {
    let opened = Opened::open(bundle, first)?;
    let Some(place) = opened.days.iter().position(|(day, _)| *day == wanted) else { return Ok(None) };
    let before = opened.days[..place].iter().fold(0_usize, |sum, (_, length)| sum.saturating_add(*length));
    let plain = opened.plain()?;
    let mut reader = Reader::new(&plain);
    reader.take(before)?;
    reader.take(opened.days[place].1).map(|body| Some(body.to_vec()))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn bodies() -> impl Strategy<Value = Bodies> {
        let body =
            prop_oneof![prop::collection::vec(any::<u8>(), 1..300), Just(b"{\"date\":\"2026-01-01\"}".repeat(9))];
        prop::collection::btree_map(20_448_i64..20_448 + DAYS, body, 1..DAYS as usize)
    }

    proptest! {
        #[test]
        fn bundles_come_back(bodies in bodies(), dense: bool) {
            let bundle = packed(&bodies, dense);
            prop_assert_eq!(unpack(&bundle, 20_448), Ok(bodies.clone()));
            for day in 20_448..20_448 + DAYS {
                prop_assert_eq!(body_in(&bundle, 20_448, day), Ok(bodies.get(&day).cloned()));
            }
        }

        #[test]
        fn damaged_bundles_never_panic(bodies in bodies(), dense: bool, at: prop::sample::Index, bits: u8, tail: Vec<u8>) {
            let mut bundle = packed(&bodies, dense);
            let place = at.index(bundle.len());
            bundle[place] ^= bits;
            bundle.extend(tail);
            let _either = (unpack(&bundle, 20_448), body_in(&bundle, 20_448, 20_450));
            bundle.truncate(place);
            prop_assert!(unpack(&bundle, 20_448).is_err());
            prop_assert!(unpack(&[], 0).is_err());
        }
    }

    #[test]
    fn a_unit_s_bundles_end_before_its_latest_days() {
        assert_eq!(due_before(DAYS * 100 + LATE_DAYS), DAYS * 100);
        assert_eq!(due_before(DAYS * 100 + LATE_DAYS - 1), DAYS * 99);
        assert_eq!(first_of(-1), -DAYS);
        assert_eq!(first_of(i64::MIN), i64::MIN);
    }
}
