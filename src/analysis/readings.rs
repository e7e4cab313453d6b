//! How to read what was done: which log entries are true, which steps are what.
//!
//! The log is written by people. A cleaning done while the lamp was changed or the window wiped is easily left out of
//! it; an entry may be wrong; a step up that nobody logged may be a cleaned sleeve, a wiped window, another sensor or
//! the water. Each such doubt is an edit of the events with its odds beforehand, and edits are taken while the evidence
//! pays for them. Where it is nearly even, both readings are kept as variants of the mixture.

use serde::{Deserialize, Serialize};

use super::events::{Event, EventKind, Events, Origin};
use super::steps::StepsFound;

/// How people keep logs: odds beforehand, in natural logarithms. By judgement, from how often people leave things out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LogConstants {
    /// A step up under this is no new lamp: lamps are changed when they have lost more, ln; 0 to 0.5.
    pub lamp_gain: f64,
    /// Odds that a step up nobody logged is a new lamp rather than a clean sleeve, near the end of the old one's rated life.
    pub lamp_unlogged: f64,
    /// The same where the old lamp was new: lamps are changed by their hours, and before only when they fail.
    pub young_lamp_unlogged: f64,
    /// From this share of its rated life on a lamp may well be changed; 0.1 to 1.
    pub lamp_old: f64,
    /// Odds that a step up while the lamp was seen to burn, or over days, is a clean sleeve after all: somebody did not
    /// switch the lamp off, or a storm hid the day.
    pub cleaned_unseen: f64,
    /// Odds that a step up that looks like a clean sleeve is a wiped window.
    pub wiped_instead: f64,
    /// Odds that it is a lasting change, where the lamp was not seen to be off.
    pub changed_instead: f64,
    /// Odds that a lasting change was none.
    pub no_change: f64,
    /// Odds that the sleeve was cleaned on the way when something else was done, and nobody wrote it down, where
    /// cleanings are known of.
    pub cleaning_forgotten: f64,
    /// The same where none is: who never writes down a cleaning, but other work, hardly ever cleans.
    pub first_cleaning_forgotten: f64,
    /// Odds that a sleeve was not cleaned although the log says so, where the light did not rise.
    pub not_cleaned: f64,
    /// The same where it rose by little, as at the end of a storm.
    pub hardly_cleaned: f64,
    /// An entry is written down for a day at most this far from that of the work, days; 1 to 60.
    pub misdated_days: i32,
    /// Odds that it was, for one of the days of other work.
    pub misdated: f64,
    /// Other days tried for one entry; 0 to 5.
    pub most_moves: usize,
    /// A reading of the log this many nats behind the best is not carried on; 1 to 10.
    pub nearly_even: f64,
    /// Readings carried on at most; 1 to 8.
    pub most_readings: usize,
}

impl Default for LogConstants {
    fn default() -> Self {
        Self {
            lamp_gain: 0.08,
            lamp_unlogged: -3.0,
            young_lamp_unlogged: -5.5,
            lamp_old: 0.7,
            cleaned_unseen: -2.0,
            wiped_instead: -2.0,
            changed_instead: -3.0,
            no_change: 0.5,
            cleaning_forgotten: -0.5,
            first_cleaning_forgotten: -2.0,
            not_cleaned: -1.0,
            hardly_cleaned: -2.0,
            misdated_days: 14,
            misdated: -2.5,
            most_moves: 2,
            nearly_even: 4.0,
            most_readings: 3,
        }
    }
}

/// One doubt about the events.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Edit {
    /// What it does.
    pub change: Change,
    /// ln of the odds for it beforehand.
    pub ln_odds: f64,
}

/// What an edit does to the events.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Change {
    /// Something was done on the day of another event and not logged.
    Add(Event),
    /// An event is something else than it was taken for.
    Reread(Origin, EventKind, EventKind),
    /// An event did not happen.
    Drop(Event),
    /// An event happened on another day: its first day after it is the one given.
    Move(Event, i32),
}

impl Edit {
    fn apply(&self, events: &Events) -> Events {
        match self.change {
            Change::Add(event) => events.with(event),
            Change::Reread(origin, from, to) => events.reread(origin, from, Some(to)),
            Change::Drop(event) => events.reread(event.origin, event.kind, None),
            Change::Move(event, day) => events.reread(event.origin, event.kind, None).with(Event { day, ..event }),
        }
    }

    /// `events`, which this edit was applied to, without it.
    fn undo(&self, events: &Events) -> Events {
        match self.change {
            Change::Add(event) => events.reread(event.origin, event.kind, None),
            Change::Reread(origin, from, to) => events.reread(origin, to, Some(from)),
            Change::Move(event, day) => {
                Self { change: Change::Move(Event { day, ..event }, event.day), ..*self }.apply(events)
            }
            Change::Drop(event) => events.with(event),
        }
    }

    /// `events`, which this edit was applied to, with another edit of the same event in its place.
    fn instead(&self, other: &Self, events: &Events) -> Option<Events> {
        match (self.change, other.change) {
            (Change::Reread(origin, _, taken), Change::Reread(_, _, to)) => {
                Some(events.reread(origin, taken, Some(to)))
            }
            (Change::Move(event, day), Change::Move(_, to)) => {
                Some(Self { change: Change::Move(Event { day, ..event }, to), ..*other }.apply(events))
            }
            _ => None,
        }
    }

    /// What the edit is about: two edits about the same exclude each other.
    fn about(&self) -> (Origin, Option<EventKind>) {
        match self.change {
            Change::Add(event) => (event.origin, None),
            Change::Reread(origin, kind, _) => (origin, Some(kind)),
            Change::Drop(event) | Change::Move(event, _) => (event.origin, Some(event.kind)),
        }
    }
}

/// The doubts about `events`. `lamp_life`: the share of its rated life behind the lamp that burns on a day, where anything
/// says so.
pub fn doubts(
    events: &Events,
    found: &StepsFound,
    lamp_life: impl Fn(i32) -> Option<f64>,
    c: &LogConstants,
) -> Vec<Edit> {
    let mut edits = Vec::new();
    let cleans = events.list.iter().any(|e| matches!(e.kind, EventKind::SleeveCleaned | EventKind::SleeveReplaced));
    let forgotten = if cleans { c.cleaning_forgotten } else { c.first_cleaning_forgotten };
    let sleeve = |day: i32| {
        events
            .list
            .iter()
            .any(|e| e.day == day && matches!(e.kind, EventKind::SleeveCleaned | EventKind::SleeveReplaced))
    };
    for event in events.list.iter().filter(|event| event.day > 0) {
        let parts = [EventKind::LampReplaced, EventKind::WindowWiped, EventKind::SensorReplaced];
        if parts.contains(&event.kind) && matches!(event.origin, Origin::Logged(_)) {
            edits.extend(moves(event, events, c));
        }
        if parts.contains(&event.kind) && !sleeve(event.day) {
            let change = Change::Add(Event { kind: EventKind::SleeveCleaned, ..*event });
            edits.push(Edit { change, ln_odds: forgotten });
        }
        edits.extend(never_cleaned(event, found, c));
        let reread = |kind, ln_odds| Edit { change: Change::Reread(event.origin, event.kind, kind), ln_odds };
        match (event.kind, event.origin) {
            (EventKind::SleeveCleaned, Origin::Step(place)) => {
                edits.push(reread(EventKind::WindowWiped, c.wiped_instead));
                let step = found.steps.get(place);
                if step.is_none_or(|step| step.ln_size > c.lamp_gain) {
                    edits.push(reread(EventKind::LampReplaced, lamp_unlogged(lamp_life(event.day - 1), c)));
                }
                if step.is_none_or(|step| step.lamp_off != Some(true)) {
                    edits.push(reread(EventKind::Shift, c.changed_instead));
                }
            }
            (EventKind::Shift, Origin::Step(place)) => {
                if found.steps.get(place).is_some_and(|step| step.ln_size > 0.0) {
                    edits.push(reread(EventKind::SleeveCleaned, c.cleaned_unseen));
                }
                edits.push(Edit { change: Change::Drop(*event), ln_odds: c.no_change });
            }
            _ => {}
        }
    }
    edits
}

/// The edit that says a logged cleaning never was, where the light rose by little or nothing. A new lamp is believed: its
/// hours and its dates hang on the entry.
fn never_cleaned(event: &Event, found: &StepsFound, c: &LogConstants) -> Option<Edit> {
    let Origin::Logged(place) = event.origin else { return None };
    let ln_odds = match (found.no_recovery.contains(&place), found.faint.contains(&place)) {
        (true, _) => c.not_cleaned,
        (false, true) => c.hardly_cleaned,
        (false, false) => return None,
    };
    (event.kind == EventKind::SleeveCleaned).then_some(Edit { change: Change::Drop(*event), ln_odds })
}

/// ln of the odds that a step up is a new lamp nobody logged, given the share of the old one's rated life.
fn lamp_unlogged(life: Option<f64>, c: &LogConstants) -> f64 {
    let young = life.map_or(0.0, |life| (1.0 - life / c.lamp_old).clamp(0.0, 1.0));
    c.lamp_unlogged + (c.young_lamp_unlogged - c.lamp_unlogged) * young
}

/// An entry may stand under another day than that of the work: those of other work nearby.
fn moves(event: &Event, events: &Events, c: &LogConstants) -> Vec<Edit> {
    let apart = |day: i32| (day - event.day).abs();
    let mut days: Vec<i32> = events.list.iter().map(|other| other.day).filter(|day| *day > 0).collect();
    days.dedup();
    days.retain(|day| (1..=c.misdated_days).contains(&apart(*day)));
    days.sort_by_key(|day| apart(*day));
    days.truncate(c.most_moves);
    days.into_iter().map(|day| Edit { change: Change::Move(*event, day), ln_odds: c.misdated }).collect()
}

/// Other places to begin the search at. Where several entries are missing or wrong, no single edit looks likely while
/// the rest of the log stands: so all cleanings that may have been forgotten are taken at once, or all that the light
/// contradicts (cleanings after which it did not rise, steps up as cleanings nobody saw), or both.
pub fn starts(edits: &[Edit]) -> Vec<Vec<&Edit>> {
    let forgotten = |edit: &Edit| matches!(edit.change, Change::Add(_));
    let contradicted = |edit: &Edit| match edit.change {
        Change::Drop(event) => matches!(event.origin, Origin::Logged(_)),
        Change::Reread(_, EventKind::Shift, EventKind::SleeveCleaned) => true,
        _ => false,
    };
    let those = |keep: &dyn Fn(&Edit) -> bool| edits.iter().filter(|edit| keep(edit)).collect::<Vec<&Edit>>();
    let mut starts =
        vec![those(&forgotten), those(&contradicted), those(&|edit| forgotten(edit) || contradicted(edit))];
    starts.retain(|start| !start.is_empty());
    starts.dedup();
    starts
}

/// `events` with all of these edits.
pub fn with_all(events: &Events, edits: &[&Edit]) -> Events {
    edits.iter().fold(events.clone(), |events, edit| edit.apply(&events))
}

/// The readings worth carrying on, best first, each with ln of its odds beforehand. `taken`: the edits made to begin
/// with. `evidence` gives the log evidence of a reading, `None` where it cannot be had.
pub fn choose(
    events: &Events,
    edits: &[Edit],
    taken: &[&Edit],
    evidence: impl Fn(&Events) -> Option<f64>,
    constants: &LogConstants,
) -> Vec<(Events, f64)> {
    let base = with_all(events, taken);
    let odds = taken.iter().map(|edit| edit.ln_odds).sum();
    let Some(at) = evidence(&base) else { return vec![(base, odds)] };
    let mut search = Search { best: base, at, odds, settled: Vec::new(), open: Vec::new(), constants };
    search.try_without(taken, &evidence);
    let others = edits.iter().filter(|edit| !taken.contains(edit));
    let mut gains: Vec<(f64, &Edit)> =
        others.filter_map(|edit| search.gain_of(edit, &evidence).map(|gain| (gain, edit))).collect();
    gains.sort_by(|a, b| b.0.total_cmp(&a.0));
    search.try_each(&gains, &evidence);
    search.try_instead(&gains, &evidence);
    search.into_readings()
}

/// The best reading so far, and what is nearly even about it.
struct Search<'e> {
    best: Events,
    /// Its log evidence.
    at: f64,
    /// ln of its odds beforehand.
    odds: f64,
    /// The edits it has.
    settled: Vec<&'e Edit>,
    /// Edits that are nearly even: how nearly, and whether the best reading has them.
    open: Vec<(f64, &'e Edit, bool)>,
    constants: &'e LogConstants,
}

impl<'e> Search<'e> {
    fn gain_of(&self, edit: &Edit, evidence: impl Fn(&Events) -> Option<f64>) -> Option<f64> {
        evidence(&edit.apply(&self.best)).map(|after| after + edit.ln_odds - self.at)
    }

    /// Takes back the edits it began with that do not pay beside the others.
    fn try_without(&mut self, taken: &[&'e Edit], evidence: impl Fn(&Events) -> Option<f64>) {
        for edit in taken {
            let without = edit.undo(&self.best);
            let Some(after) = evidence(&without) else { continue };
            let gain = self.at - after + edit.ln_odds;
            if gain > 0.0 {
                self.settled.push(edit);
            } else {
                (self.best, self.at) = (without, after);
                self.odds -= edit.ln_odds;
            }
            if gain.abs() < self.constants.nearly_even {
                self.open.push((gain.abs(), edit, gain > 0.0));
            }
        }
    }

    /// Takes the edits that pay beside those taken before; `gains`: what each gains alone, greatest first.
    fn try_each(&mut self, gains: &[(f64, &'e Edit)], evidence: impl Fn(&Events) -> Option<f64>) {
        let mut first = true;
        for (alone, edit) in gains.iter().filter(|(gain, _)| *gain > -self.constants.nearly_even) {
            if self.settled.iter().any(|taken| taken.about() == edit.about()) {
                continue;
            }
            let gain = if first { Some(*alone) } else { self.gain_of(edit, &evidence) };
            let Some(gain) = gain else { continue };
            if gain > 0.0 {
                first = false;
                self.best = edit.apply(&self.best);
                self.at += gain - edit.ln_odds;
                self.odds += edit.ln_odds;
                self.settled.push(edit);
            }
            if gain.abs() < self.constants.nearly_even {
                self.open.push((gain.abs(), edit, gain > 0.0));
            }
        }
    }

    /// What looked best alone need not be best beside the others: the other readings of the same event once more.
    fn try_instead(&mut self, gains: &[(f64, &'e Edit)], evidence: impl Fn(&Events) -> Option<f64>) {
        for (_, edit) in gains.iter().filter(|(gain, _)| *gain > 0.0) {
            let same = |taken: &&Edit| *taken != *edit && taken.about() == edit.about();
            let Some(place) = self.settled.iter().position(same) else { continue };
            let taken = self.settled[place];
            let Some(other) = taken.instead(edit, &self.best) else { continue };
            let Some(after) = evidence(&other) else { continue };
            let change = edit.ln_odds - taken.ln_odds;
            if after + change > self.at {
                (self.best, self.at) = (other, after);
                self.odds += change;
                self.settled[place] = edit;
                self.open.retain(|(_, open, _)| open.about() != edit.about());
            }
        }
    }

    /// The best reading and those that differ from it in one edit that is nearly even.
    fn into_readings(mut self) -> Vec<(Events, f64)> {
        self.open.sort_by(|a, b| a.0.total_cmp(&b.0));
        let Self { best, odds, open, constants, .. } = self;
        let others = open.iter().take(constants.most_readings.saturating_sub(1)).map(|(_, edit, taken)| {
            if *taken { (edit.undo(&best), odds - edit.ln_odds) } else { (edit.apply(&best), odds + edit.ln_odds) }
        });
        std::iter::once((best.clone(), odds)).chain(others).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::steps::Step;

    fn event(day: i32, kind: EventKind, origin: Origin) -> Event {
        Event { day, kind, origin }
    }

    /// Evidence made up by hand: +10 for a cleaning on day 50, +1 for none on day 80.
    #[test]
    fn edits_are_taken_while_they_pay() {
        let lamp = event(50, EventKind::LampReplaced, Origin::Logged(0));
        let dubious = event(80, EventKind::SleeveCleaned, Origin::Logged(1));
        let base = Events::default().with(lamp).with(dubious);
        let found = StepsFound { no_recovery: vec![1], ..StepsFound::default() };
        let edits = doubts(&base, &found, |_| None, &LogConstants::default());
        assert_eq!(edits.len(), 2);
        let has = |events: &Events, day| events.list.iter().any(|e| e.day == day && e.kind == EventKind::SleeveCleaned);
        let evidence =
            |events: &Events| Some(if has(events, 50) { 10.0 } else { 0.0 } + if has(events, 80) { 0.0 } else { 1.5 });
        let readings = choose(&base, &edits, &[], evidence, &LogConstants::default());
        assert!(has(&readings[0].0, 50) && !has(&readings[0].0, 80));
        assert!((readings[0].1 + 1.5).abs() < 1e-12, "odds add up");
        // That it was a cleaning all the same is nearly even, and stays among the readings.
        let with_both = readings.iter().find(|(events, _)| has(events, 50) && has(events, 80));
        assert!(with_both.is_some_and(|(_, odds)| (odds + 0.5).abs() < 1e-12), "{readings:?}");
    }

    /// A cleaning is doubted where the light did not rise, a little less where it hardly did, and not where it did; a new
    /// lamp is not.
    #[test]
    fn a_cleaning_may_never_have_been() {
        let base = Events::default().with(event(50, EventKind::SleeveCleaned, Origin::Logged(0))).with(event(
            90,
            EventKind::LampReplaced,
            Origin::Logged(1),
        ));
        let odds = |found: StepsFound, place: usize| {
            let of = |edit: &Edit| matches!(edit.change, Change::Drop(Event { origin: Origin::Logged(p), .. }) if p == place);
            doubts(&base, &found, |_| None, &LogConstants::default()).into_iter().find(of).map(|edit| edit.ln_odds)
        };
        let silent = || StepsFound { no_recovery: vec![0, 1], ..StepsFound::default() };
        let faint = || StepsFound { faint: vec![0, 1], ..StepsFound::default() };
        assert_eq!([odds(silent(), 0), odds(faint(), 0)], [Some(-1.0), Some(-2.0)]);
        assert_eq!([odds(silent(), 1), odds(faint(), 1), odds(StepsFound::default(), 0)], [None; 3]);
    }

    /// +20 for cleanings on both days, -5 for one alone: neither is found from a log with none, both are kept, and one
    /// that does not pay is taken out again.
    #[test]
    fn what_only_pays_together_is_found_from_the_fuller_log() {
        let base = Events::default()
            .with(event(50, EventKind::WindowWiped, Origin::Logged(0)))
            .with(event(90, EventKind::WindowWiped, Origin::Logged(1)))
            .with(event(130, EventKind::WindowWiped, Origin::Logged(2)));
        let edits = doubts(&base, &StepsFound::default(), |_| None, &LogConstants::default());
        let cleaned = |events: &Events| {
            [50, 90, 130].map(|day| events.list.iter().any(|e| e.day == day && e.kind == EventKind::SleeveCleaned))
        };
        let evidence = |events: &Events| {
            let [first, second, third] = cleaned(events);
            let pair = match (first, second) {
                (true, true) => 20.0,
                (false, false) => 0.0,
                _ => -5.0,
            };
            Some(pair - if third { 10.0 } else { 0.0 })
        };
        assert_eq!(cleaned(&choose(&base, &edits, &[], evidence, &LogConstants::default())[0].0), [false; 3]);
        let (best, odds) = choose(&base, &edits, &starts(&edits)[0], evidence, &LogConstants::default()).swap_remove(0);
        assert_eq!(cleaned(&best), [true, true, false]);
        assert!((odds - 2.0 * -2.0).abs() < 1e-12);
    }

    /// A wipe written down ten days before the cleaning it went with: +8 where both are on one day.
    #[test]
    fn an_entry_may_stand_under_another_day() {
        let wipe = event(40, EventKind::WindowWiped, Origin::Logged(0));
        let base = Events::default().with(wipe).with(event(50, EventKind::SleeveCleaned, Origin::Logged(1)));
        let edits = doubts(&base, &StepsFound::default(), |_| None, &LogConstants::default());
        assert!(edits.iter().any(|edit| edit.change == Change::Move(wipe, 50)), "{edits:?}");
        let together = |events: &Events| events.list.iter().all(|e| e.day == 50) && events.list.len() == 2;
        let readings = choose(
            &base,
            &edits,
            &[],
            |events| Some(if together(events) { 8.0 } else { 0.0 }),
            &LogConstants::default(),
        );
        assert!(together(&readings[0].0) && (readings[0].1 + 2.5).abs() < 1e-12, "{readings:?}");
        // Where it is nearly even, the logged day stays among the readings.
        let readings = choose(
            &base,
            &edits,
            &[],
            |events| Some(if together(events) { 4.0 } else { 0.0 }),
            &LogConstants::default(),
        );
        assert!(together(&readings[0].0) && readings.iter().any(|(events, _)| *events == base), "{readings:?}");
        let far = Events::default().with(wipe).with(event(70, EventKind::SleeveCleaned, Origin::Logged(1)));
        let moved = |edit: &Edit| matches!(edit.change, Change::Move(..));
        assert!(!doubts(&far, &StepsFound::default(), |_| None, &LogConstants::default()).iter().any(moved));
    }

    /// A step up is a new lamp the less likely the newer the old one was; one that came with the lamp on may be a clean
    /// sleeve all the same, one down may not.
    #[test]
    fn what_a_step_may_have_been() {
        let step = |ln_size: f64, lamp_off: bool| Step {
            date: jiff::civil::date(2025, 5, 1),
            ln_size,
            z: 20.0,
            lamp_reset: false,
            slow: false,
            lamp_off: Some(lamp_off),
        };
        let odds = |step: Step, life: Option<f64>, to: EventKind| {
            let kind = crate::analysis::events::usual_reading(&step);
            let base = Events::default().with(event(50, kind, Origin::Step(0)));
            let found = StepsFound { steps: vec![step], ..StepsFound::default() };
            let is_it = |edit: &Edit| matches!(edit.change, Change::Reread(_, _, kind) if kind == to);
            doubts(&base, &found, |_| life, &LogConstants::default()).into_iter().find(is_it).map(|edit| edit.ln_odds)
        };
        let lamp = |life| odds(step(0.2, true), life, EventKind::LampReplaced).unwrap();
        assert_eq!((lamp(None), lamp(Some(1.1)), lamp(Some(0.0))), (-3.0, -3.0, -5.5));
        assert!((-5.5..-3.0).contains(&lamp(Some(0.35))));
        assert_eq!(odds(step(0.2, false), None, EventKind::SleeveCleaned), Some(-2.0));
        assert_eq!(odds(step(-0.2, false), None, EventKind::SleeveCleaned), None);
    }

    #[test]
    fn what_is_nearly_even_is_kept_both_ways() {
        let base = Events::default().with(event(50, EventKind::SleeveCleaned, Origin::Step(0)));
        let edits = doubts(&base, &StepsFound::default(), |_| None, &LogConstants::default());
        let wiped = |events: &Events| events.list[0].kind == EventKind::WindowWiped;
        let readings =
            choose(&base, &edits, &[], |events| Some(if wiped(events) { 1.0 } else { 0.0 }), &LogConstants::default());
        assert_eq!(readings.len(), 3);
        assert!(!wiped(&readings[0].0) && wiped(&readings[1].0));
    }
}
