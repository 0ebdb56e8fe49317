//! GS1 keys: check digits, and serial shipping container codes (SSCC) from a company prefix.
//!
//! An SSCC is an extension digit, the company prefix, a serial reference and a check digit, 18 digits in all (GS1 General
//! Specifications, section 4.3.1 and 7.9.1). The serials of a site count through the extension digit as well, so a prefix
//! of L digits gives 10^(17-L) numbers. A number is never used twice, also when its pallet was voided.

/// Check digit of the digits before it, weights 3, 1, 3, 1 … from the right (GS1 General Specifications, 7.9.1).
///
/// ```
/// use packloft_domain::gs1::keys::check_digit;
/// assert_eq!(check_digit("37610425002123456"), Some(9));
/// assert_eq!(check_digit("629104150021"), Some(3));
/// assert_eq!(check_digit("62910x"), None);
/// ```
pub fn check_digit(body: &str) -> Option<u32> {
    if body.is_empty() {
        return None;
    }
    let mut sum = 0;
    for (index, digit) in body.chars().rev().enumerate() {
        let digit = digit.to_digit(10)?;
        sum += digit * if index % 2 == 0 { 3 } else { 1 };
    }
    Some((10 - sum % 10) % 10)
}

/// True for digits of the right length whose last is the check digit of the others.
pub fn is_key(text: &str, length: usize) -> bool {
    let Some((body, last)) = text.split_at_checked(text.len().saturating_sub(1)) else { return false };
    text.len() == length && check_digit(body).is_some_and(|digit| last == digit.to_string())
}

/// Number of SSCCs a company prefix gives, all extension digits counted; 0 for a prefix that is none.
pub fn sscc_capacity(company_prefix: &str) -> i64 {
    let digits = company_prefix.len();
    let sound = (4..=12).contains(&digits) && company_prefix.bytes().all(|b| b.is_ascii_digit());
    if sound { 10_i64.pow(17 - u32::try_from(digits).unwrap_or(12)) } else { 0 }
}

/// The SSCC of a serial, from 1 up to the capacity less one; `None` beyond it.
///
/// ```
/// use packloft_domain::gs1::keys::{is_key, sscc};
/// let first = sscc("9521234", 1).unwrap();
/// assert!(first.starts_with("09521234000000001") && is_key(&first, 18));
/// assert_eq!(sscc("952123400001", 100_000), None);
/// ```
pub fn sscc(company_prefix: &str, serial: i64) -> Option<String> {
    let capacity = sscc_capacity(company_prefix);
    if serial < 1 || serial >= capacity {
        return None;
    }
    let per_extension = capacity / 10;
    let width = 16 - company_prefix.len();
    let body = format!("{}{company_prefix}{:0width$}", serial / per_extension, serial % per_extension, width = width);
    let digit = check_digit(&body)?;
    Some(format!("{body}{digit}"))
}
