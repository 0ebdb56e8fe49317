//! Which packs of a lot a sampling plan judges: drawn over the whole lot, and the same ones whoever asks, whenever.
//!
//! Every weighing has a rank, a hash of the lot and of what the weighing is: where, when and as which of its block. A plan
//! takes the packs of the least ranks. So the draw is random as the plans need it, depends neither on the order of telling
//! nor on a clock, and a late reading changes it only where its own rank is among the least. No mass goes into a rank: a
//! corrected mass keeps its place.

/// Bits of a text (FNV-1a): stable for ever, which the hashes of the standard library are not.
fn bits(text: &str, from: u64) -> u64 {
    text.bytes().fold(from, |bits, byte| (bits ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3))
}

/// Every bit of the value goes into every bit of the result (the finisher of splitmix64).
fn mixed(value: u64) -> u64 {
    let value = (value ^ (value >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let value = (value ^ (value >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    value ^ (value >> 31)
}

/// Seed of a lot: its machine and when it began.
pub fn seed(machine_code: &str, start_us: i64) -> u64 {
    mixed(bits(machine_code, 0xcbf2_9ce4_8422_2325) ^ mixed(start_us.cast_unsigned()))
}

/// What a weighing is: by which instrument, when, and as which of its block where a block has no times of its own.
pub fn identity(instrument_code: &str, time_us: i64, place: i64) -> u64 {
    let place = mixed(place.cast_unsigned().wrapping_add(0x9e37_79b9_7f4a_7c15));
    mixed(bits(instrument_code, mixed(time_us.cast_unsigned())) ^ place)
}

/// Indices of the weighings of a lot, each by its identity and net mass, in the order they are drawn. The mass decides only
/// between weighings that are alike in all else.
///
/// ```
/// use packloft_domain::calc::drawing::{drawn, identity, seed};
/// let hour: Vec<(u64, i64)> = (0..3_600).map(|second| (identity("C1", second * 1_000_000, 0), 1_000_000)).collect();
/// let sample = &drawn(seed("M1", 0), &hour)[..80];
/// assert!((30..=50).contains(&sample.iter().filter(|place| **place < 1_800).count()), "from both halves");
/// // Told in another order, the same packs.
/// let turned: Vec<(u64, i64)> = hour.iter().rev().copied().collect();
/// let again: Vec<usize> = drawn(seed("M1", 0), &turned)[..80].iter().map(|place| 3_599 - place).collect();
/// assert_eq!(sample, again);
/// ```
pub fn drawn(seed: u64, weighings: &[(u64, i64)]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..weighings.len()).collect();
    order.sort_by_cached_key(|place| {
        let (identity, net_mg) = weighings[*place];
        (mixed(seed ^ identity), net_mg)
    });
    order
}
