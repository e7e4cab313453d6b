//! What of a changed config can be applied to a running daemon, and what cannot.

use std::collections::{BTreeMap, BTreeSet};

use crate::config::Config;
use crate::domain::{UnitId, UnitSpec};

/// Keys that have changed and count only after a restart, as the owner knows them.
pub fn needs_restart(old: &Config, new: &Config) -> Vec<&'static str> {
    let filters = |config: &Config| config.sources.iter().map(|s| s.filter.clone()).collect::<BTreeSet<_>>();
    let status = |config: &Config| config.hub.discovery.as_ref().map(|discovery| discovery.prefix.clone());
    [
        ("[broker]", old.broker != new.broker),
        ("topics.prefix", old.topic_prefix != new.topic_prefix),
        ("the topics of [[source]]", filters(old) != filters(new)),
        ("[store]", old.store != new.store),
        ("[web]", old.web != new.web),
        ("local.socket", old.socket != new.socket),
        ("grace", old.grace != new.grace),
        ("[log]", old.log != new.log),
        ("[notify]", old.notify != new.notify),
        ("hub.prefix or hub.discovery, which listen for the hub's start,", status(old) != status(new)),
        ("hub.homie", old.hub.homie != new.hub.homie),
    ]
    .into_iter()
    .filter(|(_, changed)| *changed)
    .map(|(what, _)| what)
    .collect()
}

/// Units that are new or described otherwise: they are to be assessed anew.
pub fn changed_units(old: &[UnitSpec], new: &[UnitSpec]) -> Vec<UnitId> {
    let old: BTreeMap<&UnitId, &UnitSpec> = old.iter().map(|spec| (&spec.id, spec)).collect();
    new.iter().filter(|spec| old.get(&spec.id) != Some(spec)).map(|spec| spec.id.clone()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_changed_is_assessed_anew() {
        let unit = |name: &str, set_point| UnitSpec::new(UnitId::new("heron-bight", name).unwrap(), set_point);
        let old = [unit("boathouse", 14.0), unit("gone", 14.0), unit("sauna", 14.0)];
        let new = [unit("boathouse", 14.0), unit("new", 14.0), unit("sauna", 15.0)];
        let changed: Vec<String> = changed_units(&old, &new).iter().map(|id| id.unit().to_owned()).collect();
        assert_eq!(changed, ["new", "sauna"]);
    }
}
