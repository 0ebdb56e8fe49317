//! Movements of a clean span cut into steps in which everything moves evenly, weighed by mass alone: where product runs short, what
//! of that is carried, and what is a gap.

use crate::flow::mixing::{Mix, add, scaled};
use crate::flow::{Movements, OPENING, Source};

/// Masses are milligrams: anything far below one is rounding.
const ROUNDING: f64 = 1e-3;

/// Where what leaves in a step comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Way {
    /// The feed.
    Feed,
    /// What comes in, in order, whether it is there yet or not.
    Inflow,
    /// What comes in, and for the rest nobody knows.
    Gap,
}

/// A piece of time in which everything that comes in and is drawn does so evenly; of no length for what happens at once.
#[derive(Clone, Debug)]
pub(super) struct Step {
    pub(super) start: f64,
    pub(super) end: f64,
    pub(super) inflow: f64,
    /// What comes in; of product that is returned, which return it is.
    pub(super) mix: Mix,
    pub(super) returned: Option<usize>,
    pub(super) drawn: f64,
    /// Drawn since the beginning, at the start of the step.
    pub(super) drawn_before: f64,
    /// Came in since the beginning, and so much of it was taken, at the start of the step.
    pub(super) came_before: f64,
    pub(super) taken_before: f64,
    /// Content at the start of the step by mass alone; never below zero.
    pub(super) content_before: f64,
    pub(super) emptied: bool,
    pub(super) from: Way,
}

impl Step {
    fn part(&self, from: f64, to: f64) -> Step {
        let part = to - from;
        let at = |share: f64| self.start + (self.end - self.start) * share;
        Step {
            start: at(from),
            end: at(to),
            inflow: self.inflow * part,
            drawn: self.drawn * part,
            mix: self.mix.clone(),
            emptied: self.emptied && from == 0.0,
            ..*self
        }
    }
}

/// A time in which more was drawn than had come in.
#[derive(Clone, Debug, PartialEq)]
pub struct Deficit {
    /// When it began.
    pub start: f64,
    /// When more came in than was drawn; infinity when it never did.
    pub end: f64,
    /// Mass drawn beyond what had come in.
    pub mass: f64,
    /// True when it is larger than the figures can be wrong by: a gap in the record.
    pub gap: bool,
}

impl Step {
    /// Where in the step a time lies, and how much of it lies between two.
    pub(super) fn share(&self, from: f64, to: f64) -> (f64, f64) {
        let length = self.end - self.start;
        if length > 0.0 { ((from - self.start) / length, (to - from) / length) } else { (0.0, 1.0) }
    }
}

/// Steps by mass alone: where product runs short, what is carried and what is a gap.
pub(super) struct Weighed {
    pub(super) steps: Vec<Step>,
    pub(super) deficits: Vec<Deficit>,
    pub(super) emptied: Vec<(f64, f64)>,
}

/// A shortage that has begun.
#[derive(Clone, Copy)]
struct Shortage {
    gap: bool,
}

/// How much of a rest goes before something changes, and where what leaves comes from until then.
fn until_change(net: f64, content: f64, owed: f64) -> (f64, Way) {
    let (mut part, mut from) = (1.0, Way::Feed);
    if owed > 0.0 && content <= 0.0 {
        from = Way::Inflow;
        if net > 0.0 && owed < net {
            part = owed / net;
        }
    } else if net < 0.0 && content + net < -ROUNDING && content > 0.0 {
        part = content / -net;
    }
    (part, from)
}

impl Weighed {
    pub(super) fn of(steps: Vec<Step>, tolerance: &dyn Fn(f64) -> f64) -> Weighed {
        let mut weighed = Weighed { steps: Vec::with_capacity(steps.len()), deficits: Vec::new(), emptied: Vec::new() };
        let total: f64 = steps.iter().map(|step| step.inflow).sum();
        // Content, what is owed, what came in and what was drawn so far.
        let (mut content, mut owed, mut came, mut drawn) = (0.0_f64, 0.0_f64, 0.0, 0.0);
        let mut shortage: Option<Shortage> = None;
        for (index, whole) in steps.iter().enumerate() {
            crate::patience::step();
            assert!(whole.start <= whole.end, "a step from {} to {}", whole.start, whole.end);
            assert!(whole.inflow >= 0.0 && whole.drawn >= 0.0, "in {}, drawn {}", whole.inflow, whole.drawn);
            if whole.emptied {
                (content, owed, shortage) = (0.0, 0.0, None);
                weighed.emptied.push((whole.start, came));
            }
            let mut rest = whole.clone();
            loop {
                let net = rest.inflow - rest.drawn;
                if net > 0.0 {
                    shortage = None;
                }
                let (part, mut from) = until_change(net, content, owed);
                assert!(part > 0.0, "a step goes forward, also by {part}");
                if net < 0.0 && content <= 0.0 && (shortage.is_some() || -net > ROUNDING || owed > 0.0) {
                    let known = shortage.unwrap_or_else(|| {
                        let (mass, end) = short_from(&rest, &steps[index + 1..]);
                        let may = tolerance(rest.start).max(1.0);
                        // With nothing before and nothing after, nobody knows what it was.
                        let nothing = came <= 0.0 && total <= 0.0;
                        let gap = owed + mass > may || nothing;
                        if mass > ROUNDING {
                            weighed.deficits.push(Deficit { start: rest.start, end, mass, gap });
                        }
                        Shortage { gap }
                    });
                    shortage = Some(known);
                    from = if known.gap { Way::Gap } else { Way::Inflow };
                }
                let mut step = if part < 1.0 { rest.part(0.0, part) } else { rest.clone() };
                step.from = from;
                (step.drawn_before, step.content_before) = (drawn, content);
                (step.came_before, step.taken_before) = (came, came + owed);
                match from {
                    Way::Feed => content = (content + step.inflow - step.drawn).max(0.0),
                    Way::Inflow => owed = (owed + step.drawn - step.inflow).max(0.0),
                    Way::Gap => {}
                }
                if part < 1.0 {
                    // Exactly there: what is left over is rounding.
                    match from {
                        Way::Feed => content = 0.0,
                        _ => owed = 0.0,
                    }
                }
                assert!(content >= 0.0 && owed >= 0.0, "content {content}, owed {owed}");
                came += step.inflow;
                drawn += step.drawn;
                weighed.steps.push(step);
                if part >= 1.0 {
                    break;
                }
                rest = rest.part(part, 1.0);
                rest.emptied = false;
            }
        }
        assert!((came - total).abs() <= 1e-9 * total + 1.0, "{came} came in the steps of {total}");
        assert!(weighed.steps.is_sorted_by(|a, b| a.start <= b.start + 1.0), "steps follow one another");
        weighed
    }
}

/// Mass of the shortage that begins with a step, and when it ends: when more comes in than is drawn.
fn short_from(first: &Step, later: &[Step]) -> (f64, f64) {
    let mut mass = first.drawn - first.inflow;
    for step in later {
        if step.inflow > step.drawn {
            return (mass, step.start);
        }
        if step.emptied {
            break;
        }
        mass += step.drawn - step.inflow;
    }
    (mass, f64::INFINITY)
}

/// Times at which anything begins or ends, in order.
fn times_of(movements: &Movements) -> Vec<f64> {
    let mut times: Vec<f64> = Vec::new();
    for inflow in &movements.inflows {
        times.extend([inflow.start, inflow.end]);
    }
    for draw in &movements.draws {
        times.extend([draw.start, draw.end]);
    }
    times.extend(&movements.emptied);
    times.sort_by(f64::total_cmp);
    times.dedup();
    times
}

/// What happens at each time, then the step to the next, without those in which nothing moves.
fn in_order(at_once: Vec<[Step; 3]>, returned: Vec<Vec<Step>>, between: Vec<Step>) -> Vec<Step> {
    let mut steps: Vec<Step> = Vec::with_capacity(4 * at_once.len());
    let mut between = between.into_iter();
    for ([opening, tips, draws], back) in at_once.into_iter().zip(returned) {
        let nothing = |step: &Step| step.inflow <= 0.0 && step.drawn <= 0.0 && !step.emptied;
        steps.extend([opening, tips].into_iter().filter(|step| !nothing(step)));
        steps.extend(back);
        steps.extend([draws].into_iter().filter(|step| !nothing(step)));
        steps.extend(between.next());
    }
    steps
}

/// Cuts all movements at all times at which anything begins or ends; gives the periods of what is returned beside.
pub(super) fn steps(movements: &Movements) -> (Vec<Step>, Vec<(f64, f64)>) {
    let times = times_of(movements);
    let blank = |start: f64, end: f64| Step {
        start,
        end,
        inflow: 0.0,
        mix: Mix::new(),
        returned: None,
        drawn: 0.0,
        drawn_before: 0.0,
        came_before: 0.0,
        taken_before: 0.0,
        content_before: 0.0,
        emptied: false,
        from: Way::Feed,
    };
    // At each time what happens at once, in this order: seen empty, opening content, tips, what is returned, draws. Then the
    // step to the next time.
    let mut at_once: Vec<[Step; 3]> = times.iter().map(|time| [(); 3].map(|()| blank(*time, *time))).collect();
    let mut between: Vec<Step> = times.windows(2).map(|pair| blank(pair[0], pair[1])).collect();
    let mut returned: Vec<Vec<Step>> = vec![Vec::new(); times.len()];
    let mut periods = Vec::new();
    let place = |time: f64| times.partition_point(|t| *t < time);
    for &time in &movements.emptied {
        at_once[place(time)][0].emptied = true;
    }
    let come = |step: &mut Step, source: u32, mass: f64| {
        step.inflow += mass;
        add(&mut step.mix, mass, &vec![(source, 1.0)]);
    };
    for inflow in movements.inflows.iter().filter(|inflow| inflow.mass > 0.0) {
        let (from, to) = (place(inflow.start), place(inflow.end));
        match inflow.source {
            Source::Returned => {
                let number = periods.len();
                periods.push((inflow.start, inflow.end));
                let step = Step { inflow: inflow.mass, returned: Some(number), ..blank(inflow.end, inflow.end) };
                returned[to].push(step);
            }
            Source::Opening => come(&mut at_once[from][0], OPENING, inflow.mass),
            Source::Bag(bag) if from == to => come(&mut at_once[from][1], bag, inflow.mass),
            Source::Bag(bag) => {
                for step in &mut between[from..to] {
                    let part = (step.end - step.start) / (inflow.end - inflow.start);
                    come(step, bag, inflow.mass * part);
                }
            }
        }
    }
    for draw in movements.draws.iter().filter(|draw| draw.mass > 0.0) {
        let (from, to) = (place(draw.start), place(draw.end));
        if from == to {
            at_once[from][2].drawn += draw.mass;
            continue;
        }
        for step in &mut between[from..to] {
            step.drawn += draw.mass * (step.end - step.start) / (draw.end - draw.start);
        }
    }
    let mut steps = in_order(at_once, returned, between);
    for step in &mut steps {
        if step.inflow > 0.0 && step.returned.is_none() {
            step.mix.sort_unstable_by_key(|(source, _)| *source);
            step.mix = scaled(&step.mix, 1.0 / step.inflow);
        }
    }
    (steps, periods)
}
