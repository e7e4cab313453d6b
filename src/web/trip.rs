//! The round for the pages and papers: the planner's figures as a form writes them into the address.

use axum::extract::Query as Args;
use axum::extract::rejection::QueryRejection;
use axum::http::StatusCode;
use axum::response::Response;
use serde::Deserialize;

use super::access::Caller;
use super::pages::{bad_page, instead, unread};
use super::server::{Asks, answer};
use crate::query::round::{OtherRules, Round};
use crate::query::{Answer, Query};

/// As written; an empty field stands for the usual figure.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct RulesForm {
    day_minutes: String,
    visit_minutes: String,
    travel_minutes: String,
    interval_days: String,
}

/// What an address says of the planner's figures.
pub type Rules = Result<Args<RulesForm>, QueryRejection>;

impl RulesForm {
    fn rules(&self) -> Result<OtherRules, String> {
        Ok(OtherRules {
            day_minutes: whole("minutes in a day", &self.day_minutes)?,
            visit_minutes: whole("minutes a visit", &self.visit_minutes)?,
            travel_minutes: whole("minutes of travel", &self.travel_minutes)?,
            interval_days: whole("days until the trip after this one", &self.interval_days)?,
        })
    }
}

fn whole(what: &str, text: &str) -> Result<Option<u32>, String> {
    match text.trim() {
        "" => Ok(None),
        text => text.parse().map(Some).map_err(|_| format!("{what}: `{text}` is not a whole number from 0 on")),
    }
}

/// The trip by the planner's figures, or by those in the address.
pub async fn round_values(asks: &Asks, who: &Caller, rules: Rules) -> Result<Box<Round>, Box<Response>> {
    let bad = |says: String| Box::new(bad_page(who, StatusCode::BAD_REQUEST, &says));
    let Args(form) = rules.map_err(|rejection| bad(unread(&rejection)))?;
    let rules = form.rules().map_err(bad)?;
    match answer(asks, who, Query::Round { rules }).await {
        Ok(Answer::Round(round)) => Ok(round),
        other => Err(Box::new(instead(who, other))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_field_is_the_usual_figure_and_nonsense_is_named() {
        let form = RulesForm { visit_minutes: " 30 ".to_owned(), ..RulesForm::default() };
        assert_eq!(form.rules().unwrap(), OtherRules { visit_minutes: Some(30), ..OtherRules::default() });
        let form = RulesForm { interval_days: "-1".to_owned(), ..RulesForm::default() };
        let says = form.rules().unwrap_err();
        assert_eq!(says, "days until the trip after this one: `-1` is not a whole number from 0 on");
    }
}
