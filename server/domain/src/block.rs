//! Blocks of readings at machine rate: masses and times packed into as few bits as they need, exact as given.
//!
//! Both are a least value, a common step, and for each reading the number of steps above the least in a fixed number of
//! bits; times are kept as differences from the reading before. A machine that weighs to 0.1 g with a spread of a gram and
//! tells times to the millisecond takes about two bytes a reading.
//!
//! Layout, version 1: version byte; count; of masses least, step, bits, then the bits; of differences of times the same.
//! Version 2 has the filling head of each reading behind that, in the same way.
//! Numbers are varints of seven bits, signed ones zigzag; bits are filled from the low end of each byte.

/// Most readings in a block, so that sums of squares stay within 64 bits.
pub const BLOCK_MAX: usize = 1_000;

const VERSION: u8 = 1;
const WITH_HEADS: u8 = 2;

/// Readings of a block.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Block {
    /// Masses as given.
    pub masses_mg: Vec<i64>,
    /// When each was taken.
    pub times_us: Vec<i64>,
    /// Filling head of each; empty when they were not told.
    pub heads: Vec<i64>,
}

/// A block that cannot be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Damaged;

fn put(out: &mut Vec<u8>, mut value: u64) {
    while value >= 0x80 {
        out.push((value as u8 & 0x7f) | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

fn zigzag(value: i64) -> u64 {
    ((value << 1) ^ (value >> 63)).cast_unsigned()
}

fn unzigzag(value: u64) -> i64 {
    (value >> 1).cast_signed() ^ -((value & 1).cast_signed())
}

fn gcd(mut a: u64, mut b: u64) -> u64 {
    while b > 0 {
        (a, b) = (b, a % b);
    }
    a
}

/// Packs values as steps above the least.
fn pack_values(out: &mut Vec<u8>, values: &[i64]) {
    let least = values.iter().copied().min().unwrap_or(0);
    let above: Vec<u64> = values.iter().map(|value| value.wrapping_sub(least).cast_unsigned()).collect();
    let step = above.iter().copied().fold(0, gcd).max(1);
    let most = above.iter().map(|value| value / step).max().unwrap_or(0);
    let bits = u64::BITS - most.leading_zeros();
    put(out, zigzag(least));
    put(out, step);
    out.push(bits as u8);
    let (mut held, mut filled) = (0_u128, 0_u32);
    for value in above {
        held |= u128::from(value / step) << filled;
        filled += bits;
        while filled >= 8 {
            out.push(held as u8);
            held >>= 8;
            filled -= 8;
        }
    }
    if filled > 0 {
        out.push(held as u8);
    }
}

/// Packs readings: masses, and the times they were taken at. The first time stands beside the block.
///
/// ```
/// use packloft_domain::block::{Block, pack, unpack};
/// let given = Block {
///     masses_mg: vec![752_300, 751_900, 752_600],
///     times_us: vec![5_000_000, 6_500_000, 8_001_000],
///     heads: vec![1, 2, 3],
/// };
/// let packed = pack(&given.masses_mg, &given.times_us, &given.heads);
/// assert_eq!(unpack(&packed, 5_000_000), Ok(given));
/// ```
pub fn pack(masses_mg: &[i64], times_us: &[i64], heads: &[i64]) -> Vec<u8> {
    let mut out = vec![if heads.is_empty() { VERSION } else { WITH_HEADS }];
    put(&mut out, masses_mg.len() as u64);
    pack_values(&mut out, masses_mg);
    let differences: Vec<i64> = times_us.windows(2).map(|pair| pair[1].wrapping_sub(pair[0])).collect();
    pack_values(&mut out, &differences);
    if !heads.is_empty() {
        pack_values(&mut out, heads);
    }
    out
}

struct Reader<'a>(&'a [u8]);

impl Reader<'_> {
    fn byte(&mut self) -> Result<u8, Damaged> {
        let (first, rest) = self.0.split_first().ok_or(Damaged)?;
        self.0 = rest;
        Ok(*first)
    }

    fn number(&mut self) -> Result<u64, Damaged> {
        let mut value = 0_u64;
        for place in 0..10 {
            let byte = self.byte()?;
            value |= u64::from(byte & 0x7f).checked_shl(7 * place).ok_or(Damaged)?;
            if byte & 0x80 == 0 {
                return Ok(value);
            }
        }
        Err(Damaged)
    }

    fn values(&mut self, count: usize) -> Result<Vec<i64>, Damaged> {
        let (least, step, bits) = (unzigzag(self.number()?), self.number()?, u32::from(self.byte()?));
        if bits > 64 {
            return Err(Damaged);
        }
        let mask = if bits == 0 { 0 } else { u128::MAX >> (128 - bits) };
        let (mut held, mut filled) = (0_u128, 0_u32);
        let mut found = Vec::with_capacity(count);
        for _ in 0..count {
            while filled < bits {
                held |= u128::from(self.byte()?) << filled;
                filled += 8;
            }
            let above = ((held & mask) as u64).wrapping_mul(step);
            held = held.checked_shr(bits).unwrap_or(0);
            filled -= bits;
            found.push(least.wrapping_add(above.cast_signed()));
        }
        Ok(found)
    }
}

/// Reads a block back.
///
/// # Errors
/// `Damaged` for bytes that are no block.
pub fn unpack(packed: &[u8], first_us: i64) -> Result<Block, Damaged> {
    let mut reader = Reader(packed);
    let version = reader.byte()?;
    if ![VERSION, WITH_HEADS].contains(&version) {
        return Err(Damaged);
    }
    let count = usize::try_from(reader.number()?).map_err(|_| Damaged)?;
    if count > BLOCK_MAX {
        return Err(Damaged);
    }
    let masses = reader.values(count)?;
    let differences = reader.values(count.saturating_sub(1))?;
    let heads = if version == WITH_HEADS { reader.values(count)? } else { Vec::new() };
    if !reader.0.is_empty() {
        return Err(Damaged);
    }
    let mut at = first_us;
    let mut times = Vec::with_capacity(count);
    if count > 0 {
        times.push(at);
    }
    for difference in differences {
        at = at.wrapping_add(difference);
        times.push(at);
    }
    Ok(Block { masses_mg: masses, times_us: times, heads })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_sequence_of_readings_comes_back_as_given() {
        let mut random = fastrand::Rng::with_seed(11);
        let wide = [i64::MIN, i64::MAX, 0, -1, 1];
        for round in 0..600 {
            let count = random.usize(..BLOCK_MAX + 1);
            let step = [1, 10, 100, 5_000][round % 4];
            let mut masses: Vec<i64> = (0..count).map(|_| 750_000 + step * random.i64(-40..40)).collect();
            let mut at = random.i64(0..1 << 50);
            let mut times: Vec<i64> = (0..count)
                .map(|_| {
                    at += 1_000 * random.i64(-3..2_000);
                    at
                })
                .collect();
            if round % 7 == 0 {
                masses.iter_mut().step_by(13).for_each(|mass| *mass = wide[random.usize(..wide.len())]);
                times.iter_mut().step_by(17).for_each(|time| *time = random.i64(..));
            }
            let told = if round % 3 == 0 { count } else { 0 };
            let heads: Vec<i64> = (0..told).map(|place| (place % 14) as i64 + 1).collect();
            let packed = pack(&masses, &times, &heads);
            let first = times.first().copied().unwrap_or(0);
            let given = Block { masses_mg: masses, times_us: times, heads };
            assert_eq!(unpack(&packed, first), Ok(given), "round {round}");
        }
    }

    #[test]
    fn a_machines_readings_take_about_two_bytes() {
        let mut random = fastrand::Rng::with_seed(3);
        // 0.1 g, spread of about a gram; 40 a minute with a jitter of 20 ms, told to the millisecond.
        let masses: Vec<i64> =
            (0..500).map(|_| 752_000 + 100 * (0..12).map(|_| random.i64(-3..4)).sum::<i64>()).collect();
        let times: Vec<i64> = (0..500_i64).map(|i| i * 1_500_000 + 1_000 * random.i64(0..40)).collect();
        let bytes = pack(&masses, &times, &[]).len();
        assert!(bytes <= 500 * 2, "{bytes} bytes for 500");
    }

    #[test]
    fn damaged_bytes_are_told_and_never_panic() {
        let packed = pack(&[752_300, 751_900, 752_600], &[0, 1_500_000, 3_000_000], &[3, 1, 2]);
        for cut in 0..packed.len() {
            assert_eq!(unpack(&packed[..cut], 0), Err(Damaged), "cut at {cut}");
        }
        let mut random = fastrand::Rng::with_seed(8);
        for _ in 0..20_000 {
            let bytes: Vec<u8> = (0..random.usize(..40)).map(|_| random.u8(..)).collect();
            let _ = unpack(&bytes, 0);
        }
        let mut longer = packed;
        longer.push(0);
        assert_eq!(unpack(&longer, 0), Err(Damaged));
    }
}
