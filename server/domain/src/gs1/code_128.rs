//! GS1-128: elements as bars and spaces.
//!
//! Code 128 with FNC1 behind the start character; characters of sets B and C, chosen so that the symbol is as short as it
//! can be; check character modulo 103 (ISO/IEC 15417; GS1 General Specifications, 5.4). Widths are in modules, without the
//! quiet zones of ten modules on either side.

use super::element::SEPARATOR;

/// Most characters of data, identifiers and separators counted (GS1 General Specifications, 5.4.4.3).
pub const CHARACTERS_MAX: usize = 48;
/// Modules that stay white on either side.
pub const QUIET_MODULES: u32 = 10;

const FNC1: u8 = 102;
const START_B: u8 = 104;
const START_C: u8 = 105;
const TO_B: u8 = 100;
const TO_C: u8 = 99;

/// Widths of bar, space, bar, space, bar, space of each symbol character; the stop has a seventh (ISO/IEC 15417, table 1).
const WIDTHS: [&str; 107] = [
    "212222", "222122", "222221", "121223", "121322", "131222", "122213", "122312", "132212", "221213", "221312",
    "231212", "112232", "122132", "122231", "113222", "123122", "123221", "223211", "221132", "221231", "213212",
    "223112", "312131", "311222", "321122", "321221", "312212", "322112", "322211", "212123", "212321", "232121",
    "111323", "131123", "131321", "112313", "132113", "132311", "211313", "231113", "231311", "112133", "112331",
    "132131", "113123", "113321", "133121", "313121", "211331", "231131", "213113", "213311", "213131", "311123",
    "311321", "331121", "312113", "312311", "332111", "314111", "221411", "431111", "111224", "111422", "121124",
    "121421", "141122", "141221", "112214", "112412", "122114", "122411", "142112", "142211", "241211", "221114",
    "413111", "241112", "134111", "111242", "121142", "121241", "114212", "124112", "124211", "411212", "421112",
    "421211", "212141", "214121", "412121", "111143", "111341", "131141", "114113", "114311", "411113", "411311",
    "113141", "114131", "311141", "411131", "211412", "211214", "211232", "2331112",
];

/// Fewest symbol characters for a message from a place on, in set B and in set C, with whether to change sets first.
fn plan(bytes: &[u8]) -> Vec<[(usize, bool); 2]> {
    const FAR: usize = usize::MAX / 4;
    let mut best = vec![[(FAR, false); 2]; bytes.len() + 1];
    best[bytes.len()] = [(0, false); 2];
    for at in (0..bytes.len()).rev() {
        let separator = bytes[at] == SEPARATOR as u8;
        let pair = bytes.get(at..at + 2).is_some_and(|pair| pair.iter().all(u8::is_ascii_digit));
        let in_b = 1 + best[at + 1][0].0;
        let in_c = if separator {
            1 + best[at + 1][1].0
        } else if pair {
            1 + best[at + 2][1].0
        } else {
            FAR
        };
        best[at] = [(in_b.min(in_c + 1), in_c + 1 < in_b), (in_c.min(in_b + 1), in_b + 1 < in_c)];
    }
    best
}

/// Symbol characters of a message, start to stop; `None` for characters it cannot hold.
fn characters(message: &str) -> Option<Vec<u8>> {
    let bytes = message.as_bytes();
    if bytes.is_empty() || !bytes.iter().all(|byte| (32..127).contains(byte) || *byte == SEPARATOR as u8) {
        return None;
    }
    let best = plan(bytes);
    // The start character says the set; none has to be changed at once.
    let mut in_c = best[0][1].0 <= best[0][0].0 && !best[0][1].1;
    let mut codes = vec![if in_c { START_C } else { START_B }, FNC1];
    let mut at = 0;
    while at < bytes.len() {
        if best[at][usize::from(in_c)].1 {
            codes.push(if in_c { TO_B } else { TO_C });
            in_c = !in_c;
        }
        if bytes[at] == SEPARATOR as u8 {
            codes.push(FNC1);
            at += 1;
        } else if in_c {
            codes.push((bytes[at] - b'0') * 10 + bytes[at + 1] - b'0');
            at += 2;
        } else {
            codes.push(bytes[at] - 32);
            at += 1;
        }
    }
    let sum: u32 = codes.iter().enumerate().map(|(place, code)| u32::from(*code) * (place.max(1) as u32)).sum();
    codes.extend([(sum % 103) as u8, 106]);
    Some(codes)
}

/// Bars and spaces in turn, beginning with a bar, in modules; `None` for a message that does not fit into a symbol.
///
/// ```
/// use packloft_domain::gs1::code_128::bars;
/// let modules = |message: &str| bars(message).map(|bars| bars.iter().map(|width| u32::from(*width)).sum::<u32>());
/// assert_eq!(modules("00395123451234567895"), Some(156)); // as printed in the General Specifications, figure 5.4.2-1
/// assert_eq!(modules(&"1".repeat(49)), None);
/// ```
pub fn bars(message: &str) -> Option<Vec<u8>> {
    if message.chars().count() > CHARACTERS_MAX {
        return None;
    }
    let widths = characters(message)?.into_iter().flat_map(|code| WIDTHS[usize::from(code)].bytes());
    Some(widths.map(|width| width - b'0').collect())
}

/// The message that bars hold, for looking at what was made: start, FNC1 and check character have to be right. `None` for
/// bars that are no GS1-128 symbol.
pub fn message_of(bars: &[u8]) -> Option<String> {
    let (body, stop) = bars.split_at_checked(bars.len().checked_sub(7)?)?;
    let digits = |widths: &[u8]| widths.iter().map(|width| char::from(width.saturating_add(b'0'))).collect::<String>();
    if digits(stop) != WIDTHS[106] || body.len() % 6 != 0 {
        return None;
    }
    let codes: Option<Vec<u8>> = body
        .chunks(6)
        .map(|widths| WIDTHS.iter().position(|known| *known == digits(widths)).and_then(|code| u8::try_from(code).ok()))
        .collect();
    let codes = codes?;
    let (check, own) = codes.split_last()?;
    let sum: u32 = own.iter().enumerate().map(|(place, code)| u32::from(*code) * (place.max(1) as u32)).sum();
    let mut in_c = match *own.first()? {
        START_C => true,
        START_B => false,
        _ => return None,
    };
    if u32::from(*check) != sum % 103 || own.get(1) != Some(&FNC1) {
        return None;
    }
    let mut text = String::new();
    for code in &own[2..] {
        match (*code, in_c) {
            (FNC1, _) => text.push(SEPARATOR),
            (TO_B, true) => in_c = false,
            (TO_C, false) => in_c = true,
            (code, true) => text.push_str(&format!("{code:02}")),
            (code, false) => text.push(char::from(code + 32)),
        }
    }
    Some(text)
}
