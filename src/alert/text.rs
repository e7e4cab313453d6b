//! What an alert says: what is known, how sure that is, what to do first, what to beware of.
//!
//! Words are simple and promise nothing: below the set point treatment is not assured, and the unit's papers, the
//! health authority and local codes decide. A text that rests on a default life says so.

use serde::{Deserialize, Serialize};

use super::life::holds;
use super::{Evidence, Kind};
use crate::domain::assessment::{Likely, StepKind};
use crate::domain::{Channel, Timestamp, VerdictCause};

/// The four sentences of an alert.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Text {
    /// What is known.
    pub says: String,
    /// How sure that is.
    pub sure: String,
    /// What to do first.
    pub first: String,
    /// What to beware of.
    pub caution: String,
}

const FALLBACK: &str = "until it is put right use water treated another way, such as boiled as your health authority \
                        advises, or other safe water";
const MEANWHILE: &str = "until this alert ends use water treated another way, such as boiled as your health authority \
                         advises, or other safe water";
const STANDING: &str = "For the water that passed meanwhile treatment is not assured; some of it still stands in pipes \
                        and tanks.";
const BEFORE_OPENING: &str = "Before you open the unit: power off, water off and pressure released, lamp cooled; no \
                              ultraviolet light on eyes or skin; a broken lamp holds mercury.";
const ACID: &str = "Gloves and goggles for acid; nothing on the quartz but a clean cloth.";
const AUTHORITY: &str = "The unit's papers, local codes and the health authority say what must happen now.";
const ALARM_COUNTS: &str = "Silence is no proof that the lamp is lit; the unit's own alarm still counts.";

/// The text of an alert of `kind`.
pub fn text(kind: Kind, evidence: &Evidence<'_>) -> Text {
    match kind {
        Kind::NoLight => no_light(evidence),
        Kind::TreatmentNotAssured => treatment(evidence),
        Kind::NoReadings => no_readings(evidence),
        Kind::SensorDoubtful => sensor(evidence),
        Kind::CleaningNotEnough => not_enough(evidence),
        Kind::CleaningDue => cleaning_due(evidence),
        Kind::WaterEpisode => water_episode(evidence),
        Kind::WaterChanged => water_changed(evidence),
        Kind::PartLimit => part_limit(evidence),
        Kind::UnloggedStep => unlogged(evidence),
        Kind::LogDoubt => log_doubt(evidence),
    }
}

fn write(says: String, sure: impl Into<String>, first: impl Into<String>, caution: impl Into<String>) -> Text {
    Text { says, sure: sure.into(), first: first.into(), caution: caution.into() }
}

fn set_point(evidence: &Evidence<'_>) -> String {
    format!("{} {}", evidence.spec.set_point, evidence.spec.sensor.unit.symbol())
}

/// Whether the lamp has power, as the node says it.
fn lamp_on(evidence: &Evidence<'_>) -> Option<bool> {
    evidence.latest.and_then(|latest| latest.get(Channel::LampOn)).map(|on| on > 0.5)
}

/// What is said while an alert about the light waits for the end of its hold time. Water that passed before still stands
/// in pipes and tanks, so the fallback stays.
fn better(says: String, stays: &str) -> Text {
    let sure = format!("It is what the sensor reads. The alert ends when it has stayed so for {stays}.");
    let first = format!("{}. Find out what it was, and log what was done.", capital(MEANWHILE));
    write(says, sure, first, format!("{STANDING} {AUTHORITY} {BEFORE_OPENING}"))
}

fn no_light(evidence: &Evidence<'_>) -> Text {
    if evidence.intensity().is_some_and(|light| light > 2.0 * evidence.dark_below) {
        let says = format!("no light reached the sensor; at {} it saw light again", latest(evidence));
        return better(says, &duration(holds(Kind::NoLight).clear));
    }
    let (sure, look) = match lamp_on(evidence) {
        Some(false) => (
            "The node still sends and says that the lamp has no power: its switch, plug, fuse or power supply, not a \
             power cut of the whole place.",
            "switch, plug and fuse of the lamp, then its power supply",
        ),
        Some(true) => (
            "The node still sends and says that the lamp has power: the lamp itself, or the sensor and its plug; no \
             power cut.",
            "whether the lamp is lit (only through its window or sight port), then the sensor and its plug",
        ),
        None => (
            "The node still sends, so this is no power cut of the whole place; lamp, power supply, fuse and sensor \
             cannot be told apart from here.",
            "power, fuse and lamp, then the sensor and its plug",
        ),
    };
    let says = format!("no light reaches the sensor (set point {}): treatment is not assured", set_point(evidence));
    write(says, sure, format!("Check {look}; {FALLBACK}."), format!("{AUTHORITY} {BEFORE_OPENING}"))
}

fn treatment(evidence: &Evidence<'_>) -> Text {
    if evidence.intensity().is_some_and(|light| light > super::signals::ASSURED_ABOVE * evidence.spec.set_point) {
        let (set_point, at) = (set_point(evidence), latest(evidence));
        let says = format!("the reading was at or under the set point of {set_point}; at {at} it was over it again");
        let holds = holds(Kind::TreatmentNotAssured);
        let (clear, worked) = (duration(holds.clear), duration(holds.clear_answered));
        return better(says, &format!("{clear}, or {worked} after work that is logged"));
    }
    let says = format!("the reading is at or under the set point of {}: treatment is not assured", set_point(evidence));
    let why = evidence.settled().map(|assessment| assessment.verdict.says.as_str()).filter(|says| !says.is_empty());
    let sure = why.map_or_else(
        || "It is what the sensor reads; why is not known yet.".to_owned(),
        |why| format!("It is what the sensor reads. By the last assessment: {}", sentence(why)),
    );
    let next = if evidence.episode().is_some() {
        " The water is cloudy at the moment; the light may return with it."
    } else if evidence.cleaning_helps() {
        " Then clean the sleeve."
    } else {
        " Then look for the cause: sleeve, lamp, sensor window, water."
    };
    write(says, sure, format!("{}.{next}", capital(FALLBACK)), format!("{AUTHORITY} {BEFORE_OPENING}"))
}

fn no_readings(evidence: &Evidence<'_>) -> Text {
    let zone = &evidence.spec.zone;
    if evidence.is_heard_well() {
        return write(
            format!("readings had stopped; at {} one came again", latest(evidence)),
            format!("The alert ends when they have come for {}.", duration(holds(Kind::NoReadings).clear)),
            "If nobody knows why they stopped, look at the node's power and network.",
            ALARM_COUNTS,
        );
    }
    let (says, sure) = match evidence.heard {
        Some(heard) => (
            format!(
                "readings have stopped since {}: nothing is known about the light since then",
                instant(heard, zone)
            ),
            format!(
                "It used to send often enough for {} without a word to be unusual; other units of the site still send \
                 or stand alone, so a power cut, the node and its network cannot be told apart from here.",
                duration(evidence.silent_after)
            ),
        ),
        None => (
            "no reading has ever come: nothing is known about the light".to_owned(),
            "The unit is in the config, and nothing has arrived under its name.".to_owned(),
        ),
    };
    let first = "Check that the unit has power (without it nothing is treated), then its node and network.";
    write(says, sure, first, ALARM_COUNTS)
}

fn sensor(evidence: &Evidence<'_>) -> Text {
    let signs = evidence.signs;
    let (says, first) = if let Some(ratio) = signs.reference_ratio.filter(|r| *r > super::signals::REFERENCE_RATIO_MAX)
    {
        (
            format!(
                "the sensor read {ratio:.2} times what the reference sensor read at the last check; at most 1.2 is allowed by common rules: it shows more light than there is"
            ),
            "Recalibrate or replace the sensor; until then let the set point be raised as the papers or the authority say.",
        )
    } else if signs.wiring {
        (
            "the sensor's current is outside what a working loop gives: a broken wire, a short or a failed transmitter"
                .to_owned(),
            "Check plug, cable and power of the sensor.",
        )
    } else if signs.stuck {
        (
            "the sensor has repeated one and the same value for hours: what it shows is no reading".to_owned(),
            "Check plug and cable of the sensor, power its node off and on, then compare with a reference sensor.",
        )
    } else if let Some(share) = signs.share_of_new.filter(|share| *share > super::signals::READS_HIGH.1) {
        (
            format!(
                "the sensor reads {:.0} % of what it read when everything was new: more light than the unit can give is not likely",
                100.0 * share
            ),
            "Compare with a reference sensor; check sensor.unit and the reference in the config.",
        )
    } else {
        (
            "the unit's node still sends, but no intensity comes with it".to_owned(),
            "Check plug, cable and power of the sensor, and the mapping in the config.",
        )
    };
    let sure = "It is what the readings show; a reference sensor tells for certain.";
    write(
        says,
        sure,
        first,
        "A sensor that reads high hides a lack of light: treatment is not assured by its word alone.",
    )
}

fn not_enough(evidence: &Evidence<'_>) -> Text {
    let Some(assessment) = evidence.settled() else { return Text::default() };
    let forecast = &assessment.forecast;
    let by = forecast.crossing.p10.or(forecast.clean_by);
    let part = match assessment.verdict.cause {
        VerdictCause::LampAgeing => "a lamp",
        VerdictCause::SensorDrift => "a wiped or a new sensor",
        VerdictCause::LampOrSensor => "a lamp or a sensor",
        VerdictCause::SleeveFouling => "a sleeve, as the coat does not come off any more, or a lamp",
        _ => "more than a cleaning: a lamp, a sleeve or a sensor",
    };
    let when = by.map_or_else(String::new, |by| format!(" by {by}"));
    let after = forecast.after_cleaning.map_or_else(String::new, |after| {
        let unit = evidence.spec.sensor.unit.symbol();
        format!("; a cleaning would bring it to {:.1} {unit} ({:.1} to {:.1})", after.intensity, after.low, after.high)
    });
    let says = format!("the light is likely to be too little{when} and needs {part}{after}");
    let first = assessment.verdict.settle_with.as_ref().map_or_else(
        || format!("Plan a visit with {part} in the bag, and clean the sleeve all the same."),
        |settle| format!("Start with {}: {}", settle.action, sentence(&settle.says)),
    );
    write(says, surely(assessment.verdict.probability, &assessment.verdict.says), first, BEFORE_OPENING)
}

fn cleaning_due(evidence: &Evidence<'_>) -> Text {
    let Some(assessment) = evidence.settled() else { return Text::default() };
    let by = assessment.forecast.clean_by.or(assessment.forecast.crossing.p10);
    let days = by.map(|by| (by - evidence.today()).get_days());
    let says = match (by, days) {
        (Some(by), Some(1)) => format!("clean the sleeve by {by}, tomorrow"),
        (Some(by), Some(days)) if days > 0 => format!("clean the sleeve by {by}, in {days} days"),
        (Some(by), _) => format!("clean the sleeve now: the date was {by}"),
        _ => "clean the sleeve".to_owned(),
    };
    let parts = evidence.parts_due(60);
    let along = if parts.is_empty() {
        String::new()
    } else {
        let names: Vec<&str> = parts.iter().map(|part| part.part.as_str()).collect();
        format!(" Take along for the same visit: {} (life by common practice or papers).", names.join(", "))
    };
    let sure = format!(
        "{} The date is the day by which one in ten such courses would be too low.",
        surely(assessment.verdict.probability, &assessment.verdict.says)
    );
    let first = format!("Plan the cleaning, and log it when it is done.{along}");
    write(says, sure, first, format!("{BEFORE_OPENING} {ACID}"))
}

fn water_episode(evidence: &Evidence<'_>) -> Text {
    let (depth, from) = evidence.episode().map_or((0.0, evidence.now), |e| (e.depth_percent, e.from));
    let since = instant(from, &evidence.spec.zone);
    write(
        format!("the water lets {depth:.0} % less light through than usual since {since}"),
        "The reading fell and came with no service; rain, thaw or a failed pre-filter do that, and the light usually \
         returns by itself within days.",
        "Look at the water and at the pre-filters; ease the draw of water where you can. No cleaning is needed for this.",
        "Cloudy water shields germs as well as dimming the light; if it looks or smells unusual follow the health \
         authority's advice.",
    )
}

fn water_changed(evidence: &Evidence<'_>) -> Text {
    let step = evidence.steps(true).last();
    let (size, at) = step.map_or((0.0, evidence.today()), |s| (s.loss_percent.or(s.gain_percent).unwrap_or(0.0), s.at));
    let way = if step.is_some_and(|s| s.kind == StepKind::StepUp) { "more" } else { "less" };
    let metered = evidence.latest.is_some_and(|latest| latest.get(Channel::Transmittance).is_some());
    let sure = if metered {
        "The unit's own transmittance measurement shows it; a meter with dirt on its window would show the same."
    } else {
        "A step that stays, with no service in the log. Work that nobody logged looks alike."
    };
    write(
        format!(
            "since {at} about {size:.0} % {way} light comes through, and it stays so: most likely the water has changed"
        ),
        sure,
        "Ask what was changed (source, softener, filters) and log it as a note of that day, or have the transmittance \
         measured and log that.",
        "A well whose water changes for good may have got surface water: have it tested as the health authority advises.",
    )
}

fn part_limit(evidence: &Evidence<'_>) -> Text {
    let mut lines: Vec<String> = evidence
        .parts_due(0)
        .into_iter()
        .map(|part| {
            let due = part.due.map_or_else(String::new, |due| format!(" due {due}"));
            format!("{}{due}: {}", part.part, part.limit)
        })
        .collect();
    lines.extend(evidence.signs.worn());
    if lines.is_empty() {
        lines.push("a part was at its limit".to_owned());
    }
    let default = lines.iter().any(|line| line.contains("common practice"));
    let sure = if default {
        "Ages are from the config and the log. A limit by common practice is a default of ours: the unit's papers win, \
         and what they say belongs in the config."
    } else {
        "Ages are from the config and the log, limits from the unit's papers, signs from flow and pressure."
    };
    write(
        lines.join("; "),
        sure,
        "Order the part and change it on the next visit; log the change, or its age goes on counting.",
        format!("{BEFORE_OPENING} A part past its limit may still work: it is less to be relied on."),
    )
}

fn unlogged(evidence: &Evidence<'_>) -> Text {
    let steps: Vec<String> = evidence
        .steps(false)
        .map(|step| {
            let (way, size) = match step.kind {
                StepKind::StepUp => ("rose", step.gain_percent),
                StepKind::StepDown => ("fell", step.loss_percent),
            };
            let likely = match step.likely {
                Likely::Unknown => String::new(),
                likely => format!(", most likely {likely}"),
            };
            format!("the light {way} by {:.0} % on {}{likely}", size.unwrap_or(0.0), step.at)
        })
        .collect();
    let unit = &evidence.spec.id;
    write(
        format!("{}, and nothing is logged for it. What was done?", steps.join("; ")),
        "The step is in the readings; what it was is a guess.",
        format!("Log what was done: `fadeline log {unit} ACTION --at DAY`, the page, or the hub's button."),
        "As long as it is not logged, causes and dates are less sure.",
    )
}

fn log_doubt(evidence: &Evidence<'_>) -> Text {
    let doubts: Vec<String> = evidence
        .doubts()
        .map(|doubt| format!("{} of {}: {}", doubt.action, instant(doubt.at, &evidence.spec.zone), doubt.says))
        .collect();
    write(
        format!("the log has work of which the readings show nothing: {}", doubts.join("; ")),
        "Either it was not done, not at that time, at another unit, or it did not help.",
        "Ask who logged it. If it was done, what it should have cured is elsewhere: look at lamp, sensor window and water.",
        "A cleaning that brings no light back is a finding, not a success.",
    )
}

fn surely(probability: Option<f64>, says: &str) -> String {
    let says = sentence(says);
    match probability {
        Some(p) => format!("{says} Sure to {:.0} in 100.", (100.0 * p).round()),
        None => says,
    }
}

fn sentence(text: &str) -> String {
    let text = text.trim();
    if text.is_empty() || text.ends_with(['.', '?', '!']) { text.to_owned() } else { format!("{text}.") }
}

/// When the latest reading was, on the site's clock.
fn latest(evidence: &Evidence<'_>) -> String {
    instant(evidence.latest.map_or(evidence.now, |latest| latest.at), &evidence.spec.zone)
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}

fn instant(at: Timestamp, zone: &jiff::tz::TimeZone) -> String {
    at.to_jiff().to_zoned_datetime(zone.clone()).strftime("%Y-%m-%d %H:%M").to_string()
}

fn duration(millis: i64) -> String {
    let minutes = millis / crate::domain::time::MINUTE;
    if minutes < 120 { format!("{minutes} min") } else { format!("{} h", minutes / 60) }
}

#[cfg(test)]
#[path = "text_tests.rs"]
pub(super) mod tests;
