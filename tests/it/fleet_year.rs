//! A small fleet's year through the engine: few alerts, none that flaps, none that a restart changes. The full fleet is
//! `tests/fleet_year`, whose figures stand in the README.

#[path = "../fleet_year/year.rs"]
mod year;

use fadeline::scenario::Kind;
use year::{Unit, median};

#[test]
fn a_year_of_a_few_units_is_calm_and_a_restart_changes_nothing() {
    let mut leads = Vec::new();
    for (kind, seed) in [(Kind::Usual, 61_000), (Kind::Healthy, 61_001), (Kind::FastFouling, 61_002)] {
        let mut unit = Unit::new(kind, seed);
        let mut year = unit.year();
        assert_eq!(unit.live(true), year.news, "{kind}-{seed}: a restart in the middle");
        assert!(year.flaps.is_empty(), "{kind}-{seed}: {:?}", year.flaps);
        assert!(year.untrue.is_empty(), "{kind}-{seed}: {:?}", year.untrue);
        leads.append(&mut year.leads);
    }
    println!("{} leads, median {:?} days", leads.len(), median(leads.clone()));
}
