//! PURE: a set of days that lie mostly side by side, kept as runs.

use std::collections::BTreeMap;

use super::bytes::{Damage, Reader, put_signed, put_varint};

/// A set of day numbers: the first day of each run -> its last. Runs neither overlap nor touch.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Runs(BTreeMap<i64, i64>);

impl Runs {
    fn run_of(&self, day: i64) -> Option<(i64, i64)> {
        let (first, last) = self.0.range(..=day).next_back()?;
        (*last >= day).then_some((*first, *last))
    }

    /// Whether `day` is in the set.
    pub fn contains(&self, day: i64) -> bool {
        self.run_of(day).is_some()
    }

    /// Adds a day.
    pub fn insert(&mut self, day: i64) {
        if self.contains(day) {
            return;
        }
        let first = self.run_of(day.saturating_sub(1)).map_or(day, |(first, _)| first);
        let last = self.0.remove(&day.saturating_add(1)).unwrap_or(day);
        self.0.insert(first, last);
    }

    /// Removes a day.
    pub fn remove(&mut self, day: i64) {
        let Some((first, last)) = self.run_of(day) else { return };
        self.0.remove(&first);
        if first < day {
            self.0.insert(first, day - 1);
        }
        if day < last {
            self.0.insert(day + 1, last);
        }
    }

    /// The days of the set from `first` to `last`, ascending.
    pub fn between(&self, first: i64, last: i64) -> impl Iterator<Item = i64> {
        let runs = self.0.iter().map(move |(from, to)| (*from.max(&first), *to.min(&last)));
        runs.flat_map(|(from, to)| from..=to)
    }

    /// Appends the stored form.
    pub fn encode(&self, out: &mut Vec<u8>) {
        put_varint(out, self.0.len() as u64);
        for (first, last) in &self.0 {
            put_signed(out, *first);
            put_varint(out, last.abs_diff(*first));
        }
    }

    /// The inverse of [`Runs::encode`].
    pub fn decode(reader: &mut Reader<'_>) -> Result<Self, Damage> {
        let mut runs = BTreeMap::new();
        for _ in 0..reader.varint()? {
            let first = reader.signed()?;
            let last = first.checked_add_unsigned(reader.varint()?).ok_or(Damage("a run of days is too long"))?;
            runs.insert(first, last);
        }
        Ok(Self(runs))
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn runs_are_a_set(steps: Vec<(bool, i8)>, first: i8, last: i8) {
            let (mut runs, mut set) = (Runs::default(), BTreeSet::new());
            for (add, day) in steps {
                let day = i64::from(day % 20);
                if add {
                    runs.insert(day);
                    set.insert(day);
                } else {
                    runs.remove(day);
                    set.remove(&day);
                }
            }
            let (first, last) = (i64::from(first % 25), i64::from(last % 25));
            let expected: Vec<i64> = set.iter().copied().filter(|day| (first..=last).contains(day)).collect();
            prop_assert_eq!(runs.between(first, last).collect::<Vec<_>>(), expected);
            prop_assert!((-25..25).all(|day| runs.contains(day) == set.contains(&day)));
            let starts = set.iter().filter(|day| !set.contains(&(*day - 1))).count();
            prop_assert_eq!(runs.0.len(), starts, "runs that touch are one");
            let mut out = Vec::new();
            runs.encode(&mut out);
            prop_assert_eq!(Runs::decode(&mut Reader::new(&out)), Ok(runs));
        }
    }
}
