//! Cookies of the pages: who is there, language and look; for this site only.

use http::HeaderMap;
use http::header::{COOKIE, HeaderName, SET_COOKIE};

/// The value of a cookie; empty when there is none.
pub(super) fn cookie(headers: &HeaderMap, name: &str) -> String {
    let lines = headers.get_all(COOKIE).into_iter().filter_map(|line| line.to_str().ok());
    let pairs = lines.flat_map(|line| line.split(';')).filter_map(|pair| pair.trim().split_once('='));
    let of_name = |(known, value): (&str, &str)| (known == name).then(|| value.to_owned());
    pairs.filter_map(|(a, b)| of_name((a, b))).next().unwrap_or_default()
}

/// A cookie for this site only, for some seconds.
pub fn set_cookie(name: &str, value: &str, seconds: i64) -> (HeaderName, String) {
    (SET_COOKIE, format!("{name}={value}; Path=/; Max-Age={seconds}; HttpOnly; SameSite=Strict"))
}
