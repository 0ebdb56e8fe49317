//! Addresses of the pages, and a plain reader of them: what a browser without script would send and get.

/// Every page with the demo's data, by name.
pub const PAGES: [(&str, &str); 52] = [
    ("now", "/"),
    ("who", "/who"),
    ("intake", "/intake"),
    ("lot", "/lots/QE-2240"),
    ("bag", "/bags/HB-423"),
    ("hoist", "/hoist"),
    (
        "lift-refused",
        "/hoist?bag=HB-424&bag=HB-425&gear=SH1&gear=SP1&hoist=H1&direction=up&platform=P1&driver=p-17&slinger=p-22&ask=1",
    ),
    ("lift", "/hoist?bag=HB-424&gear=SH1&gear=SP1&hoist=H1&direction=up&platform=P1&driver=p-17&slinger=p-22&ask=1"),
    ("gear", "/gear"),
    ("gear-hoist", "/gear/hoist/H2"),
    ("gear-item", "/gear/item/SL4"),
    ("design-life", "/gear/hoist/H2/design-life?bags=2&what_if=1"),
    ("fibcs", "/fibc"),
    ("fibc", "/fibc/FX-01"),
    ("line", "/line"),
    ("run", "/runs/R-1006-1"),
    ("store", "/store"),
    ("ahead", "/store/ahead"),
    ("pattern", "/store/pattern?product=WS750"),
    ("place", "/places/R1"),
    ("pallet", "/pallets/095212340000000099"),
    ("dispatch", "/dispatch"),
    ("load", "/loads/V-1007-3"),
    ("load-gone", "/loads/V-1007-2"),
    ("trace", "/trace"),
    ("trace-lot", "/trace?q=QE-2232"),
    ("trace-pack", "/trace?q=HF279A+2026-10-06+09%3A20"),
    ("trace-bag", "/trace?q=HB-416"),
    ("trace-pallet", "/trace?q=095212340000000105"),
    ("trace-consignment", "/trace?q=C-1007-3"),
    ("trace-packaging", "/trace?q=FILM-32"),
    ("yield", "/yield?feed=F1&day=2026-10-06"),
    ("period", "/yield/period?from=2026-10-01&to=2026-10-31"),
    ("quantity", "/runs/R-1006-1/quantity"),
    ("time", "/yield/time?machine=M1&day=2026-10-06"),
    ("exposure", "/yield/exposure?from=2026-10-05&to=2026-10-07"),
    ("packaging", "/yield/packaging?from=2026-10-01&to=2026-10-31"),
    ("analysis", "/analysis?pallet=095212340000000105"),
    ("analysis-lot", "/analysis?lot=QE-2240"),
    ("samples", "/samples"),
    ("advice", "/loads/V-1007-1/advice"),
    ("entry", "/entries/72"),
    ("fact-followed", "/entries/40"),
    ("holds", "/holds"),
    ("complaints", "/complaints"),
    ("complaint", "/complaints/K-28"),
    ("recalls", "/recalls"),
    ("recall", "/recalls/RX-6"),
    ("shift", "/shift"),
    ("line-report", "/shift/M1?day=2026-10-06&shift=early"),
    ("back-entry", "/back-entry"),
    ("blank", "/blank/lifts"),
];

/// Value of the first attribute `name="..."` after `after` in a page.
pub fn attribute(page: &str, after: &str, name: &str) -> Option<String> {
    let rest = &page[page.find(after)?..];
    let wanted = format!("{name}=\"");
    let rest = &rest[rest.find(&wanted)? + wanted.len()..];
    Some(rest[..rest.find('"')?].replace("&amp;", "&").replace("&quot;", "\""))
}

/// Fields as a form sends them.
pub fn encoded(fields: &[(&str, &str)]) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"-._~".contains(&byte);
    let part = |text: &str| {
        text.bytes().map(|b| if plain(b) { char::from(b).to_string() } else { format!("%{b:02X}") }).collect::<String>()
    };
    fields.iter().map(|(name, value)| format!("{}={}", part(name), part(value))).collect::<Vec<_>>().join("&")
}
