//! What a machine's counters showed over a day, apart from the rest of what the machine told: what a count is judged beside, and
//! how much a run made.
//!
//! A line that counts every second tells some hundred thousand readings a day, and each of them asks for the one before it and
//! the one after it. Kept as they are here they take a fifth of the memory of the facts they come from.
//!
//! Cost: a reading that comes in order is put behind the others; to find one, or what was counted between two instants, costs the
//! logarithm of their number. One that comes late sums up anew what lies behind it.

use crate::counter;
use crate::fact::{CounterReading, Event, Fact};

/// A reading of a counter with its time, microseconds.
pub type Read = (CounterReading, i64);

/// Readings of one counter nearest to an instant: the newest up to it, and the first after it.
pub type Neighbours = (Option<Read>, Option<Read>);

/// What is asked of a counter: what it counted from one instant to before another.
#[derive(Clone, Copy, Debug)]
pub struct Between<'a> {
    /// The counter.
    pub counter: &'a CounterReading,
    /// Digits it has, as the register says.
    pub digit_count: i64,
    /// From when on, microseconds.
    pub from_us: i64,
    /// Up to before when.
    pub to_us: i64,
}

/// What a counter counted among some readings: cycles from the first to the last. A step back that is neither a wrap nor a reset
/// counts nothing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Cycles {
    /// The first reading.
    pub first: Option<CounterReading>,
    /// Value and time of the last.
    pub last: Option<(i64, i64)>,
    /// Cycles between them.
    pub count: i64,
}

impl Cycles {
    /// Goes on with a reading.
    pub fn push(&mut self, reading: &CounterReading, time_us: i64, digit_count: i64) {
        let step = self.last.map_or(0, |(before, _)| step(before, reading, digit_count));
        self.count = self.count.saturating_add(step);
        self.first.get_or_insert_with(|| reading.clone());
        self.last = Some((reading.value, time_us));
    }

    /// Goes on with what was counted afterwards.
    pub fn then(&mut self, after: Cycles, digit_count: i64) {
        let Some(first) = &after.first else { return };
        let between = self.last.map_or(0, |(before, _)| step(before, first, digit_count));
        self.count = self.count.saturating_add(between).saturating_add(after.count);
        self.last = after.last;
        self.first = self.first.take().or(after.first);
    }

    /// Goes on with a newer fact; false where the record has to say which of two comes first.
    #[must_use]
    pub fn with_newer(&mut self, event: &Event, machine_code: &str, asked: &Between) -> bool {
        if matches!(event.fact, Some(Fact::Corrected(_))) {
            return false;
        }
        let time = event.occurred_time_us;
        let Some(reading) = told(event, machine_code, asked.counter) else { return true };
        if !(asked.from_us..asked.to_us).contains(&time) {
            return true;
        }
        let behind = self.last.is_none_or(|(_, last)| last < time);
        if behind {
            self.push(reading, time, asked.digit_count);
        }
        behind
    }
}

fn step(before: i64, reading: &CounterReading, digit_count: i64) -> i64 {
    counter::cycles(before, reading, digit_count).unwrap_or(0)
}

/// Counters of a machine that a fact tells.
pub fn counters_in<'a>(event: &'a Event, machine_code: &str) -> Vec<&'a CounterReading> {
    match &event.fact {
        Some(Fact::CountRecorded(f)) if f.machine_code == machine_code => f.counters.iter().collect(),
        Some(Fact::LineChecked(f)) if f.machine_code == machine_code => f.counters.iter().collect(),
        Some(Fact::RunStarted(f)) if f.machine_code == machine_code => f.counters.iter().collect(),
        Some(Fact::RunFinished(f)) if f.machine_code == machine_code => f.counters.iter().collect(),
        Some(Fact::BagTipped(f)) => {
            f.counts.iter().filter(|c| c.machine_code == machine_code).filter_map(|c| c.counter.as_ref()).collect()
        }
        _ => Vec::new(),
    }
}

/// True for readings of one counter: at the same place and, where packs are thrown out, for the same reason.
pub fn same_counter(a: &CounterReading, b: &CounterReading) -> bool {
    a.place == b.place && a.reason_code == b.reason_code
}

/// What a fact tells of a counter of a machine; where it tells it twice, the last.
pub fn told<'a>(event: &'a Event, machine_code: &str, counter: &CounterReading) -> Option<&'a CounterReading> {
    counters_in(event, machine_code).into_iter().rfind(|reading| same_counter(reading, counter))
}

/// Readings nearest to an instant among facts of a machine in the order of what happened.
pub fn nearest_among(facts: &[&Event], machine_code: &str, counter: &CounterReading, at: i64) -> Neighbours {
    let read = |event: &&Event| told(event, machine_code, counter).map(|read| (read.clone(), event.occurred_time_us));
    let (before, after) = facts.split_at(facts.partition_point(|event| event.occurred_time_us <= at));
    (before.iter().rev().find_map(read), after.iter().find_map(read))
}

/// A reading with what was counted since the first of its list.
#[derive(Clone, Debug, PartialEq)]
struct Row {
    reading: CounterReading,
    time_us: i64,
    sum: i64,
}

/// Readings of a machine's counters in one of its lists.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Counted {
    /// Those of each counter, in the order of what happened.
    counters: Vec<Vec<Row>>,
    /// Digits with which the sums were made.
    digit_count: i64,
}

/// Makes the sums from a place on.
fn sum_up(rows: &mut [Row], from: usize, digit_count: i64) {
    for place in from..rows.len() {
        let before = place.checked_sub(1).and_then(|before| rows.get(before)).map(|row| (row.reading.value, row.sum));
        if let Some(row) = rows.get_mut(place) {
            row.sum = before.map_or(0, |(value, sum)| sum.saturating_add(step(value, &row.reading, digit_count)));
        }
    }
}

impl Counted {
    /// Of facts that stand, in the order of what happened.
    pub fn of<'a>(machine_code: &str, facts: impl IntoIterator<Item = &'a Event>) -> Counted {
        let mut found = Counted::default();
        for event in facts {
            found.tell(machine_code, event, |rows, row, digits| {
                let place = rows.len();
                rows.push(row);
                sum_up(rows, place, digits);
            });
        }
        found
    }

    /// Gives each reading of a fact to the list of its counter.
    fn tell(&mut self, machine_code: &str, event: &Event, mut put: impl FnMut(&mut Vec<Row>, Row, i64)) {
        for reading in counters_in(event, machine_code) {
            if told(event, machine_code, reading).is_none_or(|last| !std::ptr::eq(last, reading)) {
                continue;
            }
            let known = |rows: &Vec<Row>| rows.first().is_some_and(|first| same_counter(&first.reading, reading));
            let place = self.counters.iter().position(known).unwrap_or_else(|| {
                self.counters.push(Vec::new());
                self.counters.len() - 1
            });
            if let Some(rows) = self.counters.get_mut(place) {
                let row = Row { reading: reading.clone(), time_us: event.occurred_time_us, sum: 0 };
                put(rows, row, self.digit_count);
            }
        }
    }

    /// Goes on with a fact that is newer than all before, where that can be: a correction may change anything before it, and of
    /// two readings of one instant the record says which comes first.
    #[must_use]
    pub fn push(&mut self, machine_code: &str, event: &Event) -> bool {
        if matches!(event.fact, Some(Fact::Corrected(_))) {
            return false;
        }
        let mut goes_on = true;
        self.tell(machine_code, event, |rows, row, digits| {
            let in_order = rows.last().is_none_or(|last| last.time_us < row.time_us);
            let place = if in_order { rows.len() } else { rows.partition_point(|other| other.time_us < row.time_us) };
            goes_on &= rows.get(place).is_none_or(|other| other.time_us != row.time_us);
            rows.insert(place, row);
            sum_up(rows, place, digits);
        });
        goes_on
    }

    fn rows(&self, counter: &CounterReading) -> &[Row] {
        let own = |rows: &&Vec<Row>| rows.first().is_some_and(|first| same_counter(&first.reading, counter));
        self.counters.iter().find(own).map_or(&[], Vec::as_slice)
    }

    /// The readings of a counter nearest to an instant.
    pub fn nearest(&self, counter: &CounterReading, at: i64) -> Neighbours {
        let rows = self.rows(counter);
        let (before, after) = rows.split_at(rows.partition_point(|row| row.time_us <= at));
        let read = |row: &Row| (row.reading.clone(), row.time_us);
        (before.last().map(read), after.first().map(read))
    }

    /// What a counter counted between two instants.
    pub fn cycles(&mut self, asked: &Between) -> Cycles {
        if self.digit_count != asked.digit_count {
            self.digit_count = asked.digit_count;
            self.counters.iter_mut().for_each(|rows| sum_up(rows, 0, asked.digit_count));
        }
        let rows = self.rows(asked.counter);
        let place = |time: i64| rows.partition_point(|row| row.time_us < time);
        let found = rows.get(place(asked.from_us)..place(asked.to_us)).unwrap_or_default();
        let (Some(first), Some(last)) = (found.first(), found.last()) else { return Cycles::default() };
        Cycles {
            first: Some(first.reading.clone()),
            last: Some((last.reading.value, last.time_us)),
            count: last.sum.saturating_sub(first.sum),
        }
    }

    /// Bytes it takes in memory, about.
    pub fn bytes(&self) -> usize {
        self.counters.iter().map(|rows| rows.capacity() * size_of::<Row>()).sum()
    }
}

/// Goes on from what was found with a newer fact; false where the record has to say which of two comes first.
#[must_use]
pub fn with_newer(
    found: &mut Neighbours,
    event: &Event,
    machine_code: &str,
    counter: &CounterReading,
    at: i64,
) -> bool {
    if matches!(event.fact, Some(Fact::Corrected(_))) {
        return false;
    }
    let Some(reading) = told(event, machine_code, counter) else { return true };
    let time = event.occurred_time_us;
    let (side, nearer): (_, fn(i64, i64) -> bool) =
        if time <= at { (&mut found.0, |own, other| own > other) } else { (&mut found.1, |own, other| own < other) };
    match side {
        Some((_, other)) if *other == time => return false,
        Some((_, other)) if !nearer(time, *other) => {}
        _ => *side = Some((reading.clone(), time)),
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fact::{BagTipped, CountRecorded, CounterPlace, MachineCount};

    fn count(at: i64, readings: &[(CounterPlace, i64)]) -> Event {
        let reading = |(place, value): &(CounterPlace, i64)| CounterReading {
            place: (*place).into(),
            value: *value,
            ..CounterReading::default()
        };
        let counters = readings.iter().map(reading).collect();
        let fact = CountRecorded { machine_code: "M".into(), counters, ..CountRecorded::default() };
        Event { occurred_time_us: at, fact: Some(Fact::CountRecorded(fact)), ..Event::default() }
    }

    /// However readings come, one after another is as all at once, and what is newer can stand in front of what is kept.
    ///
    /// Long: a history and all that is asked of it.
    #[test]
    fn readings_one_by_one_are_as_all_at_once() {
        let places = [CounterPlace::Filled, CounterPlace::Rejected, CounterPlace::Accepted];
        let mut random = fastrand::Rng::with_seed(11);
        let mut refused = 0;
        for _ in 0..2_000 {
            let (mut events, mut kept): (Vec<Event>, Counted) = Default::default();
            let (cut, mut goes_on) = (random.usize(..12), true);
            for number in 0..12 {
                let at = random.i64(0..60);
                let mut told: Vec<_> =
                    (0..random.usize(..4)).map(|_| (random.choice(places).unwrap(), number)).collect();
                told.truncate(3);
                let number = if random.u8(..5) == 0 { random.i64(0..100) } else { number };
                let event = match random.u8(..8) {
                    0 => {
                        let counter = Some(CounterReading { value: number, ..CounterReading::default() });
                        let own = MachineCount {
                            machine_code: "M".into(),
                            counter: counter.clone(),
                            ..MachineCount::default()
                        };
                        let other = MachineCount { machine_code: "N".into(), counter, ..MachineCount::default() };
                        let fact = BagTipped { counts: vec![own, other], ..BagTipped::default() };
                        Event { occurred_time_us: at, fact: Some(Fact::BagTipped(fact)), ..Event::default() }
                    }
                    _ => count(at, &told),
                };
                if events.len() < cut {
                    goes_on &= kept.push("M", &event);
                }
                events.push(event);
            }
            let in_order = |events: &[Event]| {
                let mut sorted: Vec<Event> = events.to_vec();
                sorted.sort_by_key(|event| event.occurred_time_us);
                sorted
            };
            let (base, all) = (in_order(&events[..cut]), in_order(&events));
            if goes_on {
                assert_eq!(kept.counters.len(), Counted::of("M", &base).counters.len());
            } else {
                (kept, refused) = (Counted::of("M", &base), refused + 1);
            }
            for place in places.into_iter().chain([CounterPlace::Unspecified]) {
                let counter = CounterReading { place: place.into(), ..CounterReading::default() };
                for at in [i64::MIN, -1, 0, 17, 30, 31, 59, 60, i64::MAX] {
                    let scan = |events: &[Event]| nearest_among(&events.iter().collect::<Vec<_>>(), "M", &counter, at);
                    assert_eq!(kept.nearest(&counter, at), scan(&base), "{at} {base:?}");
                    let asked = Between { counter: &counter, digit_count: random.i64(0..3), from_us: 17, to_us: at };
                    let counted = |events: &[Event]| {
                        let mut found = Cycles::default();
                        for event in events.iter().filter(|event| (17..at).contains(&event.occurred_time_us)) {
                            if let Some(reading) = told(event, "M", &counter) {
                                found.push(reading, event.occurred_time_us, asked.digit_count);
                            }
                        }
                        found
                    };
                    let mut cycles = kept.cycles(&asked);
                    assert_eq!(cycles, counted(&base), "{asked:?} {base:?}");
                    if events[cut..].iter().all(|event| cycles.with_newer(event, "M", &asked)) {
                        assert_eq!(cycles, counted(&all), "{asked:?} {all:?}");
                    }
                    let mut parts = kept.cycles(&Between { to_us: at.min(30), ..asked });
                    parts.then(kept.cycles(&Between { from_us: 30, ..asked }), asked.digit_count);
                    assert_eq!(parts, counted(&base), "{asked:?} {base:?}");
                    let mut found = kept.nearest(&counter, at);
                    if events[cut..].iter().all(|event| with_newer(&mut found, event, "M", &counter, at)) {
                        assert_eq!(found, scan(&all), "{at} {all:?}");
                    }
                }
            }
        }
        assert!((100..1_900).contains(&refused), "{refused} of 2000 had readings of one instant");
        let corrected = Event { fact: Some(Fact::Corrected(Box::default())), ..Event::default() };
        assert!(!Counted::default().push("M", &corrected));
    }
}
