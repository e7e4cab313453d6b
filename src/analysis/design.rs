//! The regressors: what each part does to ln of light, each with its own resets.
//!
//! ln intensity = level - sum of losses. Every column here is the *negative* of what it costs, so that a coefficient of
//! 0 or more is a loss, and the loss of a part on a day is -(its columns that day) x (their coefficients).
//! The terms that differ between hypotheses (the *main* terms) stand last; what is the same under all of them (the
//! *nuisance* terms) stands first and is integrated out once for all hypotheses.
//!
//! A cleaning leaves a share of the coat behind. What is expected of that share goes with the rate, so it stands in the
//! rate's own column, and only what a cleaning left beyond it has terms of its own. (With the expected part in their
//! beliefs, and so on the grid of rates, whose points lie 1.6 apart, a year of monthly cleanings was off by several
//! points of light, which then were the lamp's or the sensor's.)

use super::constants::{ModelConstants, UnknownAges};
use super::course::Course;
use super::covariate::Covariate;
use super::events::{EventKind, Events};
use super::growth::{Growth, curve};
use super::lamps::{LEAST_RATED_HOURS, Lamps};
use super::sensor_window::SensorWindow;
use super::term::Term;
use super::whiten::Wander;
use crate::domain::{Timestamp, UnitSpec};

/// Days ahead for which the yearly course of growth is worked out; a longer horizon keeps the last.
const DAYS_AHEAD: i32 = 760;

/// The time between two cleanings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    /// Its first day.
    pub from: i32,
    /// Exposure of the sleeve at its start, days: more than 0 only for the first.
    pub exposed: f64,
    /// Whether it began with a new sleeve.
    pub new_sleeve: bool,
    /// Which group of intervals it shares its rate with.
    pub group: usize,
    /// Which group of cleanings the one before it belongs to: those of a group left the same behind.
    pub left: usize,
    /// Growth, in hundreds of days, that is expected to be left of all coats before it since the sleeve was new.
    pub left_by_rate: f64,
}

/// How things stand on a day: what several regressors need.
#[derive(Clone, Copy, Debug)]
pub struct Standing {
    day: i32,
    /// The place of the interval between cleanings.
    interval: usize,
    coat: Coat,
    /// Growth at the interval's own rate, in hundreds of days.
    own: f64,
    /// Which lamp burns, and for how many hours it has.
    lamp: usize,
    hours: f64,
    /// What is left of its burn-in.
    burn_in: f64,
    /// Which sensor looks on, and for how many years it has.
    sensor: usize,
    drifted: f64,
}

/// The coat of a day at a rate of 1, in hundreds of days of growth since the last cleaning.
#[derive(Clone, Copy, Debug, Default)]
struct Coat {
    grown: f64,
    /// The same, each day's growth weighed with the sine and the cosine of its time of the year.
    by_sine: f64,
    by_cosine: f64,
}

/// Every regressor of a unit as a function of the day.
#[derive(Clone, Debug)]
pub struct Design<'a> {
    course: &'a Course,
    /// The terms in order; the first [`Self::nuisance`] are nuisance terms.
    pub terms: Vec<Term>,
    /// How many nuisance terms there are.
    pub nuisance: usize,
    /// Intervals between cleanings, ascending.
    pub intervals: Vec<Interval>,
    /// Most days of growth that the sleeve can have had at the first reading, where nobody says when it was last cleaned.
    pub unknown_growth_days: Option<f64>,
    /// For how many days the sleeve had been in use at the first reading; 0 where that does not count.
    pub sleeve_days: f64,
    /// For how many days the sensor's window may have got dirty before the first reading, at most, if that counts.
    pub unknown_window_days: Option<f64>,
    /// What is believed of ages that nobody knows.
    pub unknown_ages: UnknownAges,
    /// How the deposit grows.
    pub growth: Growth,
    /// Days in which patches cover the sleeve in the intervals of each group, where they are known to differ.
    covers: Vec<f64>,
    left_share: f64,
    /// For each interval, how many cleanings of each group have left something on the sleeve: those since it was new.
    cleanings_left: Vec<Vec<f64>>,
    /// The day whose losses are "now": today, or the day after a service of today.
    pub now: i32,
    lamps: Lamps,
    rated_hours: f64,
    new_hours: f64,
    burn_in_hours: f64,
    /// What is left of the burn-in when a lamp counts as new.
    burnt_in: f64,
    sensors: Vec<i32>,
    window: SensorWindow,
    sensor_age_known: bool,
    sensor_age_at_start: f64,
    shifts: Vec<i32>,
    exposure: Vec<f64>,
    /// The coat for each day from 0.
    coats: Vec<Coat>,
    own_pace_until: f64,
}

impl<'a> Design<'a> {
    /// The regressors of `course` with the resets of `events`.
    pub fn new(
        course: &'a Course,
        spec: &UnitSpec,
        events: &Events,
        growth: Growth,
        c: &ModelConstants,
        own_pace_days: (f64, f64),
    ) -> Self {
        let mut exposure = vec![0.0];
        for on in &course.on {
            exposure.push(exposure[exposure.len() - 1] + on);
        }
        let now = events.now(course);
        let mut design = Self {
            course,
            terms: Vec::new(),
            nuisance: 0,
            intervals: Vec::new(),
            unknown_growth_days: None,
            sleeve_days: 0.0,
            unknown_window_days: None,
            unknown_ages: *c.ages(spec),
            growth,
            covers: Vec::new(),
            cleanings_left: Vec::new(),
            left_share: c.left_behind.mean,
            now,
            lamps: Lamps::new(course, spec, events, c.ages(spec).lamp.mean),
            rated_hours: spec.lamp.rated_hours.max(LEAST_RATED_HOURS),
            new_hours: c.lamp_new_hours,
            burn_in_hours: c.burn_in_hours,
            burnt_in: (-c.lamp_new_hours / c.burn_in_hours).exp(),
            sensors: events.inside(&[EventKind::SensorReplaced], now),
            window: SensorWindow::default(),
            sensor_age_known: false,
            sensor_age_at_start: 0.0,
            shifts: events.inside(&[EventKind::Shift], now),
            exposure,
            coats: Vec::new(),
            own_pace_until: 0.0,
        };
        design.set_ages(spec, events, c);
        design.set_intervals(spec, events, c);
        design.group_intervals(c.most_own_rates.max(2), c.most_own_left.max(2));
        design.expect_left();
        let age = design.interval_age(design.now);
        design.own_pace_until = age + age.clamp(own_pace_days.0, own_pace_days.1);
        design.coats = design.grow(0);
        design.list_terms(spec);
        design
    }

    fn set_ages(&mut self, spec: &UnitSpec, events: &Events, c: &ModelConstants) {
        let age = |at: Option<Timestamp>| at.map(|at| f64::from(-self.course.number(at.date_in(&spec.zone))).max(0.0));
        let logged =
            |kinds: &[EventKind]| events.days(kinds).into_iter().rfind(|day| *day <= 0).map(|day| f64::from(-day));
        let least = |a: Option<f64>, b: Option<f64>| match (a, b) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        };
        let sensor = least(age(spec.sensor.installed), logged(&[EventKind::SensorReplaced]));
        let window = least(age(spec.sensor.cleaned), logged(&[EventKind::WindowWiped]));
        self.sensor_age_known = sensor.is_some();
        self.sensor_age_at_start = sensor.unwrap_or(365.25 * self.unknown_ages.sensor_years.mean);
        let wiped = events.inside(&[EventKind::WindowWiped], self.now);
        // As with the sleeve, an old sensor's age is not that of the dirt on it.
        let young = sensor.filter(|age| *age < c.young_part_days);
        let known = least(window, young);
        self.unknown_window_days =
            sensor.or(Some(self.unknown_ages.window_days)).filter(|days| known.is_none() && *days > 0.0);
        let dirty_days = known.unwrap_or(0.0);
        self.window =
            SensorWindow::new((&wiped, &self.sensors), dirty_days, c.left_behind.mean, |day| self.exposed(day));
    }

    fn set_intervals(&mut self, spec: &UnitSpec, events: &Events, c: &ModelConstants) {
        let kinds = [EventKind::SleeveCleaned, EventKind::SleeveReplaced];
        let from_papers = |at: Timestamp| Some(self.course.number(at.date_in(&spec.zone))).filter(|day| *day <= 0);
        let logged = events.list.iter().filter(|e| kinds.contains(&e.kind) && e.day <= 0).map(|e| e.day);
        let new_on = spec.sleeve.installed.and_then(from_papers);
        self.sleeve_days = new_on.map_or(self.unknown_ages.sleeve_days, |day| f64::from(-day));
        // Papers of a sleeve say when it was new, seldom that it was cleaned a year later, before anybody watched.
        let young = new_on.filter(|day| f64::from(-*day) < c.young_part_days);
        let clean_on = spec.sleeve.cleaned.and_then(from_papers).into_iter().chain(young).chain(logged).max();
        if clean_on.is_none_or(|clean| new_on.is_some_and(|new| new > clean)) {
            self.unknown_growth_days = Some(new_on.map_or(f64::INFINITY, |day| f64::from(-day)));
        }
        let exposed = clean_on.filter(|_| self.unknown_growth_days.is_none());
        let exposed = exposed.map_or(0.0, |day| f64::from(-day).min(2_000.0));
        self.intervals.push(Interval { from: 0, exposed, new_sleeve: false, group: 0, left: 0, left_by_rate: 0.0 });
        for event in events.list.iter().filter(|e| kinds.contains(&e.kind) && e.day > 0 && e.day <= self.now) {
            let new_sleeve = event.kind == EventKind::SleeveReplaced;
            match self.intervals.last_mut() {
                Some(last) if last.from == event.day => last.new_sleeve |= new_sleeve,
                _ => self.intervals.push(Interval {
                    from: event.day,
                    exposed: 0.0,
                    new_sleeve,
                    group: 0,
                    left: 0,
                    left_by_rate: 0.0,
                }),
            }
        }
    }

    fn group_intervals(&mut self, most_own_rates: usize, most_own_left: usize) {
        let count = self.intervals.len();
        let cleanings = count.saturating_sub(1);
        for (k, interval) in self.intervals.iter_mut().enumerate() {
            interval.group = group_of(k, count, most_own_rates);
            interval.left = if k == 0 { 0 } else { group_of(k - 1, cleanings, most_own_left) };
        }
        let mut left = vec![0.0; self.intervals.last().map_or(0, |last| last.left + 1)];
        for (k, interval) in self.intervals.iter().enumerate() {
            if interval.new_sleeve {
                left.fill(0.0);
            } else if k > 0 {
                left[interval.left] += 1.0;
            }
            self.cleanings_left.push(left.clone());
        }
    }

    fn list_terms(&mut self, spec: &UnitSpec) {
        let mut terms = Vec::new();
        let count = self.intervals.len();
        if count > 1 {
            let groups = self.intervals.last().map_or(0, |last| last.group + 1);
            terms.extend((0..groups).map(Term::IntervalRate));
            let last = self.intervals.last().map_or(0, |last| last.left);
            let left = |g: &usize| self.cleanings(*g).any(|k| !self.intervals[k].new_sleeve);
            terms.extend((0..=last).filter(left).map(Term::LeftBehind));
        }
        terms.extend([Term::RateSine, Term::RateCosine]);
        terms.extend(self.unknown_growth_days.map(|_| Term::InitialDeposit));
        terms.push(Term::PermanentAtStart);
        terms.extend((!self.lamps.is_age_known()).then_some(Term::LampAtStart));
        for lamp in 1..=self.lamps.changed().len() {
            terms.extend([Term::LampStep(lamp), Term::LampSlopeChange(lamp)]);
        }
        terms.extend([Term::LampCurve, Term::BurnIn]);
        terms.extend((1..=self.sensors.len()).map(Term::SensorStep));
        terms.extend((0..self.sensors.len()).map(Term::EarlierDrift));
        terms.extend(self.window.wipes().map(Term::WindowLeft));
        terms.extend((0..self.shifts.len()).map(Term::Shift));
        terms.extend(self.course.temperature.as_ref().map(|_| Term::Temperature));
        let referred = spec.reference.is_some_and(|reference| reference > 0.0);
        if self.course.absorbance.is_some() {
            terms.push(Term::Absorbance);
            terms.extend(referred.then_some(Term::UsualWater));
        }
        terms.push(Term::Level);
        self.nuisance = terms.len();
        // In the order of the loops of `Setting::structures`: see `evidence`.
        terms.extend([Term::Rate, Term::LampSlope, Term::Drift]);
        terms.extend((!self.sensor_age_known).then_some(Term::SensorAtStart));
        terms.extend(self.unknown_window_days.map(|_| Term::WindowAtStart));
        terms.push(Term::Window);
        if self.course.temperature.is_none() || self.course.absorbance.is_none() {
            terms.extend([Term::SeasonSine, Term::SeasonCosine]);
        }
        terms.push(Term::Curve);
        if referred {
            terms.push(Term::BeforeStart);
            terms.extend(self.unknown_growth_days.map(|_| Term::OldCoat));
        }
        self.terms = terms;
    }

    /// The regressors of a day, past or future.
    pub fn row(&self, day: i32) -> Vec<f64> {
        let at = self.standing(day);
        self.terms.iter().map(|term| self.value(*term, &at)).collect()
    }

    /// How things stand on a day.
    pub fn standing(&self, day: i32) -> Standing {
        let interval = self.interval(day);
        let coat = self.coat(day);
        let days = self.interval_age(day);
        let own =
            if days <= self.own_pace_until { coat.grown } else { self.growth_in(interval).at(self.own_pace_until) };
        let (lamp, hours) = self.lamps.at(day);
        Standing {
            day,
            interval,
            coat,
            own,
            lamp,
            hours,
            burn_in: (-hours / self.burn_in_hours).exp(),
            sensor: self.sensors.partition_point(|replaced| *replaced <= day),
            drifted: since(&self.sensors, self.sensor_age_at_start, day) / 365.25,
        }
    }

    /// The regressor of a term as things stand.
    pub fn value(&self, term: Term, at: &Standing) -> f64 {
        let Standing { day, interval, coat, lamp, hours, sensor, drifted, .. } = *at;
        let h = (hours - self.new_hours) / self.rated_hours;
        let bend = |h: f64| h * (h - 0.6);
        match term {
            Term::Level => 1.0,
            Term::UsualWater => -1.0,
            Term::IntervalRate(g) => gate(g == self.intervals[interval].group, -at.own),
            Term::RateSine => -coat.by_sine,
            Term::RateCosine => -coat.by_cosine,
            Term::LeftBehind(g) => -self.cleanings_left[interval][g],
            Term::LampAtStart => gate(lamp == 0, -1.0),
            Term::SensorAtStart => gate(sensor == 0, -1.0),
            Term::PermanentAtStart => gate(!self.intervals[..=interval].iter().any(|i| i.new_sleeve), -1.0),
            Term::InitialDeposit | Term::OldCoat => gate(interval == 0, -1.0),
            Term::BeforeStart => -1.0,
            Term::LampStep(j) => gate(j == lamp, -1.0),
            Term::LampSlopeChange(j) => gate(j == lamp, -h),
            Term::LampCurve => bend(self.new_hours / self.rated_hours) - bend(hours / self.rated_hours),
            Term::BurnIn => at.burn_in - self.burnt_in,
            Term::SensorStep(j) => gate(j == sensor, -1.0),
            Term::EarlierDrift(j) => gate(j == sensor, -drifted),
            Term::Shift(i) => gate(self.shifts[i] <= day, -1.0),
            Term::Temperature => self.course.temperature.as_ref().map_or(0.0, |water| water.at(day)),
            Term::Absorbance => {
                -std::f64::consts::LN_10 * self.course.absorbance.as_ref().map_or(0.0, |water| water.at(day))
            }
            Term::LampSlope => -h,
            Term::Rate => -coat.grown - self.intervals[interval].left_by_rate,
            Term::Curve => -curve(coat.grown),
            Term::WindowAtStart => gate(self.window.last_reset(day).is_none(), -1.0),
            Term::WindowLeft(reset) => gate(self.window.last_wipe(day) == Some(reset), -1.0),
            Term::Window => -self.window.dirt(day, self.exposed(day)) / 100.0,
            Term::Drift => gate(sensor == self.sensors.len(), -drifted),
            Term::SeasonSine => -self.course.season(day).0,
            Term::SeasonCosine => -self.course.season(day).1,
        }
    }

    /// The terms, by their places, that are not 0 from `first` to `last`, in order.
    pub fn at_work(&self, first: &Standing, last: &Standing) -> Vec<usize> {
        let terms = self.terms.iter().enumerate();
        terms.filter(|(_, term)| !self.is_idle(**term, first, last)).map(|(place, _)| place).collect()
    }

    /// Whether the regressor of a term is 0 from `first` to `last`; where that would take looking at every day, it is not
    /// said to be.
    fn is_idle(&self, term: Term, first: &Standing, last: &Standing) -> bool {
        let groups = || self.intervals[first.interval].group..=self.intervals[last.interval].group;
        match term {
            Term::IntervalRate(g) => !groups().contains(&g),
            Term::LeftBehind(g) => {
                self.cleanings_left[first.interval..=last.interval].iter().all(|left| left[g] == 0.0)
            }
            Term::InitialDeposit | Term::OldCoat => first.interval > 0,
            Term::LampAtStart => first.lamp > 0,
            Term::LampStep(j) | Term::LampSlopeChange(j) => !(first.lamp..=last.lamp).contains(&j),
            Term::SensorAtStart => first.sensor > 0,
            Term::SensorStep(j) | Term::EarlierDrift(j) => !(first.sensor..=last.sensor).contains(&j),
            Term::WindowAtStart => self.window.last_reset(first.day).is_some(),
            Term::WindowLeft(reset) => {
                !(self.window.last_reset(first.day)..=self.window.last_reset(last.day)).contains(&Some(reset))
            }
            Term::Shift(i) => self.shifts[i] > last.day,
            _ => false,
        }
    }

    /// Growth over `days` of exposure from a clean start, in hundreds of days.
    pub fn grown_in(&self, days: f64) -> f64 {
        self.growth.at(days)
    }

    /// Growth of the present deposit from now to `day`, in hundreds of days.
    pub fn grown_since_now(&self, day: i32) -> f64 {
        self.grown_by(day) - self.grown_by(self.now)
    }

    /// The term of the present interval's own rate, whether it is in the list or not.
    pub fn own_rate(&self) -> Term {
        Term::IntervalRate(self.intervals.last().map_or(0, |last| last.group))
    }

    /// The same design, with patches that cover the sleeve in `covers` days in the intervals of each group.
    #[must_use]
    pub fn with_covers(mut self, covers: Vec<f64>) -> Self {
        self.covers = covers;
        self.expect_left();
        self.coats = self.grow(0);
        self
    }

    /// The same design, with the yearly course of growth ahead: to weigh it, the days behind are enough.
    #[must_use]
    pub fn looking_ahead(mut self) -> Self {
        self.coats = self.grow(DAYS_AHEAD);
        self
    }

    /// The place of the interval that `day` lies in.
    fn interval(&self, day: i32) -> usize {
        self.intervals.partition_point(|i| i.from <= day).max(1) - 1
    }

    /// How the deposit grows in interval `k`.
    fn growth_in(&self, k: usize) -> Growth {
        let cover_days = self.covers.get(self.intervals[k].group).copied().unwrap_or(self.growth.cover_days);
        Growth { cover_days, ..self.growth }
    }

    /// Exposure of the sleeve since the last cleaning, days.
    pub fn interval_age(&self, day: i32) -> f64 {
        let interval = self.intervals[self.interval(day)];
        (self.exposed(day) - self.exposed(interval.from) + interval.exposed).max(0.0)
    }

    /// Intervals that began with a cleaning of group `g`.
    fn cleanings(&self, g: usize) -> impl Iterator<Item = usize> {
        (1..self.intervals.len()).filter(move |k| self.intervals[*k].left == g)
    }

    /// What the coat is of the regressor `value` of a term on `day`: all of it, none, or, of the rate, what grew since the
    /// last cleaning.
    pub fn coat_of(&self, term: Term, value: f64, day: i32) -> f64 {
        match term {
            Term::Rate => value + self.intervals[self.interval(day)].left_by_rate,
            term if term.is_coat() => value,
            _ => 0.0,
        }
    }

    /// Sums up what the cleanings before each interval are expected to have left, for a rate of one.
    fn expect_left(&mut self) {
        let mut left = 0.0;
        for k in 1..self.intervals.len() {
            left = if self.intervals[k].new_sleeve { 0.0 } else { left + self.left_share * self.grown_over(k - 1) };
            self.intervals[k].left_by_rate = left;
        }
    }

    /// Mean growth over the intervals that cleanings of group `g` ended, in hundreds of days, and how many they are.
    pub fn grown_before(&self, g: usize) -> (f64, usize) {
        let before: Vec<f64> = self.cleanings(g).map(|k| self.grown_over(k - 1)).collect();
        (before.iter().sum::<f64>() / before.len().max(1) as f64, before.len().max(1))
    }

    /// Growth over the whole of interval `k`, in hundreds of days.
    fn grown_over(&self, k: usize) -> f64 {
        let end = self.intervals.get(k + 1).map_or(self.now, |next| next.from);
        let interval = self.intervals[k];
        self.growth_in(k).at((self.exposed(end) - self.exposed(interval.from) + interval.exposed).max(0.0))
    }

    /// The coat of each day from 0 to the day after now, and `days_ahead` more.
    fn grow(&self, days_ahead: i32) -> Vec<Coat> {
        let mut coat = Coat::default();
        (0..self.now + 2 + days_ahead)
            .map(|day| {
                let grown = self.grown_by(day);
                if day == 0 || grown < coat.grown {
                    coat = Coat { grown: if day == 0 { grown } else { 0.0 }, ..Coat::default() };
                }
                let (sin, cos) = self.course.season(day);
                let more = grown - coat.grown;
                coat = Coat { grown, by_sine: coat.by_sine + sin * more, by_cosine: coat.by_cosine + cos * more };
                coat
            })
            .collect()
    }

    fn coat(&self, day: i32) -> Coat {
        let known = usize::try_from(day).ok().and_then(|day| self.coats.get(day)).copied();
        // The yearly course beyond is that of the last day.
        known.unwrap_or_else(|| {
            let last = if day < 0 { Coat::default() } else { self.coats.last().copied().unwrap_or_default() };
            Coat { grown: self.grown_by(day), ..last }
        })
    }

    /// Growth since the last cleaning, in hundreds of days.
    fn grown_by(&self, day: i32) -> f64 {
        self.growth_in(self.interval(day)).at(self.interval_age(day))
    }

    /// The unit's lamps.
    pub fn lamps(&self) -> &Lamps {
        &self.lamps
    }

    /// The place of each lasting shift among the terms and its age now, days.
    pub fn shift_ages(&self) -> Vec<(usize, f64)> {
        let age = |term: &Term| match term {
            Term::Shift(i) => Some(f64::from(self.now - self.shifts[*i])),
            _ => None,
        };
        self.terms.iter().enumerate().filter_map(|(place, term)| age(term).map(|age| (place, age))).collect()
    }

    /// The first day after each thing done at the unit and of each lasting shift, ascending.
    pub fn resets(&self) -> Vec<i32> {
        let intervals = self.intervals.iter().map(|interval| interval.from);
        let others = [self.lamps.changed(), &self.sensors, &self.shifts].into_iter().flatten().copied();
        let mut days: Vec<i32> = intervals.chain(others).chain(self.window.resets()).collect();
        days.sort_unstable();
        days.dedup();
        days
    }

    /// The days of lasting shifts, in the order of their terms.
    pub fn shifts(&self) -> &[i32] {
        &self.shifts
    }

    /// Days of exposure before `day` began.
    fn exposed(&self, day: i32) -> f64 {
        let last = i32::try_from(self.exposure.len()).unwrap_or(i32::MAX) - 1;
        let known = day.clamp(0, last);
        let sum = usize::try_from(known).ok().and_then(|d| self.exposure.get(d)).copied().unwrap_or(0.0);
        sum + self.lamps.pace() * f64::from(day - known)
    }

    /// How much more of the light the water of the last day takes than the regressors of [`Self::now`] say, ln for each
    /// cm of path: a storm that passes. Zero where the transmittance is not measured.
    pub fn passing_absorbance(&self) -> f64 {
        std::f64::consts::LN_10 * self.course.absorbance.as_ref().map_or(0.0, Covariate::passing)
    }

    /// How far the water of the reference may be from the usual, absorbance per cm: by what a year shows, and where less
    /// was measured by `unseen` for the rest of it.
    pub fn usual_water_sd(&self, unseen: f64) -> f64 {
        let sd = |water: &Covariate| water.usual_sd.hypot(unseen * (1.0 - water.usual_share));
        self.course.absorbance.as_ref().map_or(0.0, sd)
    }

    /// The terms, by their places, whose regressors will wander as they have: how, at a coefficient of 1.
    pub fn wanderings(&self) -> Vec<(usize, Wander)> {
        let (water, warmth) = (&self.course.absorbance, &self.course.temperature);
        let wander = |term: &Term| match term {
            Term::Absorbance => water.as_ref().map(|w| (std::f64::consts::LN_10, w.wander)),
            Term::Temperature => warmth.as_ref().map(|w| (1.0, w.wander)),
            _ => None,
        };
        let found = self.terms.iter().enumerate().filter_map(|(place, term)| Some((place, wander(term)?)));
        found.map(|(place, (unit, w))| (place, Wander { sd: unit * w.sd, ..w })).collect()
    }
}

fn gate(open: bool, value: f64) -> f64 {
    if open { value } else { 0.0 }
}

/// The group of item `k` of `count` in at most `most` groups: the latest half of the groups holds one item each, the
/// older items share the rest.
fn group_of(k: usize, count: usize, most: usize) -> usize {
    let alone = if count <= most { count } else { most / 2 };
    let (old, groups) = (count - alone, most - alone);
    if k < old { k * groups / old } else { groups.min(old) + k - old }
}

/// Days since the last of `resets`, or since the start plus the age then.
fn since(resets: &[i32], age_at_start: f64, day: i32) -> f64 {
    match resets.partition_point(|d| *d <= day) {
        0 => f64::from(day) + age_at_start,
        n => f64::from(day - resets[n - 1]),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::History;
    use crate::analysis::events::{Event, Origin};
    use crate::domain::time::DAY;
    use crate::domain::{DaySummary, LnSummary};
    use jiff::civil::{Date, date};

    const FIRST: Date = date(2025, 1, 1);

    fn day(n: i64) -> DaySummary {
        let light = LnSummary { median: 3.0, spread: 0.01, count: 144 };
        let date = FIRST.saturating_add(jiff::Span::new().days(n));
        DaySummary { intensity: Some(light), readings: 144, ..DaySummary::empty(date) }
    }

    /// By hand: a rate of 1 takes a hundredth of ln a day; of each coat a twentieth stays, until the sleeve is new.
    #[test]
    fn what_cleanings_leave_goes_with_the_rate() {
        let mut spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
        spec.sleeve.installed = Some(Timestamp::day_start(FIRST, &spec.zone));
        let days: Vec<DaySummary> = (0..400).map(day).collect();
        let history =
            History { spec: &spec, days: &days, log: &[], latest: None, cadence_millis: None, neighbours: None };
        let c = ModelConstants::default();
        let as_of = Timestamp::day_start(FIRST.saturating_add(jiff::Span::new().days(400)), &spec.zone);
        let course = Course::new(&history, as_of, &c).unwrap();
        let event = |day, kind| Event { day, kind, origin: Origin::Logged(0) };
        let events = Events::default()
            .with(event(100, EventKind::SleeveCleaned))
            .with(event(220, EventKind::SleeveCleaned))
            .with(event(300, EventKind::SleeveReplaced));
        let design = Design::new(&course, &spec, &events, Growth::STEADY, &c, (30.0, 150.0));
        let rate = design.terms.iter().position(|term| *term == Term::Rate).unwrap();
        for (day, coat, left) in [(50, 0.50, 0.0), (150, 0.50, 0.05), (230, 0.10, 0.05 + 0.06), (350, 0.50, 0.0)] {
            let value = design.row(day)[rate];
            assert!((value + coat + left).abs() < 1e-12, "day {day}: {value}");
            assert!((design.coat_of(Term::Rate, value, day) + coat).abs() < 1e-12, "day {day}");
        }
        assert_eq!(design.coat_of(Term::LeftBehind(0), -1.0, 350), 0.0);
        assert_eq!(design.coat_of(Term::OldCoat, -1.0, 350), -1.0);
    }

    /// By hand: a sleeve that was new long before the first reading may have been cleaned since; one that was new three
    /// weeks before has not been, and where papers say when it was cleaned that is the day.
    #[test]
    fn a_sleeve_may_have_been_cleaned_before_anybody_watched() {
        let days: Vec<DaySummary> = (0..100).map(day).collect();
        let ago = |days: i64| Some(Timestamp::day_start(FIRST, &jiff::tz::TimeZone::UTC).plus_millis(-days * DAY));
        let c = ModelConstants::default();
        for (installed, cleaned, unknown, exposed) in [
            (None, None, Some(f64::INFINITY), 0.0),
            (ago(300), None, Some(300.0), 0.0),
            (ago(21), None, None, 21.0),
            (ago(300), ago(40), None, 40.0),
            (ago(300), ago(310), Some(300.0), 0.0),
            (None, ago(40), None, 40.0),
        ] {
            let mut spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
            (spec.sleeve.installed, spec.sleeve.cleaned) = (installed, cleaned);
            let history =
                History { spec: &spec, days: &days, log: &[], latest: None, cadence_millis: None, neighbours: None };
            let as_of = Timestamp::day_start(FIRST, &spec.zone).plus_millis(100 * DAY);
            let course = Course::new(&history, as_of, &c).unwrap();
            let design = Design::new(&course, &spec, &Events::default(), Growth::STEADY, &c, (30.0, 150.0));
            assert_eq!(design.unknown_growth_days, unknown, "{installed:?} {cleaned:?}");
            assert_eq!(design.intervals[0].exposed, exposed, "{installed:?} {cleaned:?}");
            assert_eq!(design.terms.contains(&Term::InitialDeposit), unknown.is_some());
        }
    }

    /// By hand: the window of an old sensor may be dirty, that of a new or lately wiped one has a known age, and of a unit
    /// without any papers everything may be old.
    #[test]
    fn a_window_may_have_been_dirty_before_anybody_watched() {
        let days: Vec<DaySummary> = (0..100).map(day).collect();
        let ago = |days: i64| Some(Timestamp::day_start(FIRST, &jiff::tz::TimeZone::UTC).plus_millis(-days * DAY));
        let c = ModelConstants::default();
        for (reference, installed, cleaned, window, sleeve) in [
            (None, None, None, Some(1_000.0), 1_000.0),
            (Some(21.0), None, None, None, 0.0),
            (None, ago(900), None, Some(900.0), 0.0),
            (None, ago(20), None, None, 0.0),
            (None, ago(900), ago(50), None, 0.0),
        ] {
            let mut spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
            (spec.reference, spec.sensor.installed, spec.sensor.cleaned) = (reference, installed, cleaned);
            let history =
                History { spec: &spec, days: &days, log: &[], latest: None, cadence_millis: None, neighbours: None };
            let as_of = Timestamp::day_start(FIRST, &spec.zone).plus_millis(100 * DAY);
            let course = Course::new(&history, as_of, &c).unwrap();
            let wiped = Event { day: 60, kind: EventKind::WindowWiped, origin: Origin::Logged(0) };
            let events = Events::default().with(wiped);
            let design = Design::new(&course, &spec, &events, Growth::STEADY, &c, (30.0, 150.0));
            assert_eq!((design.unknown_window_days, design.sleeve_days), (window, sleeve), "{installed:?} {cleaned:?}");
            let at_start = |day: i32| design.value(Term::WindowAtStart, &design.standing(day));
            assert_eq!((at_start(59), at_start(60)), (-1.0, 0.0), "until the first wipe");
            assert_eq!(design.terms.contains(&Term::WindowAtStart), window.is_some());
        }
    }

    /// Whatever is left out of a stretch of days is 0 on each of them.
    #[test]
    fn what_is_idle_is_nothing() {
        let mut spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
        spec.reference = Some(21.0);
        let days: Vec<DaySummary> = (0..400).map(day).collect();
        let history =
            History { spec: &spec, days: &days, log: &[], latest: None, cadence_millis: None, neighbours: None };
        let c = ModelConstants::default();
        let as_of = Timestamp::day_start(FIRST.saturating_add(jiff::Span::new().days(400)), &spec.zone);
        let course = Course::new(&history, as_of, &c).unwrap();
        let done = [
            (60, EventKind::SleeveCleaned),
            (60, EventKind::WindowWiped),
            (110, EventKind::LampReplaced),
            (130, EventKind::Shift),
            (170, EventKind::SleeveCleaned),
            (210, EventKind::SensorReplaced),
            (250, EventKind::SleeveReplaced),
            (300, EventKind::WindowWiped),
            (330, EventKind::SleeveCleaned),
        ];
        let events = done
            .into_iter()
            .fold(Events::default(), |events, (day, kind)| events.with(Event { day, kind, origin: Origin::Logged(0) }));
        let design = Design::new(&course, &spec, &events, Growth::STEADY, &c, (30.0, 150.0));
        let mut idle = 0;
        for (first, last) in (0..450).step_by(7).flat_map(|first| [5, 48, 200].map(|long| (first, first + long))) {
            let at_work = design.at_work(&design.standing(first), &design.standing(last));
            for place in (0..design.terms.len()).filter(|place| !at_work.contains(place)) {
                idle += 1;
                let term = design.terms[place];
                let nothing = |day: i32| design.value(term, &design.standing(day)) == 0.0;
                assert!((first..=last).all(nothing), "{term:?} from {first} to {last}");
            }
        }
        assert!(idle > 1_000, "{idle}");
    }
}
