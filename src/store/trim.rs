//! Retention: gives up what is older than it is to be kept, in small steps, and says so.

use super::series::{Trims, day_key, parse_day_key};
use super::settings::{Keep, KeepDays};
use super::tree::{Commit, Disk, Entry, Space};
use super::{Store, StoreError, hours, records, utc_day};
use crate::domain::reading::CHANNELS;
use crate::domain::time::DAY;
use crate::domain::{Channel, DaySummary, Timestamp, UnitId};

/// What one step gave up.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Trimmed {
    /// Unit-days whose readings went, or channels of them.
    pub raw: usize,
    /// Unit-days whose hours did.
    pub hours: usize,
    /// Day roll-ups that did.
    pub days: usize,
    /// Whether there is more to give up now.
    pub more: bool,
}

impl Store {
    /// One step: at most about `days_at_most` unit-days of one commit each unit; durable. Readings of a day that is not
    /// rolled up yet stay until it is. The space of what goes is given back to the file system as the files shrink.
    pub fn trim(&self, keep: &Keep, now: Timestamp, days_at_most: usize) -> Result<Trimmed, StoreError> {
        let mut trimmed = Trimmed::default();
        // Not in the head of the loop, where the lock would last as long as the loop.
        let units = self.series().unit_count();
        for number in 0..units {
            let left = days_at_most.saturating_sub(trimmed.raw + trimmed.hours + trimmed.days);
            if left == 0 {
                trimmed.more = true;
                break;
            }
            self.trim_unit(number, keep, utc_day(now), left, &mut trimmed)?;
        }
        Ok(trimmed)
    }

    fn trim_unit(
        &self,
        number: u32,
        keep: &Keep,
        today: i64,
        days_at_most: usize,
        trimmed: &mut Trimmed,
    ) -> Result<(), StoreError> {
        let mut disk = self.disk();
        let id = self.series().id(number).cloned();
        if id.is_none_or(|id| self.series().known(&id).is_none()) {
            return Ok(());
        }
        let before = self.series().trims(number);
        let mut commit = Commit::default();
        let given =
            self.series_mut().plan_give_up(&mut disk, number, &cutoffs(&keep.raw, today), days_at_most, &mut commit)?;
        trimmed.raw += given.days;
        trimmed.more |= given.more;
        disk.commit(commit)?;
        self.series_mut().apply_given(given);

        let mut commit = Commit::default();
        let mut trims = self.series().trims(number);
        let hours = cutoffs(&keep.hours, today);
        trimmed.hours += trim_hours(&mut disk, number, &mut trims, &hours, &mut commit)?;
        let days = cutoffs(&keep.days, today);
        trimmed.days += trim_days(&mut disk, number, &mut trims, &days, &mut commit)?;
        self.series().plan_trims(number, trims, &mut commit);
        disk.commit(commit)?;
        self.series_mut().apply_trims(number, trims);
        // What is removed or shortened lies beside its bundle until then, whose space is given back with it.
        let bundle = self.series().bundled_before(number).filter(|_| trims.pass_a_bundle(&before));
        bundle.map_or(Ok(()), |before| self.bundle(&mut disk, (number, before)))
    }

    /// How far the channels of a unit were given up: of those of which anything was, the first day (UTC) still kept of
    /// readings, hours and days.
    pub fn given_up(&self, id: &UnitId) -> Vec<(Channel, [Option<i64>; 3])> {
        let series = self.series();
        let Some(number) = series.known(id) else { return Vec::new() };
        let Trims { raw, hours, days } = series.trims(number);
        let of = |channel: usize| [raw, hours, days].map(|of| Some(of[channel]).filter(|day| *day > i64::MIN));
        let all = Channel::ALL.into_iter().enumerate().map(|(place, channel)| (channel, of(place)));
        all.filter(|(_, first)| first.iter().any(Option::is_some)).collect()
    }

    /// Takes over how far channels were given up where these data come from: what is older is known to be gone, and
    /// roll-ups of it are not made again. Durable.
    pub fn put_given_up(&self, id: &UnitId, channels: &[(Channel, [Option<i64>; 3])]) -> Result<(), StoreError> {
        let mut disk = self.disk();
        let mut commit = Commit::default();
        let number = self.series_mut().number_in(id, &mut commit);
        let mut trims = self.series().trims(number);
        for (channel, [raw, hours, days]) in channels {
            let Some(place) = Channel::ALL.iter().position(|other| other == channel) else { continue };
            for (of, first) in [(&mut trims.raw, raw), (&mut trims.hours, hours), (&mut trims.days, days)] {
                of[place] = of[place].max(first.unwrap_or(i64::MIN));
            }
        }
        self.series().plan_trims(number, trims, &mut commit);
        disk.commit(commit)?;
        let mut series = self.series_mut();
        series.recorded();
        series.apply_trims(number, trims);
        Ok(())
    }

    /// The instant from which on no channel of a unit's readings was given up; `None`: none ever was. Roll-ups from
    /// before it cannot be made again.
    pub fn whole_from(&self, id: &UnitId) -> Option<Timestamp> {
        let series = self.series();
        let trims = series.trims(series.known(id)?);
        let day = trims.raw.iter().copied().max().filter(|day| *day > i64::MIN)?;
        Some(Timestamp::from_millis(day.saturating_mul(DAY)))
    }
}

/// The first day kept of each channel; what is kept for ever has none.
fn cutoffs(keep: &KeepDays, today: i64) -> [i64; CHANNELS] {
    keep.map(|days| days.map_or(i64::MIN, |days| today - i64::from(days)))
}

/// The entries that change when channels are given up, and how far it gets: always to the end, they are small.
fn affected(
    disk: &mut Disk,
    space: Space,
    number: u32,
    trimmed: &mut [i64; CHANNELS],
    cutoffs: &[i64; CHANNELS],
) -> Result<Vec<Entry>, StoreError> {
    let behind = trimmed.iter().zip(cutoffs).filter(|(trimmed, cutoff)| trimmed < cutoff);
    let Some(first) = behind.map(|(trimmed, _)| *trimmed).min() else { return Ok(Vec::new()) };
    let last = cutoffs.iter().copied().max().unwrap_or(first);
    trimmed.iter_mut().zip(cutoffs).for_each(|(trimmed, cutoff)| *trimmed = (*trimmed).max(*cutoff));
    disk.scan(space, &day_key(number, first), Some(&day_key(number, last)))
}

fn expired(key: &[u8], cutoffs: &[i64; CHANNELS]) -> Vec<Channel> {
    let Some((_, day)) = parse_day_key(key) else { return Vec::new() };
    Channel::ALL.iter().zip(cutoffs).filter(|(_, cutoff)| day < **cutoff).map(|(channel, _)| *channel).collect()
}

fn trim_hours(
    disk: &mut Disk,
    number: u32,
    trims: &mut Trims,
    cutoffs: &[i64; CHANNELS],
    commit: &mut Commit,
) -> Result<usize, StoreError> {
    let entries = affected(disk, Space::Hours, number, &mut trims.hours, cutoffs)?;
    for (key, value) in &entries {
        let mut left = hours::decode(value).unwrap_or_default();
        for channel in expired(key, cutoffs) {
            left.iter_mut().for_each(|hour| hour.set(channel, None));
        }
        left.retain(|hour| !hour.is_empty());
        if left.is_empty() {
            commit.remove(Space::Hours, key.clone());
        } else {
            commit.put(Space::Hours, key.clone(), hours::encode(&left));
        }
    }
    Ok(entries.len())
}

fn trim_days(
    disk: &mut Disk,
    number: u32,
    trims: &mut Trims,
    cutoffs: &[i64; CHANNELS],
    commit: &mut Commit,
) -> Result<usize, StoreError> {
    let entries = affected(disk, Space::Days, number, &mut trims.days, cutoffs)?;
    for (key, value) in &entries {
        let gone = expired(key, cutoffs);
        let kept = records::from_json::<DaySummary>(value).ok().and_then(|mut day| {
            let empty = gone.iter().fold(false, |_, channel| day.forget(*channel));
            (!empty && gone.len() < CHANNELS).then_some(day)
        });
        match kept {
            Some(day) => commit.put(Space::Days, key.clone(), records::to_json("a day's roll-up", &day)?),
            None => commit.remove(Space::Days, key.clone()),
        }
    }
    Ok(entries.len())
}
