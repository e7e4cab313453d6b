//! The assessment of a unit at an instant.
//!
//! Nothing after the instant goes in: the log and the latest reading are cut at it, and of the days only those that
//! were over by then count. A day that has begun is left out whole, because its summary may hold readings from after
//! the instant; the latest reading and the condition are those of the instant itself.

use jiff::civil::Date;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;

use super::causes::{self, Scene, Tested};
use super::condition::{Facts, condition, log_state, service_by};
use super::constants::{ForecastConstants, ModelConstants};
use super::course::{Course, median, quantile_sorted};
use super::design::Design;
use super::episodes;
use super::events::{self, Event, EventKind, Events, Origin};
use super::forecast::{self, Ahead};
use super::growth::Growth;
use super::lamps::{LEAST_RATED_HOURS, Lamps};
use super::model::{self, Fitted, Observed, Problem, Variant};
use super::readings;
use super::retrace as past;
use super::shifts::Shifts;
use super::steps::{self, StepsFound};
use super::structures::Setting;
use super::water::{self, WaterChange};
use super::{Constants, History, parts};
use crate::domain::assessment::{
    ASSESSMENT_SCHEMA, Episode, Forecast, LatestReading, Likely, LogDoubt, Loss, PartLife, ReadingCounts, StepKind,
    UnloggedStep, Verdict,
};
use crate::domain::{
    Assessment, Channel, Condition, DaySummary, FittedDay, ServiceAction, ServiceEntry, Timestamp, UnitId, UnitSpec,
    VerdictCause,
};

/// A kind of growth this many nats behind the best is not carried on.
const GROWTH_WINDOW: f64 = 4.0;

/// Losses from before the first reading are weighed where they gain at least this much evidence, nats: two in a hundred
/// units that show none.
const BEFORE_MATTERS: f64 = 0.02;

/// What Fadeline says about a unit at `as_of`. Never fails: too little or unusable data is an answer too.
pub fn assess(history: &History<'_>, as_of: Timestamp, constants: &Constants) -> Assessment {
    let history = until(history, as_of);
    let constants = &*constants.for_unit(history.spec);
    let found = find(&history, constants);
    assess_found(&history, as_of, constants, found)
}

/// The days behind `as_of` as the fit of [`assess`] explains them; empty where there is too little data.
pub fn retrace(history: &History<'_>, as_of: Timestamp, constants: &Constants) -> Vec<FittedDay> {
    let history = until(history, as_of);
    let constants = &*constants.for_unit(history.spec);
    let Found { steps: found, episodes, .. } = find(&history, constants);
    let enough = |course: &Course| course.days.len() >= constants.model.least_days;
    let Some(course) = Course::new(&history, as_of, &constants.model).filter(enough) else { return Vec::new() };
    let events = Events::new(&history, &course, as_of, &found);
    let mut rng = ChaCha8Rng::seed_from_u64(seed(&history.spec.id, course.date(course.today)));
    let fitted = fit(&history, constants, &course, (&events, &found), &episodes, &mut rng);
    fitted.map_or_else(Vec::new, |(fitted, events)| {
        let shifts = shifts(&events, &course, history.spec, constants);
        // As in the assessment: the same draws, so the chart and the table agree.
        let impossible = causes::impossible(&causes::losses(&fitted, &course, &shifts, &mut rng), &constants.forecast);
        past::retrace(&fitted, &course, &shifts, impossible)
    })
}

/// What was known at `as_of`.
fn until<'a>(history: &History<'a>, as_of: Timestamp) -> History<'a> {
    let today = as_of.date_in(&history.spec.zone);
    History {
        days: &history.days[..history.days.partition_point(|day| day.date < today)],
        log: &history.log[..history.log.partition_point(|entry| entry.at <= as_of)],
        latest: history.latest.filter(|latest| latest.at <= as_of),
        ..*history
    }
}

/// What is found in the days before anything is fitted.
struct Found {
    /// Steps in the light.
    steps: StepsFound,
    /// Lasting changes of the measured transmittance, which are in no step.
    water: Vec<WaterChange>,
    episodes: Vec<Episode>,
}

fn find(history: &History<'_>, constants: &Constants) -> Found {
    let mut found = steps::find(history.days, history.log, history.spec, &constants.steps);
    let work = history.log.iter().map(|entry| entry.at.date_in(&history.spec.zone));
    let resets: Vec<Date> =
        work.chain(found.snapped.iter().map(|s| s.used)).chain(found.steps.iter().map(|s| s.date)).collect();
    let episodes = episodes::find(history.days, &resets, history.spec, &constants.episodes);
    found.faint.extend(hidden(history, &episodes).filter(|place| !found.no_recovery.contains(place)));
    let path_cm = history.spec.sensor.path_cm.unwrap_or(constants.model.path_cm.mean);
    Found { water: water::find(history.days, path_cm, &constants.water), steps: found, episodes }
}

/// Cleanings in the log (by place) that fall into an episode or on the day after: that the light rose there may be the
/// water's doing.
fn hidden(history: &History<'_>, episodes: &[Episode]) -> impl Iterator<Item = usize> {
    let zone = &history.spec.zone;
    let within = |entry: &ServiceEntry| {
        let day = entry.at.date_in(zone);
        let begun = |e: &&Episode| e.from.date_in(zone) <= day;
        episodes.iter().filter(begun).any(|e| (day - e.to.date_in(zone)).get_days() <= 1)
    };
    let cleaned = |entry: &ServiceEntry| entry.action == ServiceAction::SleeveCleaned;
    let all = history.log.iter().enumerate();
    all.filter(move |(_, entry)| cleaned(entry) && within(entry)).map(|(place, _)| place)
}

/// The assessment given the steps and episodes found in the days.
fn assess_found(history: &History<'_>, as_of: Timestamp, constants: &Constants, found: Found) -> Assessment {
    let spec = history.spec;
    let course = Course::new(history, as_of, &constants.model);
    let events = course.as_ref().map(|course| Events::new(history, course, as_of, &found.steps)).unwrap_or_default();
    let answer = course
        .as_ref()
        .filter(|course| course.days.len() >= constants.model.least_days)
        .and_then(|course| Answer::new(history, as_of, constants, course, (&events, &found.steps), &found.episodes));
    let learning = answer.is_none();
    let answer = answer.unwrap_or_else(|| {
        Answer::learning(history, as_of, course.as_ref().map(|course| (course, &events)), constants)
    });
    let read = answer.read.as_ref().zip(course.as_ref());
    let (unlogged, log_doubts) = (unlogged(&found, read), log_doubts(history, &found.steps, read));
    let forecast = forecast_of(spec, &answer, as_of, &constants.forecast);
    let condition = condition(
        &Facts {
            spec,
            log: log_state(history.log, as_of),
            latest: history.latest.as_ref(),
            cadence_millis: history.cadence_millis,
            learning,
            service_by: service_by(&forecast, as_of.date_in(&spec.zone), constants.forecast.lead_days),
            falling: answer.ahead.falling,
            lead_days: constants.forecast.lead_days,
        },
        as_of,
    );
    Assessment {
        schema: ASSESSMENT_SCHEMA.to_owned(),
        site: spec.id.site().to_owned(),
        unit: spec.id.unit().to_owned(),
        as_of,
        condition,
        reading: latest_reading(history),
        loss: answer.loss,
        cautions: cautions(condition, &answer.verdict, answer.ahead.after_cleaning.map(|after| after.enough)),
        verdict: answer.verdict,
        forecast,
        unlogged,
        log_doubts,
        episodes: found.episodes,
        parts: answer.parts,
        readings: counts(history.days),
    }
}

/// What the model has to say.
struct Answer {
    loss: Option<Loss>,
    verdict: Verdict,
    ahead: Ahead,
    parts: Vec<PartLife>,
    /// `None` without a fit.
    read: Option<Read>,
}

/// How the fit reads what happened.
struct Read {
    events: Events,
    /// Cleanings in the log that are taken never to have been, by their place in it.
    disbelieved: Vec<usize>,
    shifts: Shifts,
}

impl Answer {
    fn new(
        history: &History<'_>,
        as_of: Timestamp,
        constants: &Constants,
        course: &Course,
        (events, found): (&Events, &StepsFound),
        episodes: &[Episode],
    ) -> Option<Self> {
        let (spec, c) = (history.spec, constants);
        let mut rng = ChaCha8Rng::seed_from_u64(seed(&spec.id, course.date(course.today)));
        let tested = Tested::by(events);
        let logged = events;
        let (fitted, events) = fit(history, constants, course, (logged, found), episodes, &mut rng)?;
        let disbelieved = disbelieved(logged, &events);
        let shifts = shifts(&events, course, spec, c);
        let losses = causes::losses(&fitted, course, &shifts, &mut rng);
        let impossible = causes::impossible(&losses, &c.forecast);
        let losses = if impossible { causes::of_no_cause(&losses) } else { losses };
        let drowned = causes::drowned(&fitted, &losses, &c.forecast);
        let lately = forecast::last_week(course, &fitted, c.forecast.mean_days, clouded(episodes, course, spec));
        let fits = (&fitted, losses.as_slice());
        let ahead = forecast::ahead(fits, (course, &lately), spec.set_point, c, &mut rng);
        let ahead = match (drowned, impossible) {
            // A date from noise would be no date.
            (Some(_), _) => Ahead::default(),
            // The light falls as it falls; what work would bring back is not known.
            (None, true) => Ahead { lamp_by_light: None, sensor_by_drift: None, after_cleaning: None, ..ahead },
            (None, false) => ahead,
        };
        let scene = Scene { fitted: &fitted, course, falling: ahead.falling, tested, constants: &c.forecast };
        let verdict = match drowned {
            Some(day_sd) => causes::drowned_verdict(day_sd),
            None if impossible => causes::impossible_verdict(),
            None => causes::verdict(&losses, &scene),
        };
        let (total, known) = causes::shares(&losses);
        let causes = if impossible { causes::left_open(total, known) } else { known };
        let design = &fitted.variants[0].design;
        let (lamps, now) = (design.lamps(), design.now);
        let since = spec.lamp.installed.unwrap_or(Timestamp::MAX).min(Timestamp::day_start(course.first, &spec.zone));
        Some(Self {
            loss: Some(Loss { since, total, causes }),
            verdict,
            ahead,
            parts: parts::parts(spec, history.log, as_of, lamps.known_hours(now), lamps.pace()),
            read: Some(Read { events, disbelieved, shifts }),
        })
    }

    /// The answer with too little data.
    fn learning(history: &History<'_>, as_of: Timestamp, course: Option<(&Course, &Events)>, c: &Constants) -> Self {
        let days = course.map_or(0, |(course, _)| course.days.len());
        let (hours, pace) = course.map_or_else(
            || (history.days.iter().rev().find_map(|day| day.lamp_hours).or(history.spec.lamp.hours_at_start), 1.0),
            |(course, events)| {
                let lamps = Lamps::new(course, history.spec, events, c.model.ages(history.spec).lamp.mean);
                (lamps.known_hours(events.now(course)), lamps.pace())
            },
        );
        let needs = c.model.least_days;
        Self {
            loss: None,
            verdict: Verdict {
                cause: VerdictCause::Unsettled,
                probability: None,
                says: format!(
                    "Learning: {days} {} of usable readings, needs {needs}.",
                    if days == 1 { "day" } else { "days" }
                ),
                settle_with: None,
            },
            read: None,
            ahead: Ahead::default(),
            parts: parts::parts(history.spec, history.log, as_of, hours, pace),
        }
    }
}

/// The cleanings in the log that the events as they are `believed` lack.
fn disbelieved(logged: &Events, believed: &Events) -> Vec<usize> {
    let cleanings = logged.list.iter().filter(|event| event.kind == EventKind::SleeveCleaned);
    let lacking = cleanings.filter(|event| believed.list.iter().all(|other| other.origin != event.origin));
    let place = |event: &Event| if let Origin::Logged(place) = event.origin { Some(place) } else { None };
    lacking.filter_map(place).collect()
}

/// What is known of the lasting shifts in `events`.
fn shifts(events: &Events, course: &Course, spec: &UnitSpec, c: &Constants) -> Shifts {
    let path = spec.sensor.path_cm.map(|path| (path, c.model.path_known_sd_cm));
    Shifts::new(events, path.unwrap_or((c.model.path_cm.mean, c.model.path_cm.sd)), course.absorbance.is_some())
}

/// Whether a day lies in an episode.
fn clouded(episodes: &[Episode], course: &Course, spec: &UnitSpec) -> impl Fn(i32) -> bool {
    let number = |at: Timestamp| course.number(at.date_in(&spec.zone));
    let spans: Vec<(i32, i32)> = episodes.iter().map(|e| (number(e.from), number(e.to))).collect();
    move |day| spans.iter().any(|(from, to)| (*from..=*to).contains(&day))
}

/// The doubts about the log; a lamp is the likelier to have been changed the more of its rated life is behind it.
fn doubts(
    course: &Course,
    spec: &UnitSpec,
    (events, found): (&Events, &StepsFound),
    constants: &Constants,
) -> Vec<readings::Edit> {
    let lamps = Lamps::new(course, spec, events, constants.model.ages(spec).lamp.mean);
    let rated_hours = spec.lamp.rated_hours.max(LEAST_RATED_HOURS);
    let life = |day| lamps.known_hours(day).map(|hours| hours / rated_hours);
    readings::doubts(events, found, life, &constants.log)
}

/// Fits the model to the days that neither an event nor an episode mixes.
fn fit<'a>(
    history: &History<'_>,
    constants: &Constants,
    course: &'a Course,
    (events, found): (&Events, &StepsFound),
    episodes: &[Episode],
    rng: &mut ChaCha8Rng,
) -> Option<(Fitted<'a>, Events)> {
    let (spec, model) = (history.spec, &constants.model);
    let clouded = clouded(episodes, course, spec);
    let centre = centre(spec, course);
    let checks = reference_checks(course, events);
    let observed = Observed::new(course, centre, checks, |day| events.mixes(day) || clouded(day));
    if observed.days.len() < model.least_days / 2 {
        return None;
    }
    let mut setting = Setting {
        model,
        path_cm: spec.sensor.path_cm,
        reference: spec.reference.is_some_and(|r| r > 0.0),
        before: false,
        never_cleaned: never_cleaned(course, events),
        neighbours: history.neighbours,
    };
    let own_pace = (constants.forecast.own_pace_least_days, constants.forecast.own_pace_most_days);
    let variant = |events: &Events, growth: Growth, weight: f64| Variant {
        design: Design::new(course, spec, events, growth, model, own_pace),
        ln_weight: weight,
    };
    let usual = model.growths.iter().max_by(|a, b| a.1.total_cmp(&b.1)).map_or(Growth::STEADY, |(growth, _)| *growth);
    let problem =
        |events: &Events, growth: Growth, weight: f64| Problem::new(variant(events, growth, weight), &observed, model);
    let all_rates: Vec<usize> = (0..model.rates.len()).collect();
    let doubts = doubts(course, spec, (events, found), constants);
    let mut base = problem(events, usual, 0.0);
    let (mut first, mut weights) = base.first_noise(&setting)?;
    let mut taken = Vec::new();
    let ln = |problem: &Problem<'_, '_>| model::evidence(problem, (&first, &weights), &all_rates, &setting);
    let starts = readings::starts(&doubts);
    if let Some(as_logged) = ln(&base).filter(|_| !starts.is_empty()) {
        let others = starts.into_iter().filter_map(|start| {
            let problem = problem(&readings::with_all(events, &start), usual, 0.0);
            let odds: f64 = start.iter().map(|edit| edit.ln_odds).sum();
            Some((ln(&problem)? + odds, problem, start))
        });
        let best = others.max_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((_, better, start)) = best.filter(|(ln, ..)| *ln > as_logged) {
            (first, weights) = better.first_noise(&setting)?;
            (base, taken) = (better, start);
        }
    }
    let gain = model::gain_of_before(&base, (&first, &weights), &setting)?;
    setting.before = gain > BEFORE_MATTERS;
    let rates = model::likely_rates(&base, (&first, &weights), &setting);
    let noises = model::likely_noises(&base, (&first, &weights), &rates, &setting);
    let noise = (noises.first()?, weights.as_slice());
    let evidence = |events: &Events| model::evidence(&problem(events, usual, 0.0), noise, &all_rates, &setting);
    let readings = readings::choose(events, &doubts, &taken, evidence, &constants.log);
    // Kinds of growth are weighed on the best reading; those out of the race are dropped for all.
    let growths = likely_growths(model, |growth| {
        let fouls = |rate: &&usize| model.rates[**rate].0 > 0.0;
        if rates.iter().filter(fouls).all(|rate| setting.ln_agreement(*rate, growth) < -GROWTH_WINDOW) {
            return None;
        }
        model::evidence(&problem(&readings[0].0, growth, 0.0), noise, &all_rates, &setting)
    });
    let mut problems = Vec::new();
    for (events, odds) in &readings {
        let own = |(growth, weight): &(Growth, f64)| {
            let problem = problem(events, *growth, odds + weight.ln());
            model::with_own_covers(problem, noise, &all_rates, &setting)
        };
        problems.extend(growths.iter().map(own));
    }
    let fitted = model::fit(problems, (&noises, &weights), &setting, centre, rng)?;
    let best = readings.into_iter().next().map_or_else(|| events.clone(), |(best, _)| best);
    Some((fitted, best))
}

/// The kinds of growth whose evidence and weight beforehand come near the best's.
fn likely_growths(model: &ModelConstants, evidence: impl Fn(Growth) -> Option<f64>) -> Vec<(Growth, f64)> {
    let all = model.growths.iter().copied();
    let mut weighed: Vec<(f64, (Growth, f64))> =
        all.filter_map(|(growth, weight)| evidence(growth).map(|ln| (ln + weight.ln(), (growth, weight)))).collect();
    weighed.sort_by(|a, b| b.0.total_cmp(&a.0));
    let best = weighed.first().map_or(0.0, |(ln, _)| *ln);
    weighed.retain(|(ln, _)| best - ln < GROWTH_WINDOW);
    weighed.into_iter().map(|(_, growth)| growth).collect()
}

/// Whether there was work at the unit over half a year or more, and no cleaning.
fn never_cleaned(course: &Course, events: &Events) -> bool {
    let work = events.list.iter().any(|e| matches!(e.origin, Origin::Logged(_)));
    let cleaned = events.days(&[EventKind::SleeveCleaned, EventKind::SleeveReplaced]);
    work && cleaned.is_empty() && course.today > 182
}

/// ln of light that the level is counted from: the reference, or the first days.
fn centre(spec: &UnitSpec, course: &Course) -> f64 {
    spec.reference.filter(|r| *r > 0.0).map_or_else(
        || {
            let mut start: Vec<f64> = course.ln.iter().take(10).copied().collect();
            median(&mut start)
        },
        f64::ln,
    )
}

/// Reference checks as (day, ln of duty over reference): the loss of sensor and window, measured.
fn reference_checks(course: &Course, events: &Events) -> Vec<(i32, f64)> {
    let duty = |day: i32| {
        let near = course.days.iter().zip(&course.ln).filter(|(d, _)| (**d - day).abs() <= 2);
        let mut values: Vec<f64> = near.map(|(_, ln)| *ln).collect();
        values.sort_by(f64::total_cmp);
        (!values.is_empty()).then(|| quantile_sorted(&values, 0.5))
    };
    events.checks.iter().filter_map(|check| duty(check.day).map(|duty| (check.day, duty - check.ln))).collect()
}

/// A seed from the unit and the day, so that the same question has the same answer to the last digit (FNV-1a).
fn seed(id: &UnitId, date: Date) -> u64 {
    format!("{id} {date}")
        .bytes()
        .fold(0xcbf2_9ce4_8422_2325, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3))
}

fn forecast_of(spec: &UnitSpec, answer: &Answer, as_of: Timestamp, c: &ForecastConstants) -> Forecast {
    let due = |name: &str| answer.parts.iter().find(|part| part.part == name).and_then(|part| part.due);
    let today = as_of.date_in(&spec.zone);
    let ahead = &answer.ahead;
    let elsewhere = causes::is_elsewhere(&answer.verdict, c);
    Forecast {
        set_point: spec.set_point,
        crossing: ahead.crossing,
        clean_by: ahead.clean_by.filter(|_| !elsewhere).map(|by| by.max(today)),
        lamp_by: ahead.lamp_by_light.into_iter().chain(due("lamp")).min(),
        sensor_by: ahead.sensor_by_drift.into_iter().chain(due("sensor")).min(),
        after_cleaning: ahead.after_cleaning,
    }
}

fn latest_reading(history: &History<'_>) -> Option<LatestReading> {
    let latest = history.latest?;
    let intensity = latest.get(Channel::Intensity)?;
    let reference = history.spec.reference.filter(|r| *r > 0.0);
    Some(LatestReading {
        intensity,
        unit: history.spec.sensor.unit.symbol().to_owned(),
        at: latest.at,
        percent_of_reference: reference.map(|reference| 100.0 * intensity / reference),
    })
}

/// The steps nobody logged, as the fit reads them, oldest first; a step down that the fit takes for passing is none.
fn unlogged(found: &Found, read: Option<(&Read, &Course)>) -> Vec<UnloggedStep> {
    let in_light = found.steps.steps.iter().enumerate().filter_map(|(place, step)| {
        let event = read.map(|(read, _)| read.events.list.iter().find(|e| e.origin == Origin::Step(place)));
        let kind = match event {
            Some(Some(event)) => event.kind,
            Some(None) if step.ln_size <= 0.0 => return None,
            _ => events::usual_reading(step),
        };
        let likely = match kind {
            EventKind::LampReplaced => Likely::LampReplaced,
            EventKind::SleeveCleaned => Likely::SleeveCleaned,
            EventKind::SleeveReplaced => Likely::SleeveReplaced,
            EventKind::WindowWiped => Likely::SensorCleaned,
            EventKind::SensorReplaced => Likely::SensorReplaced,
            EventKind::Shift => {
                let is_water = |(read, course): (&Read, &Course)| {
                    read.shifts.water_share(course.number(step.date), -step.ln_size) >= 0.5
                };
                if read.is_none_or(is_water) { Likely::WaterChanged } else { Likely::SensorChanged }
            }
        };
        Some(asked(step.date, step.ln_size, likely))
    });
    let in_water = found.water.iter().map(|change| asked(change.date, change.ln_size, Likely::WaterChanged));
    let mut steps: Vec<UnloggedStep> = in_light.chain(in_water).collect();
    steps.sort_by_key(|step| step.at);
    steps
}

fn asked(at: Date, ln_size: f64, likely: Likely) -> UnloggedStep {
    let up = ln_size > 0.0;
    UnloggedStep {
        kind: if up { StepKind::StepUp } else { StepKind::StepDown },
        at,
        gain_percent: up.then(|| 100.0 * ln_size.exp_m1()),
        loss_percent: (!up).then(|| causes::percent(-ln_size)),
        likely,
    }
}

fn log_doubts(history: &History<'_>, found: &StepsFound, read: Option<(&Read, &Course)>) -> Vec<LogDoubt> {
    let snapped = found.snapped.iter().filter_map(|snap| {
        let entry = history.log.get(snap.entry)?;
        let used = snap.used;
        let says = format!("the readings rise on {}, not at the logged time; that day is used", causes::say_date(used));
        Some(LogDoubt { action: entry.action, at: entry.at, used: Some(used), says })
    });
    let faint = read.into_iter().flat_map(|(read, _)| &read.disbelieved);
    let faint = faint.filter(|place| !found.no_recovery.contains(place));
    let silent = found.no_recovery.iter().chain(faint).filter_map(|place| {
        let entry = history.log.get(*place)?;
        Some(LogDoubt { action: entry.action, at: entry.at, used: None, says: "logged, no recovery seen".to_owned() })
    });
    let moved = read.into_iter().flat_map(|(read, course)| read.events.list.iter().map(move |e| (e, course)));
    let moved = moved.filter_map(|(event, course)| {
        let Origin::Logged(place) = event.origin else { return None };
        let entry = history.log.get(place).filter(|entry| events::kind_of(entry.action) == Some(event.kind))?;
        let used = course.date(event.day - 1);
        let elsewhere = used != entry.at.date_in(&history.spec.zone) && found.snapped.iter().all(|s| s.entry != place);
        let says =
            format!("the readings speak for {}, not for the logged time; that day is used", causes::say_date(used));
        elsewhere.then_some(LogDoubt { action: entry.action, at: entry.at, used: Some(used), says })
    });
    let cleaned = read.into_iter().flat_map(|(read, _)| &read.events.list).filter_map(|event| {
        let Origin::Logged(place) = event.origin else { return None };
        let entry = history.log.get(place).filter(|_| event.kind == EventKind::SleeveCleaned)?;
        let says = "the sleeve seems to have been cleaned at the same time, which is not in the log".to_owned();
        (entry.action != ServiceAction::SleeveCleaned).then_some(LogDoubt {
            action: entry.action,
            at: entry.at,
            used: None,
            says,
        })
    });
    let mut doubts: Vec<LogDoubt> = snapped.chain(silent).chain(moved).chain(cleaned).collect();
    doubts.sort_by_key(|doubt| doubt.at);
    doubts
}

fn counts(days: &[DaySummary]) -> ReadingCounts {
    let mut counts = ReadingCounts::default();
    for day in days {
        counts.days = counts.days.saturating_add(u32::from(day.intensity.is_some()));
        counts.total = counts.total.saturating_add(u64::from(day.readings));
        counts.set_aside.add(&day.set_aside);
    }
    counts
}

/// The usual cautions, those that the situation calls for first.
fn cautions(condition: Condition, verdict: &Verdict, enough_after_cleaning: Option<bool>) -> Vec<String> {
    let mut texts = Vec::new();
    if matches!(condition, Condition::Short | Condition::Dark) {
        texts.push("Treatment is not assured: the light is at or under the set point. Follow the papers of the unit, local codes and the local health authority on using the water.");
    }
    if enough_after_cleaning == Some(false) && condition != Condition::Learning {
        texts.push(if verdict.cause == VerdictCause::SleeveFouling {
            "A clean sleeve alone may not bring the light back above the set point: take a sleeve and a lamp along."
        } else {
            "A clean sleeve alone may not bring the light back above the set point: take a lamp along."
        });
    }
    texts.push("Before opening the unit: power off and unplugged, water shut off, pressure let off, lamp left to cool 10 minutes.");
    texts.push("Never look at a burning lamp or let its light fall on skin.");
    let lamp = [VerdictCause::LampAgeing, VerdictCause::LampOrSensor].contains(&verdict.cause)
        || verdict.settle_with.as_ref().is_some_and(|s| s.action == ServiceAction::LampReplaced);
    if lamp {
        texts.push("A broken lamp holds mercury: stop the flow, isolate the unit, do not vacuum.");
    }
    texts
        .push("The papers of the installed unit, local codes and the health authority come before anything said here.");
    texts.into_iter().map(ToOwned::to_owned).collect()
}

#[cfg(test)]
mod tests;
