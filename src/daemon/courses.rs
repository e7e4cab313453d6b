//! The last weeks of every unit for the fleet's page. Read from the days, a page of a thousand units would take sixty
//! thousand of them from the disk each time; so each course is kept in memory, and as a keepsake for the next start.

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

use jiff::civil::Date;

use crate::domain::{DaySummary, Timestamp, UnitId};
use crate::query::COURSE_DAYS;
use crate::store::{Store, StoreError};

/// Bytes of a kept course before its days, and of each day.
const HEAD_BYTES: usize = 8;
const DAY_BYTES: usize = 8;

/// Days and their median light, ascending, as they were when the unit was assessed as of a time.
#[derive(Clone, Debug, PartialEq)]
struct Course {
    as_of: Timestamp,
    days: Vec<(Date, f32)>,
}

impl Course {
    fn new(as_of: Timestamp, days: &[DaySummary]) -> Self {
        let light = |day: &DaySummary| Some((day.date, day.intensity?.median.exp() as f32));
        let recent = usize::try_from(COURSE_DAYS).unwrap_or_default();
        let mut days: Vec<(Date, f32)> = days.iter().rev().take(recent).filter_map(light).collect();
        days.reverse();
        Self { as_of, days }
    }

    fn bytes(&self) -> Vec<u8> {
        let mut bytes = self.as_of.as_millis().to_le_bytes().to_vec();
        for (date, light) in &self.days {
            bytes.extend(date.year().to_le_bytes());
            bytes.extend([date.month(), date.day()].map(i8::unsigned_abs));
            bytes.extend(light.to_le_bytes());
        }
        bytes
    }

    /// `None` for what is no course: it is made anew.
    fn read(bytes: &[u8]) -> Option<Self> {
        let (head, days) = bytes.split_at_checked(HEAD_BYTES)?;
        let day = |bytes: &[u8]| {
            let year = i16::from_le_bytes(bytes.get(..2)?.try_into().ok()?);
            let [month, day] = [*bytes.get(2)?, *bytes.get(3)?].map(u8::cast_signed);
            let light = f32::from_le_bytes(bytes.get(4..DAY_BYTES)?.try_into().ok()?);
            Some((Date::new(year, month, day).ok()?, light))
        };
        let as_of = Timestamp::from_millis(i64::from_le_bytes(head.try_into().ok()?));
        Some(Self { as_of, days: days.chunks(DAY_BYTES).map(day).collect::<Option<_>>()? })
    }
}

/// The courses that are known.
#[derive(Debug, Default)]
pub struct Courses {
    known: Mutex<BTreeMap<UnitId, Course>>,
}

impl Courses {
    /// The course of a unit whose days were just rolled up; its name and bytes as a keepsake.
    pub fn put(&self, unit: &UnitId, as_of: Timestamp, days: &[DaySummary]) -> (String, Vec<u8>) {
        let course = Course::new(as_of, days);
        let keepsake = (name(unit), course.bytes());
        self.lock().insert(unit.clone(), course);
        keepsake
    }

    /// Days from `from` on with their median light, as the unit's assessment of `as_of` left them. Blocking.
    pub fn of(
        &self,
        store: &Store,
        unit: &UnitId,
        as_of: Option<Timestamp>,
        from: Date,
    ) -> Result<Vec<(Date, f32)>, StoreError> {
        let within = |course: &Course| course.days.iter().copied().filter(|(date, _)| *date >= from).collect();
        let Some(as_of) = as_of else {
            return Ok(within(&Course::new(Timestamp::MIN, &store.days(unit, Some(from), None)?)));
        };
        if let Some(course) = self.lock().get(unit).filter(|course| course.as_of == as_of) {
            return Ok(within(course));
        }
        let kept = store.kept(&name(unit))?.and_then(|bytes| Course::read(&bytes));
        let course = match kept.filter(|course| course.as_of == as_of) {
            Some(course) => course,
            None => Course::new(as_of, &store.days(unit, Some(from), None)?),
        };
        let days = within(&course);
        // What an assessment has put meanwhile is newer.
        let mut known = self.lock();
        if known.get(unit).is_none_or(|known| known.as_of < as_of) {
            known.insert(unit.clone(), course);
        }
        Ok(days)
    }

    /// What is known is whole even if somebody panicked beside it.
    fn lock(&self) -> MutexGuard<'_, BTreeMap<UnitId, Course>> {
        self.known.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Under which name the store keeps a unit's course.
fn name(unit: &UnitId) -> String {
    format!("course/{unit}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::settings::StoreSettings;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn day(day: i8, median: f64) -> DaySummary {
        let light = serde_json::json!({ "count": 144, "median": median.ln(), "spread": 0.01 });
        let date = jiff::civil::date(2026, 3, day).to_string();
        serde_json::from_value(serde_json::json!({ "date": date, "readings": 144, "intensity": light })).unwrap()
    }

    #[test]
    fn a_course_is_read_as_it_was_written_and_nonsense_is_none() {
        let course = Course::new(at("2026-03-03T00:10:00Z"), &[day(1, 20.0), day(2, 19.5)]);
        let bytes = course.bytes();
        assert_eq!(Course::read(&bytes), Some(course));
        for wrong in [&bytes[..7], &bytes[..11], &[255; 16][..], b"nonsense, all of it"] {
            assert_eq!(Course::read(wrong), None, "{wrong:?}");
        }
    }

    #[test]
    fn the_days_are_read_again_only_after_another_assessment() {
        let dir = tempfile::tempdir().unwrap();
        let store = Store::open(&StoreSettings { path: dir.path().join("store"), cache_bytes: 8 << 20 }).unwrap();
        let unit: UnitId = "heron-bight/boathouse".parse().unwrap();
        let courses = Courses::default();
        let from = jiff::civil::date(2026, 1, 1);
        let lights = |courses: &Courses, as_of| {
            let days = courses.of(&store, &unit, Some(at(as_of)), from).unwrap();
            days.into_iter().map(|(_, light)| light.round()).collect::<Vec<_>>()
        };
        store.put_days(&unit, &[day(1, 20.0)]).unwrap();
        assert_eq!(lights(&courses, "2026-03-02T00:00:00Z"), [20.0]);
        store.put_days(&unit, &[day(2, 18.0)]).unwrap();
        assert_eq!(lights(&courses, "2026-03-02T00:00:00Z"), [20.0], "the same assessment, the same course");
        let (name, bytes) = courses.put(&unit, at("2026-03-03T00:00:00Z"), &[day(1, 20.0), day(2, 18.0)]);
        assert_eq!(lights(&courses, "2026-03-03T00:00:00Z"), [20.0, 18.0]);
        // After a restart the keepsake serves, unless the unit was assessed again since.
        store.keep(&name, &bytes).unwrap();
        store.put_days(&unit, &[day(3, 16.0)]).unwrap();
        assert_eq!(lights(&Courses::default(), "2026-03-03T00:00:00Z"), [20.0, 18.0]);
        assert_eq!(lights(&Courses::default(), "2026-03-04T00:00:00Z"), [20.0, 18.0, 16.0]);
    }
}
