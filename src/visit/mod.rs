//! A visit: what each step gave, against what was expected, and what to do next. PURE: values in, advice out.
//!
//! The visit is read from the logbook and the readings each time it is looked at, so two technicians, a reload and a
//! visit entered afterwards all see the same. What was expected is written into the note of the entry that starts the
//! visit, because the assessment changes with every entry.

pub mod settle;
pub mod steps;

use crate::domain::assessment::Cause;
use crate::domain::{Assessment, ServiceAction, ServiceEntry, Timestamp};
use crate::query::dossier::Sample;

use settle::{Watch, watch};

/// The three steps whose gain the assessment foresees, in the order that tells most: what is cheapest to undo and
/// hides least comes first.
pub const STEPS: [ServiceAction; 3] =
    [ServiceAction::SensorCleaned, ServiceAction::SleeveCleaned, ServiceAction::LampReplaced];
/// A gain under this is not worth a step of its own, percent (our choice: the spread of a good sensor).
const WORTH_PERCENT: f64 = 3.0;
/// Written before the expectations in the note that starts a visit.
const EXPECTED: &str = "expected: ";
/// Written before a step that was passed over.
pub const PASSED: &str = "not done: ";

/// What a step is expected to give, percent of the light before it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expected {
    /// Which step.
    pub action: ServiceAction,
    /// Median.
    pub gain: f64,
    /// 10 % quantile.
    pub low: f64,
    /// 90 % quantile.
    pub high: f64,
}

/// How a step's gain compares.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Judgement {
    /// As much as was expected.
    Borne,
    /// Some of it.
    Partly,
    /// Next to nothing of it: this was not the cause.
    NotIt,
    /// Little was expected, and little came.
    Little,
    /// Less light than before.
    Worse,
    /// More than was expected.
    More,
}

/// A step that was done.
#[derive(Clone, Debug, PartialEq)]
pub struct Done {
    /// The entry.
    pub entry: ServiceEntry,
    /// What was expected, if anything.
    pub expected: Option<Expected>,
    /// How the reading went after it.
    pub watch: Watch,
    /// What it gave, percent; `None` while unsettled.
    pub credit: Option<f64>,
    /// Steps before it that had not settled and are in the same credit.
    pub together: usize,
    /// Against what was expected.
    pub judgement: Option<Judgement>,
}

/// A visit as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Visit {
    /// When it began.
    pub started: Timestamp,
    /// Who came.
    pub by: Option<String>,
    /// When it ended, if it has.
    pub ended: Option<Timestamp>,
    /// What was written down at the end: parts used, what is worth knowing.
    pub remark: Option<String>,
    /// Light before.
    pub before: Option<f64>,
    /// Light now or at the end, settled.
    pub after: Option<f64>,
    /// What was foreseen at the start.
    pub expected: Vec<Expected>,
    /// Steps in the order they were done.
    pub done: Vec<Done>,
    /// Steps passed over.
    pub passed: Vec<ServiceAction>,
    /// The step that tells most now.
    pub next: Option<ServiceAction>,
    /// The next sensible thing, in a sentence.
    pub advice: String,
}

impl Visit {
    /// What the visit gave, percent.
    pub fn gain(&self) -> Option<f64> {
        Some(percent(self.before?, self.after?))
    }

    /// How many times a step was done in it.
    pub fn count(&self, action: ServiceAction) -> usize {
        self.done.iter().filter(|done| done.entry.action == action).count()
    }

    /// One line for the logbook.
    pub fn summary(&self, unit: &str) -> String {
        let light = match (self.before, self.after) {
            (Some(before), Some(after)) => {
                format!("light before {before:.1}, after {after:.1} {unit} ({:+.1} %)", percent(before, after))
            }
            (_, Some(after)) => format!("light after {after:.1} {unit}; before not known"),
            _ => "light after the visit not settled".to_owned(),
        };
        let credit = |done: &Done| match done.credit {
            Some(credit) => format!("{} {credit:+.1} %", done.entry.action),
            None => format!("{} not told apart", done.entry.action),
        };
        let steps: Vec<String> = self.done.iter().map(credit).collect();
        if steps.is_empty() { light } else { format!("{light}; {}", steps.join(", ")) }
    }
}

/// What the steps are expected to give, by the assessment before the visit.
pub fn expectations(said: &Assessment) -> Vec<Expected> {
    let causes = said.loss.as_ref().map_or(&[][..], |loss| &loss.causes);
    let find = |cause| causes.iter().find(|loss| loss.cause == cause);
    let gain = |lost: f64| 100.0 * (1.0 / (1.0 - lost.clamp(-50.0, 95.0) / 100.0) - 1.0);
    let of = |action, cause, other| {
        let loss = find(cause).or_else(|| find(other))?;
        Some(Expected { action, gain: gain(loss.percent), low: gain(loss.low), high: gain(loss.high) })
    };
    [
        of(ServiceAction::SensorCleaned, Cause::SensorDrift, Cause::LampOrSensor),
        of(ServiceAction::SleeveCleaned, Cause::SleeveFouling, Cause::SleeveFouling),
        of(ServiceAction::LampReplaced, Cause::LampAgeing, Cause::LampOrSensor),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// The note of the entry that starts a visit: what is expected, so that it stands although the assessment changes.
pub fn start_note(expected: &[Expected]) -> String {
    let of = |e: &Expected| format!("{} {:.1} ({:.1} to {:.1}) %", e.action, e.gain, e.low, e.high);
    format!("{EXPECTED}{}", expected.iter().map(of).collect::<Vec<_>>().join(", "))
}

/// What stands in such a note.
pub fn read_note(note: &str) -> Vec<Expected> {
    let Some((_, list)) = note.split_once(EXPECTED) else { return Vec::new() };
    let one = |part: &str| {
        let mut words = part.split([' ', '(', ')']).filter(|word| !word.is_empty());
        let action = words.next()?.parse().ok()?;
        let numbers: Vec<f64> = words.filter_map(|word| word.parse().ok()).collect();
        let [gain, low, high] = numbers[..] else { return None };
        Some(Expected { action, gain, low, high })
    };
    list.lines().next().unwrap_or_default().split(", ").filter_map(one).collect()
}

/// The last visit in a log, if there was one. `log` and `samples` ascending.
pub fn read(log: &[ServiceEntry], samples: &[Sample], settle_with: Option<ServiceAction>) -> Option<Visit> {
    let start = log.iter().rfind(|entry| entry.action == ServiceAction::VisitStarted)?;
    let within = |entry: &&ServiceEntry| entry.at >= start.at && **entry != *start;
    let end = log.iter().filter(within).find(|e| e.action == ServiceAction::VisitEnded);
    let ended = end.map(|e| e.at);
    let entries: Vec<&ServiceEntry> =
        log.iter().filter(within).filter(|e| ended.is_none_or(|end| e.at <= end)).collect();
    let expected = start.note.as_deref().map(read_note).unwrap_or_default();
    let before = settle::level_before(samples, start.at);
    let acts: Vec<&ServiceEntry> = entries.iter().copied().filter(|e| changes_light(e.action)).collect();
    let until = ended.unwrap_or(Timestamp::MAX);
    let done = credit(&acts, samples, before, &expected, until);
    let after = done.iter().rev().find_map(|done| done.watch.level()).or(if done.is_empty() { before } else { None });
    let passed = entries.iter().filter_map(|e| e.note.as_deref()?.strip_prefix(PASSED)?.parse().ok()).collect();
    let mut visit = Visit {
        started: start.at,
        by: start.by.clone(),
        ended,
        remark: end.and_then(remark),
        before,
        after,
        expected,
        done,
        passed,
        next: None,
        advice: String::new(),
    };
    (visit.next, visit.advice) = advise(&visit, settle_with);
    Some(visit)
}

/// What follows the summary in the note that ends a visit.
fn remark(end: &ServiceEntry) -> Option<String> {
    end.note.as_deref()?.split_once('\n').map(|(_summary, remark)| remark.to_owned())
}

fn changes_light(action: ServiceAction) -> bool {
    STEPS.contains(&action) || matches!(action, ServiceAction::SleeveReplaced | ServiceAction::SensorReplaced)
}

fn credit(
    acts: &[&ServiceEntry],
    samples: &[Sample],
    before: Option<f64>,
    expected: &[Expected],
    until: Timestamp,
) -> Vec<Done> {
    let mut level = before;
    let mut together = 0;
    let mut done = Vec::new();
    for (i, entry) in acts.iter().enumerate() {
        let end = acts.get(i + 1).map_or(until, |next| next.at);
        let watch = watch(samples, entry.at, end, before);
        let foreseen = expected.iter().find(|e| e.action == entry.action).copied();
        let credit = watch.level().zip(level).map(|(after, before)| percent(before, after));
        let judgement = credit.zip(foreseen).filter(|_| together == 0).map(|(credit, e)| judge(credit, &e));
        done.push(Done { entry: (*entry).clone(), expected: foreseen, watch, credit, together, judgement });
        match watch.level() {
            Some(settled) => (level, together) = (Some(settled), 0),
            None => together += 1,
        }
    }
    done
}

fn percent(before: f64, after: f64) -> f64 {
    100.0 * (after / before - 1.0)
}

fn judge(credit: f64, expected: &Expected) -> Judgement {
    if credit < -WORTH_PERCENT {
        Judgement::Worse
    } else if credit > expected.high.max(expected.gain) + WORTH_PERCENT {
        Judgement::More
    } else if expected.gain < WORTH_PERCENT {
        Judgement::Little
    } else if credit >= expected.low.max(0.5 * expected.gain) {
        Judgement::Borne
    } else if credit >= 0.25 * expected.gain {
        Judgement::Partly
    } else {
        Judgement::NotIt
    }
}

fn advise(visit: &Visit, settle_with: Option<ServiceAction>) -> (Option<ServiceAction>, String) {
    let next = next_step(visit, settle_with);
    let go_on = match next {
        Some(action) => format!("go on with {}", steps::place(action)),
        None => "end the visit".to_owned(),
    };
    let Some(last) = visit.done.last() else {
        return (next, next.map_or(go_on, |action| format!("begin with {}", steps::place(action))));
    };
    let what = steps::deed(last.entry.action);
    let Some(credit) = last.credit else {
        return (next, format!("{what} is done; wait until the reading has settled: {}", last.watch.says()));
    };
    let gave = match last.expected {
        Some(e) => format!("{what} gave {credit:.1} %, expected {:.1} % ({:.1} to {:.1})", e.gain, e.low, e.high),
        None => format!("{what} gave {credit:.1} %"),
    };
    let place = steps::place(last.entry.action);
    let meaning = match last.judgement {
        _ if last.together > 0 => "together with the step before, which had not settled".to_owned(),
        Some(Judgement::NotIt) => format!("{place} was not it"),
        Some(Judgement::Borne) => format!("{place} was it"),
        Some(Judgement::Partly) => format!("{place} was part of it"),
        Some(Judgement::Little) => "about as little as expected".to_owned(),
        Some(Judgement::More) => "more than expected".to_owned(),
        Some(Judgement::Worse) => {
            return (next, format!("{gave}: less light than before; look at the last step again before you go on"));
        }
        None => "nothing had been foreseen for it".to_owned(),
    };
    (next, format!("{gave}: {meaning}; {go_on}"))
}

/// The step that tells most of those left and worth it.
fn next_step(visit: &Visit, settle_with: Option<ServiceAction>) -> Option<ServiceAction> {
    let left = |action: &ServiceAction| {
        !visit.done.iter().any(|done| done.entry.action == *action) && !visit.passed.contains(action)
    };
    let hope = |action: ServiceAction| visit.expected.iter().find(|e| e.action == action);
    // A step that has given less than was expected leaves its cause to the others.
    let missed: f64 = visit
        .done
        .iter()
        .filter(|done| matches!(done.judgement, Some(Judgement::NotIt | Judgement::Partly)))
        .filter_map(|done| Some(done.expected?.gain - done.credit?))
        .sum();
    let worth = |action: &ServiceAction| match (*action, hope(*action)) {
        (_, None) => visit.expected.is_empty(),
        (ServiceAction::LampReplaced, Some(e)) => e.gain >= 2.0 * WORTH_PERCENT || missed >= 2.0 * WORTH_PERCENT,
        (_, Some(e)) => e.high >= WORTH_PERCENT || missed >= WORTH_PERCENT,
    };
    let first = settle_with.filter(|action| STEPS.contains(action) && visit.done.is_empty());
    first.into_iter().chain(STEPS).find(|action| left(action) && worth(action))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::time::MINUTE;

    fn start() -> Timestamp {
        "2026-08-14T08:00:00Z".parse().unwrap()
    }

    fn at(minutes: i64) -> Timestamp {
        start().plus_millis(minutes * MINUTE)
    }

    /// A reading a minute from an hour before on: levels from given minutes on, dark in the five minutes after each.
    fn samples(levels: &[(i64, f64)], until: i64) -> Vec<Sample> {
        let level = |m: i64| levels.iter().rev().find(|(from, _)| *from <= m).copied().unwrap();
        (-60..until)
            .map(|m| {
                let (from, intensity) = level(m);
                let dark = m - from < 5 && from >= 0;
                Sample { at: at(m), intensity: if dark { 0.0 } else { intensity }, lamp_on: None }
            })
            .collect()
    }

    fn log(steps: &[(i64, ServiceAction)]) -> Vec<ServiceEntry> {
        let expected = [
            (ServiceAction::SensorCleaned, 6.0),
            (ServiceAction::SleeveCleaned, 20.0),
            (ServiceAction::LampReplaced, 4.0),
        ];
        let expected = expected.map(|(action, gain)| Expected { action, gain, low: gain * 0.5, high: gain * 1.5 });
        let begun = ServiceEntry {
            note: Some(start_note(&expected)),
            ..ServiceEntry::new(start(), ServiceAction::VisitStarted)
        };
        let steps = steps.iter().map(|(minute, action)| ServiceEntry::new(at(*minute), *action));
        std::iter::once(begun).chain(steps).collect()
    }

    #[test]
    fn what_was_expected_survives_the_note() {
        let expected = [Expected { action: ServiceAction::SleeveCleaned, gain: 13.8, low: -1.5, high: 15.3 }];
        assert_eq!(read_note(&start_note(&expected)), expected);
        assert_eq!(read_note("expected: nonsense 1 2, sleeve-cleaned x"), []);
    }

    #[test]
    fn each_step_gets_its_own_credit_and_the_next_sensible_thing() {
        let readings = samples(&[(-60, 10.0), (10, 10.1), (30, 12.12)], 60);
        let wiped =
            read(&log(&[(10, ServiceAction::SensorCleaned)]), &samples(&[(-60, 10.0), (10, 10.1)], 30), None).unwrap();
        assert_eq!(wiped.next, Some(ServiceAction::SleeveCleaned));
        assert_eq!(
            wiped.advice,
            "the wipe gave 1.0 %, expected 6.0 % (3.0 to 9.0): the window was not it; go on with the sleeve"
        );
        let both = [(10, ServiceAction::SensorCleaned), (30, ServiceAction::SleeveCleaned)];
        let visit = read(&log(&both), &readings, None).unwrap();
        let credits: Vec<f64> = visit.done.iter().map(|d| (d.credit.unwrap() * 10.0).round() / 10.0).collect();
        assert_eq!((credits, visit.next), (vec![1.0, 20.0], None));
        assert_eq!(
            visit.summary("mW/cm2"),
            "light before 10.0, after 12.1 mW/cm2 (+21.2 %); sensor-cleaned +1.0 %, sleeve-cleaned +20.0 %"
        );
    }

    #[test]
    fn a_step_that_has_not_settled_gets_no_credit_of_its_own() {
        let steps = [(10, ServiceAction::SensorCleaned), (14, ServiceAction::SleeveCleaned)];
        let visit = read(&log(&steps), &samples(&[(-60, 10.0), (10, 12.0)], 40), None).unwrap();
        assert_eq!((visit.done[0].credit, visit.done[1].together), (None, 1));
        assert!((visit.done[1].credit.unwrap() - 20.0).abs() < 1e-9);
        assert!(visit.advice.contains("together with the step before"), "{}", visit.advice);
        let young = read(&log(&steps[..1]), &samples(&[(-60, 10.0), (10, 12.0)], 17), None).unwrap();
        assert!(young.advice.contains("wait until the reading has settled"), "{}", young.advice);
    }

    #[test]
    fn the_step_that_settles_most_comes_first_and_a_passed_one_is_not_asked_again() {
        let mut entries = log(&[]);
        let first = |entries: &[ServiceEntry], with| read(entries, &samples(&[(-60, 10.0)], 10), with).unwrap().next;
        assert_eq!(first(&entries, None), Some(ServiceAction::SensorCleaned));
        assert_eq!(first(&entries, Some(ServiceAction::SleeveCleaned)), Some(ServiceAction::SleeveCleaned));
        entries.push(ServiceEntry {
            note: Some(format!("{PASSED}sensor-cleaned")),
            ..ServiceEntry::new(at(5), ServiceAction::Note)
        });
        assert_eq!(first(&entries, None), Some(ServiceAction::SleeveCleaned));
        assert!(read(&[], &[], None).is_none());
    }
}
