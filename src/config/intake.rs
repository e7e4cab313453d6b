//! `[[source]]`: which messages carry readings, of which unit, and how they are read.

use super::checked::Context;
use super::filter;
use super::mistake::{At, Place};
use super::raw;
use super::table::{Field, did_you_mean};
use crate::domain::intake::{
    ChannelMap, Scaling, Selector, Shape, Source, Target, Template, TemplatePart, TimeField, TimeFormat,
};
use crate::domain::{Channel, IntensityUnit, Measure, UnitId, UnitSpec};

/// The most sources of one config: each is a subscription.
const SOURCES_MAX: usize = 1_000;

/// Checks every source. `contract` is the prefix of the contract's own source, if it is on.
pub(super) fn check(
    raw: &[&raw::Source],
    contract: Option<&String>,
    prefix: &str,
    units: &[(UnitSpec, Place)],
    context: &mut Context<'_>,
) -> Vec<Source> {
    if raw.is_empty() && contract.is_none() {
        let remedy = "add a [[source]], or write contract = true under [topics]";
        context.out.mistake(&context.top(), "no message would be read", remedy);
    }
    if raw.len() > SOURCES_MAX {
        let remedy = format!("use wildcards; at most {SOURCES_MAX}");
        context.out.mistake(&context.top(), format!("{} sources", raw.len()), remedy);
    }
    let mut checked: Vec<(Source, Place)> = Vec::new();
    for entry in raw {
        let Some(source) = check_source(entry, prefix, units, context) else { continue };
        let place = entry.topic.given().map_or(&entry.place, |at| &at.place).clone();
        clash(&source.filter, &place, &checked, context);
        check_intensity_unit(entry, &source, units, context);
        checked.push((source, place));
    }
    if let Some(prefix) = contract {
        let own = Source::contract(prefix);
        for (source, place) in &checked {
            if ambiguous(&source.filter, &own.filter) {
                let says = format!("shares topics with our own source {}", own.filter);
                context.out.mistake(place, says, "write contract = false under [topics], or a narrower topic");
            }
        }
        checked.push((own, context.top()));
    }
    let mut sources: Vec<Source> = checked.into_iter().map(|(source, _)| source).collect();
    narrow_first(&mut sources);
    warn_unreached(&sources, units, context);
    sources
}

/// Whether two filters share topics and neither is the narrower.
fn ambiguous(a: &str, b: &str) -> bool {
    filter::overlap(a, b) && filter::covers(a, b) == filter::covers(b, a)
}

/// Reports a source that shares topics with an earlier one when nothing says which of the two is meant.
fn clash(topic: &str, place: &Place, earlier: &[(Source, Place)], context: &mut Context<'_>) {
    for (other, other_place) in earlier.iter().filter(|(other, _)| ambiguous(&other.filter, topic)) {
        let says = if other.filter == topic {
            "another source has the same topic".to_owned()
        } else {
            format!("shares topics with {}, and neither is the narrower", other.filter)
        };
        let remedy = format!("join them or narrow one; the other is at {}", context.out.locate(other_place));
        context.out.mistake(place, says, remedy);
    }
}

/// Puts every source before those that cover it, and otherwise keeps the order.
fn narrow_first(sources: &mut Vec<Source>) {
    let mut ordered: Vec<Source> = Vec::with_capacity(sources.len());
    for source in sources.drain(..) {
        let at =
            ordered.iter().position(|other| filter::covers(&other.filter, &source.filter)).unwrap_or(ordered.len());
        ordered.insert(at, source);
    }
    *sources = ordered;
}

fn check_source(
    raw: &raw::Source,
    prefix: &str,
    units: &[(UnitSpec, Place)],
    context: &mut Context<'_>,
) -> Option<Source> {
    let topic = context.required(&raw.topic, &raw.place, "topic", "\"cabins/+/uv\"");
    let topic = topic.and_then(|topic| check_topic(&topic, prefix, context));
    let target = target(raw, topic.as_deref(), units, context);
    let channels = channels(raw, context);
    let shape = shape(raw, &channels, context);
    let time = time(raw, shape, context);
    let channels = channels.into_iter().map(|(map, _)| map).collect();
    Some(Source { filter: topic?, target: target?, shape, time, channels })
}

fn check_topic(topic: &At<String>, prefix: &str, context: &mut Context<'_>) -> Option<String> {
    if let Some((says, remedy)) = filter::fault(&topic.value) {
        context.out.mistake(&topic.place, says, remedy);
        return None;
    }
    for ours in ["out", "service"] {
        if filter::overlap(&topic.value, &format!("{prefix}/{ours}/#")) {
            let says = format!("takes in {prefix}/{ours}/..., which are not readings");
            context.out.mistake(&topic.place, says, "write a narrower topic, or another [topics] prefix");
            return None;
        }
    }
    Some(topic.value.clone())
}

/// Which unit: `site` and `unit`, or `unit = "SITE/UNIT"`, either with `{n}` for levels of the topic.
fn target(
    raw: &raw::Source,
    topic: Option<&str>,
    units: &[(UnitSpec, Place)],
    context: &mut Context<'_>,
) -> Option<Target> {
    let unit = context.required(&raw.unit, &raw.place, "unit", "\"{2}\"")?;
    let both = || unit.value.split_once('/').map(|(site, unit)| (site.to_owned(), unit.to_owned()));
    let (site_text, site_place, unit_text) = match (raw.site.given(), both()) {
        (Some(site), None) => (site.value.clone(), &site.place, unit.value.clone()),
        (None, Some((site, name))) => (site, &unit.place, name),
        (Some(site), Some(_)) => {
            let remedy = "write site and unit, or unit = \"SITE/UNIT\" alone";
            context.out.mistake(&site.place, "unit names the site already", remedy);
            return None;
        }
        (None, None) => {
            if raw.site.is_absent() {
                let remedy = "add site = \"heron-bight\", or write unit = \"SITE/UNIT\"";
                context.out.mistake(&raw.place, "site is missing", remedy);
            }
            return None;
        }
    };
    let site = template(&site_text, site_place, topic, context);
    let unit_template = template(&unit_text, &unit.place, topic, context);
    let (site, unit_template) = (site?, unit_template?);
    let (Some(site_id), Some(unit_id)) = (constant(&site), constant(&unit_template)) else {
        return Some(Target::Topic { site, unit: unit_template });
    };
    let id = match UnitId::new(&site_id, &unit_id) {
        Ok(id) => id,
        Err(error) => {
            context.out.mistake(&unit.place, error.to_string(), "write it as under [[unit]]");
            return None;
        }
    };
    if !units.iter().any(|(spec, _)| spec.id == id) && !units.is_empty() {
        let remedy = did_you_mean(id.as_str(), units.iter().map(|(spec, _)| spec.id.as_str()))
            .unwrap_or_else(|| "add a [[unit]] with this site and unit".to_owned());
        context.out.mistake(&unit.place, format!("no [[unit]] is {id}"), remedy);
    }
    if topic.is_some_and(|topic| topic.contains(['+', '#'])) {
        let says = format!("messages of many topics all count as {id}");
        context.out.warn(&unit.place, says, "write a template such as \"{2}\", or a topic without wildcards");
    }
    Some(Target::Unit(id))
}

/// The text of a template without levels.
fn constant(template: &Template) -> Option<String> {
    template
        .0
        .iter()
        .map(|part| match part {
            TemplatePart::Text(text) => Some(text.as_str()),
            TemplatePart::Level(_) => None,
        })
        .collect()
}

fn template(text: &str, place: &Place, topic: Option<&str>, context: &mut Context<'_>) -> Option<Template> {
    let parts = match split_template(text) {
        Ok(parts) => parts,
        Err(says) => {
            context.out.mistake(place, says, "write levels as {1}, {2} and the rest in a-z, 0-9 and -");
            return None;
        }
    };
    let levels = topic.map(|topic| (topic.split('/').count(), topic.ends_with('#')));
    let highest = parts.iter().filter_map(|part| match part {
        TemplatePart::Level(n) => Some(*n),
        TemplatePart::Text(_) => None,
    });
    if let (Some((count, open)), Some(highest)) = (levels, highest.max())
        && !open
        && highest > count
    {
        let says = format!("the topic has {count} levels, so {{{highest}}} never exists");
        context.out.mistake(place, says, format!("write {{1}} to {{{count}}}"));
        return None;
    }
    Some(Template(parts))
}

fn split_template(text: &str) -> Result<Vec<TemplatePart>, String> {
    let mut parts = Vec::new();
    let mut rest = text;
    while !rest.is_empty() {
        let (plain, more) = rest.split_once('{').map_or((rest, None), |(plain, more)| (plain, Some(more)));
        let fits = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        if !plain.chars().all(fits) {
            return Err(format!("`{plain}` cannot be part of an id"));
        }
        if !plain.is_empty() {
            parts.push(TemplatePart::Text(plain.to_owned()));
        }
        let Some(more) = more else { break };
        let Some((number, after)) = more.split_once('}') else { return Err("a { without its }".to_owned()) };
        match number.parse::<usize>() {
            Ok(level) if level > 0 => parts.push(TemplatePart::Level(level)),
            _ => return Err(format!("{{{number}}} is not a level: they count from 1")),
        }
        rest = after;
    }
    if parts.is_empty() { Err("empty".to_owned()) } else { Ok(parts) }
}

/// The channels of a source, each with the place of its table.
fn channels(raw: &raw::Source, context: &mut Context<'_>) -> Vec<(ChannelMap, Place)> {
    let mut channels: Vec<(ChannelMap, Place)> = Vec::new();
    for entry in raw.channel.all() {
        let Some(map) = channel(entry, context) else { continue };
        if channels.iter().any(|(other, _)| other.channel == map.channel) {
            let place = entry.channel.given().map_or(&entry.place, |at| &at.place);
            context.out.mistake(place, "this source has the channel already", "write each channel once");
        }
        channels.push((map, entry.place.clone()));
    }
    channels
}

fn channel(raw: &raw::Channel, context: &mut Context<'_>) -> Option<ChannelMap> {
    let at = context.required(&raw.channel, &raw.place, "channel", "\"intensity\"");
    let words = Channel::ALL.map(|channel| (channel.name(), channel));
    let channel = at.and_then(|_| context.word(&raw.channel, &words));
    let from = selector(raw, context);
    let scaling = scaling(raw, channel, context);
    let measure = channel.and_then(|channel| measure(&raw.measure, channel, context));
    Some(ChannelMap { channel: channel?, from: from?, scaling: scaling?, measure })
}

fn selector(raw: &raw::Channel, context: &mut Context<'_>) -> Option<Selector> {
    match (raw.pointer.given(), raw.record.given()) {
        (Some(_), Some(record)) => {
            context.out.mistake(&record.place, "pointer is set too", "write one of them");
            None
        }
        (Some(pointer), None) => {
            let text = &pointer.value;
            if text.is_empty() || (text.starts_with('/') && !bad_escape(text)) {
                return Some(Selector::Pointer(text.clone()));
            }
            let remedy = match text.starts_with('/') {
                true => "write ~ in a name as ~0 and / as ~1".to_owned(),
                false => format!("write \"/{}\"", text.trim_start_matches(['$', '.']).replace('.', "/")),
            };
            context.out.mistake(&pointer.place, "not a JSON pointer (RFC 6901)", remedy);
            None
        }
        (None, Some(record)) if record.value.is_empty() => {
            context.out.mistake(&record.place, "an empty record name", "write the name of the SenML record");
            None
        }
        (None, Some(record)) => Some(Selector::Record(record.value.clone())),
        (None, None) if raw.pointer.is_absent() && raw.record.is_absent() => Some(Selector::Whole),
        (None, None) => None,
    }
}

/// RFC 6901: `~` is only legal as `~0` or `~1`.
fn bad_escape(pointer: &str) -> bool {
    pointer.split('~').skip(1).any(|after| !after.starts_with(['0', '1']))
}

fn scaling(raw: &raw::Channel, channel: Option<Channel>, context: &mut Context<'_>) -> Option<Scaling> {
    let ends = [&raw.at_4_ma, &raw.at_20_ma];
    if ends.iter().all(|end| end.is_absent()) {
        if let Some(factor) = raw.factor.given().filter(|factor| factor.value == 0.0) {
            context.out.mistake(&factor.place, "would make every value 0", "write a factor other than 0");
        }
        let factor = raw.factor.value().unwrap_or(1.0);
        return Some(Scaling::Linear { factor, offset: raw.offset.value().unwrap_or(0.0) });
    }
    for linear in [&raw.factor, &raw.offset].into_iter().filter_map(Field::given) {
        let remedy = "take it out: the values at 4 and 20 mA say it all";
        context.out.mistake(&linear.place, "has no meaning beside at_4_ma and at_20_ma", remedy);
    }
    for (end, key) in ends.into_iter().zip(["at_4_ma", "at_20_ma"]) {
        if end.is_absent() {
            let remedy = format!("add {key}: the value the transmitter shows at that current");
            context.out.mistake(&raw.place, format!("{key} is missing"), remedy);
        }
    }
    let (low, high) = (raw.at_4_ma.given()?, raw.at_20_ma.given()?);
    if low.value == high.value {
        context.out.mistake(&high.place, "the same as at 4 mA", "write the value at 20 mA");
    } else if low.value > high.value && channel == Some(Channel::Intensity) {
        let says = "the reading would fall while the current rises";
        context.out.warn(&high.place, says, "check that the two are not swapped");
    }
    if channel == Some(Channel::LoopCurrent) {
        context.out.mistake(&raw.place, "the current itself is not scaled", "map the loop to channel = \"intensity\"");
    }
    Some(Scaling::CurrentLoop { at_4_ma: low.value, at_20_ma: high.value })
}

fn measure(field: &Field<At<String>>, channel: Channel, context: &mut Context<'_>) -> Option<Measure> {
    let at = field.given()?;
    let fits = |measure: Measure| measure.to_inside(channel, 1.0).is_some();
    let measure = Measure::from_symbol(&at.value);
    if measure.is_none_or(|measure| !fits(measure)) {
        let symbols: Vec<_> = Measure::ALL.iter().filter(|(m, _)| fits(*m)).map(|(_, symbols)| symbols[0]).collect();
        let remedy = did_you_mean(&at.value, symbols.iter().copied())
            .unwrap_or_else(|| format!("write one of {}", symbols.join(", ")));
        context.out.mistake(&at.place, format!("not a unit of {channel}"), remedy);
        return None;
    }
    measure
}

const SHAPES: [(&str, Shape); 4] =
    [("any", Shape::Any), ("senml", Shape::Senml), ("object", Shape::Object), ("number", Shape::Number)];

/// The shape that was written, or the one the channels' selectors speak of.
fn shape(raw: &raw::Source, channels: &[(ChannelMap, Place)], context: &mut Context<'_>) -> Shape {
    let of = |from: &Selector| match from {
        Selector::Pointer(_) => Shape::Object,
        Selector::Record(_) => Shape::Senml,
        Selector::Whole => Shape::Number,
    };
    let Some(at) = raw.shape.given() else {
        let mut shapes = channels.iter().map(|(map, _)| of(&map.from));
        let first = shapes.next().unwrap_or(Shape::Any);
        let shape = if shapes.all(|shape| shape == first) { first } else { Shape::Any };
        if shape == Shape::Number && channels.len() > 1 {
            let remedy = "add pointer (JSON object) or record (SenML) to each channel";
            context.out.mistake(&raw.place, "several channels and nothing says where each is", remedy);
        }
        return shape;
    };
    let shape = context.word(&raw.shape, &SHAPES).unwrap_or(Shape::Any);
    for (map, place) in channels.iter().filter(|_| shape != Shape::Any) {
        if of(&map.from) != shape {
            let remedy = match shape {
                Shape::Object => "add pointer = \"/uv/now\"",
                Shape::Senml => "add record = \"uv\"",
                _ => "take out pointer and record",
            };
            let says = format!("does not fit shape = \"{}\"", at.value);
            context.out.mistake(place, says, remedy);
        }
    }
    if shape == Shape::Number && channels.len() > 1 {
        context.out.mistake(&at.place, "a bare number is one channel", "keep one [[source.channel]]");
    }
    shape
}

const TIME_FORMATS: [(&str, TimeFormat); 3] = [
    ("rfc3339", TimeFormat::Rfc3339),
    ("unix-seconds", TimeFormat::UnixSeconds),
    ("unix-millis", TimeFormat::UnixMillis),
];

fn time(raw: &raw::Source, shape: Shape, context: &mut Context<'_>) -> Option<TimeField> {
    let format = context.word(&raw.time_format, &TIME_FORMATS);
    let Some(at) = raw.time.given() else {
        if let Some(format) = raw.time_format.given().filter(|_| raw.time.is_absent()) {
            context.out.mistake(&format.place, "time is not set", "add time = \"/time\" (a JSON pointer)");
        }
        return None;
    };
    if !matches!(shape, Shape::Object | Shape::Any) {
        let remedy = "take it out: SenML has its own times, a bare number has none";
        context.out.mistake(&at.place, "only a JSON object has a time field", remedy);
    }
    if !at.value.starts_with('/') || bad_escape(&at.value) {
        let remedy = format!("write \"/{}\"", at.value.trim_start_matches(['$', '.', '/']).replace('.', "/"));
        context.out.mistake(&at.place, "not a JSON pointer (RFC 6901)", remedy);
    }
    Some(TimeField { pointer: at.value.clone(), format: format.unwrap_or(TimeFormat::Rfc3339) })
}

/// Reports a source that gives intensity in percent when all its units keep mW/cm2, or the other way round: every
/// one of its messages would be refused.
fn check_intensity_unit(raw: &raw::Source, source: &Source, units: &[(UnitSpec, Place)], context: &mut Context<'_>) {
    let intensity = Channel::Intensity.name();
    let written = raw.channel.all().iter().find(|entry| entry.channel.given().is_some_and(|at| at.value == intensity));
    let Some(at) = written.and_then(|entry| entry.measure.given()) else { return };
    let Some(measure) = Measure::from_symbol(&at.value) else { return };
    let fits = |spec: &UnitSpec| (measure == Measure::Percent) == (spec.sensor.unit == IntensityUnit::Percent);
    let mut reached = units.iter().map(|(spec, _)| spec).filter(|spec| reaches(&source.target, &spec.id)).peekable();
    let Some(first) = reached.peek().copied() else { return };
    if !reached.any(fits) {
        let says =
            format!("{} keeps its intensity in {} and could not take this", first.id, first.sensor.unit.symbol());
        context.out.mistake(&at.place, says, "make this and sensor.unit under [[unit]] agree");
    }
}

/// Whether messages of a source can be of a unit.
fn reaches(target: &Target, id: &UnitId) -> bool {
    match target {
        Target::Unit(only) => only == id,
        Target::Topic { site, unit } => can_make(&site.0, id.site()) && can_make(&unit.0, id.unit()),
    }
}

/// Warns of units that no source can name.
fn warn_unreached(sources: &[Source], units: &[(UnitSpec, Place)], context: &mut Context<'_>) {
    for (spec, place) in units {
        if !sources.iter().any(|source| reaches(&source.target, &spec.id)) {
            let remedy = "check the templates, add a [[source]], or write contract = true under [topics]";
            context.out.warn(place, format!("no source can carry readings of {}", spec.id), remedy);
        }
    }
}

/// Whether some levels make `text` of a template.
fn can_make(parts: &[TemplatePart], text: &str) -> bool {
    match parts {
        [] => text.is_empty(),
        [TemplatePart::Text(plain), rest @ ..] => text.strip_prefix(plain.as_str()).is_some_and(|t| can_make(rest, t)),
        // Ids are ASCII, so every byte is a boundary.
        [TemplatePart::Level(_), rest @ ..] => (1..=text.len()).any(|end| can_make(rest, &text[end..])),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn templates_split_into_texts_and_levels() {
        use TemplatePart::{Level, Text};
        assert_eq!(split_template("cabin-{2}"), Ok(vec![Text("cabin-".into()), Level(2)]));
        assert_eq!(split_template("{1}{3}"), Ok(vec![Level(1), Level(3)]));
        for bad in ["", "{", "{0}", "{x}", "Cabin-{1}", "{1}}"] {
            assert!(split_template(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn templates_can_make_what_they_can_make() {
        let can = |template: &str, text| can_make(&split_template(template).unwrap(), text);
        assert!(can("cabin-{2}", "cabin-7") && can("{1}", "boathouse") && can("{1}-{2}", "a-b"));
        assert!(!can("cabin-{2}", "boathouse") && !can("cabin-{2}", "cabin-") && !can("uv", "uv2"));
    }

    #[test]
    fn the_narrower_source_comes_first() {
        let source = |filter: &str| Source { filter: filter.into(), ..Source::contract("fadeline") };
        let mut sources: Vec<_> = ["a/#", "b/+", "a/+/c", "a/b/c", "b/c"].map(source).into();
        narrow_first(&mut sources);
        let order: Vec<_> = sources.iter().map(|s| s.filter.as_str()).collect();
        assert_eq!(order, ["a/b/c", "a/+/c", "a/#", "b/c", "b/+"]);
    }
}
