//! What each cause costs now, which one leads, and the action that would tell most.

use jiff::civil::Date;
use rand::{Rng, RngExt};

use super::constants::ForecastConstants;
use super::course::{Course, quantile_sorted};
use super::events::{EventKind, Events};
use super::model::{Draw, Fitted};
use super::shifts::Shifts;
use super::term::{Share as Part, Term};
use crate::domain::assessment::{CauseLoss, SettleWith, Share, Verdict};
use crate::domain::{Cause, ServiceAction, VerdictCause};

/// Causes that can lead, with what they are called in a verdict. The last is what no cause explains.
const LEADERS: [VerdictCause; 5] = [
    VerdictCause::SleeveFouling,
    VerdictCause::LampAgeing,
    VerdictCause::SensorDrift,
    VerdictCause::WaterQuality,
    VerdictCause::Unexplained,
];
/// The place of "nothing" after [`LEADERS`].
const NOTHING: usize = LEADERS.len();

/// Losses now under one draw, ln.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Losses {
    /// The sleeve.
    pub sleeve: f64,
    /// Of it, what the next cleaning takes off.
    pub coat: f64,
    /// The lamp.
    pub lamp: f64,
    /// Sensor and window.
    pub sensor: f64,
    /// Of it, the window.
    pub window: f64,
    /// The water.
    pub water: f64,
    /// What the water takes beyond that where the unit measures it: a storm that passes, and by how much the usual water
    /// differs from that of the reference. Names nothing.
    pub beyond: f64,
    /// The slow wandering, as a loss: the water's where its transmittance is not measured, else nobody's.
    pub wandering: f64,
    /// What the first reading already lacked, nobody knows to what.
    pub before: f64,
    /// Whether the wandering is the water's.
    pub wandering_is_water: bool,
    /// Growth a day of sleeve, lamp and sensor.
    pub rates: [f64; 3],
}

impl Losses {
    /// All causes together.
    pub fn total(&self) -> f64 {
        self.sleeve + self.lamp + self.sensor + self.all_water() + self.before
    }

    /// The water with the wandering that is its.
    pub fn all_water(&self) -> f64 {
        self.water + self.beyond + if self.wandering_is_water { self.wandering } else { 0.0 }
    }

    /// What no cause explains: the wandering only where it is not told as the water's.
    pub fn unexplained(&self) -> f64 {
        self.before + if self.wandering_is_water { 0.0 } else { self.wandering }
    }

    /// In the order of [`LEADERS`]. A wandering never names the water: it may as well be nobody's.
    fn by_leader(&self) -> [f64; NOTHING] {
        [self.sleeve, self.lamp, self.sensor, self.water, self.wandering + self.before]
    }
}

/// The losses of every draw on the day "now".
pub fn losses(fitted: &Fitted<'_>, course: &Course, shifts: &Shifts, rng: &mut impl Rng) -> Vec<Losses> {
    let rows: Vec<[Vec<f64>; 2]> =
        fitted.variants.iter().map(|v| [v.design.row(v.design.now), v.design.row(v.design.now + 1)]).collect();
    let one = |draw: &Draw| {
        let turn = rng.random::<f64>();
        let design = &fitted.variants[draw.variant].design;
        let terms = &design.terms;
        let [now, next] = &rows[draw.variant];
        let wandering_is_water = course.absorbance.is_none();
        let mut sum = Losses { wandering: -draw.wandering, wandering_is_water, ..Losses::default() };
        for (((term, theta), now), next) in terms.iter().zip(&draw.theta).zip(now).zip(next) {
            let (loss, growth) = (-theta * now, -theta * (next - now));
            match (term.share(), term) {
                (Part::Level | Part::Temperature, _) => {}
                (Part::Before, _) => sum.before += loss,
                (_, term) if !counts_as_loss(*term, course) => {}
                (Part::Sleeve, term) => {
                    sum.sleeve += loss;
                    sum.rates[0] += growth;
                    sum.coat -= theta * design.coat_of(*term, *now, design.now);
                }
                (Part::Lamp, _) => {
                    sum.lamp += loss;
                    sum.rates[1] += growth;
                }
                (Part::Sensor, term) => {
                    sum.sensor += loss;
                    sum.rates[2] += growth;
                    sum.window += if term.is_window_dirt() { loss } else { 0.0 };
                }
                (Part::Water, Term::UsualWater) => sum.beyond += loss,
                (Part::Water, Term::Absorbance) => {
                    sum.water += loss;
                    sum.beyond += theta * design.passing_absorbance();
                }
                (Part::Water, _) => sum.water += loss,
                (Part::Shift, Term::Shift(place))
                    if turn < shifts.water_share(design.shifts()[*place], -theta * now) =>
                {
                    sum.water += loss;
                }
                (Part::Shift, _) => sum.sensor += loss,
            }
        }
        sum
    };
    fitted.draws.iter().map(one).collect()
}

/// Whether a term takes light away for good or for now. Temperature comes and goes; and without a thermometer a yearly
/// course is the temperature's as likely as the water's.
pub fn counts_as_loss(term: Term, course: &Course) -> bool {
    match term {
        Term::SeasonSine | Term::SeasonCosine => course.temperature.is_some(),
        term => !matches!(term.share(), Part::Level | Part::Temperature),
    }
}

/// Percent of light lost for a loss in ln; a loss or gain by a factor of more than e^20 is cut there.
pub fn percent(ln_loss: f64) -> f64 {
    -100.0 * (-ln_loss.clamp(-20.0, 20.0)).exp_m1()
}

/// Median and the 10 and 90 % quantiles.
pub fn spread(values: impl Iterator<Item = f64>) -> Share {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    let at = |p| quantile_sorted(&values, p);
    Share { percent: at(0.5), low: at(0.1), high: at(0.9) }
}

/// Each cause's part, in the order of the contract's example.
pub fn shares(losses: &[Losses]) -> (Share, Vec<CauseLoss>) {
    let of = |cause, value: fn(&Losses) -> f64, rate: Option<usize>| {
        let share = spread(losses.iter().map(|l| percent(value(l))));
        let rates = rate.map(|i| spread(losses.iter().map(|l| (100.0 - percent(value(l))) * l.rates[i])).percent);
        let Share { percent, low, high } = share;
        CauseLoss { cause, percent, low, high, rate_percent_per_day: rates }
    };
    let causes = vec![
        of(Cause::SleeveFouling, |l| l.sleeve, Some(0)),
        of(Cause::LampAgeing, |l| l.lamp, Some(1)),
        of(Cause::SensorDrift, |l| l.sensor, Some(2)),
        of(Cause::LampOrSensor, |l| l.lamp + l.sensor, None),
        of(Cause::WaterQuality, Losses::all_water, None),
        of(Cause::Unexplained, Losses::unexplained, None),
    ];
    (spread(losses.iter().map(|l| percent(l.total()))), causes)
}

/// How much one day's value differs from the next for no reason at all, ln, where that drowns whatever the unit has
/// lost: then nothing can be said.
pub fn drowned(fitted: &Fitted<'_>, losses: &[Losses], c: &ForecastConstants) -> Option<f64> {
    let count = fitted.draws.len().max(1) as f64;
    let day_sd = (fitted.draws.iter().map(|draw| draw.noise.day_variance).sum::<f64>() / count).sqrt();
    let mut totals: Vec<f64> = losses.iter().map(Losses::total).collect();
    totals.sort_by(f64::total_cmp);
    let lost = quantile_sorted(&totals, 0.5).abs();
    (day_sd > c.noisy_day && lost < c.noise_drowns * day_sd / MONTH_DAYS.sqrt()).then_some(day_sd)
}

/// Whether the fit makes sleeve and lamp brighter than new, or the sensor read far too high, which they cannot: then it has
/// found no explanation.
pub fn impossible(losses: &[Losses], c: &ForecastConstants) -> bool {
    let usual = |gain: fn(&Losses) -> f64| {
        let mut gains: Vec<f64> = losses.iter().map(gain).collect();
        gains.sort_by(f64::total_cmp);
        quantile_sorted(&gains, 0.5)
    };
    usual(|l| (-l.sleeve).max(0.0) + (-l.lamp).max(0.0)) > c.impossible_gain
        || usual(|l| -l.sensor) > c.impossible_sensor_gain
}

/// The same losses in all, of no known cause.
pub fn of_no_cause(losses: &[Losses]) -> Vec<Losses> {
    let lost = |l: &Losses| Losses {
        before: l.total() - l.beyond - if l.wandering_is_water { l.wandering } else { 0.0 },
        beyond: l.beyond,
        wandering: l.wandering,
        wandering_is_water: l.wandering_is_water,
        ..Losses::default()
    };
    losses.iter().map(lost).collect()
}

/// [`shares`] where no explanation was found: sleeve, lamp and sensor may each have cost anything from nothing to all of
/// `total`, and so may what nobody knows.
pub fn left_open(total: Share, mut causes: Vec<CauseLoss>) -> Vec<CauseLoss> {
    for share in causes.iter_mut().filter(|share| share.cause != Cause::WaterQuality) {
        share.low = share.low.min(0.0);
        share.high = share.high.max(total.high);
    }
    causes
}

/// The verdict where no explanation was found.
pub fn impossible_verdict() -> Verdict {
    let action = ServiceAction::ReferenceCheck;
    Verdict {
        cause: VerdictCause::Unsettled,
        probability: None,
        says: "The readings and what is in the service log do not go together: no mix of sleeve, lamp, sensor and water explains them. Look for work that is not in the log or stands under another day."
            .to_owned(),
        settle_with: Some(SettleWith { action, says: why(action) }),
    }
}

/// Days whose mean is asked about when it comes to seeing a loss at all.
const MONTH_DAYS: f64 = 30.0;

/// The verdict where noise drowns everything.
pub fn drowned_verdict(day_sd: f64) -> Verdict {
    Verdict {
        cause: VerdictCause::Unsettled,
        probability: None,
        says: format!(
            "From one day to the next the readings change by about {} for no reason: nothing can be told from them. Look at the sensor and its wiring.",
            say(100.0 * day_sd.min(20.0).exp_m1())
        ),
        settle_with: Some(SettleWith {
            action: ServiceAction::ReferenceCheck,
            says: why(ServiceAction::ReferenceCheck),
        }),
    }
}

/// Which of [`LEADERS`] (or nothing) costs most under a draw.
fn leader(losses: &Losses, c: &ForecastConstants) -> usize {
    let mut parts = losses.by_leader();
    if parts[NOTHING - 1] < c.unexplained_loss {
        parts[NOTHING - 1] = 0.0;
    }
    let most = (0..NOTHING).max_by(|a, b| parts[*a].total_cmp(&parts[*b])).unwrap_or(NOTHING);
    if most == NOTHING || parts[most] < c.small_loss { NOTHING } else { most }
}

/// How likely each of [`LEADERS`] and nothing is to lead.
fn chances(leaders: impl Iterator<Item = (usize, f64)>) -> [f64; NOTHING + 1] {
    let mut chances = [0.0; NOTHING + 1];
    leaders.for_each(|(leader, weight)| chances[leader] += weight);
    let sum: f64 = chances.iter().sum();
    if sum > 0.0 {
        chances.iter_mut().for_each(|c| *c /= sum);
    }
    chances
}

/// What the history itself has told apart, rather than beliefs beforehand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Tested {
    /// The sleeve was cleaned or replaced.
    pub sleeve: bool,
    /// The lamp or the sensor was replaced, the window wiped, or the sensor compared with another.
    pub lamp_or_sensor: bool,
}

impl Tested {
    /// By what the log and the search for steps know.
    pub fn by(events: &Events) -> Self {
        let done = |kinds: &[EventKind]| events.list.iter().any(|e| e.day > 0 && kinds.contains(&e.kind));
        Self {
            sleeve: done(&[EventKind::SleeveCleaned, EventKind::SleeveReplaced]),
            lamp_or_sensor: done(&[EventKind::LampReplaced, EventKind::SensorReplaced, EventKind::WindowWiped])
                || !events.checks.is_empty(),
        }
    }
}

/// The cause named and how likely it is.
///
/// A sleeve that nobody has cleaned so far is told from the others by beliefs beforehand only, and its verdict needs to
/// be surer. Neither lamp nor sensor is named alone where neither has been reset or compared.
pub fn name_cause(losses: &[Losses], falling: bool, tested: Tested, c: &ForecastConstants) -> (VerdictCause, f64) {
    let chances = chances(losses.iter().map(|l| (leader(l, c), 1.0)));
    let first = (0..=NOTHING).max_by(|a, b| chances[*a].total_cmp(&chances[*b])).unwrap_or(NOTHING);
    let pair = chances[1] + chances[2];
    let pair_at = if tested.sleeve || tested.lamp_or_sensor { c.pair_tested_at } else { c.pair_at };
    let name = LEADERS.get(first).copied().unwrap_or(VerdictCause::None);
    match name {
        VerdictCause::None if falling => (VerdictCause::Unsettled, chances[first]),
        VerdictCause::LampAgeing | VerdictCause::SensorDrift
            if tested.lamp_or_sensor && chances[first] >= c.name_lamp_or_sensor_at =>
        {
            (name, chances[first])
        }
        VerdictCause::LampAgeing | VerdictCause::SensorDrift if pair < pair_at => {
            (VerdictCause::Unsettled, chances[first])
        }
        VerdictCause::LampAgeing | VerdictCause::SensorDrift => (VerdictCause::LampOrSensor, pair),
        VerdictCause::SleeveFouling if !tested.sleeve && chances[first] < c.name_lamp_or_sensor_at => {
            (VerdictCause::Unsettled, chances[first])
        }
        _ if chances[first] >= c.name_at => (name, chances[first]),
        _ if pair >= pair_at => (VerdictCause::LampOrSensor, pair),
        _ => (VerdictCause::Unsettled, chances[first]),
    }
}

/// What a verdict's sentence needs besides the losses.
#[derive(Clone, Copy, Debug)]
pub struct Scene<'a> {
    /// The draws.
    pub fitted: &'a Fitted<'a>,
    /// The course.
    pub course: &'a Course,
    /// Whether the light falls towards the set point within the horizon.
    pub falling: bool,
    /// What the history has told apart.
    pub tested: Tested,
    /// Constants.
    pub constants: &'a ForecastConstants,
}

/// The verdict with its sentence and the action that would settle what is open.
pub fn verdict(losses: &[Losses], scene: &Scene<'_>) -> Verdict {
    let (cause, probability) = name_cause(losses, scene.falling, scene.tested, scene.constants);
    let settle_with = settle_with(losses, scene);
    let says = sentence(cause, losses, scene);
    let named = !matches!(cause, VerdictCause::None | VerdictCause::Unsettled);
    let probability = if named { calibrated(probability, &scene.constants.calibration) } else { probability };
    Verdict { cause, probability: Some(probability), says, settle_with }
}

/// Whether lamp or sensor are named so surely that cleaning the sleeve is not what helps.
pub fn is_elsewhere(verdict: &Verdict, c: &ForecastConstants) -> bool {
    let sure = calibrated(c.elsewhere_at, &c.calibration);
    [VerdictCause::LampAgeing, VerdictCause::SensorDrift, VerdictCause::LampOrSensor].contains(&verdict.cause)
        && verdict.probability.is_some_and(|probability| probability >= sure)
}

/// A probability by the straight lines between `points`, which ascend both ways.
fn calibrated(probability: f64, points: &[(f64, f64)]) -> f64 {
    let above = points.partition_point(|(from, _)| *from < probability);
    match (above.checked_sub(1).and_then(|below| points.get(below)), points.get(above)) {
        (Some((x0, y0)), Some((x1, y1))) => y0 + (y1 - y0) * (probability - x0) / (x1 - x0),
        (None, Some((_, y))) | (Some((_, y)), None) => *y,
        (None, None) => probability,
    }
}

/// One plain sentence.
fn sentence(cause: VerdictCause, losses: &[Losses], scene: &Scene<'_>) -> String {
    let (total, shares) = shares(losses);
    let of = |cause: Cause| shares.iter().find(|s| s.cause == cause).map_or(0.0, |s| s.percent);
    let before = spread(losses.iter().map(|l| percent(l.before))).percent;
    let known = |term: Term| !matches!(term.share(), Part::Level | Part::Temperature);
    let no_fall = total.percent > 3.0 && lost_before_start(scene, known) > 0.8 * total.percent;
    match cause {
        VerdictCause::SleeveFouling => sleeve_sentence(of(Cause::SleeveFouling), losses, scene),
        VerdictCause::LampAgeing => {
            let design = &scene.fitted.variants[0].design;
            let (_, hours) = design.lamps().at(design.now);
            format!(
                "The lamp has cost about {} of the light in {hours:.0} burning hours; the sleeve accounts for {} and the sensor for {}.",
                say(of(Cause::LampAgeing)),
                say(of(Cause::SleeveFouling)),
                say(of(Cause::SensorDrift))
            )
        }
        VerdictCause::SensorDrift => format!(
            "The sensor or its window reads about {} low; the lamp accounts for {} and the sleeve for {}.",
            say(of(Cause::SensorDrift)),
            say(of(Cause::LampAgeing)),
            say(of(Cause::SleeveFouling))
        ),
        VerdictCause::LampOrSensor => format!(
            "Lamp and sensor together have cost about {}, and nothing so far tells the two apart; the sleeve accounts for {}.",
            say(of(Cause::LampOrSensor)),
            say(of(Cause::SleeveFouling))
        ),
        VerdictCause::WaterQuality => format!(
            "The water lets about {} less light through than usual; the sleeve accounts for {}.",
            say(of(Cause::WaterQuality)),
            say(of(Cause::SleeveFouling))
        ),
        VerdictCause::Unexplained if before > 0.5 * of(Cause::Unexplained) => format!(
            "The light was {} lower than the reference before the first reading, and nothing so far tells whether the sleeve, other water or the reference itself is the reason; since then it has lost {}.",
            say(before),
            say(total.percent - before)
        ),
        VerdictCause::Unexplained => format!(
            "{}, and about {} of that fits neither sleeve, lamp, sensor nor the usual water.",
            against_new(total.percent),
            say(of(Cause::Unexplained))
        ),
        VerdictCause::None => {
            format!(
                "Nothing is wrong: all causes together have cost {}, and the light is not falling.",
                say(total.percent)
            )
        }
        VerdictCause::Unsettled => format!(
            "{}{}; sleeve {}, lamp {}, sensor {}, water {} are too close to call.",
            against_new(total.percent),
            if no_fall { ", and was so before the first reading" } else { "" },
            say(of(Cause::SleeveFouling)),
            say(of(Cause::LampAgeing)),
            say(of(Cause::SensorDrift)),
            say(of(Cause::WaterQuality))
        ),
    }
}

/// A percentage in words for people: no false digits, nothing below zero.
fn say(percent: f64) -> String {
    if percent < 0.5 { "less than 1 %".to_owned() } else { format!("{percent:.0} %") }
}

/// What a loss of so many percent says of the light. Below zero it says something of the reading only: a sensor that
/// reads high, or a reference that was read too low.
fn against_new(loss: f64) -> String {
    if loss < 0.0 {
        format!("The reading is {} higher than when new", say(-loss))
    } else {
        format!("The light is {} lower than when new", say(loss))
    }
}

/// A date for people.
pub fn say_date(date: Date) -> String {
    date.strftime("%-d %B %Y").to_string()
}

/// What cleanings have left on the sleeve is spoken of from here on, percent, where it is more than the coat.
const LASTING_FILM: f64 = 3.0;

fn sleeve_sentence(all: f64, losses: &[Losses], scene: &Scene<'_>) -> String {
    let design = &scene.fitted.variants[0].design;
    let coat = spread(losses.iter().map(|l| percent(l.coat))).percent;
    let rate = spread(losses.iter().map(|l| (100.0 - percent(l.sleeve)) * l.rates[0])).percent;
    let current = design.intervals.len() - 1;
    let mut film = None;
    let since = if current == 0 && design.terms.contains(&Term::InitialDeposit) {
        let early = lost_before_start(scene, |term| term.share() == Part::Sleeve);
        if early > 0.5 * all {
            format!("The sleeve has cost {}, most of it before the first reading", say(all))
        } else {
            format!("The sleeve has cost {} since the first reading on {}", say(all), say_date(scene.course.first))
        }
    } else if current == 0 {
        let clean = scene.course.date(-(design.intervals[0].exposed as i32));
        format!("The sleeve has cost {} since it was last clean on {}", say(all), say_date(clean))
    } else {
        let date = scene.course.date(design.intervals[current].from - 1);
        film = Some(all - coat).filter(|film| *film >= LASTING_FILM.max(coat));
        let older = if film.is_none() && all > coat + 1.0 { format!(", {} in all", say(all)) } else { String::new() };
        format!("The sleeve has cost {} since it was cleaned on {}{older}", say(coat), say_date(date))
    };
    let pace = if rate < 0.005 { "hardly growing now".to_owned() } else { format!("about {rate:.2} % a day") };
    let film = film.map_or_else(String::new, |film| {
        format!("; a film of about {} that cleanings have left comes off only with a new sleeve", say(film))
    });
    format!("{since}, {pace}{}{film}.", compare_intervals(scene, current))
}

/// What the terms that `keep` holds for had cost before the first reading, percent: the median.
fn lost_before_start(scene: &Scene<'_>, keep: impl Fn(Term) -> bool) -> f64 {
    let rows: Vec<Vec<f64>> = scene.fitted.variants.iter().map(|v| v.design.row(0)).collect();
    let lost = |draw: &Draw| {
        let terms = scene.fitted.variants[draw.variant].design.terms.iter();
        let parts = terms.zip(&draw.theta).zip(&rows[draw.variant]);
        parts.filter(|((term, _), _)| keep(**term)).map(|((_, theta), x)| -theta * x).sum::<f64>()
    };
    spread(scene.fitted.draws.iter().map(|draw| percent(lost(draw)))).percent
}

/// How the pace of the present interval compares with the last three.
fn compare_intervals(scene: &Scene<'_>, current: usize) -> &'static str {
    let variant = 0;
    let terms = &scene.fitted.variants[variant].design.terms;
    let intervals = &scene.fitted.variants[variant].design.intervals;
    let place = |k: usize| terms.iter().position(|t| *t == Term::IntervalRate(intervals[k].group));
    let Some(now) = place(current).filter(|_| current > 0) else { return "" };
    let before: Vec<usize> = (current.saturating_sub(3)..current).filter_map(place).collect();
    let Some(rate) = terms.iter().position(|t| *t == Term::Rate) else { return "" };
    let mut ratios: Vec<f64> = scene
        .fitted
        .draws
        .iter()
        .filter(|d| d.variant == variant && d.theta[rate] > 1e-4)
        .map(|d| {
            let mean = before.iter().map(|b| d.theta[*b]).sum::<f64>() / before.len().max(1) as f64;
            (d.theta[rate] + d.theta[now]) / (d.theta[rate] + mean).max(1e-4)
        })
        .collect();
    ratios.sort_by(f64::total_cmp);
    match (quantile_sorted(&ratios, 0.1), quantile_sorted(&ratios, 0.9), before.len()) {
        _ if ratios.is_empty() => "",
        (low, _, _) if low > 1.1 => ", faster than before",
        (_, high, _) if high < 0.9 => ", slower than before",
        (_, _, 1) => ", as in the interval before",
        (_, _, 2) => ", as in its last two intervals",
        _ => ", as in its last three intervals",
    }
}

/// An action that tells something, what it tells, and how exactly (ln).
type Question = (ServiceAction, fn(&Losses) -> f64, f64, f64);

/// What can be asked of a unit: action, what it reveals, its error in ln, and how much of a gain counts (an action
/// that needs an instrument most people do not have counts for less). Errors by judgement.
const QUESTIONS: [Question; 4] = [
    (ServiceAction::SensorCleaned, |l| l.window, 0.01, 1.0),
    (ServiceAction::ReferenceCheck, |l| l.sensor, 0.03, 0.6),
    (ServiceAction::SleeveCleaned, |l| l.coat, 0.012, 0.9),
    (ServiceAction::TransmittanceMeasured, |l| l.water, 0.02, 0.7),
];

/// The action with the largest expected gain of information about which cause leads: the entropy of the leader now
/// less its mean entropy after the action, over outcomes drawn from the posterior itself.
fn settle_with(losses: &[Losses], scene: &Scene<'_>) -> Option<SettleWith> {
    let c = scene.constants;
    let step = (losses.len() / 200).max(1);
    let particles: Vec<(usize, &Losses)> = losses.iter().step_by(step).map(|l| (leader(l, c), l)).collect();
    let before = entropy(&chances(particles.iter().map(|(leader, _)| (*leader, 1.0))));
    let asked = QUESTIONS
        .iter()
        .filter(|(action, ..)| *action != ServiceAction::TransmittanceMeasured || scene.course.absorbance.is_none())
        .map(|question| (question, question.3 * (before - entropy_after(&particles, question))))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let ((action, ..), gain) = asked;
    (gain >= c.worth_asking).then(|| SettleWith { action: *action, says: why(*action) })
}

fn entropy_after(particles: &[(usize, &Losses)], question: &Question) -> f64 {
    let (_, reveals, error, _) = question;
    let values: Vec<f64> = particles.iter().map(|(_, l)| reveals(l)).collect();
    let outcomes: Vec<f64> = values.iter().copied().step_by((values.len() / 25).max(1)).collect();
    let one = |outcome: f64| {
        let weight = |value: f64| (-0.25 * ((outcome - value) / error).powi(2)).exp();
        entropy(&chances(particles.iter().zip(&values).map(|((leader, _), value)| (*leader, weight(*value)))))
    };
    outcomes.iter().map(|outcome| one(*outcome)).sum::<f64>() / outcomes.len().max(1) as f64
}

fn entropy(chances: &[f64]) -> f64 {
    -chances.iter().filter(|p| **p > 0.0).map(|p| p * p.ln()).sum::<f64>()
}

/// Why an action settles what is open, in a sentence that follows on its name.
fn why(action: ServiceAction) -> String {
    match action {
        ServiceAction::SensorCleaned => {
            "A stable reading before and after it tells: if it rises, the window was dirty; if not, look at lamp and sleeve."
        }
        ServiceAction::ReferenceCheck => {
            "It tells whether the light or only its measurement has fallen."
        }
        ServiceAction::SleeveCleaned => {
            "With nothing else done and a stable reading before and after, the rise is what the coat has cost."
        }
        _ => "At 254 nm it tells whether the water has changed.",
    }
    .to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sensor that reads next to nothing beside a sleeve that shines is no explanation; small errors are.
    #[test]
    fn a_sleeve_brighter_than_new_explains_nothing() {
        let c = ForecastConstants::default();
        let of = |sleeve: f64, lamp: f64| vec![Losses { sleeve, lamp, sensor: 1.0, ..Losses::default() }; 9];
        assert!(impossible(&of(-3.4, 0.1), &c) && impossible(&of(-0.04, -0.1), &c));
        assert!(!impossible(&of(-0.05, -0.03), &c) && !impossible(&of(0.3, 0.2), &c));
        // Nor is a sensor that reads four times as much beside a sleeve that hides nearly all.
        let high = |sensor: f64| vec![Losses { sleeve: 3.0, sensor, ..Losses::default() }; 9];
        assert!(impossible(&high(-1.4), &c) && !impossible(&high(-0.15), &c));
        for wandering_is_water in [false, true] {
            let lost = Losses {
                sleeve: -3.4,
                sensor: 4.0,
                water: 0.1,
                wandering: 0.02,
                wandering_is_water,
                ..Losses::default()
            };
            let [of_none] = of_no_cause(&[lost])[..] else { panic!("one each") };
            assert!((of_none.total() - lost.total()).abs() < 1e-12);
            assert_eq!((of_none.sleeve, of_none.coat, of_none.sensor, of_none.water), (0.0, 0.0, 0.0, 0.0));
            // Which of them it was is not known, and is not said to be.
            let (total, known) = shares(&[of_none; 3]);
            let [sleeve, lamp, sensor, pair, water, unexplained] = &left_open(total, known.clone())[..] else {
                panic!("six causes")
            };
            for open in [sleeve, lamp, sensor, pair] {
                assert_eq!((open.percent, open.low, open.high), (0.0, 0.0, total.high), "{}", open.cause);
            }
            assert_eq!(unexplained.low, 0.0);
            assert_eq!((water.low, water.high), (known[4].low, known[4].high));
        }
    }

    /// Whosever the wandering is, it is told once.
    #[test]
    fn nothing_is_told_twice() {
        for wandering_is_water in [false, true] {
            let (water, wandering, before) = (0.1, 0.02, 0.03);
            let lost = Losses { water, wandering, before, wandering_is_water, ..Losses::default() };
            assert!((lost.all_water() + lost.unexplained() - 0.15).abs() < 1e-12);
            let [_, _, _, _, water, unexplained] = &shares(&[lost; 3]).1[..] else { panic!("six causes") };
            assert_eq!((water.cause, unexplained.cause), (Cause::WaterQuality, Cause::Unexplained));
            assert!((water.percent - percent(if wandering_is_water { 0.12 } else { 0.1 })).abs() < 1e-9);
            assert!((unexplained.percent - percent(if wandering_is_water { 0.03 } else { 0.05 })).abs() < 1e-9);
        }
    }

    const ALL_TESTED: Tested = Tested { sleeve: true, lamp_or_sensor: true };

    fn loss(sleeve: f64, lamp: f64, sensor: f64) -> Losses {
        Losses { sleeve, coat: sleeve, lamp, sensor, window: sensor, ..Losses::default() }
    }

    #[test]
    fn causes_are_named_by_how_often_they_lead() {
        let c = ForecastConstants::default();
        let name = |losses: &[Losses], falling| name_cause(losses, falling, ALL_TESTED, &c);
        assert_eq!(name(&[loss(0.1, 0.02, 0.0); 4], true), (VerdictCause::SleeveFouling, 1.0));
        assert_eq!(name(&[loss(0.01, 0.014, 0.0); 4], false).0, VerdictCause::None);
        assert_eq!(name(&[loss(0.01, 0.014, 0.0); 4], true).0, VerdictCause::Unsettled);
        let either = [loss(0.0, 0.1, 0.05), loss(0.0, 0.05, 0.1)];
        assert_eq!(name(&either, true), (VerdictCause::LampOrSensor, 1.0));
        let lamp = [loss(0.0, 0.1, 0.02); 4];
        assert_eq!(name(&lamp, true), (VerdictCause::LampAgeing, 1.0));
        let untested = Tested { sleeve: true, lamp_or_sensor: false };
        assert_eq!(name_cause(&lamp, true, untested, &c), (VerdictCause::LampOrSensor, 1.0));
        let three = [loss(0.1, 0.05, 0.0), loss(0.0, 0.1, 0.05), loss(0.1, 0.0, 0.0), loss(0.0, 0.0, 0.1)];
        assert_eq!(name(&three, true), (VerdictCause::Unsettled, 0.5));
    }

    #[test]
    fn calibration_is_monotone_and_stays_a_probability() {
        let points = ForecastConstants::default().calibration;
        let all: Vec<f64> = (0..=100).map(|p| calibrated(f64::from(p) / 100.0, &points)).collect();
        assert!(all.windows(2).all(|pair| pair[0] <= pair[1]) && all[0] == 0.0 && all[100] <= 1.0, "{all:?}");
        assert!((calibrated(0.775, &points) - 0.735).abs() < 1e-12, "half way between two points");
        assert_eq!(calibrated(0.4, &[]), 0.4);
    }

    #[test]
    fn light_above_the_reference_is_said_to_be_higher() {
        assert_eq!(against_new(12.4), "The light is 12 % lower than when new");
        assert_eq!(against_new(-22.2), "The reading is 22 % higher than when new");
        assert_eq!(against_new(-0.2), "The reading is less than 1 % higher than when new");
    }

    /// 100 (1 - exp(-x)): x = ln 2 is a half; a gain is negative.
    #[test]
    fn percent_of_a_loss() {
        assert!((percent(std::f64::consts::LN_2) - 50.0).abs() < 1e-12);
        assert!(percent(-0.1) < 0.0 && percent(0.0) == 0.0);
    }
}
