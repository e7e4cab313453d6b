//! Numbers of the analysis that are set otherwise for a unit.
//!
//! Every number of [`Constants`] has a path: the names of the fields that lead to it, and in a list its place from 0, as
//! in `model.left_behind.mean` or `model.lamp.1.weight`. What their documentation says of each is its meaning, unit and
//! source; within which bounds it may be set stands here, so that a slip of the pen is refused where it is written down.

use std::borrow::Cow;

use toml::Value;

use super::constants::Constants;
use crate::domain::UnitSpec;
use crate::domain::similar::nearest;

/// Bounds that do not follow from the value itself, by path with `*` for a place in a list. Where the documentation of a
/// constant names its range, it is this one.
const BOUNDS: &[(&str, f64, f64)] = &[
    ("model.least_days", 7.0, 60.0),
    ("model.reference_sd", 0.005, 0.1),
    ("model.burn_in_hours", 20.0, 200.0),
    ("model.interval_spread", 0.1, 0.6),
    ("model.rates.*.1", 0.0, 1.0),
    ("model.curve_weight", 0.01, 0.99),
    ("model.season_weight", 0.01, 0.99),
    ("model.growths.*.0.delay_days", 0.0, 100.0),
    ("model.growths.*.1", 0.0, 1.0),
    ("model.unknown_before.weight", 0.0, 0.5),
    ("model.old_coat.weight", 0.0, 0.5),
    ("model.most_left_at_start", 0.1, 0.3),
    ("model.left_at_start_spread", 0.3, 1.0),
    ("model.young_part_days", 1.0, 200.0),
    ("model.window_left_sd", 0.002, 0.02),
    ("model.unseen_water_sd", 0.0, 0.02),
    ("model.unknown_ages.sleeve_days", 0.0, 4_000.0),
    ("model.unknown_ages.window_days", 0.0, 4_000.0),
    ("model.wander_sd.*", 0.0005, 0.1),
    ("model.day_sd_floor", 0.0002, 0.002),
    ("model.student_nu", 3.0, 10.0),
    ("model.covariate_coverage", 0.3, 1.0),
    ("model.most_own_rates", 14.0, 80.0),
    ("model.most_own_left", 4.0, 16.0),
    ("model.least_weight", 1e-4, 1e-2),
    ("model.most_components", 8.0, 64.0),
    ("model.draws", 200.0, 4_000.0),
    ("model.gibbs.*", 1.0, 200.0),
    ("forecast.horizon_days", 30.0, 730.0),
    // Only more careful than what is promised of the date.
    ("forecast.clean_risk", 0.01, 0.1),
    ("forecast.own_pace_least_days", 5.0, 100.0),
    ("forecast.own_pace_most_days", 100.0, 1_000.0),
    ("forecast.bend_spread", 0.1, 0.3),
    ("forecast.shift_passes.0", 0.0, 1.0),
    ("forecast.name_at", 0.5, 0.8),
    ("forecast.pair_at", 0.6, 0.9),
    ("forecast.pair_tested_at", 0.5, 0.9),
    ("forecast.elsewhere_at", 0.6, 0.95),
    ("forecast.name_lamp_or_sensor_at", 0.7, 0.95),
    ("forecast.impossible_gain", 0.05, 0.3),
    ("forecast.impossible_sensor_gain", 0.2, 1.0),
    ("rollup.warm_up_minutes", 0.0, 120.0),
    ("rollup.restart_gap_intervals", 2.0, 100.0),
    ("rollup.restart_gap_minutes", 1.0, 1_440.0),
    ("rollup.dry_pressure_kpa", 0.0, 20.0),
    ("rollup.dry_temperature_c", 50.0, 80.0),
    ("rollup.stuck_readings", 5.0, 1_000.0),
    ("rollup.stuck_hours", 1.0, 24.0),
    ("rollup.stuck_chance", 1e-15, 1e-3),
    ("rollup.stuck_wide_moves", 0.0, 1.0),
    ("rollup.stuck_fine_step", 0.0, 0.01),
    ("rollup.stuck_alone_hours", 3.0, 48.0),
    ("rollup.hampel_half_width", 2.0, 16.0),
    ("rollup.hampel_sigmas", 3.0, 20.0),
    ("rollup.hampel_floor", 0.0, 0.2),
    ("log.lamp_gain", 0.0, 0.5),
    ("log.lamp_unlogged", -10.0, 2.0),
    ("log.young_lamp_unlogged", -10.0, 2.0),
    ("log.lamp_old", 0.1, 1.0),
    ("log.cleaned_unseen", -10.0, 2.0),
    ("log.wiped_instead", -10.0, 2.0),
    ("log.changed_instead", -10.0, 2.0),
    ("log.no_change", -5.0, 5.0),
    ("log.cleaning_forgotten", -10.0, 2.0),
    ("log.first_cleaning_forgotten", -10.0, 2.0),
    ("log.not_cleaned", -10.0, 2.0),
    ("log.hardly_cleaned", -10.0, 2.0),
    ("log.misdated_days", 1.0, 60.0),
    ("log.misdated", -10.0, 2.0),
    ("log.most_moves", 0.0, 5.0),
    ("log.nearly_even", 1.0, 10.0),
    ("log.most_readings", 1.0, 8.0),
    ("steps.keeps_per_day", 0.0, 0.99),
    ("steps.dip_days", 3.0, 60.0),
    ("steps.penalty_lamp_off", 4.0, 50.0),
    ("steps.penalty", 4.0, 50.0),
    ("steps.penalty_lamp_on", 4.0, 100.0),
    ("steps.least_step", 0.002, 0.1),
    ("steps.least_fall_days", 0.0, 60.0),
    ("steps.penalty_slow", 4.0, 100.0),
    ("steps.least_slow_step", 0.005, 0.2),
    ("steps.slow_days", 2.0, 10.0),
    ("steps.stays_days", 5.0, 60.0),
    ("steps.stays_days_unsharp", 10.0, 90.0),
    ("steps.stays_share", 0.0, 1.0),
    ("steps.snap_days", 0.0, 5.0),
    ("steps.misdated_days", 2.0, 30.0),
    ("steps.borne_out", 1.0, 20.0),
    ("steps.sees_visits", 24.0, 1_440.0),
    ("episodes.least_depth", 0.01, 0.3),
    ("episodes.least_sds", 2.0, 10.0),
    ("episodes.least_sds_own_pace", 2.0, 10.0),
    ("episodes.edge_share", 0.0, 1.0),
    ("episodes.edge_sds", 0.0, 5.0),
    ("episodes.longest_days", 3.0, 60.0),
    ("episodes.join_quarters", 0.0, 8.0),
    ("episodes.keeps_per_day", 0.0, 0.99),
    ("episodes.coats_speed_up", 1.0, 3.0),
    ("episodes.own_pace_days", 20.0, 120.0),
    ("water.dip_days", 3.0, 60.0),
    ("water.least_change", 0.005, 0.2),
    ("water.placebo_sds", 2.0, 10.0),
    ("water.sds", 2.0, 10.0),
    ("water.takes_days", 1.0, 10.0),
];

/// Numbers that stay as they are, each with the reason; by how the path begins.
const FIXED: &[(&str, &str)] = &[
    ("model.rates.0.0", "the first rate is that of a sleeve that does not foul"),
    ("model.drift.0.mean", "the first hypothesis is a sensor that does not drift"),
    ("model.window.0.mean", "the first hypothesis is a window that stays clean"),
    ("model.window.0.sd", "the first hypothesis is a window that stays clean"),
    ("forecast.calibration", "these points were learnt together"),
    ("forecast.mean_days", "the crossing is promised to be that of a week's mean"),
    ("forecast.lead_days", "[alerts] lead_days sets it for the whole fleet"),
];

/// How far a number may be set from its default where no bounds are written down, as a factor.
const FACTOR: f64 = 10.0;

/// Why a number cannot be set so, and what to write instead.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refused {
    /// What is wrong.
    pub says: String,
    /// What to do about it.
    pub remedy: String,
}

impl Constants {
    /// These with a unit's own numbers. What [`check`] would refuse is left out.
    pub fn for_unit(&self, spec: &UnitSpec) -> Cow<'_, Self> {
        if spec.analysis.is_empty() {
            return Cow::Borrowed(self);
        }
        let (mut tree, usual) = (self.tree(), Self::default().tree());
        for (path, value) in spec.analysis.iter().filter(|(path, value)| check_in(&usual, path, *value).is_ok()) {
            if let Some(leaf) = leaf(&mut tree, path) {
                *leaf = alike(leaf, *value);
            }
        }
        tree.try_into().map_or(Cow::Borrowed(self), Cow::Owned)
    }

    fn tree(&self) -> Value {
        // Structs of numbers alone: there is nothing in them that TOML cannot hold.
        Value::try_from(self).unwrap_or_else(|_| Value::Table(toml::Table::new()))
    }
}

/// Whether the number at `path` may be `value`.
///
/// # Errors
/// No such number, one that stays as it is, no whole number where one is needed, or a value out of its bounds.
pub fn check(path: &str, value: f64) -> Result<(), Refused> {
    check_in(&Constants::default().tree(), path, value)
}

/// The same, where `usual` is the tree of the defaults.
fn check_in(usual: &Value, path: &str, value: f64) -> Result<(), Refused> {
    let refused = |says: String, remedy: String| Err(Refused { says, remedy });
    let Some(leaf) = seen(usual, path) else {
        let known = paths(usual);
        let remedy = nearest(path, known.iter().map(String::as_str)).map_or_else(
            || "config/example.toml says where their names stand".to_owned(),
            |path| format!("did you mean `{path}`?"),
        );
        return refused("the analysis has no such number".to_owned(), remedy);
    };
    if let Some((_, why)) = FIXED.iter().find(|(fixed, _)| path.starts_with(fixed)) {
        return refused(format!("this number stays as it is: {why}"), "take the line out".to_owned());
    }
    let (low, high) = bounds(path, number(leaf));
    if !(low..=high).contains(&value) {
        return refused(
            format!("{value} is out of bounds"),
            format!("write {low} to {high}; it is {} by default", number(leaf)),
        );
    }
    if leaf.is_integer() && value.fract() != 0.0 {
        return refused(format!("{value} is not a whole number"), format!("write {low} to {high} without a fraction"));
    }
    Ok(())
}

/// Between which values the number at `path` may be, where `usual` is its default.
fn bounds(path: &str, usual: f64) -> (f64, f64) {
    let place = |name: &str| name.bytes().all(|byte| byte.is_ascii_digit());
    let names: Vec<&str> = path.split('.').collect();
    let is_written = |pattern: &&(&str, f64, f64)| {
        let wants: Vec<&str> = pattern.0.split('.').collect();
        wants.len() == names.len()
            && wants.iter().zip(&names).all(|(want, name)| want == name || *want == "*" && place(name))
    };
    if let Some((_, low, high)) = BOUNDS.iter().find(is_written) {
        return (*low, *high);
    }
    let spread = names.last().is_some_and(|name| *name == "sd" || name.ends_with("_sd") || name.ends_with("spread"));
    match usual {
        _ if usual.is_infinite() => (1.0, f64::INFINITY),
        _ if usual == 0.0 && spread => (0.0, 1.0),
        _ if usual == 0.0 => (-1.0, 1.0),
        _ => (usual / FACTOR, usual * FACTOR),
    }
}

/// Every number that may be set, with its bounds.
#[cfg(test)]
pub(super) fn all_bounds() -> Vec<(String, f64, f64)> {
    let mut tree = Constants::default().tree();
    let mut of = |path: String| {
        let (low, high) = bounds(&path, number(leaf(&mut tree, &path).unwrap()));
        (path, low, high)
    };
    paths(&Constants::default().tree()).into_iter().map(&mut of).collect()
}

fn number(leaf: &Value) -> f64 {
    leaf.as_float().or_else(|| leaf.as_integer().map(|whole| whole as f64)).unwrap_or(f64::NAN)
}

/// `value` as a number of the kind of `leaf`.
fn alike(leaf: &Value, value: f64) -> Value {
    if leaf.is_integer() { Value::Integer(value as i64) } else { Value::Float(value) }
}

/// The number at `path`, to be read.
fn seen<'v>(tree: &'v Value, path: &str) -> Option<&'v Value> {
    let step = |value: &'v Value, name: &str| value.get(name).or_else(|| value.get(name.parse::<usize>().ok()?));
    path.split('.').try_fold(tree, step).filter(|found| found.is_float() || found.is_integer())
}

/// The number at `path`, to be set.
fn leaf<'v>(tree: &'v mut Value, path: &str) -> Option<&'v mut Value> {
    let step = |value: &'v mut Value, name: &str| match value {
        Value::Table(table) => table.get_mut(name),
        Value::Array(list) => list.get_mut(name.parse::<usize>().ok()?),
        _ => None,
    };
    let found = path.split('.').try_fold(tree, step)?;
    (found.is_float() || found.is_integer()).then_some(found)
}

/// The paths of all numbers.
fn paths(tree: &Value) -> Vec<String> {
    let below = |name: &str, value: &Value| -> Vec<String> {
        let join = |path: String| if path.is_empty() { name.to_owned() } else { format!("{name}.{path}") };
        paths(value).into_iter().map(join).collect()
    };
    match tree {
        Value::Table(table) => table.iter().flat_map(|(name, value)| below(name, value)).collect(),
        Value::Array(list) => list.iter().enumerate().flat_map(|(i, value)| below(&i.to_string(), value)).collect(),
        _ => vec![String::new()],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spec_with(numbers: &[(&str, f64)]) -> UnitSpec {
        let mut spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
        spec.analysis = numbers.iter().map(|(path, value)| ((*path).to_owned(), *value)).collect();
        spec
    }

    /// Every number is there, may be what it is, and no other one changes with it.
    #[test]
    fn each_number_can_be_set_by_itself() {
        let usual = Constants::default().tree();
        let all = paths(&usual);
        assert!(all.len() > 200, "{}", all.len());
        let is_fixed = |path: &str| FIXED.iter().any(|(fixed, _)| path.starts_with(fixed));
        for path in all.iter().filter(|path| !is_fixed(path)) {
            let default = number(leaf(&mut usual.clone(), path).unwrap());
            assert_eq!(check(path, default), Ok(()), "{path}");
            let (low, high) = bounds(path, default);
            let other = if high.is_finite() && high != default { high.floor().max(low) } else { low.ceil() };
            let other = if check(path, other).is_ok() { other } else { high };
            let mut set = Constants::default().for_unit(&spec_with(&[(path, other)])).tree();
            assert_eq!(number(leaf(&mut set, path).unwrap()), other, "{path}");
            *leaf(&mut set, path).unwrap() = leaf(&mut usual.clone(), path).unwrap().clone();
            assert_eq!(set, usual, "{path}");
        }
    }

    #[test]
    fn every_bound_is_of_a_number() {
        let all = paths(&Constants::default().tree());
        let alike = |pattern: &str, path: &str| {
            let (pattern, path): (Vec<&str>, Vec<&str>) = (pattern.split('.').collect(), path.split('.').collect());
            pattern.len() == path.len() && pattern.iter().zip(&path).all(|(want, name)| want == name || *want == "*")
        };
        for (pattern, low, high) in BOUNDS {
            assert!(all.iter().any(|path| alike(pattern, path)) && low < high, "{pattern}");
        }
        for (fixed, _) in FIXED {
            assert!(all.iter().any(|path| path.starts_with(fixed)), "{fixed}");
        }
    }

    #[test]
    fn what_is_wrong_is_named() {
        let says = |path: &str, value: f64| check(path, value).unwrap_err();
        assert_eq!(says("model.left_behind.men", 0.1).remedy, "did you mean `model.left_behind.mean`?");
        assert_eq!(says("model.left_behind", 0.1).says, "the analysis has no such number");
        assert_eq!(says("model.least_days", 3.0).remedy, "write 7 to 60; it is 14 by default");
        assert_eq!(says("model.least_days", 20.5).says, "20.5 is not a whole number");
        assert_eq!(says("model.left_behind.mean", f64::NAN).says, "NaN is out of bounds");
        assert_eq!(says("forecast.clean_risk", 0.2).says, "0.2 is out of bounds", "never later than promised");
        assert!(says("forecast.mean_days", 30.0).says.contains("promised"));
        assert!(says("model.rates.0.0", 0.1).says.contains("does not foul"));
        assert!(says("forecast.lead_days", 10.0).says.contains("[alerts] lead_days"));
        assert_eq!(check("model.growths.0.0.end_days", 90.0), Ok(()), "what is endless may end");
    }

    #[test]
    fn what_is_refused_changes_nothing() {
        let spec = spec_with(&[("model.least_days", 3.0), ("model.nothing", 1.0)]);
        assert_eq!(*Constants::default().for_unit(&spec), Constants::default());
        assert!(matches!(Constants::default().for_unit(&spec_with(&[])), Cow::Borrowed(_)));
    }
}
