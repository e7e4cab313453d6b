use proptest::prelude::*;

use super::*;
use crate::alert::text::tests::Case;
use crate::domain::{Channel, Reading};

fn start() -> Timestamp {
    Timestamp::from_secs(1_800_000_000)
}

fn feed(book: &mut Book, kind: Kind, state: State, level: Level, now: Timestamp) -> bool {
    book.update(kind, Signal { state, level, weight: 1 }, None, now, Text::default)
}

fn told(book: &mut Book, now: Timestamp) -> Vec<What> {
    book.tell(now, |_, _| true).into_iter().map(|news| news.what).collect()
}

#[test]
fn a_whole_life() {
    let (mut book, kind, now) = (Book::default(), Kind::NoReadings, start());
    assert!(feed(&mut book, kind, State::Bad, Level::Notice, now));
    let tell = holds(kind).tell;
    assert_eq!(told(&mut book, now.plus_millis(tell - MINUTE)), [], "it may be back before anybody has to know");
    assert_eq!(told(&mut book, now.plus_millis(tell)), [What::Raised]);
    assert!(!feed(&mut book, kind, State::Bad, Level::Notice, now.plus_millis(MINUTE)), "nothing new");
    let until = now.plus_millis(HOUR);
    let order = Order { what: OrderKind::Acknowledge, by: Some("Ana".into()), note: None, until: Some(until) };
    assert_eq!(book.obey(Some(kind), &order, now), Ok(1));
    assert_eq!(book.live[&kind].standing(None, now), Standing::Acknowledged);
    assert!(feed(&mut book, kind, State::Bad, Level::Warning, now.plus_millis(2 * MINUTE)));
    assert_eq!(book.live[&kind].standing(None, now), Standing::Raised, "worse than what was acknowledged");
    assert_eq!(told(&mut book, now), [What::Escalated]);
    let silence = Order { what: OrderKind::Silence, by: None, note: None, until: Some(until) };
    assert_eq!(book.obey(Some(kind), &silence, now), Ok(1));
    assert_eq!(book.live[&kind].standing(None, now), Standing::Silenced);
    assert!(!book.expire(now) && book.expire(until));
    assert_eq!(told(&mut book, until), [What::Still]);
    let good = until.plus_millis(MINUTE);
    feed(&mut book, kind, State::Good, Level::Notice, good);
    feed(&mut book, kind, State::Unknown, Level::Notice, good.plus_millis(MINUTE));
    feed(&mut book, kind, State::Good, Level::Notice, good.plus_millis(2 * MINUTE));
    feed(&mut book, kind, State::Good, Level::Notice, good.plus_millis(holds(kind).clear + MINUTE));
    assert!(book.live.contains_key(&kind), "what is unknown does not count for the hold time");
    feed(&mut book, kind, State::Good, Level::Notice, good.plus_millis(holds(kind).clear + 2 * MINUTE));
    assert!(book.live.is_empty());
    let over = good.plus_millis(holds(kind).clear + 2 * MINUTE + holds(kind).tell_end);
    assert_eq!(told(&mut book, over), [What::Cleared]);
    assert_eq!(told(&mut book, over), []);
}

#[test]
fn what_comes_and_goes_untold_is_never_told() {
    let (mut book, kind, now) = (Book::default(), Kind::NoReadings, start());
    feed(&mut book, kind, State::Bad, Level::Notice, now);
    feed(&mut book, kind, State::Good, Level::Notice, now);
    feed(&mut book, kind, State::Good, Level::Notice, now.plus_millis(holds(kind).clear));
    assert_eq!((book.live.len(), told(&mut book, now).len()), (0, 0));
}

#[test]
fn a_notice_that_turns_into_a_warning_is_told_at_once_and_once() {
    let (mut book, kind, now) = (Book::default(), Kind::WaterEpisode, start());
    feed(&mut book, kind, State::Bad, Level::Notice, now);
    assert_eq!(told(&mut book, now.plus_millis(HOUR)), []);
    feed(&mut book, kind, State::Bad, Level::Warning, now.plus_millis(2 * HOUR));
    assert_eq!(told(&mut book, now.plus_millis(2 * HOUR)), [What::Raised]);
    assert_eq!(told(&mut book, now.plus_millis(2 * DAY)), []);
}

#[test]
fn what_comes_back_before_its_end_was_told_goes_on_for_people() {
    let (mut book, kind, now) = (Book::default(), Kind::WaterEpisode, start());
    feed(&mut book, kind, State::Bad, Level::Warning, now);
    assert_eq!(told(&mut book, now), [What::Raised]);
    feed(&mut book, kind, State::Good, Level::Notice, now);
    let over = now.plus_millis(holds(kind).clear);
    feed(&mut book, kind, State::Good, Level::Notice, over);
    assert!(book.live.is_empty());
    assert_eq!(told(&mut book, over.plus_millis(DAY)), []);
    let again = over.plus_millis(2 * DAY);
    feed(&mut book, kind, State::Bad, Level::Warning, again);
    assert!(book.live.contains_key(&kind), "the topic says so at once");
    assert_eq!(told(&mut book, again.plus_millis(5 * DAY)), []);
    let good = again.plus_millis(5 * DAY);
    feed(&mut book, kind, State::Good, Level::Notice, good);
    let over = good.plus_millis(holds(kind).clear);
    feed(&mut book, kind, State::Good, Level::Notice, over);
    assert_eq!(told(&mut book, over.plus_millis(holds(kind).tell_end)), [What::Cleared]);
}

#[test]
fn what_is_urgent_never_waits_to_be_told() {
    for kind in Kind::ALL.iter().filter(|kind| kind.is_urgent()) {
        let (mut book, now) = (Book::default(), start());
        let raised = now.plus_millis(holds(*kind).raise);
        feed(&mut book, *kind, State::Bad, Level::Urgent, now);
        feed(&mut book, *kind, State::Bad, Level::Urgent, raised);
        assert_eq!(told(&mut book, raised), [What::Raised], "{kind}");
        assert!(holds(*kind).raise <= 2 * MINUTE && holds(*kind).tell == 0, "{kind}");
    }
}

#[test]
fn what_is_urgent_and_comes_back_is_told_as_still_there() {
    let (mut book, kind, now) = (Book::default(), Kind::TreatmentNotAssured, start());
    feed(&mut book, kind, State::Bad, Level::Urgent, now);
    assert_eq!(told(&mut book, now), [What::Raised]);
    let order = Order { what: OrderKind::Acknowledge, by: None, note: None, until: None };
    assert_eq!(book.obey(Some(kind), &order, now), Ok(1));
    feed(&mut book, kind, State::Good, Level::Notice, now);
    let over = now.plus_millis(holds(kind).clear);
    feed(&mut book, kind, State::Good, Level::Notice, over);
    let again = over.plus_millis(HOUR);
    assert!(book.live.is_empty() && told(&mut book, again).is_empty());
    feed(&mut book, kind, State::Bad, Level::Urgent, again);
    assert_eq!(told(&mut book, again), [What::Still], "whoever had acknowledged it before");
}

/// A sensor of whole percents hovers about the set point; there was work, but it has not brought the light back.
#[test]
fn light_that_comes_back_long_after_work_must_last() {
    let kind = Kind::TreatmentNotAssured;
    let good = Signal { state: State::Good, level: Level::Urgent, weight: 1 };
    let ends = |back: i64| {
        let (mut book, now) = (Book::default(), start());
        feed(&mut book, kind, State::Bad, Level::Urgent, now);
        let worked = Some(now.plus_millis(HOUR));
        book.update(kind, good, worked, now.plus_millis(HOUR + back), Text::default);
        let mut half_hours = (1..200).map(|n| now.plus_millis(HOUR + back + n * 30 * MINUTE));
        let end = half_hours.find(|at| {
            book.update(kind, good, worked, *at, Text::default);
            book.live.is_empty()
        });
        end.unwrap().millis_since(now.plus_millis(HOUR + back))
    };
    assert_eq!((ends(10 * MINUTE), ends(30 * HOUR)), (holds(kind).clear_answered, holds(kind).clear));
}

#[test]
fn an_answer_in_the_log_shortens_the_second_hold() {
    let (mut book, kind, now) = (Book::default(), Kind::TreatmentNotAssured, start());
    feed(&mut book, kind, State::Bad, Level::Urgent, now);
    let good = Signal { state: State::Good, level: Level::Notice, weight: 0 };
    let cleaned = Some(now.plus_millis(HOUR));
    let at = now.plus_millis(2 * HOUR);
    book.update(kind, good, None, at, Text::default);
    book.update(kind, good, None, at.plus_millis(HOUR), Text::default);
    assert!(book.live.contains_key(&kind), "a day without an answer");
    book.update(kind, good, cleaned, at.plus_millis(HOUR), Text::default);
    assert!(book.live.is_empty());
}

#[test]
fn orders_that_make_no_sense_are_refused() {
    let (mut book, now) = (Book::default(), start());
    let order = |what, until| Order { what, by: None, note: None, until };
    assert_eq!(book.obey(None, &order(OrderKind::Acknowledge, None), now), Err(OrderError::NoSuchAlert));
    assert_eq!(book.obey(None, &order(OrderKind::Silence, None), now), Err(OrderError::NoEnd));
    let past = order(OrderKind::Silence, Some(now));
    assert!(matches!(book.obey(None, &past, now), Err(OrderError::BadEnd { .. })));
    let bad = Order { by: Some("a\u{7}".into()), ..order(OrderKind::Acknowledge, None) };
    assert!(matches!(book.obey(None, &bad, now), Err(OrderError::BadText { field: "by", .. })));
}

#[test]
fn a_book_is_kept_as_it_is() {
    let (mut book, now) = (Book::default(), start());
    feed(&mut book, Kind::CleaningDue, State::Bad, Level::Notice, now);
    feed(&mut book, Kind::UnloggedStep, State::Bad, Level::Notice, now);
    let kept = serde_json::to_vec(&book).unwrap();
    assert_eq!(serde_json::from_slice::<Book>(&kept).unwrap(), book);
}

/// Raises of the treatment alert while readings every `step` have these intensities.
fn raises(intensities: &[f64], step: i64) -> usize {
    let mut case = Case::new();
    let mut book = Book::default();
    let (mut count, mut now) = (0, start());
    for intensity in intensities {
        now = now.plus_millis(step);
        case.now = now;
        case.latest = Reading::new(now).with(Channel::Intensity, *intensity);
        let evidence = case.evidence();
        let before = book.live.contains_key(&Kind::TreatmentNotAssured);
        let signal = evidence.signal(Kind::TreatmentNotAssured);
        book.update(Kind::TreatmentNotAssured, signal, None, now, Text::default);
        count += usize::from(!before && book.live.contains_key(&Kind::TreatmentNotAssured));
    }
    count
}

proptest! {
    /// Whatever the readings do inside the band (under 3 % over the set point), there is at most one alert.
    #[test]
    fn nothing_flaps_inside_the_band(readings in proptest::collection::vec(13.0_f64..14.4, 1..400)) {
        prop_assert!(raises(&readings, 10 * MINUTE) <= 1);
    }

    /// Whatever they do at all, two raises are more than a clear hold apart.
    #[test]
    fn no_more_than_one_raise_in_a_hold_time(readings in proptest::collection::vec(1.0_f64..30.0, 1..400)) {
        let days = readings.len() as i64 * 10 * MINUTE / DAY + 1;
        prop_assert!(raises(&readings, 10 * MINUTE) as i64 <= days);
    }

    /// The same for every kind with any signals.
    #[test]
    fn no_kind_flaps(states in proptest::collection::vec(0_u8..4, 1..300), kind in 0_usize..11) {
        let kind = Kind::ALL[kind];
        let (mut book, mut now, mut last) = (Book::default(), start(), None::<Timestamp>);
        for state in states {
            now = now.plus_millis(20 * MINUTE);
            let state = [State::Bad, State::Between, State::Good, State::Unknown][usize::from(state)];
            let before = book.live.contains_key(&kind);
            feed(&mut book, kind, state, Level::Notice, now);
            if !before && book.live.contains_key(&kind) {
                let hold = holds(kind).clear;
                prop_assert!(last.is_none_or(|last| now.millis_since(last) >= hold));
                last = Some(now);
            }
        }
    }
}
