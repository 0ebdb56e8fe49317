//! Addresses of pages: codes as parts of a path, what stands after `?`, and where a form came from.

use http::Uri;

use super::form::Fields;

pub(super) fn decoded(text: &str) -> Fields {
    let uri: Result<Uri, _> = format!("/?{text}").parse();
    let rows = uri.ok().and_then(|uri| axum::extract::Query::<Vec<(String, String)>>::try_from_uri(&uri).ok());
    Fields::new(rows.map(|rows| rows.0).unwrap_or_default())
}

pub(super) fn unescaped(part: &str) -> String {
    let fields = decoded(&format!("p={}", part.replace('+', "%2B").replace('&', "%26")));
    fields.get("p").to_owned()
}

/// A code as a part of a path.
pub fn escaped(code: &str) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"-._~".contains(&byte);
    code.bytes().map(|b| if plain(b) { char::from(b).to_string() } else { format!("%{b:02X}") }).collect()
}

/// True for an address on this server: nothing that a browser could read as another host.
pub fn ours(to: &str) -> bool {
    to.starts_with('/') && !to.starts_with("//") && !to.contains(|c: char| c == '\\' || c.is_control())
}

/// Path and query of the page a form was on, when it is one of ours.
pub(super) fn came_from(fields: &Fields) -> (String, String) {
    let from = fields.get("from");
    let from = if ours(from) { from } else { "/" };
    let (path, query) = from.split_once('?').unwrap_or((from, ""));
    let kept: Vec<&str> = query.split('&').filter(|part| !part.is_empty() && !part.starts_with("done=")).collect();
    (path.to_owned(), kept.join("&"))
}
