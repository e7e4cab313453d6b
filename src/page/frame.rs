//! What every page has around it.

use jiff::tz::TimeZone;
use maud::{DOCTYPE, Markup, PreEscaped, html};

use crate::domain::assessment::LatestReading;
use crate::domain::{Condition, Timestamp};
use crate::query::UnitRow;
use crate::report::words;

/// What a page knows beside its subject.
#[derive(Clone, Debug)]
pub struct Frame {
    /// The time it is made.
    pub now: Timestamp,
    /// The word that a form must send back; empty where no login is needed.
    pub csrf: String,
    /// Who is logged in, if anybody must.
    pub who: Option<String>,
    /// Whether the reader may record actions.
    pub may_record: bool,
    /// Whether it is read without a daemon: its style stands in it, and it leads nowhere.
    pub alone: bool,
}

/// Of when a page is.
#[derive(Clone, Copy, Debug)]
pub enum Stamp<'a> {
    /// Of its newest reading.
    Read(Timestamp, &'a TimeZone),
    /// Of when it was made.
    Made(&'a TimeZone),
}

impl<'a> Stamp<'a> {
    /// The newest reading's, if there is one.
    pub fn of(reading: Option<&LatestReading>, zone: &'a TimeZone) -> Self {
        reading.map_or(Self::Made(zone), |reading| Self::Read(reading.at, zone))
    }
}

impl Frame {
    /// A whole page.
    pub fn page(&self, title: &str, stamp: Stamp<'_>, body: &Markup) -> String {
        let page = html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    meta name="color-scheme" content="light dark";
                    title { (title) " - Fadeline" }
                    @if self.alone { style { (PreEscaped(super::STYLE)) } } @else {
                        link rel="stylesheet" href="/assets/style.css";
                        link rel="icon" href="/assets/icon.svg" type="image/svg+xml";
                        script src="/assets/page.js" defer {}
                    }
                }
                body data-made=(self.now) {
                    @if !self.alone { (self.head()) }
                    main #main { (body) }
                    footer #made data-fresh="" {
                        @match stamp {
                            Stamp::Read(at, zone) => p { "Data as of " time datetime=(at) { (words::instant(at, zone)) } "." }
                            Stamp::Made(zone) => p { "Made " time datetime=(self.now) { (words::instant(self.now, zone)) } "." }
                        }
                        p { "Fadeline never says that water is safe. Under the set point treatment is not assured. The unit's papers, local codes and the health authority decide." }
                    }
                }
            }
        };
        page.into_string()
    }

    /// What leads to other pages, and what the script says.
    fn head(&self) -> Markup {
        html! {
            a.skip href="#main" { "Skip to the content" }
            header.top {
                nav aria-label="Pages" {
                    a.home href="/" { "Fadeline" }
                    a href="/" { "Units" }
                    a href="/round" { "Round" }
                }
                @if let Some(who) = &self.who {
                    form.inline method="post" action="/logout" {
                        (self.token())
                        span { (who) }
                        button.quiet type="submit" { "Log out" }
                    }
                }
            }
            p #gone.banner.alarm role="status" hidden { "The daemon does not answer. What is shown may be old." }
            p #queue.banner.heed role="status" hidden {}
            div #refused.banner.alarm role="alert" hidden {}
        }
    }

    /// The hidden field of a form.
    pub fn token(&self) -> Markup {
        html! { input type="hidden" name="csrf" value=(self.csrf); }
    }
}

/// A text in which no line ends between a number and its percent sign.
pub(super) fn unbroken(text: &str) -> String {
    text.replace(" %", "\u{a0}%")
}

/// A page that says what went wrong and where to go.
pub fn trouble(frame: &Frame, title: &str, says: &str, back: &str) -> String {
    frame.page(
        title,
        Stamp::Made(&TimeZone::UTC),
        &html! {
            h1 { (title) }
            p.banner.alarm role="alert" { (says) }
            p { a href=(back) { "Go back" } }
        },
    )
}

/// A condition as a mark with its word: sign and word, never colour alone.
pub fn condition(condition: Condition) -> Markup {
    let (class, sign) = match condition {
        Condition::Dark => ("alarm", "●"),
        Condition::Short => ("alarm", "▼"),
        Condition::Silent => ("alarm", "?"),
        Condition::Due => ("heed", "◆"),
        Condition::Fading => ("heed", "◢"),
        Condition::Learning => ("faint", "…"),
        Condition::Steady => ("calm", "="),
        Condition::InService => ("faint", "✎"),
        Condition::Closed => ("faint", "×"),
    };
    html! { span class={"mark " (class)} { span aria-hidden="true" { (sign) } " " (condition.name()) } }
}

/// The zone of a row.
pub fn zone_of(row: &UnitRow) -> TimeZone {
    TimeZone::get(&row.zone).unwrap_or(TimeZone::UTC)
}

/// `mW/cm2` as people write it.
pub fn measure(unit: &str) -> &str {
    match unit {
        "mW/cm2" => "mW/cm²",
        "percent" => "%",
        other => other,
    }
}

/// The address of a unit's page.
pub fn address(row: &UnitRow) -> String {
    format!("/units/{}/{}", row.site, row.unit)
}

/// What a unit is called.
pub fn name(row: &UnitRow) -> String {
    row.name.clone().unwrap_or_else(|| format!("{}/{}", row.site, row.unit))
}

/// Text that is made here and needs no escaping.
pub fn made(svg: String) -> Markup {
    PreEscaped(svg)
}
