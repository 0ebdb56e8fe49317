//! How much a run made, from the readings of its days alone, is what all that its machine told says.

use packloft_domain::fact::*;
use packloft_domain::kinds::keys_of;
use packloft_domain::objects::run::{run_rows, run_span};
use packloft_domain::objects::stacking::{counts, filled_with};
use packloft_domain::record::{Entry, MemoryRecord};

const DAY_US: i64 = 86_400_000_000;

fn reading(value: i64, random: &mut fastrand::Rng) -> CounterReading {
    let reset = random.u8(..12) == 0;
    CounterReading {
        place: CounterPlace::Filled.into(),
        value,
        reset_from_value: reset.then(|| value.saturating_add(random.i64(0..40))),
        reset_assumed: random.u8(..12) == 0,
        ..CounterReading::default()
    }
}

fn counted(at: i64, counters: Vec<CounterReading>) -> Event {
    let fact = CountRecorded { machine_code: "M".into(), counters, ..CountRecorded::default() };
    Event { occurred_time_us: at, fact: Some(Fact::CountRecorded(fact)), ..Event::default() }
}

#[test]
fn a_run_made_what_its_counts_say_however_they_came() {
    let mut random = fastrand::Rng::with_seed(29);
    let (mut corrected, mut above, mut reset) = (0, 0, 0);
    for digits in (0..400).map(|number| [0, 3, 4][number % 3]) {
        let mut record = MemoryRecord::default();
        let machine = Machine { code: "M".into(), counter_digit_count: digits, ..Machine::default() };
        let item = Some(registered::Item::Machine(machine));
        record.push(&Event { fact: Some(Fact::Registered(Registered { item })), ..Event::default() });
        let start_us = 20_000 * DAY_US + random.i64(0..DAY_US);
        let mut value = random.i64(0..900);
        let started = RunStarted {
            run_code: "R".into(),
            machine_code: "M".into(),
            counters: if random.bool() { vec![reading(value, &mut random)] } else { Vec::new() },
            ..RunStarted::default()
        };
        record.push(&Event { occurred_time_us: start_us, fact: Some(Fact::RunStarted(started)), ..Event::default() });
        let mut told = Vec::new();
        for _ in 0..random.usize(1..30) {
            let at = start_us + random.i64(-DAY_US..3 * DAY_US) / 8 * 8;
            value = (value + random.i64(-5..90)).rem_euclid(1_000);
            let sequence = record.push(&counted(at, vec![reading(value, &mut random)]));
            told.push((sequence, at));
            if random.u8(..9) == 0 {
                let (target_sequence, at) = told[random.usize(..told.len())];
                let replacement = counted(at, vec![reading(value + 1, &mut random)]);
                let fact = Corrected {
                    target_sequence,
                    replacement: random.bool().then(|| Box::new(replacement)),
                    target_keys: keys_of(&counted(at, Vec::new())),
                    ..Corrected::default()
                };
                let fact = Some(Fact::Corrected(Box::new(fact)));
                record.push(&Event { occurred_time_us: at, fact, ..Event::default() });
                corrected += 1;
            }
        }
        for _ in 0..8 {
            let at = start_us + random.i64(1..3 * DAY_US);
            let newest = reading(random.i64(0..1_000), &mut random);
            reset += usize::from(newest.reset_from_value.is_some());
            let (started, start, _) = run_span(&record, "R").unwrap().unwrap();
            let mut rows = run_rows(&record, "R").unwrap().unwrap();
            rows.rows.retain(|row| row.event.occurred_time_us < at);
            rows.rows.push(Entry::new(i64::MAX, counted(at, vec![newest.clone()])));
            let wanted = counts(&record, &rows).unwrap().filled();
            assert_eq!(filled_with(&record, (&started, start), &newest, at).unwrap(), wanted, "{rows:#?}");
            above += usize::from(wanted > 0);
        }
    }
    assert!(corrected > 100 && above > 1_000 && reset > 100, "{corrected} {above} {reset}");
}
