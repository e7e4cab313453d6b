//! `[hub]`: what smart-home hubs are told.

use super::checked::Context;
use super::filter;
use super::mistake::At;
use super::raw;
use super::table::Field;
use crate::mqtt::settings::{DiscoveryForm, DiscoverySettings, HubSettings};

/// First level of the discovery topics unless another is set.
const PREFIX: &str = "homeassistant";
/// First level of Homie's topics unless another is set.
const HOMIE_PREFIX: &str = "homie";
const FORMS: [(&str, Option<DiscoveryForm>); 3] =
    [("off", None), ("device", Some(DiscoveryForm::Device)), ("entity", Some(DiscoveryForm::Entity))];

/// Checks `[hub]`.
pub(super) fn check(raw: &Field<raw::Hub>, context: &mut Context<'_>) -> HubSettings {
    let Some(raw) = raw.given() else { return HubSettings::default() };
    let form = context.word(&raw.discovery, &FORMS).flatten();
    let prefix = prefix(&raw.prefix, PREFIX, context);
    let homie_prefix = self::prefix(&raw.homie_prefix, HOMIE_PREFIX, context);
    let homie = raw.homie.value().unwrap_or(false);
    if let (false, Some(at)) = (homie, raw.homie_prefix.given()) {
        context.out.warn(&at.place, "has no effect without homie = true", "add homie = true, or take it out");
    }
    HubSettings { discovery: form.map(|form| DiscoverySettings { prefix, form }), homie: homie.then_some(homie_prefix) }
}

fn prefix(field: &Field<At<String>>, usual: &str, context: &mut Context<'_>) -> String {
    let Some(at) = field.given() else { return usual.to_owned() };
    if let Some((says, remedy)) = filter::fault(&at.value) {
        context.out.mistake(&at.place, says, remedy);
    } else if at.value.contains(['+', '#']) || at.value.split('/').any(str::is_empty) {
        context.out.mistake(
            &at.place,
            "not a topic to publish under",
            format!("write plain levels such as \"{usual}\""),
        );
    }
    at.value.clone()
}
