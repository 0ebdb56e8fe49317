//! One reader looking at one page: what every page is made from.

use std::sync::Arc;

use packloft_proto::v1;

use super::form::{Fields, Pressed, Problem};
use super::words::Words;
use packloft_api::Api;

/// What was confirmed, and whether it was for another lift than the one asked about.
#[derive(Clone, Debug, Default)]
pub struct Confirmed {
    pub(super) names: Vec<&'static str>,
    pub(super) of_another: bool,
}

/// One reader looking at one page.
pub struct Ctx {
    /// The API.
    pub api: Api,
    /// Language and zone.
    pub words: Words,
    /// Site, as far as it is set.
    pub site: v1::Site,
    /// Who is there, when that was said.
    pub who: Option<v1::Person>,
    /// Token of the forms.
    pub token: String,
    /// Light, dark, or as the device is.
    pub look: String,
    /// True while what happened earlier is being entered.
    pub back_entry: bool,
    /// Path of the page.
    pub path: String,
    /// What stands after `?`.
    pub query: Fields,
    /// What was not done.
    pub problem: Option<Problem>,
    /// Newest sequence when the page was begun: whatever is recorded later is news to it.
    pub sequence: u64,
    /// What was just recorded.
    pub done: Option<v1::Event>,
    /// What was confirmed for the lift that is asked about; an address never says it.
    pub confirmed: Confirmed,
    pub(super) pressed: Arc<Pressed>,
}

impl Ctx {
    /// Text in the reader's language.
    pub fn t(&self, text: &str) -> String {
        self.words.t(text)
    }

    /// Text with `{}` filled in.
    pub fn tf(&self, text: &str, values: &[&dyn std::fmt::Display]) -> String {
        self.words.tf(text, values)
    }

    /// Server's time.
    pub fn now_us(&self) -> i64 {
        self.api.engine().clock.now_us()
    }

    /// Time of a form's action when it says none: when it was sent first.
    pub fn pressed_us(&self, request_id: &str) -> i64 {
        self.pressed.at(request_id, self.now_us())
    }
}
