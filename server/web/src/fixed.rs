//! What the pages load and never changes while a server runs: style, script and icon.

pub(super) const STYLE: &str = include_str!("assets/style.css");
pub(super) const SCRIPT: &str = include_str!("assets/page.js");
pub(super) const ICON: &str = include_str!("assets/icon.svg");
