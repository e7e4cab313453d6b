//! Messages that wait to be published, and messages that never parse.
//!
//! Both are bounded: what is dropped to make room is the oldest, and the caller is told.

use std::collections::{BTreeMap, BTreeSet};

use crate::domain::Timestamp;

use super::StoreError;
use super::bytes::{Damage, Reader, put_bytes, put_signed, put_varint};
use super::tree::{Commit, Disk, Space};

/// At most this many messages wait to be published.
pub const OUTBOX_ITEMS_MAX: usize = 20_000;
/// At most this many bytes wait to be published.
pub const OUTBOX_BYTES_MAX: usize = 64 << 20;
/// At most this many messages that never parse are kept.
pub const QUARANTINE_ITEMS_MAX: usize = 1_000;
/// At most this many bytes of messages that never parse are kept.
pub const QUARANTINE_BYTES_MAX: usize = 16 << 20;
/// Of one message that never parses, at most this many bytes of payload are kept.
pub const QUARANTINE_PAYLOAD_MAX: usize = 64 << 10;

/// A message that waits to be published, at QoS 1.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct OutboxItem {
    /// Where to.
    pub topic: String,
    /// What.
    pub payload: Vec<u8>,
    /// Whether the broker keeps it for later subscribers. A newer retained message to the same topic replaces it.
    pub retain: bool,
    /// MQTT 5: seconds after which it is worth nothing.
    pub expiry_secs: Option<u32>,
    /// MQTT 5: media type of the payload.
    pub content_type: Option<String>,
    /// MQTT 5: what ties an answer to its question.
    pub correlation: Option<Vec<u8>>,
    /// MQTT 5: user properties.
    pub properties: Vec<(String, String)>,
}

/// A message that never parses.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Quarantined {
    /// When it came.
    pub at: Timestamp,
    /// Where it was published.
    pub topic: String,
    /// Its first [`QUARANTINE_PAYLOAD_MAX`] bytes.
    pub payload: Vec<u8>,
    /// How long it was, bytes.
    pub payload_len: usize,
    /// What was wrong with it.
    pub reason: String,
}

fn put_optional(out: &mut Vec<u8>, bytes: Option<&[u8]>) {
    out.push(u8::from(bytes.is_some()));
    bytes.into_iter().for_each(|bytes| put_bytes(out, bytes));
}

fn take_optional<'a>(reader: &mut Reader<'a>) -> Result<Option<&'a [u8]>, Damage> {
    match reader.byte()? {
        0 => Ok(None),
        1 => reader.bytes().map(Some),
        _ => Err(Damage("neither there nor missing")),
    }
}

fn text(bytes: &[u8]) -> Result<String, Damage> {
    String::from_utf8(bytes.to_vec()).map_err(|_| Damage("a text is not UTF-8"))
}

impl OutboxItem {
    fn encode(&self) -> Vec<u8> {
        let Self { topic, payload, retain, expiry_secs, content_type, correlation, properties } = self;
        let mut out = vec![u8::from(*retain)];
        put_bytes(&mut out, topic.as_bytes());
        put_bytes(&mut out, payload);
        put_optional(&mut out, expiry_secs.map(u32::to_be_bytes).as_ref().map(<[u8; 4]>::as_slice));
        put_optional(&mut out, content_type.as_deref().map(str::as_bytes));
        put_optional(&mut out, correlation.as_deref());
        put_varint(&mut out, properties.len() as u64);
        for (name, value) in properties {
            put_bytes(&mut out, name.as_bytes());
            put_bytes(&mut out, value.as_bytes());
        }
        out
    }

    fn decode(bytes: &[u8]) -> Result<Self, Damage> {
        let mut reader = Reader::new(bytes);
        let retain = reader.byte()? != 0;
        let topic = reader.text()?.to_owned();
        let payload = reader.bytes()?.to_vec();
        let expiry = take_optional(&mut reader)?.map(<[u8; 4]>::try_from).transpose();
        let expiry_secs = expiry.map_err(|_| Damage("an expiry"))?.map(u32::from_be_bytes);
        let content_type = take_optional(&mut reader)?.map(text).transpose()?;
        let correlation = take_optional(&mut reader)?.map(<[u8]>::to_vec);
        let mut properties = Vec::new();
        for _ in 0..reader.varint()? {
            properties.push((reader.text()?.to_owned(), reader.text()?.to_owned()));
        }
        Ok(Self { topic, payload, retain, expiry_secs, content_type, correlation, properties })
    }
}

impl Quarantined {
    fn encode(&self) -> Vec<u8> {
        let mut out = Vec::new();
        put_signed(&mut out, self.at.as_millis());
        put_bytes(&mut out, self.topic.as_bytes());
        put_varint(&mut out, self.payload_len as u64);
        put_bytes(&mut out, self.reason.as_bytes());
        put_bytes(&mut out, &self.payload);
        out
    }

    fn decode(bytes: &[u8]) -> Result<Self, Damage> {
        let mut reader = Reader::new(bytes);
        Ok(Self {
            at: Timestamp::from_millis(reader.signed()?),
            topic: reader.text()?.to_owned(),
            payload_len: usize::try_from(reader.varint()?).map_err(|_| Damage("a length is too great"))?,
            reason: reader.text()?.to_owned(),
            payload: reader.bytes()?.to_vec(),
        })
    }
}

/// A queue on disk with bounds: what is in it, by key, with its size.
#[derive(Debug)]
struct Queue {
    space: Space,
    items_max: usize,
    bytes_max: usize,
    sizes: BTreeMap<u64, usize>,
    next: u64,
}

impl Queue {
    fn recover(disk: &mut Disk, space: Space, items_max: usize, bytes_max: usize) -> Result<Self, StoreError> {
        let entries = disk.all(space)?;
        let sizes: BTreeMap<_, _> = entries.iter().map(|(key, value)| (key_of(key), value.len())).collect();
        let next = sizes.last_key_value().map_or(1, |(key, _)| key + 1);
        Ok(Self { space, items_max, bytes_max, sizes, next })
    }

    /// Adds `values` at the end, removes `gone`, and drops the oldest to make room. The new keys, and those dropped.
    fn change(
        &mut self,
        disk: &mut Disk,
        values: Vec<Vec<u8>>,
        gone: &[u64],
    ) -> Result<(Vec<u64>, Vec<u64>), StoreError> {
        if let Some(bytes) = values.iter().map(Vec::len).find(|bytes| *bytes > self.bytes_max / 2) {
            return Err(StoreError::TooLarge { what: "a message", bytes, limit: self.bytes_max / 2 });
        }
        let new: Vec<(u64, usize)> = (self.next..).zip(values.iter().map(Vec::len)).collect();
        let mut gone: BTreeSet<u64> = gone.iter().copied().filter(|key| self.sizes.contains_key(key)).collect();
        let all = || self.sizes.iter().map(|(key, size)| (*key, *size)).chain(new.iter().copied());
        let left = || all().filter(|(key, _)| !gone.contains(key));
        let (mut items, mut bytes) = left().fold((0, 0), |(items, bytes), (_, size)| (items + 1, bytes + size));
        let mut dropped = Vec::new();
        for (key, size) in left() {
            if items <= self.items_max && bytes <= self.bytes_max {
                break;
            }
            (items, bytes) = (items - 1, bytes - size);
            dropped.push(key);
        }
        gone.extend(&dropped);
        let mut commit = Commit::default();
        for ((key, _), value) in new.iter().zip(values).filter(|((key, _), _)| !gone.contains(key)) {
            commit.put(self.space, key.to_be_bytes(), value);
        }
        gone.iter().for_each(|key| commit.remove(self.space, key.to_be_bytes()));
        disk.commit(commit)?;
        self.next += new.len() as u64;
        self.sizes.extend(new.iter().copied());
        self.sizes.retain(|key, _| !gone.contains(key));
        Ok((new.into_iter().map(|(key, _)| key).collect(), dropped))
    }
}

/// Messages that wait to be published.
#[derive(Debug)]
pub(super) struct Outbox {
    queue: Queue,
    /// The key of the message that waits for each retained topic.
    retained: BTreeMap<String, u64>,
}

impl Outbox {
    /// Reads what waits.
    pub fn recover(disk: &mut Disk) -> Result<Self, StoreError> {
        let queue = Queue::recover(disk, Space::Outbox, OUTBOX_ITEMS_MAX, OUTBOX_BYTES_MAX)?;
        let mut outbox = Self { queue, retained: BTreeMap::new() };
        let waiting = outbox.all(disk)?;
        let retained = waiting.into_iter().filter(|(_, item)| item.retain);
        outbox.retained = retained.map(|(key, item)| (item.topic, key)).collect();
        Ok(outbox)
    }

    /// Adds messages; an older retained one to the same topic goes. Their keys, and how many were dropped for room.
    pub fn put(&mut self, disk: &mut Disk, items: &[OutboxItem]) -> Result<(Vec<u64>, usize), StoreError> {
        let retained = || items.iter().filter(|item| item.retain);
        let replaced: Vec<u64> = retained().filter_map(|item| self.retained.get(&item.topic).copied()).collect();
        let values = items.iter().map(OutboxItem::encode).collect();
        let (keys, dropped) = self.queue.change(disk, values, &replaced)?;
        self.retained.retain(|_, key| !dropped.contains(key));
        for (item, key) in items.iter().zip(&keys).filter(|(item, _)| item.retain) {
            self.retained.insert(item.topic.clone(), *key);
        }
        Ok((keys, dropped.len()))
    }

    /// Removes messages; keys that are not there are passed over.
    pub fn remove(&mut self, disk: &mut Disk, keys: &[u64]) -> Result<(), StoreError> {
        self.queue.change(disk, Vec::new(), keys)?;
        self.retained.retain(|_, key| !keys.contains(key));
        Ok(())
    }

    /// Everything that waits, oldest first. An item that cannot be decoded is removed.
    pub fn all(&mut self, disk: &mut Disk) -> Result<Vec<(u64, OutboxItem)>, StoreError> {
        decoded(disk, Space::Outbox, OutboxItem::decode)
    }

    /// How many messages wait.
    pub fn len(&self) -> usize {
        self.queue.sizes.len()
    }
}

/// Messages that never parse.
#[derive(Debug)]
pub(super) struct Quarantine {
    queue: Queue,
}

impl Quarantine {
    /// Reads what is there.
    pub fn recover(disk: &mut Disk) -> Result<Self, StoreError> {
        let queue = Queue::recover(disk, Space::Quarantine, QUARANTINE_ITEMS_MAX, QUARANTINE_BYTES_MAX)?;
        Ok(Self { queue })
    }

    /// Adds messages.
    pub fn put(&mut self, disk: &mut Disk, messages: &[Quarantined]) -> Result<(), StoreError> {
        self.queue.change(disk, messages.iter().map(Quarantined::encode).collect(), &[]).map(|_| ())
    }

    /// All messages, oldest first.
    pub fn all(disk: &mut Disk) -> Result<Vec<Quarantined>, StoreError> {
        let entries = decoded(disk, Space::Quarantine, Quarantined::decode)?;
        Ok(entries.into_iter().map(|(_, message)| message).collect())
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.queue.sizes.len()
    }
}

fn decoded<T>(
    disk: &mut Disk,
    space: Space,
    decode: impl Fn(&[u8]) -> Result<T, Damage>,
) -> Result<Vec<(u64, T)>, StoreError> {
    let mut all = Vec::new();
    for (key, value) in disk.all(space)? {
        match decode(&value) {
            Ok(item) => all.push((key_of(&key), item)),
            Err(damage) => disk.set_aside(space, &key, value, damage)?,
        }
    }
    Ok(all)
}

fn key_of(key: &[u8]) -> u64 {
    key.try_into().map_or(0, u64::from_be_bytes)
}
