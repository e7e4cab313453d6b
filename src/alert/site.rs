//! A whole site that is silent: one alert for its gateway instead of one for each unit.

use serde::{Deserialize, Serialize};

use super::life::{Acknowledgement, Order, OrderError, OrderKind};
use super::{ALERT_SCHEMA, Level, Standing};
use crate::domain::Timestamp;
use crate::domain::time::MINUTE;

/// The name of the alert, and the last level of its topic.
pub const SITE_SILENT: &str = "site-silent";
/// A word of any unit must be followed by no new silence for this long before the site counts as back.
pub const BACK_AFTER: i64 = 10 * MINUTE;
/// Fewer units than this say nothing about a gateway.
pub const UNITS_LEAST: usize = 2;

/// How a unit of the site is heard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hearing {
    /// Readings come.
    Heard,
    /// One or two are missing.
    Late,
    /// It is silent.
    Silent,
    /// Closed, in service, or never heard: it says nothing about the site.
    Unknown,
}

/// What is known of a site.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct SiteBook {
    /// Since when the whole site has been silent.
    pub silent_since: Option<Timestamp>,
    /// How many units it had then.
    #[serde(default)]
    pub units: usize,
    /// Since when somebody has been heard again.
    #[serde(default)]
    heard_since: Option<Timestamp>,
    /// Whether people have been told that it is silent.
    #[serde(default)]
    pub told: bool,
    /// Whether they have still to be told that it is back.
    #[serde(default)]
    pub back_untold: Option<Timestamp>,
    /// Until when nobody wants to hear of it.
    #[serde(default)]
    silenced_until: Option<Timestamp>,
    /// Who has acknowledged it.
    #[serde(default)]
    acknowledgement: Option<Acknowledgement>,
    /// Since when people have still to be told that it is silent although somebody had acknowledged or silenced it.
    #[serde(default)]
    pub still_untold: Option<Timestamp>,
}

/// The alert of a silent site, as published.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SiteAlert {
    /// Always [`ALERT_SCHEMA`].
    pub schema: String,
    /// Which site.
    pub site: String,
    /// Always [`SITE_SILENT`].
    pub kind: String,
    /// How bad it is.
    pub level: Level,
    /// Where it stands.
    pub state: Standing,
    /// Since when.
    pub since: Timestamp,
    /// What is known.
    pub says: String,
    /// How sure that is.
    pub sure: String,
    /// What to do first.
    pub first: String,
    /// What to beware of.
    pub caution: String,
    /// Who has acknowledged it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub acknowledged: Option<Acknowledgement>,
    /// Until when nobody wants to hear of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub silenced_until: Option<Timestamp>,
}

impl SiteBook {
    /// Takes how each unit of the site is heard. Returns whether anything changed.
    pub fn update(&mut self, hearings: &[Hearing], now: Timestamp) -> bool {
        let known = hearings.iter().filter(|h| **h != Hearing::Unknown).count();
        let silent = hearings.iter().filter(|h| **h == Hearing::Silent).count();
        let before = self.clone();
        match self.silent_since {
            None if known >= UNITS_LEAST && silent == known => {
                let fresh = Self { silent_since: Some(now), units: known, ..Self::default() };
                *self = fresh;
            }
            None => {}
            Some(_) if known == 0 => {}
            Some(_) if silent < known => {
                let since = *self.heard_since.get_or_insert(now);
                if now.millis_since(since) >= BACK_AFTER {
                    let back_untold = self.told.then_some(now);
                    *self = Self { back_untold, ..Self::default() };
                }
            }
            Some(_) => self.heard_since = None,
        }
        *self != before
    }

    /// Does what a person asks for.
    ///
    /// # Errors
    /// The site is not silent, or what was asked for makes no sense.
    pub fn obey(&mut self, order: &Order, now: Timestamp) -> Result<usize, OrderError> {
        order.check(now)?;
        if self.silent_since.is_none() {
            return Err(OrderError::NoSuchAlert);
        }
        match order.what {
            OrderKind::Acknowledge => self.acknowledgement = Some(order.acknowledgement(now)),
            OrderKind::Silence => self.silenced_until = order.until,
            OrderKind::Reopen => (self.acknowledgement, self.silenced_until) = (None, None),
        }
        Ok(1)
    }

    /// An acknowledgement and a silence that have run out. Returns whether one has.
    pub fn expire(&mut self, now: Timestamp) -> bool {
        let silence = self.silenced_until.take_if(|until| *until <= now).is_some();
        let word = self.acknowledgement.take_if(|word| !word.counts(now)).is_some();
        if (silence || word) && self.told {
            self.still_untold.get_or_insert(now);
        }
        silence || word
    }

    /// Whether anybody wants to hear of it.
    pub fn is_open(&self, now: Timestamp) -> bool {
        self.standing(now) == Standing::Raised
    }

    fn standing(&self, now: Timestamp) -> Standing {
        if self.silenced_until.is_some_and(|until| now < until) {
            Standing::Silenced
        } else if self.acknowledgement.as_ref().is_some_and(|word| word.counts(now)) {
            Standing::Acknowledged
        } else {
            Standing::Raised
        }
    }

    /// The alert, if the site is silent.
    pub fn alert(&self, site: &str, now: Timestamp) -> Option<SiteAlert> {
        let since = self.silent_since?;
        let state = self.standing(now);
        Some(SiteAlert {
            schema: ALERT_SCHEMA.to_owned(),
            site: site.to_owned(),
            kind: SITE_SILENT.to_owned(),
            level: Level::Warning,
            state,
            since,
            says: format!("none of the {} units of {site} has sent a reading: nothing is known about the light there", self.units),
            sure: "All units stopped together, which speaks for the gateway, its network or the power of the place rather than for a unit.".to_owned(),
            first: "Check the gateway, its network and the power of the place; a power cut stops treatment too.".to_owned(),
            caution: "Silence is no proof that the lamps are lit; the units' own alarms still count.".to_owned(),
            acknowledged: self.acknowledgement.clone().filter(|word| word.counts(now)),
            silenced_until: self.silenced_until.filter(|until| now < *until),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use Hearing::{Heard, Silent, Unknown};

    #[test]
    fn a_site_is_silent_when_every_unit_is_and_back_when_one_has_been_heard_for_a_while() {
        let start = Timestamp::from_secs(1_800_000_000);
        let mut site = SiteBook::default();
        assert!(!site.update(&[Silent, Unknown], start), "one unit says nothing about a gateway");
        assert!(!site.update(&[Silent, Heard], start));
        assert!(site.update(&[Silent, Silent, Unknown], start));
        assert_eq!(site.alert("heron-bight", start).unwrap().since, start);
        let later = start.plus_millis(MINUTE);
        site.update(&[Heard, Silent], later);
        site.update(&[Silent, Silent], later.plus_millis(MINUTE));
        assert!(site.silent_since.is_some(), "a single word is not enough");
        site.update(&[Heard, Silent], later.plus_millis(2 * MINUTE));
        site.update(&[Heard, Silent], later.plus_millis(2 * MINUTE + BACK_AFTER));
        assert_eq!(site.alert("heron-bight", later), None);
    }

    #[test]
    fn orders_about_a_site_are_checked_and_run_out() {
        let start = Timestamp::from_secs(1_800_000_000);
        let order = |what, until| Order { what, by: Some("Ana".to_owned()), note: None, until };
        let mut site = SiteBook::default();
        assert_eq!(site.obey(&order(OrderKind::Acknowledge, None), start), Err(OrderError::NoSuchAlert));
        site.update(&[Silent, Silent], start);
        site.told = true;
        assert_eq!(site.obey(&order(OrderKind::Silence, None), start), Err(OrderError::NoEnd));
        let past = start.plus_millis(-1);
        let bad = site.obey(&order(OrderKind::Silence, Some(past)), start);
        assert_eq!(bad, Err(OrderError::BadEnd { until: past }));
        let until = start.plus_millis(MINUTE);
        assert_eq!(site.obey(&order(OrderKind::Acknowledge, Some(until)), start), Ok(1));
        let said = site.alert("heron-bight", start).unwrap();
        assert_eq!((said.state, said.acknowledged.unwrap().by.as_deref()), (Standing::Acknowledged, Some("Ana")));
        assert!(!site.expire(until.plus_millis(-1)) && site.expire(until));
        assert_eq!((site.still_untold, site.is_open(until)), (Some(until), true));
    }
}
