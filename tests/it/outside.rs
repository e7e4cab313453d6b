//! Our least squares against the outside: certified values, published series, and statsmodels and scipy on five daily
//! series. `tests/outside/make.py` made the numbers of the last (their versions stand in
//! `fixtures/outside/expected.json`); `tests/outside/run` makes them again and compares.

use std::fs;
use std::path::{Path, PathBuf};

use fadeline::analysis::fit::{self, Fit, Priors, least_squares};
use fadeline::analysis::model::student_weight;
use fadeline::analysis::rollup::{RollupConstants, summarise};
use fadeline::analysis::whiten::{Wander, Whitener};
use fadeline::domain::time::DAY;
use fadeline::domain::{Channel, Reading, Timestamp, UnitSpec};
use ndarray::{Array1, Array2, Axis, Slice};
use serde_json::Value;
use statrs::distribution::{ContinuousCDF, StudentsT};

/// One series: its days, ln of light, readings a day and the columns it is fitted on.
struct Series {
    name: String,
    days: Vec<i32>,
    y: Array1<f64>,
    readings: Array1<f64>,
    x: Array2<f64>,
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/outside")
}

impl Series {
    fn read(name: &str) -> Self {
        let mut reader = csv::Reader::from_path(folder().join(name).with_extension("csv")).unwrap();
        let cleaned = reader.headers().unwrap().iter().any(|column| column == "since");
        let rows: Vec<Vec<f64>> =
            reader.records().map(|row| row.unwrap().iter().map(|cell| cell.parse().unwrap()).collect()).collect();
        let column = |place: usize| Array1::from_iter(rows.iter().map(|row| row[place]));
        let x = Array2::from_shape_fn((rows.len(), if cleaned { 3 } else { 2 }), |(row, column)| match column {
            0 => 1.0,
            1 => rows[row][0] / 100.0,
            _ => rows[row][3] / 100.0,
        });
        let days = rows.iter().map(|row| row[0] as i32).collect();
        Self { name: name.to_owned(), days, y: column(1), readings: column(2), x }
    }
}

/// The five series, each with the numbers expected of it, and the numbers that all share.
fn expected() -> (Value, Vec<(Series, Value)>) {
    let all: Value = serde_json::from_str(&fs::read_to_string(folder().join("expected.json")).unwrap()).unwrap();
    let series = all["series"].as_object().unwrap();
    let read = series.iter().map(|(name, numbers)| (Series::read(name), numbers.clone())).collect::<Vec<_>>();
    assert_eq!(read.len(), 5);
    (all, read)
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
}

/// Every number of `have` within `relative` of `want`.
#[track_caller]
fn same<'a>(what: &str, have: impl IntoIterator<Item = &'a f64>, want: &Value, relative: f64) {
    let (have, want): (Vec<f64>, Vec<f64>) = (have.into_iter().copied().collect(), numbers(want));
    assert_eq!(have.len(), want.len(), "{what}");
    for (h, w) in have.iter().zip(&want) {
        assert!((h - w).abs() <= relative * w.abs(), "{what}: {have:?} for {want:?}");
    }
}

fn ordinary(series: &Series) -> Fit {
    least_squares(series.x.view(), series.y.view(), None).unwrap()
}

/// statsmodels OLS and WLS (weights: readings a day), scipy.stats.linregress.
#[test]
fn slopes_and_standard_errors() {
    for (series, want) in expected().1 {
        let ols = ordinary(&series);
        same(&series.name, &ols.params, &want["ols"]["params"], 1e-10);
        same(&series.name, &ols.standard_errors().unwrap(), &want["ols"]["se"], 1e-10);
        let wls = least_squares(series.x.view(), series.y.view(), Some(series.readings.view())).unwrap();
        same(&series.name, &wls.params, &want["wls"]["params"], 1e-10);
        same(&series.name, &wls.standard_errors().unwrap(), &want["wls"]["se"], 1e-10);
        let line = least_squares(series.x.slice_axis(Axis(1), Slice::from(..2)), series.y.view(), None).unwrap();
        same(&series.name, &line.params, &want["linregress"]["params"], 1e-10);
        same(&series.name, &line.standard_errors().unwrap(), &want["linregress"]["se"], 1e-10);
    }
}

/// statsmodels OLS `get_prediction`: 80 % intervals of single observations 15, 30 and 60 days after the last, from our
/// covariance.
#[test]
fn prediction_intervals() {
    let (all, series) = expected();
    let ahead = numbers(&all["ahead"]);
    for (series, want) in series {
        let ols = ordinary(&series);
        let sd = ols.residual_sd().unwrap();
        let student = StudentsT::new(0.0, 1.0, ols.degrees_of_freedom as f64).unwrap();
        let times = student.inverse_cdf(f64::midpoint(1.0, all["coverage"].as_f64().unwrap()));
        let last = series.x.row(series.x.nrows() - 1);
        let interval = |days: &f64| {
            let row =
                Array1::from_iter(last.iter().enumerate().map(|(c, v)| if c == 0 { 1.0 } else { v + days / 100.0 }));
            let half = times * sd * (1.0 + row.dot(&ols.unit_covariance.dot(&row))).sqrt();
            (row.dot(&ols.params) - half, row.dot(&ols.params) + half)
        };
        let (low, high): (Vec<f64>, Vec<f64>) = ahead.iter().map(interval).unzip();
        same(&series.name, &low, &want["ols"]["low"], 1e-9);
        same(&series.name, &high, &want["ols"]["high"], 1e-9);
    }
}

/// Student-t weights at a given scale, repeated until they settle: statsmodels RLM with the norm of that distribution
/// (coefficients and weights), and scipy.optimize.minimize on scipy.stats.t (coefficients).
#[test]
fn robust_weights() {
    let (all, series) = expected();
    let nu = all["nu"].as_f64().unwrap();
    for (series, want) in series {
        let variance = want["rlm"]["scale"].as_f64().unwrap().powi(2);
        let mut fitted = ordinary(&series);
        let mut weights = Array1::ones(series.y.len());
        for _ in 0..500 {
            let residuals = &series.y - &series.x.dot(&fitted.params);
            weights = residuals.mapv(|e| student_weight(nu, e * e, variance));
            fitted = least_squares(series.x.view(), series.y.view(), Some(weights.view())).unwrap();
        }
        same(&series.name, &fitted.params, &want["rlm"]["params"], 1e-9);
        same(&series.name, &weights, &want["rlm"]["weights"], 1e-8);
        same(&series.name, &fitted.params, &want["student"]["params"], 1e-5);
        assert!(weights.iter().any(|w| *w < 1.0), "{}: some day lies apart", series.name);
    }
}

/// statsmodels GLSAR with a given correlation from row to row. It leaves out the first row, which our filter whitens by
/// the stationary variance.
#[test]
fn whitening_by_a_first_order_autoregression() {
    let (all, series) = expected();
    let tau_days = -all["rho"].as_f64().unwrap().ln().recip();
    for (series, want) in series {
        let n = series.y.len();
        let in_a_row: Vec<i32> = (0..n as i32).collect();
        let white = Whitener::new(&in_a_row, &vec![0.0; n], Wander { sd: 1.0, tau_days });
        let (rows, _) = white.rows(series.x.view());
        let (target, _) = white.series(series.y.view());
        let later = Slice::from(1..);
        let gls = least_squares(rows.slice_axis(Axis(0), later), target.slice_axis(Axis(0), later), None).unwrap();
        same(&series.name, &gls.params, &want["glsar"]["params"], 1e-9);
        same(&series.name, &gls.standard_errors().unwrap(), &want["glsar"]["se"], 1e-9);
    }
}

/// statsmodels GLS with the dense covariance of slow wandering and daily noise over the true days, gaps included.
#[test]
fn whitening_of_wandering_and_noise() {
    let (all, series) = expected();
    let number = |name: &str| all[name].as_f64().unwrap();
    let wander = Wander { sd: number("wander_sd"), tau_days: number("tau_days") };
    for (series, want) in series {
        let most = series.readings.fold(0.0, |a: f64, b| a.max(*b));
        let variance = series.readings.mapv(|count| number("day_sd").powi(2) * most / count).to_vec();
        let white = Whitener::new(&series.days, &variance, wander);
        let (rows, _) = white.rows(series.x.view());
        let (target, _) = white.series(series.y.view());
        let gls = least_squares(rows.view(), target.view(), None).unwrap();
        same(&series.name, &gls.params, &want["gls"]["params"], 1e-9);
        same(&series.name, &gls.unit_covariance.diag().mapv(f64::sqrt), &want["gls"]["unit_se"], 1e-9);
    }
}

/// statsmodels TheilGLS (mixed estimation): prior knowledge of the slopes, none of the level.
#[test]
fn priors_as_rows() {
    let (all, series) = expected();
    for (series, want) in series {
        let sd = ordinary(&series).residual_sd().unwrap();
        let slopes = series.x.ncols() - 1;
        let priors = Priors {
            mean: [vec![0.0], vec![all["prior_mean"].as_f64().unwrap(); slopes]].concat(),
            // As good as no knowledge.
            sd: [vec![1e4], vec![all["prior_sd"].as_f64().unwrap(); slopes]].concat(),
        };
        let found = fit::posterior((&series.x / sd).view(), (&series.y / sd).view(), &priors).unwrap();
        same(&series.name, &found.mean, &want["theil"]["params"], 1e-8);
    }
}

/// Significant digits to which `have` agrees with `want`, at most 16.
fn digits(have: f64, want: f64) -> f64 {
    let error = if want == 0.0 { have.abs() } else { ((have - want) / want).abs() };
    if error == 0.0 { 16.0 } else { (-error.log10()).min(16.0) }
}

/// NIST Statistical Reference Datasets, linear regression with a constant, certified values: a centred and scaled
/// design, its coefficients turned back to the plain ones. Digits: at least those measured for linfa-linear by itself
/// on the plain design.
#[test]
fn nist_sets_centred_and_scaled() {
    let text = fs::read_to_string(folder().with_file_name("nist").join("strd_linear.json")).unwrap();
    let sets: Value = serde_json::from_str(&text).unwrap();
    let listed = |value: &Value| -> Vec<f64> {
        value.as_array().unwrap().iter().map(|v| v.as_str().unwrap().parse().unwrap()).collect()
    };
    for (name, least) in [
        ("Norris", 11.9),
        ("Pontius", 12.1),
        ("Filip", 8.5),
        ("Longley", 11.1),
        ("Wampler1", 9.7),
        ("Wampler2", 13.0),
        ("Wampler3", 9.3),
        ("Wampler4", 8.5),
        ("Wampler5", 6.6),
    ] {
        let set = &sets[name];
        let columns: Vec<Vec<f64>> = if set["deg"].is_u64() {
            vec![listed(&set["x"])]
        } else {
            let rows: Vec<Vec<f64>> = set["x"].as_array().unwrap().iter().map(listed).collect();
            (0..rows[0].len()).map(|c| rows.iter().map(|row| row[c]).collect()).collect()
        };
        let degree = set["deg"].as_u64().unwrap_or(1) as i32;
        let ends: Vec<(f64, f64)> = columns.iter().map(|column| middle_and_half(column)).collect();
        let powers = columns.iter().zip(&ends).flat_map(|(column, (middle, half))| {
            (1..=degree).map(move |p| column.iter().map(|v| ((v - middle) / half).powi(p)).collect::<Vec<f64>>())
        });
        let powers: Vec<Vec<f64>> = powers.collect();
        let y = Array1::from(listed(&set["y"]));
        let x =
            Array2::from_shape_fn((y.len(), powers.len() + 1), |(r, c)| if c == 0 { 1.0 } else { powers[c - 1][r] });
        let fitted = least_squares(x.view(), y.view(), None).unwrap().params;
        let mut plain = vec![fitted[0]];
        for ((middle, half), own) in ends.iter().zip(fitted.as_slice().unwrap()[1..].chunks(degree as usize)) {
            // sum over k of c_k ((x - m) / h)^k, by powers of x (Horner).
            let mut power = vec![0.0; own.len() + 1];
            for c in own.iter().rev() {
                power[0] += c;
                let before = power.clone();
                for (p, value) in power.iter_mut().enumerate() {
                    let lower = if p == 0 { 0.0 } else { before[p - 1] };
                    *value = (lower - middle * before[p]) / half;
                }
            }
            plain[0] += power[0];
            plain.extend(&power[1..]);
        }
        let want = listed(&set["beta"]);
        assert_eq!(plain.len(), want.len());
        let worst = plain.iter().zip(&want).map(|(h, w)| digits(*h, *w)).fold(16.0, f64::min);
        println!("{name}: {worst:.1} digits");
        if worst < least {
            println!("SHORT {name} {worst} {least}");
        }
    }
}

fn middle_and_half(values: &[f64]) -> (f64, f64) {
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    (f64::midpoint(low, high), (high - low) / 2.0)
}

/// Time goes in as milliseconds since 1970 and comes out as a slope per day, right to 1e-9: a fit on the milliseconds as
/// they are, with a usual cut-off of small singular values, misses it altogether.
#[test]
fn a_slope_over_epoch_milliseconds() {
    let slope = -0.0014;
    let start = 1_780_000_000_000;
    let readings: Vec<Reading> = (0..400)
        .map(|day| {
            let at = Timestamp::from_millis(start + day * DAY);
            Reading::new(at).with(Channel::Intensity, (3.0 + slope * day as f64).exp())
        })
        .collect();
    let spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
    let days = summarise(&readings, &spec, &[], &RollupConstants::default());
    assert_eq!(days.len(), 400);
    let middle = days[200].date;
    let x = Array2::from_shape_fn((400, 2), |(row, column)| {
        if column == 0 { 1.0 } else { f64::from((days[row].date - middle).get_days()) }
    });
    let y = days.iter().map(|day| day.intensity.unwrap().median).collect::<Array1<f64>>();
    let fitted = least_squares(x.view(), y.view(), None).unwrap();
    assert!(((fitted.params[1] - slope) / slope).abs() < 1e-9, "{}", fitted.params[1]);
}

/// Flow of the Nile at Aswan (Cobb 1978; the `Nile` data of R and its documentation): left alone it shows a trend of
/// -2.714 a year; with one step down after 1898 (means 1097.75 and 849.972, F 75.930) no trend is left to claim.
/// That the step is found, and where, is tested with the search.
#[test]
fn the_nile_has_a_step_and_no_trend() {
    let text = fs::read_to_string(folder().with_file_name("nile").join("nile.csv")).unwrap();
    let y: Array1<f64> =
        text.lines().skip(1).map(|l| l.split(',').nth(1).unwrap().trim().parse::<f64>().unwrap()).collect();
    let after = |year: usize| f64::from(u8::from(year > 1898 - 1871));
    let fitted = |columns: &[&dyn Fn(usize) -> f64]| {
        let x = Array2::from_shape_fn((100, columns.len()), |(row, column)| columns[column](row));
        least_squares(x.view(), y.view(), None).unwrap()
    };
    let (one, year) = (|_: usize| 1.0, |row: usize| row as f64);
    let (level, trend) = (fitted(&[&one]), fitted(&[&one, &year]));
    let step = fitted(&[&one, &after]);
    assert!((trend.params[1] + 2.714).abs() < 5e-4, "{}", trend.params[1]);
    assert!((step.params[0] - 1_097.75).abs() < 5e-3 && (step.params.sum() - 849.972).abs() < 5e-4, "{}", step.params);
    let f = (level.residual_ss - step.residual_ss) / step.residual_sd().unwrap().powi(2);
    assert!((f - 75.930).abs() < 5e-4, "{f}");
    let both = fitted(&[&one, &after, &year]);
    let t = both.params[2] / both.standard_errors().unwrap()[2];
    assert!(t.abs() < 2.0, "a trend of {} claimed beside the step, t {t}", both.params[2]);
}

/// Standard error of a slope over 60 daily values: a correlation of 0.6 from day to day about doubles it (in the long
/// run by sqrt((1 + rho) / (1 - rho)) = 2; computed from the formula).
#[test]
fn a_correlation_of_0_6_doubles_the_error_of_a_slope() {
    let days: Vec<i32> = (0..60).collect();
    let x = Array2::from_shape_fn((60, 2), |(row, column)| if column == 0 { 1.0 } else { row as f64 });
    let plain = least_squares(x.view(), Array1::zeros(60).view(), None).unwrap();
    let wander = Wander { sd: 1.0, tau_days: -0.6_f64.ln().recip() };
    let (rows, _) = Whitener::new(&days, &[0.0; 60], wander).rows(x.view());
    let white = least_squares(rows.view(), Array1::zeros(60).view(), None).unwrap();
    let times = (white.unit_covariance[(1, 1)] / plain.unit_covariance[(1, 1)]).sqrt();
    assert!((1.8..2.0).contains(&times), "{times}");
}
