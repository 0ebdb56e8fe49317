//! Whether anybody still waits for an answer: a long computation looks between its steps and ends where nobody does.
//!
//! Whoever begins a computation hands in how to tell ([`waited_for`]); loops and reads say where a step ends ([`step`]). A
//! computation that is given up is unwound to where it began, with [`std::panic::resume_unwind`], which tells no panic hook:
//! most sums give an answer and not an answer or a refusal, some through cells that are filled once, and an error that every
//! one of them would have to hand on is one that some would lose. Whether somebody waits never changes an answer: it is the
//! same as ever, or there is none. Nobody who computes without [`waited_for`], as the writer does, can be given up.
//!
//! Whoever keeps something for others keeps it whole: no step while it is half changed.

use std::cell::RefCell;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::rc::Rc;

type GivenUpWhen = Rc<dyn Fn() -> bool>;

thread_local! {
    static NOW: RefCell<Option<GivenUpWhen>> = const { RefCell::new(None) };
}

/// Nobody waited for the answer any more.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct GivenUp;

/// Puts back what held before, however the computation ends.
struct Before(Option<GivenUpWhen>);

impl Drop for Before {
    fn drop(&mut self) {
        NOW.with(|now| now.replace(self.0.take()));
    }
}

/// Runs a computation on this thread for as long as `given_up` answers false at its steps.
///
/// # Errors
/// When it was given up. Panics of the computation go on.
pub fn waited_for<T>(given_up: impl Fn() -> bool + 'static, run: impl FnOnce() -> T) -> Result<T, GivenUp> {
    let before = Before(NOW.with(|now| now.replace(Some(Rc::new(given_up)))));
    let done = catch_unwind(AssertUnwindSafe(run));
    drop(before);
    match done {
        Ok(answer) => Ok(answer),
        Err(payload) if payload.is::<GivenUp>() => Err(GivenUp),
        Err(payload) => resume_unwind(payload),
    }
}

/// True when nobody waits any more: for loops that must end before a step can be made, because something is locked.
pub fn over() -> bool {
    let given_up = NOW.with(|now| now.borrow().clone());
    given_up.is_some_and(|given_up| given_up())
}

/// The end of a step: what nobody waits for any more ends here.
pub fn step() {
    if over() {
        resume_unwind(Box::new(GivenUp));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::cell::Cell;

    fn after(steps: u32) -> impl Fn() -> bool + 'static {
        let made = Cell::new(0);
        move || {
            made.set(made.get() + 1);
            made.get() > steps
        }
    }

    #[test]
    fn a_computation_ends_at_the_step_it_is_given_up_at() {
        let count = |waits: u32| {
            let made = Cell::new(0);
            let answer = waited_for(after(waits), || {
                for _ in 0..5 {
                    step();
                    made.set(made.get() + 1);
                }
                "whole"
            });
            (answer, made.get())
        };
        assert_eq!(count(3), (Err(GivenUp), 3));
        assert_eq!(count(5), (Ok("whole"), 5));
    }

    #[test]
    fn nothing_is_given_up_without_anybody_who_could() {
        step();
        assert!(!over());
        assert_eq!(waited_for(|| true, step), Err(GivenUp));
        step();
        let panicked = catch_unwind(|| waited_for(|| false, || std::panic::panic_any(7)));
        assert_eq!(panicked.err().and_then(|payload| payload.downcast::<i32>().ok()).as_deref(), Some(&7));
        step();
    }

    #[test]
    fn who_begins_one_within_another_gives_the_first_back() {
        let outer = waited_for(after(1), || {
            assert_eq!(waited_for(|| true, step), Err(GivenUp));
            step();
            step();
        });
        assert_eq!(outer, Err(GivenUp));
    }

    /// A cell that was being filled is empty, not broken.
    #[test]
    fn cells_are_filled_whole_or_not_at_all() {
        let cell = std::sync::OnceLock::new();
        let fill = |steps| waited_for(after(steps), || *cell.get_or_init(|| (0..3).inspect(|_| step()).sum::<i32>()));
        assert_eq!((fill(2), cell.get()), (Err(GivenUp), None));
        assert_eq!((fill(3), cell.get()), (Ok(3), Some(&3)));
    }
}
