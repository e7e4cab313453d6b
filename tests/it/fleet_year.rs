//! A small fleet's year through the engine: few alerts, true ones, none that flaps, none that a restart changes, no
//! crossing missed. The full fleet is `tests/fleet_year`, whose figures stand in the README.

#[path = "../fleet_year/year.rs"]
mod year;

use fadeline::alert::What;
use fadeline::scenario::Kind;
use year::{Unit, Year, median};

/// More alerts than this in a year nobody reads. The simulated cabins are dark eight to twenty times a year (power cuts,
/// work at the unit) and lose their gateway now and then; our choice, over what `fleet_year` prints for the worst of them.
const ALERTS_AT_MOST: usize = 35;
/// The lead of cleaning alerts before the true crossing, days: time to plan, and not so early that it is forgotten.
/// The alert comes two weeks before the day that one course in ten crosses by; the fleet's middle is about 22 days.
const LEAD_DAYS: std::ops::RangeInclusive<i32> = 10..=60;

#[test]
fn a_year_of_a_few_units_is_calm_and_a_restart_changes_nothing() {
    let mut sum = Year::default();
    for (kind, seed) in [(Kind::Usual, 61_000), (Kind::Healthy, 61_001), (Kind::FastFouling, 61_002)] {
        let mut unit = Unit::new(kind, seed);
        let mut year = unit.year();
        assert_eq!(unit.live(true), year.news, "{kind}-{seed}: a restart in the middle");
        assert!(year.flaps.is_empty(), "{kind}-{seed}: {:?}", year.flaps);
        assert!(year.untrue.is_empty(), "{kind}-{seed}: {:?}", year.untrue);
        assert!(year.missed.is_empty(), "{kind}-{seed}: {:?}", year.missed);
        let raised = year.news.iter().filter(|(_, what, _)| *what == What::Raised).count();
        assert!(raised <= ALERTS_AT_MOST, "{kind}-{seed}: {raised} alerts in a year: {:?}", year.news);
        sum.leads.append(&mut year.leads);
    }
    // These units hardly cross: two leads have no middle to speak of. That of a whole fleet is judged by `fleet_year`.
    if let Some(lead) = median(sum.leads.clone()) {
        assert!(LEAD_DAYS.contains(&lead), "{lead} days of {:?}", sum.leads);
    }
}
