//! The login.

use jiff::tz::TimeZone;
use maud::html;

use super::Frame;
use super::frame::Stamp;

/// The page; `says` tells why the last attempt failed, `to` where to go afterwards.
pub fn page(frame: &Frame, says: Option<&str>, to: &str) -> String {
    frame.page("Log in", Stamp::Made(&TimeZone::UTC), &html! {
        h1 { "Log in" }
        @if let Some(says) = says { p.banner.alarm role="alert" { (says) } }
        form.record method="post" action="/login" {
            input type="hidden" name="to" value=(to);
            label { "Name " input type="text" name="name" autocomplete="username" required maxlength="80"; }
            label { "Password " input type="password" name="password" autocomplete="current-password" required maxlength="200"; }
            button.big type="submit" { "Log in" }
        }
    })
}
