//! An action being read from its form, and what came of it: what all actions share.

use http::header::HeaderName;
use packloft_proto::v1;
use prost_types::Timestamp;

use super::ctx::Ctx;
use super::form::Reader;
use packloft_answers::times::timestamp;

/// An action that was done.
#[derive(Default)]
pub struct Done {
    /// Sequence of the fact, for showing it.
    pub sequence: Option<i64>,
    /// Where to go; the page the form was on when left out.
    pub to: Option<String>,
    /// Cookies to set.
    pub cookies: Vec<(HeaderName, String)>,
}

/// An action being read.
pub(super) struct Action<'a> {
    pub(super) ctx: &'a Ctx,
    pub(super) reader: Reader<'a>,
}

/// Request id, time and person of a write.
type Header = (String, Option<Timestamp>, String);

impl Action<'_> {
    pub(super) fn header(&mut self) -> Header {
        let request_id = self.reader.text("request_id");
        let given = self.reader.time("at");
        if given.is_none() && self.ctx.back_entry && self.reader.fields.get("at").is_empty() {
            self.reader.fault("at", "must be given while what happened earlier is entered");
        }
        let at = given.unwrap_or_else(|| timestamp(self.ctx.pressed_us(&request_id)));
        let actor = self.ctx.who.as_ref().map(|person| person.code.clone()).unwrap_or_default();
        (request_id, Some(at), actor)
    }

    pub(super) fn text(&self, name: &str) -> String {
        self.reader.text(name)
    }

    pub(super) fn ticked(&self, name: &str) -> bool {
        self.reader.fields.ticked(name)
    }

    /// When something began: so many minutes before it was over, or at the time that is given.
    pub(super) fn before(&mut self, minutes_name: &str) -> Option<Timestamp> {
        if !self.reader.fields.get("start_time").is_empty() {
            return self.reader.time("start_time");
        }
        let minutes = self.reader.count(minutes_name).clamp(0, 7 * 1_440);
        let (_, over, _) = self.header();
        over.map(|over| Timestamp { seconds: over.seconds - minutes * 60, ..over })
    }

    /// Counters of a machine as typed.
    pub(super) fn counters(&mut self) -> Vec<v1::CounterReading> {
        let places = [
            ("filled", v1::CounterPlace::Filled),
            ("accepted", v1::CounterPlace::Accepted),
            ("rejected", v1::CounterPlace::Rejected),
            ("palletised", v1::CounterPlace::Palletised),
        ];
        let mut found = Vec::new();
        for (name, place) in places {
            if let Some(value) = self.reader.optional_count(name) {
                // A counter that was set back says its last value before.
                let reset_from_value = self.reader.optional_count(&format!("{name}_before_reset"));
                found.push(v1::CounterReading {
                    place: place.into(),
                    value,
                    reset_from_value,
                    ..v1::CounterReading::default()
                });
            }
        }
        found
    }

    pub(super) fn lot_shares(&mut self) -> Vec<v1::LotShare> {
        let first = self.text("lot_code");
        let second = self.text("second_lot_code");
        if second.is_empty() {
            return vec![v1::LotShare { lot_code: first, share_ppm: 1_000_000 }];
        }
        let percent = self.reader.count("second_lot_percent").clamp(0, 100);
        vec![
            v1::LotShare { lot_code: first, share_ppm: (100 - percent) * 10_000 },
            v1::LotShare { lot_code: second, share_ppm: percent * 10_000 },
        ]
    }

    /// Packs as typed, one RUN:FIRST-LAST after the other.
    pub(super) fn packs_in(&mut self, name: &str) -> Vec<v1::PackInterval> {
        let mut intervals = Vec::new();
        for text in self.reader.codes(name) {
            match packs(&text) {
                Some(interval) => intervals.push(interval),
                None => self.reader.fault(name, format!("{text:?} are no packs; write RUN:FIRST-LAST")),
            }
        }
        intervals
    }

    pub(super) fn interval(&mut self) -> Option<v1::PackInterval> {
        let run_code = self.text("run_code");
        (!run_code.is_empty()).then(|| v1::PackInterval {
            run_code,
            first_number: self.reader.optional_count("first_number").unwrap_or(1),
            last_number: self.reader.optional_count("last_number").unwrap_or(0),
        })
    }
}

/// How a form names what it is about.
pub fn about(kind: v1::ObjectKind, code: &str) -> String {
    format!("{}/{code}", kind.as_str_name())
}

/// What a form says it is about.
pub fn about_of(text: &str) -> Option<v1::ObjectRef> {
    let (kind, code) = text.split_once('/')?;
    let kind = v1::ObjectKind::from_str_name(kind)?;
    Some(v1::ObjectRef { kind: kind.into(), code: code.into() })
}

/// Reads the fields, and calls the method unless one of them could not be read.
macro_rules! send {
    ($action:ident, $method:ident, $request:ident { $($field:ident: $value:expr),* $(,)? }) => {{
        let (request_id, occurred_time, actor_code) = $action.header();
        #[allow(clippy::needless_update, reason = "some requests have fields that no form fills")]
        let request = v1::$request {
            request_id,
            occurred_time,
            actor_code,
            $($field: $value,)*
            ..v1::$request::default()
        };
        let fields = $action.reader.fields;
        $action.reader.done()?;
        let mut answer = $action.ctx.api.$method(Request::new(request.clone())).await;
        if answer.as_ref().err().is_some_and(|status| $crate::form::confirms(fields, status)) {
            answer = $action.ctx.api.$method(Request::new(v1::confirmed(&request))).await;
        }
        let answer = answer.map_err(|status| Problem::of_status(&status))?.into_inner();
        let receipt = answer.receipt.clone();
        (answer, Done { sequence: receipt.map(|receipt| receipt.sequence), ..Done::default() })
    }};
}

pub(super) use send;

/// Packs as typed: RUN:FIRST-LAST.
fn packs(text: &str) -> Option<v1::PackInterval> {
    let (run, numbers) = text.rsplit_once(':')?;
    let (first, last) = numbers.split_once('-')?;
    Some(v1::PackInterval {
        run_code: run.into(),
        first_number: first.trim().parse().ok()?,
        last_number: last.trim().parse().ok()?,
    })
}
