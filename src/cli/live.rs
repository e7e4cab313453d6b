//! `fadeline check --live`: tries the broker of a config.

use crate::config::Config;
use crate::mqtt::live::{Severity, check_live};
use crate::mqtt::settings::Broker;

use super::{Exit, Failure, watch};

/// Tries the broker: one line for each finding. Takes a few seconds.
///
/// # Errors
/// [`Exit::Unavailable`] with every finding when one of them is bad.
pub fn check(config: &Config) -> Result<Vec<String>, Failure> {
    let Broker::Remote(settings) = &config.broker else {
        return Ok(vec!["live     the broker is inside the daemon: there is nothing to try".to_owned()]);
    };
    let filters: Vec<String> = config.sources.iter().map(|source| source.filter.clone()).collect();
    let scratch = format!("{}/check", config.topic_prefix);
    let findings = watch::runtime()?.block_on(check_live(settings, &filters, &scratch));
    let lines = findings.iter().map(|finding| {
        let word = match finding.severity {
            Severity::Good => "good",
            Severity::Warning => "warning",
            Severity::Bad => "bad",
        };
        format!("{word:<8} {}: {}", finding.subject, finding.text)
    });
    let lines: Vec<String> = lines.collect();
    if findings.iter().any(|finding| finding.severity == Severity::Bad) {
        return Err(Failure::new(Exit::Unavailable, lines.join("\n")));
    }
    Ok(lines)
}
