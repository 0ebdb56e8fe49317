//! Cells of CSV files, made in one way wherever one is written: what people typed must not become a formula in somebody's
//! spreadsheet.

/// A cell that no spreadsheet computes, also not one that takes another separator for the end of a cell. Numbers stay.
///
/// ```
/// use packloft_proto::csv::harmless;
/// assert_eq!(harmless("=1+1"), "'=1+1");
/// assert_eq!(harmless("\t=1"), "'\t'=1");
/// assert_eq!(harmless("1;=1+1"), "1;'=1+1");
/// assert_eq!(harmless("-5.2"), "-5.2");
/// assert_eq!(harmless("-inf"), "'-inf");
/// assert_eq!(harmless("L-1"), "L-1");
/// ```
pub fn harmless(cell: &str) -> String {
    let plain = |c: char| c.is_ascii_digit() || c == '.';
    if cell.strip_prefix('-').is_some_and(|rest| !rest.is_empty() && rest.chars().all(plain)) {
        return cell.to_owned();
    }
    let mut out = String::new();
    if cell.starts_with(['\t', '\r']) {
        out.push('\'');
    }
    let mut first = true;
    for c in cell.chars() {
        if first && ['=', '+', '-', '@'].contains(&c) {
            out.push('\'');
        }
        first = [';', ',', '\t', '\n', '\r'].contains(&c);
        out.push(c);
    }
    out
}

/// A line of cells, with quotes where they are needed.
///
/// ```
/// use packloft_proto::csv::line;
/// assert_eq!(line(&["a, b", "say \"x\"", "=1", "7"]), "\"a, b\",\"say \"\"x\"\"\",'=1,7\r\n");
/// ```
pub fn line<S: AsRef<str>>(cells: &[S]) -> String {
    let cell = |cell: &S| {
        let text = harmless(cell.as_ref());
        if text.contains([',', '"', '\n', '\r', ';', '\t']) {
            format!("\"{}\"", text.replace('"', "\"\""))
        } else {
            text
        }
    };
    cells.iter().map(cell).collect::<Vec<_>>().join(",") + "\r\n"
}
