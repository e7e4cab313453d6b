//! Sites and units, from the config, the files it includes, or a unit file.

use std::collections::{BTreeMap, BTreeSet};

use jiff::tz::TimeZone;

use super::SiteSpec;
use super::checked::Context;
use super::mistake::{At, Place};
use super::profile;
use super::raw;
use super::table::{Field, Numbers, Texts, did_you_mean, parse};
use super::value::Moment;
use crate::analysis::tuning;
use crate::domain::id::check_id;
use crate::domain::unit::{LAMP_LIFE_HOURS, LampSpec, SensorSpec, SleeveSpec};
use crate::domain::{Channel, IntensityUnit, Measure, Timestamp, UnitId, UnitSpec, WaterSource};

/// The most units one daemon takes; see the design's figure for refitting on one core.
const UNITS_MAX: usize = 10_000;
/// The most files one config includes.
const INCLUDED_MAX: usize = 10_000;
/// The longest name shown to people, characters.
const NAME_MAX_CHARS: usize = 80;
/// The longest address or contact, characters.
const ADDRESS_MAX_CHARS: usize = 200;
/// Small units have set points of 1 to 60 mW/cm2 or so (no source): far outside, the unit is probably another.
const USUAL_MW_CM2: (f64, f64) = (0.2, 100.0);
/// No sensor of a small unit reads more, mW/cm2 (no source; wide on purpose).
const INTENSITY_MAX_MW_CM2: f64 = 1_000.0;
/// A new lamp may show somewhat over 100 % of the nominal.
const PERCENT_MAX: f64 = 200.0;
/// Years that a part of a running unit can come from.
const YEARS: (i16, i16) = (1980, 2100);

/// What the config says about sites and units, ordered by id; each unit with the place of its table.
pub(super) struct Described {
    /// Sites.
    pub sites: Vec<SiteSpec>,
    /// Units.
    pub units: Vec<(UnitSpec, Place)>,
}

/// Reads the files that `include` names.
pub(super) fn include(field: &Field<Texts>, context: &mut Context<'_>) -> Vec<raw::Included> {
    let mut files = Vec::new();
    for pattern in field.given().map_or(&[][..], |texts| &texts.0) {
        for name in matching(pattern, context) {
            if files.len() == INCLUDED_MAX {
                context.out.mistake(&pattern.place, format!("more than {INCLUDED_MAX} files"), "join some of them");
                return files;
            }
            let path = context.beside(&name);
            match context.env.read(&path) {
                Ok(text) => {
                    let id = context.out.add_file(&path, &text);
                    files.extend(parse::<raw::Included>(&text, id, &mut context.out));
                }
                Err(error) => {
                    let says = format!("{} cannot be read: {error}", path.display());
                    context.out.mistake(&pattern.place, says, "check its name and permissions");
                }
            }
        }
    }
    files
}

/// The files a pattern stands for, in the order of their names; one `*` in the last part stands for any text.
fn matching(pattern: &At<String>, context: &mut Context<'_>) -> Vec<String> {
    let (directory, name) = pattern.value.rsplit_once('/').unwrap_or(("", &pattern.value));
    let Some((start, end)) = name.split_once('*') else { return vec![pattern.value.clone()] };
    if directory.contains('*') || end.contains('*') {
        context.out.mistake(&pattern.place, "more than one *", "write one, in the file's name: \"units/*.toml\"");
        return Vec::new();
    }
    let path = context.beside(directory);
    let names = match context.env.list(if path.as_os_str().is_empty() { ".".as_ref() } else { &path }) {
        Ok(names) => names,
        Err(error) => {
            let says = format!("{} cannot be listed: {error}", path.display());
            context.out.mistake(&pattern.place, says, "check its name and permissions");
            return Vec::new();
        }
    };
    let fits = |name: &String| {
        name.len() >= start.len() + end.len()
            && name.starts_with(start)
            && name.ends_with(end)
            && !name.starts_with('.')
    };
    let mut found: Vec<_> = names
        .into_iter()
        .filter(fits)
        .map(|name| if directory.is_empty() { name } else { format!("{directory}/{name}") })
        .collect();
    if found.is_empty() {
        context.out.warn(&pattern.place, "no file has such a name", "check the pattern");
    }
    found.sort();
    found
}

/// Checks every site and unit of the config and its included files.
pub(super) fn describe(
    raw: &raw::File,
    included: &[raw::Included],
    rows: &[raw::Unit],
    context: &mut Context<'_>,
) -> Described {
    let profiles = profile::gather(raw, included, context);
    let zone = raw.zone.given().and_then(|zone| time_zone(zone, context));
    let sites_written = raw.site.all().iter().chain(included.iter().flat_map(|file| file.site.all()));
    let mut sites: BTreeMap<String, (SiteSpec, Place)> = BTreeMap::new();
    for site in sites_written {
        let Some(spec) = check_site(site, zone.as_ref(), !raw.zone.is_absent(), context) else { continue };
        if let Some((_, first)) = sites.get(&spec.id) {
            let says = format!("site `{}` is described twice", spec.id);
            let remedy = format!("keep one; the other is at {}", context.out.locate(first));
            context.out.mistake(&site.place, says, remedy);
            continue;
        }
        sites.insert(spec.id.clone(), (spec, site.place.clone()));
    }
    let any_site = !raw.site.is_absent() || included.iter().any(|file| !file.site.is_absent());
    let mut units: BTreeMap<UnitId, (UnitSpec, Place)> = BTreeMap::new();
    let units_written = || raw.unit.all().iter().chain(included.iter().flat_map(|file| file.unit.all())).chain(rows);
    for unit in units_written() {
        let unit = &profile::apply(unit, &profiles, context);
        if let Some(at) = unit.zone.given() {
            let remedy = "move it to the [[site]], or to the top of the file for all";
            context.out.mistake(&at.place, "a unit is in the zone of its site", remedy);
        }
        let site_zone = unit.site.given().and_then(|site| {
            if !any_site {
                return zone.clone();
            }
            zone_of_site(site, &sites, context)
        });
        let Some(spec) = check_unit(unit, site_zone.unwrap_or(TimeZone::UTC), context) else { continue };
        if let Some((_, first)) = units.get(&spec.id) {
            let says = format!("unit {} is described twice", spec.id);
            let remedy = format!("keep one; the other is at {}", context.out.locate(first));
            context.out.mistake(&unit.place, says, remedy);
            continue;
        }
        units.insert(spec.id.clone(), (spec, unit.place.clone()));
    }
    check_counts(raw, units_written().count(), any_site, context);
    let lived_in: BTreeSet<&str> = units.keys().map(UnitId::site).collect();
    for (id, (_, place)) in &sites {
        if !lived_in.contains(id.as_str()) && !context.out.any_mistake() {
            context.out.warn(place, format!("site `{id}` has no unit"), "add a [[unit]], or take the site out");
        }
    }
    Described { sites: sites.into_values().map(|(spec, _)| spec).collect(), units: units.into_values().collect() }
}

fn check_counts(raw: &raw::File, units: usize, any_site: bool, context: &mut Context<'_>) {
    if units == 0 && !matches!(raw.unit, Field::Wrong) && !context.out.any_mistake() {
        let remedy = "add a [[unit]] with site, unit and set_point.intensity, or include = [\"units/*.toml\"]";
        context.out.mistake(&context.top(), "no unit to look after", remedy);
    }
    if units > UNITS_MAX {
        let says = format!("{units} units; one daemon takes {UNITS_MAX}");
        context.out.mistake(&context.top(), says, "split them over several daemons");
    }
    if !any_site && raw.zone.is_absent() && units > 0 {
        let remedy = "write zone = \"Europe/Vienna\" (yours) at the top, or a [[site]] with its zone";
        context.out.warn(&context.top(), "no time zone: days and dates will be in UTC", remedy);
    }
}

fn zone_of_site(
    site: &At<String>,
    sites: &BTreeMap<String, (SiteSpec, Place)>,
    context: &mut Context<'_>,
) -> Option<TimeZone> {
    if let Some((spec, _)) = sites.get(&site.value) {
        return Some(spec.zone.clone());
    }
    if check_id(&site.value).is_ok() {
        let remedy = did_you_mean(&site.value, sites.keys().map(String::as_str))
            .unwrap_or_else(|| format!("add a [[site]] with id = \"{}\" and its zone", site.value));
        context.out.mistake(&site.place, "no [[site]] has this id", remedy);
    }
    None
}

fn check_site(
    raw: &raw::Site,
    default: Option<&TimeZone>,
    default_written: bool,
    context: &mut Context<'_>,
) -> Option<SiteSpec> {
    let id = context.required(&raw.id, &raw.place, "id", "\"heron-bight\"").and_then(|id| identifier(&id, context));
    let zone = match raw.zone.given() {
        Some(zone) => time_zone(zone, context),
        None => {
            if raw.zone.is_absent() && !default_written {
                let remedy = "add zone = \"Europe/Vienna\" (yours), here or at the top of the file";
                context.out.warn(&raw.place, "no time zone: days and dates will be in UTC", remedy);
            }
            default.cloned()
        }
    };
    let name = name(&raw.name, context);
    let tags = raw.tags.given().map_or_else(Vec::new, |tags| tags.0.iter().map(|tag| tag.value.clone()).collect());
    let address = plain(&raw.address, ADDRESS_MAX_CHARS, context);
    let contact = plain(&raw.contact, ADDRESS_MAX_CHARS, context);
    let access = plain(&raw.access, ADDRESS_MAX_CHARS, context);
    let minutes = context.within(&raw.travel_minutes, 0, 1_440, "0", "1440 (minutes)");
    let travel_minutes = minutes.and_then(|minutes| u16::try_from(minutes).ok());
    let zone = zone.unwrap_or(TimeZone::UTC);
    Some(SiteSpec { id: id?, name, zone, tags, address, contact, access, travel_minutes })
}

/// A text for people, of at most `limit` characters.
fn plain(field: &Field<At<String>>, limit: usize, context: &mut Context<'_>) -> Option<String> {
    let at = field.given()?;
    let chars = at.value.chars().count();
    if chars > limit {
        context.out.mistake(&at.place, format!("has {chars} characters"), format!("write at most {limit}"));
    }
    Some(at.value.clone()).filter(|text| !text.is_empty())
}

fn identifier(at: &At<String>, context: &mut Context<'_>) -> Option<String> {
    if check_id(&at.value).is_ok() {
        return Some(at.value.clone());
    }
    let slug: String = at
        .value
        .to_lowercase()
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
        .take(crate::domain::id::ID_MAX_LEN)
        .collect();
    let slug = slug.trim_matches('-');
    let remedy =
        if slug.is_empty() { "write one such as \"boathouse\"".to_owned() } else { format!("write \"{slug}\"") };
    context.out.mistake(&at.place, "an id has 1 to 40 of a-z, 0-9 and -, and does not start with -", remedy);
    None
}

fn name(field: &Field<At<String>>, context: &mut Context<'_>) -> Option<String> {
    let at = field.given()?;
    if at.value.is_empty() || at.value.chars().count() > NAME_MAX_CHARS {
        let remedy = format!("write 1 to {NAME_MAX_CHARS} characters, or take it out");
        context.out.mistake(&at.place, "a name too long or empty", remedy);
    }
    Some(at.value.clone())
}

fn time_zone(at: &At<String>, context: &mut Context<'_>) -> Option<TimeZone> {
    if let Ok(zone) = TimeZone::get(&at.value) {
        return Some(zone);
    }
    let names: Vec<String> = jiff::tz::db().available().map(|name| name.to_string()).collect();
    // A town alone is what most owners write first; the shortest name that ends in it is the usual one.
    let ends_in_it = |name: &&String| name.rsplit('/').next().is_some_and(|last| last.eq_ignore_ascii_case(&at.value));
    let town = names.iter().filter(ends_in_it).min_by_key(|name| name.len());
    let remedy = town
        .map(|name| format!("did you mean `{name}`?"))
        .or_else(|| did_you_mean(&at.value, names.iter().map(String::as_str)))
        .unwrap_or_else(|| "write one of the IANA names, such as \"Europe/Vienna\"".to_owned());
    context.out.mistake(&at.place, "no such time zone", remedy);
    None
}

/// Checks the unit of a unit file, which may have a zone of its own.
pub(super) fn alone(raw: &raw::Unit, context: &mut Context<'_>) -> Option<UnitSpec> {
    let zone = raw.zone.given().and_then(|zone| time_zone(zone, context));
    if let Some(at) = raw.profile.given() {
        context.out.mistake(&at.place, "a unit file has no profiles", "write the keys of the profile here");
    }
    check_unit(raw, zone.unwrap_or(TimeZone::UTC), context)
}

fn check_unit(raw: &raw::Unit, zone: TimeZone, context: &mut Context<'_>) -> Option<UnitSpec> {
    let site = context.required(&raw.site, &raw.place, "site", "\"heron-bight\"");
    let site = site.and_then(|site| identifier(&site, context));
    let unit = context.required(&raw.unit, &raw.place, "unit", "\"boathouse\"");
    let unit = unit.and_then(|unit| identifier(&unit, context));
    let name = name(&raw.name, context);
    let water = context.word(&raw.water, &WaterSource::ALL.map(|(source, word)| (word, source)));
    let measure = raw.sensor.given().and_then(|sensor| sensor_measure(&sensor.unit, context));
    let sensor_unit_known = measure.is_some() || raw.sensor.given().is_none_or(|sensor| sensor.unit.is_absent());
    let measure = measure.unwrap_or(Measure::MilliwattPerCm2);
    let (set_point, reference) = intensities(raw, measure, sensor_unit_known, context);
    let lamp = lamp(&raw.lamp, &zone, context);
    let sleeve = match raw.sleeve.given() {
        None => SleeveSpec::default(),
        Some(sleeve) => {
            let (installed, cleaned) = fitted_and_cleaned(&sleeve.installed, &sleeve.cleaned, &zone, context);
            SleeveSpec { installed, cleaned }
        }
    };
    let sensor = match raw.sensor.given() {
        None => SensorSpec::default(),
        Some(sensor) => {
            let (installed, cleaned) = fitted_and_cleaned(&sensor.installed, &sensor.cleaned, &zone, context);
            let unit =
                if measure == Measure::Percent { IntensityUnit::Percent } else { IntensityUnit::MilliwattPerCm2 };
            let path_cm = context.within(&sensor.path_cm, 0.1, 30.0, "0.1", "30 (cm of water)");
            SensorSpec { installed, cleaned, unit, path_cm }
        }
    };
    let analysis = analysis(&raw.analysis, context);
    let id = UnitId::new(&site?, &unit?).ok()?;
    Some(UnitSpec { id, name, zone, set_point: set_point?, reference, lamp, sleeve, sensor, water, analysis })
}

/// Numbers of the analysis, each of which is there and within its bounds.
fn analysis(field: &Field<Numbers>, context: &mut Context<'_>) -> Vec<(String, f64)> {
    let mut good = Vec::new();
    for (path, at) in field.given().map_or(&[][..], |numbers| &numbers.0) {
        match tuning::check(path, at.value) {
            Ok(()) => good.push((path.clone(), at.value)),
            Err(refused) => context.out.mistake(&at.place, refused.says, refused.remedy),
        }
    }
    good
}

fn sensor_measure(field: &Field<At<String>>, context: &mut Context<'_>) -> Option<Measure> {
    let at = field.given()?;
    let measure =
        Measure::from_symbol(&at.value).filter(|measure| measure.to_inside(Channel::Intensity, 1.0).is_some());
    if measure.is_none() {
        let symbols = ["mW/cm2", "W/m2", "uW/cm2", "percent"];
        let same = symbols.into_iter().find(|symbol| symbol.eq_ignore_ascii_case(&at.value));
        let remedy = same
            .map(|symbol| format!("did you mean `{symbol}`?"))
            .or_else(|| did_you_mean(&at.value, symbols))
            .unwrap_or_else(|| format!("write one of {}", symbols.join(", ")));
        context.out.mistake(&at.place, "not a unit of intensity", remedy);
    }
    measure
}

/// Set point and reference, converted to what is kept inside. `known`: whether `measure` is what the owner meant.
fn intensities(
    raw: &raw::Unit,
    measure: Measure,
    known: bool,
    context: &mut Context<'_>,
) -> (Option<f64>, Option<f64>) {
    let set_point = match raw.set_point.given() {
        Some(table) => {
            let at = context.required(&table.intensity, &table.place, "intensity", "14.0");
            at.and_then(|at| if known { intensity(&at, measure, context) } else { None })
        }
        None => {
            if raw.set_point.is_absent() {
                let remedy = "add set_point.intensity = 14.0: the alarm value of the unit's papers, in sensor.unit";
                context.out.mistake(&raw.place, "set_point.intensity is missing", remedy);
            }
            None
        }
    };
    let written = raw.reference.given().and_then(|table| table.intensity.given());
    let reference = written.and_then(|at| if known { intensity(at, measure, context) } else { None });
    if let Some(table) = raw.reference.given()
        && table.intensity.is_absent()
    {
        context.out.mistake(&table.place, "intensity is missing", "add intensity = 24.0: the reading when new");
    }
    if let (Some(set_point), Some(reference), Some(at)) = (set_point, reference, written)
        && reference <= set_point
    {
        let says = "the reading when new is not above the set point: the unit would be short from the first day";
        context.out.warn(&at.place, says, "check both against the unit's papers, and sensor.unit");
    }
    if raw.reference.is_absent() && set_point.is_some() {
        let says = "no reference.intensity: what was lost before the first reading can only be guessed";
        context.out.warn(&raw.place, says, "add the reading when lamp and sleeve were new, if you have it");
    }
    (set_point, reference)
}

fn intensity(at: &At<f64>, measure: Measure, context: &mut Context<'_>) -> Option<f64> {
    let most = if measure == Measure::Percent { PERCENT_MAX } else { INTENSITY_MAX_MW_CM2 };
    let inside = measure.to_inside(Channel::Intensity, at.value)?;
    // The scale of the owner's unit, for the limits he reads.
    let scale = measure.to_inside(Channel::Intensity, 1.0)?;
    if inside <= 0.0 || inside > most {
        let remedy = format!("write more than 0 and at most {} ({})", most / scale, measure.symbol());
        context.out.mistake(&at.place, "out of range", remedy);
        return None;
    }
    let usual = USUAL_MW_CM2.0..=USUAL_MW_CM2.1;
    if measure != Measure::Percent && !usual.contains(&inside) {
        let says = format!("{} {} is far from what small units read", at.value, measure.symbol());
        let remedy = "check sensor.unit: 1 mW/cm2 = 10 W/m2 = 1000 uW/cm2";
        context.out.warn(&at.place, says, remedy);
    }
    Some(inside)
}

fn lamp(raw: &Field<raw::Lamp>, zone: &TimeZone, context: &mut Context<'_>) -> LampSpec {
    let Some(lamp) = raw.given() else { return LampSpec::default() };
    let installed = lamp.installed.given().and_then(|at| instant(at, zone, context));
    let hours_at_start = context.within(&lamp.hours_at_start, 0.0, 200_000.0, "0", "200000 (hours)");
    let rated_hours =
        context.within(&lamp.rated_hours, 500.0, 100_000.0, "500", "100000 (hours)").unwrap_or(LAMP_LIFE_HOURS);
    if let (Some(hours), Some(at)) = (hours_at_start, lamp.hours_at_start.given())
        && hours > rated_hours
    {
        let says = format!("the lamp is past its rated life of {rated_hours} h");
        context.out.warn(&at.place, says, "check both, and carry a lamp on the next visit");
    }
    LampSpec { installed, hours_at_start, rated_hours }
}

type Date = Field<At<Moment>>;

fn fitted_and_cleaned(
    installed: &Date,
    cleaned: &Date,
    zone: &TimeZone,
    context: &mut Context<'_>,
) -> (Option<Timestamp>, Option<Timestamp>) {
    let fitted = installed.given().and_then(|at| instant(at, zone, context));
    let wiped = cleaned.given().and_then(|at| instant(at, zone, context));
    if let (Some(fitted), Some(wiped), Some(at)) = (fitted, wiped, cleaned.given())
        && wiped < fitted
    {
        context.out.warn(&at.place, "cleaned before it was fitted", "check both dates");
    }
    (fitted, wiped)
}

fn instant(at: &At<Moment>, zone: &TimeZone, context: &mut Context<'_>) -> Option<Timestamp> {
    let instant = match at.value {
        Moment::Day(date) => Timestamp::day_start(date, zone),
        Moment::Local(time) => match time.to_zoned_datetime(zone.clone()) {
            Ok(zoned) => zoned.timestamp().into(),
            Err(_) => Timestamp::MAX,
        },
        Moment::Instant(instant) => instant,
    };
    let year = instant.date_in(zone).year();
    if !(YEARS.0..=YEARS.1).contains(&year) {
        let remedy = format!("write a date from {} to {}", YEARS.0, YEARS.1);
        context.out.mistake(&at.place, "out of range", remedy);
        return None;
    }
    if instant > context.env.now() {
        context.out.warn(&at.place, "lies in the future", "check the date");
    }
    Some(instant)
}
