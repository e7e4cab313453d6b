//! Our least squares against statsmodels and scipy on five daily series. `tests/outside/make.py` made the numbers
//! (their versions stand in `fixtures/outside/expected.json`); `tests/outside/run` makes them again and compares.

use std::fs;
use std::path::{Path, PathBuf};

use fadeline::analysis::fit::{self, Fit, Priors, least_squares};
use fadeline::analysis::model::student_weight;
use fadeline::analysis::whiten::{Wander, Whitener};
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
