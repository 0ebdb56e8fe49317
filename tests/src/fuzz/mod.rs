//! Hostile input for everything that reads bytes from outside: mutated examples, for as long as it is given.
//!
//! A plain loop on stable Rust in the process of the suite. What these readers check (checksums, hash chains, protobuf
//! lengths, check digits, XML nesting) stops blind mutation at the door with or without a compiler's coverage counters, so
//! each kind of input has a mutation that knows its form, e.g. sets the checksums right again; and what gives an answer
//! that was not seen before is kept and mutated further. The targets are plain functions, so that an engine with coverage
//! counters can drive the same ones.

pub mod journal;
pub mod requests;
pub mod targets;

use std::cell::{Cell, RefCell};
use std::collections::BTreeSet;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Once;
use std::time::{Duration, Instant};

/// What one execution gave: words that say what became of the input. Texts are compared without their figures, so that
/// inputs are kept that get a step further than others.
pub type Answer = String;

/// A reader under test.
pub struct Target<'a> {
    /// Name.
    pub name: &'static str,
    /// Good examples.
    pub corpus: Vec<Vec<u8>>,
    /// Words that mean something to it.
    pub words: Vec<Vec<u8>>,
    /// Mutation that knows the form.
    pub shape: &'a dyn Fn(&mut Vec<u8>, &mut fastrand::Rng),
    /// Executes it; a panic is a fault, and so is an answer that contradicts another.
    pub run: &'a dyn Fn(&[u8]) -> Answer,
}

/// Longest input: larger ones only cost time.
const INPUT_MAX_BYTES: usize = 64 << 10;
/// Most inputs that are kept.
const KEPT_MAX_COUNT: usize = 4_000;

/// What a run came to.
#[derive(Debug)]
pub struct Report {
    /// Executions.
    pub executions: u64,
    /// Inputs kept because of a new answer, examples included.
    pub kept: usize,
    /// Longest execution.
    pub slowest: Duration,
}

/// Runs a target for so many seconds. A panic prints the input and fails.
///
/// # Errors
/// The input, as hexadecimal digits, made as short as it was found to be possible, and what was said.
pub fn run(target: &Target<'_>, seconds: u64, seed: u64) -> Result<Report, String> {
    let mut random = fastrand::Rng::with_seed(seed);
    let mut kept = target.corpus.clone();
    let mut seen = BTreeSet::new();
    let mut report = Report { executions: 0, kept: 0, slowest: Duration::ZERO };
    let mut examples = target.corpus.iter().cloned().collect::<std::collections::VecDeque<_>>();
    let begun = Instant::now();
    while begun.elapsed().as_secs() < seconds || !examples.is_empty() {
        let input = examples.pop_front().unwrap_or_else(|| mutated(target, &kept, &mut random));
        let began = Instant::now();
        let answer = execute(target, &input).map_err(|said| {
            let short = shortened(target, &input);
            format!("{}: {said}\ninput of {} bytes: {}", target.name, short.len(), hex(&short))
        })?;
        report.slowest = report.slowest.max(began.elapsed());
        report.executions += 1;
        let figureless: String = answer.chars().filter(|c| !c.is_ascii_digit()).take(400).collect();
        if seen.insert(figureless) && kept.len() < KEPT_MAX_COUNT {
            kept.push(input);
        }
    }
    report.kept = kept.len();
    Ok(report)
}

/// One input as given in hexadecimal digits, e.g. of a report.
///
/// # Errors
/// What was said.
pub fn again(target: &Target<'_>, digits: &str) -> Result<Answer, String> {
    let pairs: Vec<u8> = (0..digits.len() / 2)
        .map(|at| u8::from_str_radix(&digits[2 * at..2 * at + 2], 16).map_err(|fault| fault.to_string()))
        .collect::<Result<_, _>>()?;
    execute(target, &pairs)
}

thread_local! {
    static QUIET: Cell<bool> = const { Cell::new(false) };
    /// Where the last quiet panic was.
    static PLACE: RefCell<String> = const { RefCell::new(String::new()) };
}

/// Panics of an execution are told once, with the shortest input, and not each while it is made short.
fn quietly<T>(run: impl FnOnce() -> T) -> std::thread::Result<T> {
    static HOOK: Once = Once::new();
    HOOK.call_once(|| {
        let usual = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |panic| {
            if QUIET.get() {
                PLACE.set(panic.location().map(ToString::to_string).unwrap_or_default());
            } else {
                usual(panic);
            }
        }));
    });
    QUIET.set(true);
    let done = catch_unwind(AssertUnwindSafe(run));
    QUIET.set(false);
    done
}

fn execute(target: &Target<'_>, input: &[u8]) -> Result<Answer, String> {
    quietly(|| (target.run)(input)).map_err(|panic| {
        let text = panic.downcast_ref::<String>().cloned();
        let text = text.or_else(|| panic.downcast_ref::<&str>().map(|text| (*text).to_owned())).unwrap_or_default();
        format!("{}: {text}", PLACE.take())
    })
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// A shorter input that fails as well.
fn shortened(target: &Target<'_>, input: &[u8]) -> Vec<u8> {
    let mut short = input.to_vec();
    let mut size = short.len() / 2;
    let mut tries = 0;
    while size > 0 && tries < 3_000 {
        let mut at = 0;
        while at < short.len() && tries < 3_000 {
            let mut less = short.clone();
            less.drain(at..(at + size).min(short.len()));
            tries += 1;
            if execute(target, &less).is_err() {
                short = less;
            } else {
                at += size;
            }
        }
        size /= 2;
    }
    short
}

fn mutated(target: &Target<'_>, kept: &[Vec<u8>], random: &mut fastrand::Rng) -> Vec<u8> {
    let mut input = kept[random.usize(..kept.len())].clone();
    for _ in 0..=random.usize(..4) {
        mutate(&mut input, target, kept, random);
    }
    if random.bool() {
        (target.shape)(&mut input, random);
    }
    input.truncate(INPUT_MAX_BYTES);
    input
}

fn mutate(input: &mut Vec<u8>, target: &Target<'_>, kept: &[Vec<u8>], random: &mut fastrand::Rng) {
    let at = random.usize(..=input.len());
    let to = (at + 1 + random.usize(..16)).min(input.len());
    match random.u8(..9) {
        0 if at < input.len() => input[at] ^= 1 << random.u8(..8),
        1 if at < input.len() => input[at] = *random.choice(&[0, 1, 0x7f, 0x80, 0xff, b'0', b'-', b'"']).unwrap_or(&0),
        2 => drop(input.drain(at..to)),
        3 => {
            let again = input[at..to].to_vec();
            input.splice(at..at, again);
        }
        4 | 5 if !target.words.is_empty() => {
            let word = target.words[random.usize(..target.words.len())].clone();
            let over = if random.bool() { at } else { (at + word.len()).min(input.len()) };
            input.splice(at..over, word);
        }
        6 => {
            let other = &kept[random.usize(..kept.len())];
            let from = random.usize(..=other.len());
            let until = (from + random.usize(..200)).min(other.len());
            input.splice(at..to, other[from..until].iter().copied());
        }
        7 if at + 8 <= input.len() => {
            let number = *random.choice(&[0, 1, -1, i64::MAX, i64::MIN, 1 << 31, 1 << 40, -(1 << 53)]).unwrap_or(&0);
            let size = *random.choice(&[2, 4, 8]).unwrap_or(&8);
            input[at..at + size].copy_from_slice(&number.to_le_bytes()[..size]);
        }
        _ => {
            // A number as protobuf writes it.
            let mut number: u64 = if random.bool() { random.u64(..) } else { random.u64(..300) };
            let mut bytes = Vec::new();
            while number >= 0x80 {
                bytes.push(u8::try_from(number & 0x7f).unwrap_or(0) | 0x80);
                number >>= 7;
            }
            bytes.push(u8::try_from(number).unwrap_or(0));
            input.splice(at..to.min(at + bytes.len()).max(at), bytes);
        }
    }
}
