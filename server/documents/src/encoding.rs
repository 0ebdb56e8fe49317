//! Text of another party's document, in whatever encoding it says or shows: a byte order mark, the two zero bytes of UTF-16,
//! or the encoding an XML declaration names (XML 1.0, appendix F); else UTF-8.

use encoding_rs::{Encoding, UTF_8, UTF_16BE, UTF_16LE};

/// Longest declaration that is looked at.
const DECLARATION_MAX: usize = 200;

/// Encoding named by an XML declaration that is written in ASCII.
fn declared(bytes: &[u8]) -> Option<&str> {
    let start = bytes.get(..bytes.len().min(DECLARATION_MAX))?;
    let end = start.windows(2).position(|pair| pair == b"?>")?;
    let head = std::str::from_utf8(&start[..end]).ok()?;
    let rest = head.trim_start().strip_prefix("<?xml")?;
    let rest = rest[rest.find("encoding")? + "encoding".len()..].trim_start().strip_prefix('=')?.trim_start();
    let quote = rest.chars().next().filter(|c| matches!(c, '"' | '\''))?;
    rest[1..].split(quote).next()
}

/// The text of some bytes, without a byte order mark.
///
/// # Errors
/// When it is in no encoding that is known, or not in the one it says.
pub fn text(bytes: &[u8]) -> Result<String, String> {
    let (encoding, skipped) = match Encoding::for_bom(bytes) {
        Some(found) => found,
        None => match bytes {
            [0, b'<' | b'{', ..] => (UTF_16BE, 0),
            [b'<' | b'{', 0, ..] => (UTF_16LE, 0),
            _ => match declared(bytes) {
                // Nobody can have read this declaration in UTF-16: it stands in single bytes, which UTF-8 reads as well.
                Some(name) if name.to_ascii_uppercase().starts_with("UTF-16") => (UTF_8, 0),
                Some(name) => {
                    let found = Encoding::for_label(name.as_bytes());
                    (found.ok_or_else(|| format!("says that its encoding is {name:?}, which is not known"))?, 0)
                }
                None => (UTF_8, 0),
            },
        },
    };
    let found = encoding.decode_without_bom_handling_and_without_replacement(&bytes[skipped..]);
    let Some(found) = found else {
        return Err(format!("is not text in {}, the encoding it says or shows", encoding.name()));
    };
    Ok(found.into_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A text in UTF-16, with or without a mark.
    fn utf_16(text: &str, big: bool, mark: bool) -> Vec<u8> {
        let units = mark.then_some(0xfeff).into_iter().chain(text.encode_utf16());
        units.flat_map(|unit: u16| if big { unit.to_be_bytes() } else { unit.to_le_bytes() }).collect()
    }

    #[test]
    fn every_encoding_gives_the_same_text() {
        let xml = |encoding: &str| format!("<?xml version=\"1.0\" encoding='{encoding}'?><a>M\u{fc}hle \u{e9}</a>");
        for (big, mark) in [(true, true), (true, false), (false, true), (false, false)] {
            assert_eq!(text(&utf_16(&xml("UTF-16"), big, mark)).as_deref(), Ok(xml("UTF-16").as_str()), "{big} {mark}");
        }
        for name in ["ISO-8859-1", "latin1", "iso-8859-15", "windows-1252"] {
            let bytes: Vec<u8> = xml(name).chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect();
            assert_eq!(text(&bytes).as_deref(), Ok(xml(name).as_str()));
        }
        assert_eq!(text(xml("UTF-8").as_bytes()).as_deref(), Ok(xml("UTF-8").as_str()));
        assert_eq!(text(b"\xef\xbb\xbf{}").as_deref(), Ok("{}"));
        assert_eq!(text(&utf_16("{\"a\":1}", false, true)).as_deref(), Ok("{\"a\":1}"));
        // windows-1251 and its plates.
        let read = text(b"<?xml version=\"1.0\" encoding=\"windows-1251\"?><a>\xcc</a>").unwrap();
        assert!(read.ends_with("<a>\u{41c}</a>"), "{read}");
    }

    #[test]
    fn what_is_in_no_encoding_is_said() {
        assert!(text(b"<?xml version=\"1.0\" encoding=\"KLINGON\"?><a/>").unwrap_err().contains("KLINGON"));
        assert!(text(b"<a>\xfc</a>").unwrap_err().contains("UTF-8"));
        assert!(text(&[0xff, 0xfe, 0x00, 0xd8, 0x41, 0x00]).unwrap_err().contains("UTF-16LE"), "half of a pair");
    }
}
