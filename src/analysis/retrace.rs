//! The past as the fit explains it: the fitted course, and what each cause cost on the way.
//!
//! The mean of the draws is linear in their coefficients within one reading of the events, so each reading's mean
//! coefficients are worked out once and then carried along its days. The slow wandering is not in it: the course shows
//! what the causes explain, and the readings beside it what they do not.

use super::causes::counts_as_loss;
use super::course::Course;
use super::model::Fitted;
use super::shifts::Shifts;
use super::term::{Share as Part, Term};
use crate::domain::fitted::{FittedDay, LostPoints};

/// The course is told at about this many days, evenly, and on the days around each reset.
const POINTS: i32 = 400;

/// Mean coefficients of one reading of the events, and how much of the draws it has.
struct Mean {
    variant: usize,
    share: f64,
    theta: Vec<f64>,
}

/// The days from the first to the assessment's own, ascending; where the fit explains nothing (`no_cause`), with their
/// losses of no known cause.
pub fn retrace(fitted: &Fitted<'_>, course: &Course, shifts: &Shifts, no_cause: bool) -> Vec<FittedDay> {
    let means = means(fitted);
    let Some(heaviest) = means.iter().max_by(|a, b| a.share.total_cmp(&b.share)) else { return Vec::new() };
    let step = (course.today / POINTS).max(1);
    let mut days: Vec<i32> = (0..=course.today).step_by(usize::try_from(step).unwrap_or(1)).collect();
    for reset in fitted.variants[heaviest.variant].design.resets() {
        days.extend([reset - 1, reset, reset + 1].into_iter().filter(|day| (0..=course.today).contains(day)));
    }
    days.push(course.today);
    days.sort_unstable();
    days.dedup();
    let told = |day: i32| {
        let (ln, lost) = on(day, &means, (fitted, shifts), course);
        let lost = if no_cause { [0.0, 0.0, 0.0, 0.0, lost.iter().sum()] } else { lost };
        FittedDay { date: course.date(day), intensity: ln.clamp(-20.0, 20.0).exp(), lost: LostPoints::of_ln(lost) }
    };
    days.into_iter().map(told).collect()
}

fn means(fitted: &Fitted<'_>) -> Vec<Mean> {
    let mean = |(variant, _): (usize, _)| {
        let draws: Vec<_> = fitted.draws.iter().filter(|draw| draw.variant == variant).collect();
        let first = draws.first()?;
        let count = draws.len() as f64;
        let of = |term: usize| draws.iter().map(|draw| draw.theta[term]).sum::<f64>() / count;
        let theta = (0..first.theta.len()).map(of).collect();
        Some(Mean { variant, share: count / fitted.draws.len() as f64, theta })
    };
    fitted.variants.iter().enumerate().filter_map(mean).collect()
}

/// ln of the fitted light on a day, and the losses in the order of [`LostPoints`].
fn on(day: i32, means: &[Mean], (fitted, shifts): (&Fitted<'_>, &Shifts), course: &Course) -> (f64, [f64; 5]) {
    let mut ln = fitted.centre;
    let mut lost = [0.0; 5];
    for mean in means {
        let design = &fitted.variants[mean.variant].design;
        for ((term, theta), x) in design.terms.iter().zip(&mean.theta).zip(design.row(day)) {
            let part = mean.share * theta * x;
            ln += part;
            if !counts_as_loss(*term, course) {
                continue;
            }
            match term.share() {
                Part::Level | Part::Temperature => {}
                Part::Sleeve => lost[0] -= part,
                Part::Lamp => lost[1] -= part,
                Part::Sensor => lost[2] -= part,
                Part::Water => lost[3] -= part,
                Part::Before => lost[4] -= part,
                Part::Shift => {
                    let water = match term {
                        Term::Shift(place) => shifts.water_share(design.shifts()[*place], *theta),
                        _ => 0.0,
                    };
                    lost[3] -= part * water;
                    lost[2] -= part * (1.0 - water);
                }
            }
        }
    }
    (ln, lost)
}
