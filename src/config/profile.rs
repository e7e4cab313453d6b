//! `[[profile]]`: what many units have in common. A unit's own keys win, table by table and key by key.

use std::collections::BTreeMap;

use super::checked::Context;
use super::raw;
use super::table::{Field, did_you_mean};

/// Every profile by its id.
pub(super) fn gather(
    raw: &raw::File,
    included: &[raw::Included],
    context: &mut Context<'_>,
) -> BTreeMap<String, raw::Profile> {
    let mut profiles: BTreeMap<String, raw::Profile> = BTreeMap::new();
    let written = raw.profile.all().iter().chain(included.iter().flat_map(|file| file.profile.all()));
    for profile in written {
        let Some(id) = context.required(&profile.id, &profile.place, "id", "\"cabin-55\"") else { continue };
        if let Some(first) = profiles.get(&id.value) {
            let says = format!("profile `{}` is described twice", id.value);
            let remedy = format!("keep one; the other is at {}", context.out.locate(&first.place));
            context.out.mistake(&profile.place, says, remedy);
            continue;
        }
        profiles.insert(id.value, profile.clone());
    }
    profiles
}

/// A unit with what its profile says of it.
pub(super) fn apply(
    unit: &raw::Unit,
    profiles: &BTreeMap<String, raw::Profile>,
    context: &mut Context<'_>,
) -> raw::Unit {
    let Some(at) = unit.profile.given() else { return unit.clone() };
    let Some(profile) = profiles.get(&at.value) else {
        let remedy = did_you_mean(&at.value, profiles.keys().map(String::as_str))
            .unwrap_or_else(|| format!("add a [[profile]] with id = \"{}\"", at.value));
        context.out.mistake(&at.place, "no [[profile]] has this id", remedy);
        return unit.clone();
    };
    let mut unit = unit.clone();
    fill(&mut unit.water, &profile.water);
    merge(&mut unit.set_point, &profile.set_point, |own, its| fill(&mut own.intensity, &its.intensity));
    merge(&mut unit.reference, &profile.reference, |own, its| fill(&mut own.intensity, &its.intensity));
    merge(&mut unit.lamp, &profile.lamp, |own, its| {
        fill(&mut own.installed, &its.installed);
        fill(&mut own.hours_at_start, &its.hours_at_start);
        fill(&mut own.rated_hours, &its.rated_hours);
    });
    merge(&mut unit.sleeve, &profile.sleeve, |own, its| {
        fill(&mut own.installed, &its.installed);
        fill(&mut own.cleaned, &its.cleaned);
    });
    merge(&mut unit.sensor, &profile.sensor, |own, its| {
        fill(&mut own.installed, &its.installed);
        fill(&mut own.cleaned, &its.cleaned);
        fill(&mut own.unit, &its.unit);
        fill(&mut own.path_cm, &its.path_cm);
    });
    merge(&mut unit.analysis, &profile.analysis, |own, its| {
        let more: Vec<_> =
            its.0.iter().filter(|(path, _)| own.0.iter().all(|(known, _)| known != path)).cloned().collect();
        own.0.extend(more);
    });
    unit
}

fn fill<T: Clone>(own: &mut Field<T>, its: &Field<T>) {
    if own.is_absent() {
        *own = its.clone();
    }
}

fn merge<T: Clone>(own: &mut Field<T>, its: &Field<T>, keys: impl FnOnce(&mut T, &T)) {
    match (own, its) {
        (Field::Given(own), Field::Given(its)) => keys(own, its),
        (own, its) => fill(own, its),
    }
}
