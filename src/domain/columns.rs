//! Readings of one unit by columns: a time for each reading and, for each channel, a value for each time.
//!
//! A chart wants one channel of a season, an analysis in bulk two or three: as rows of every channel there is, most of
//! what is moved through memory would be empty places.

use super::reading::CHANNELS;
use super::{Channel, Reading, Timestamp};

/// Readings in ascending order of time, by columns.
#[derive(Clone, Debug, Default)]
pub struct Columns {
    times: Vec<Timestamp>,
    /// By the channel's place: empty where it never was, else a value for each time, NaN where it was missing then.
    values: [Vec<f64>; CHANNELS],
}

impl Columns {
    /// The times.
    pub fn times(&self) -> &[Timestamp] {
        &self.times
    }

    /// How many readings there are.
    pub fn len(&self) -> usize {
        self.times.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.times.is_empty()
    }

    /// A channel's values, one for each of [`Columns::times`], NaN where it was missing; empty if it never was there.
    pub fn values(&self, channel: Channel) -> &[f64] {
        &self.values[channel as usize]
    }

    /// A channel where it was measured.
    pub fn points(&self, channel: Channel) -> impl Iterator<Item = (Timestamp, f64)> + '_ {
        let times = self.times.iter().copied();
        times.zip(self.values(channel).iter().copied()).filter(|(_, value)| !value.is_nan())
    }

    /// Puts later times behind those there are, with no channel yet.
    pub fn extend_times(&mut self, times: impl IntoIterator<Item = Timestamp>) {
        self.times.extend(times);
    }

    /// Puts a channel's values behind those it has: `values` belong to the last times there are. It misses where it has
    /// none yet for times before them.
    pub fn extend_channel(&mut self, channel: Channel, values: impl ExactSizeIterator<Item = f64>) {
        let column = &mut self.values[channel as usize];
        column.resize(self.times.len().saturating_sub(values.len()), f64::NAN);
        column.extend(values);
    }

    /// Lets every channel that was ever there miss for the times it has no value for.
    pub fn fill(&mut self) {
        let some = self.values.iter_mut().filter(|column| !column.is_empty());
        some.for_each(|column| column.resize(self.times.len(), f64::NAN));
    }

    /// Puts later readings behind those there are, with those channels of them that `wanted` holds for.
    pub fn extend_rows(&mut self, rows: &[Reading], wanted: impl Fn(Channel) -> bool) {
        self.extend_times(rows.iter().map(|row| row.at));
        for channel in Channel::ALL.into_iter().filter(|channel| wanted(*channel)) {
            if rows.iter().any(|row| row.get(channel).is_some()) {
                self.extend_channel(channel, rows.iter().map(|row| row.get(channel).unwrap_or(f64::NAN)));
            }
        }
        self.fill();
    }

    /// Keeps the readings with `from <= at < to`.
    pub fn cut(&mut self, from: Timestamp, to: Timestamp) {
        let end = self.times.partition_point(|at| *at < to);
        let begin = self.times.partition_point(|at| *at < from).min(end);
        self.truncate(end);
        self.times.drain(..begin);
        self.values.iter_mut().filter(|column| !column.is_empty()).for_each(|column| drop(column.drain(..begin)));
    }

    /// Forgets all but the first `len` readings.
    pub fn truncate(&mut self, len: usize) {
        self.times.truncate(len);
        self.values.iter_mut().for_each(|column| column.truncate(len));
    }

    /// Makes room for so many readings more, of the channels there are.
    pub fn reserve(&mut self, more: usize) {
        self.times.reserve_exact(more);
        let some = self.values.iter_mut().filter(|column| !column.is_empty());
        some.for_each(|column| column.reserve_exact(more));
    }
}

impl FromIterator<Reading> for Columns {
    fn from_iter<T: IntoIterator<Item = Reading>>(readings: T) -> Self {
        let rows: Vec<Reading> = readings.into_iter().collect();
        let mut columns = Self::default();
        columns.extend_rows(&rows, |_| true);
        columns
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minute: i64) -> Timestamp {
        Timestamp::from_secs(60 * minute)
    }

    #[test]
    fn a_channel_misses_where_it_was_not_measured() {
        let mut columns = Columns::default();
        columns.extend_rows(&[Reading::new(at(0)).with(Channel::Intensity, 20.0)], |_| true);
        let flowing = Reading::new(at(1)).with(Channel::Intensity, 19.0).with(Channel::Flow, 6.5);
        columns.extend_rows(&[flowing, Reading::new(at(2)).with(Channel::Flow, 0.0)], |_| true);
        columns.extend_rows(&[Reading::new(at(3))], |_| true);
        assert_eq!(columns.points(Channel::Intensity).collect::<Vec<_>>(), [(at(0), 20.0), (at(1), 19.0)]);
        assert_eq!(columns.points(Channel::Flow).collect::<Vec<_>>(), [(at(1), 6.5), (at(2), 0.0)]);
        assert_eq!((columns.values(Channel::Flow).len(), columns.len()), (4, 4));
        assert!(columns.values(Channel::Turbidity).is_empty());

        columns.cut(at(1), at(3));
        assert_eq!(columns.times(), [at(1), at(2)]);
        assert_eq!(columns.points(Channel::Intensity).collect::<Vec<_>>(), [(at(1), 19.0)]);
        columns.cut(at(5), at(3));
        assert!(columns.is_empty() && columns.values(Channel::Flow).is_empty());
    }

    #[test]
    fn only_what_is_wanted_is_taken() {
        let row = Reading::new(at(0)).with(Channel::Intensity, 20.0).with(Channel::Flow, 6.5);
        let mut columns = Columns::default();
        columns.extend_rows(&[row], |channel| channel == Channel::Flow);
        assert_eq!((columns.values(Channel::Intensity), columns.values(Channel::Flow)), (&[][..], &[6.5][..]));
    }
}
