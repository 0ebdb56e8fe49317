//! Bytes of a segment: header, record, footer. See FORMAT.md beside this file; the two change together.

use sha2::{Digest, Sha256};

/// First bytes of every segment.
pub const MAGIC: &[u8; 8] = b"PKLOFTJ1";
/// Version of the layout.
pub const VERSION: u32 = 1;
/// Length of a segment header.
pub const HEADER_BYTES: usize = 96;
/// Length of a record before its payload.
pub const RECORD_BYTES: usize = 104;
/// Stands in place of a length at a footer.
pub const FOOTER_MARK: u32 = u32::MAX;
/// Longest payload.
pub const PAYLOAD_MAX_BYTES: u32 = 16 << 20;
/// Every how many records the index has an entry.
pub const INDEX_STEP: u64 = 128;

/// A chain hash.
pub type Hash = [u8; 32];

/// Header of a segment.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Header {
    /// Site id.
    pub site: [u8; 16],
    /// First sequence.
    pub first_sequence: u64,
    /// Chain hash before the first record.
    pub previous: Hash,
    /// Writer epoch.
    pub epoch: u64,
}

/// A record as stored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Record {
    /// Sequence.
    pub sequence: u64,
    /// First sequence of its unit.
    pub unit: u64,
    /// Recorded time.
    pub recorded_time_us: i64,
    /// Field number of the fact.
    pub kind: u16,
    /// Schema version of the kind.
    pub schema: u16,
    /// True on the last record of its unit.
    pub last_of_unit: bool,
    /// Chain hash after it.
    pub chain: Hash,
    /// Stored event.
    pub payload: Vec<u8>,
}

/// Footer of a sealed segment.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Footer {
    /// Last sequence.
    pub last_sequence: u64,
    /// Chain hash there.
    pub chain: Hash,
    /// Sequence and offset of every [`INDEX_STEP`]th record.
    pub index: Vec<(u64, u64)>,
}

fn le_u16(bytes: &[u8]) -> u16 {
    u16::from_le_bytes(bytes.try_into().unwrap_or_default())
}

fn le_u32(bytes: &[u8]) -> u32 {
    u32::from_le_bytes(bytes.try_into().unwrap_or_default())
}

fn le_u64(bytes: &[u8]) -> u64 {
    u64::from_le_bytes(bytes.try_into().unwrap_or_default())
}

fn hash(bytes: &[u8]) -> Hash {
    bytes.try_into().unwrap_or_default()
}

/// Leaf hash of a payload (RFC 9162: 0x00 before the data).
pub fn leaf(payload: &[u8]) -> Hash {
    let mut hasher = Sha256::new();
    hasher.update([0]);
    hasher.update(payload);
    hasher.finalize().into()
}

/// Chain hash after a leaf.
pub fn chain(previous: &Hash, leaf: &Hash) -> Hash {
    let mut hasher = Sha256::new();
    hasher.update(previous);
    hasher.update(leaf);
    hasher.finalize().into()
}

impl Header {
    /// Stored bytes.
    pub fn encode(&self) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(HEADER_BYTES);
        bytes.extend_from_slice(MAGIC);
        bytes.extend_from_slice(&VERSION.to_le_bytes());
        bytes.extend_from_slice(&self.site);
        bytes.extend_from_slice(&self.first_sequence.to_le_bytes());
        bytes.extend_from_slice(&self.previous);
        bytes.extend_from_slice(&self.epoch.to_le_bytes());
        bytes.resize(HEADER_BYTES - 4, 0);
        let crc = crc32c::crc32c(&bytes);
        bytes.extend_from_slice(&crc.to_le_bytes());
        bytes
    }

    /// Reads a header; the error says what is wrong.
    pub fn decode(bytes: &[u8]) -> Result<Header, String> {
        if bytes.len() < HEADER_BYTES {
            return Err(format!("segment header has {} of {HEADER_BYTES} bytes", bytes.len()));
        }
        if &bytes[..8] != MAGIC {
            return Err("segment header has another first word".into());
        }
        let crc = le_u32(&bytes[92..96]);
        if crc != crc32c::crc32c(&bytes[..92]) {
            return Err("segment header checksum differs".into());
        }
        let version = le_u32(&bytes[8..12]);
        if version != VERSION {
            return Err(format!("segment format version {version}; this program reads {VERSION}"));
        }
        Ok(Header {
            site: bytes[12..28].try_into().unwrap_or_default(),
            first_sequence: le_u64(&bytes[28..36]),
            previous: hash(&bytes[36..68]),
            epoch: le_u64(&bytes[68..76]),
        })
    }
}

/// What a record says of its payload.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fields {
    /// Sequence.
    pub sequence: u64,
    /// First sequence of its unit.
    pub unit: u64,
    /// Recorded time.
    pub recorded_time_us: i64,
    /// Field number of the fact.
    pub kind: u16,
    /// Schema version of the kind.
    pub schema: u16,
    /// True on the last record of its unit.
    pub last_of_unit: bool,
}

impl Fields {
    /// Adds the stored bytes of a record with its leaf and the chain hash after it.
    pub fn encode(&self, leaf: &Hash, chain: &Hash, payload: &[u8], bytes: &mut Vec<u8>) {
        let start = bytes.len();
        let length = u32::try_from(payload.len()).unwrap_or(u32::MAX);
        bytes.extend_from_slice(&length.to_le_bytes());
        bytes.extend_from_slice(&[0; 4]);
        bytes.extend_from_slice(&self.sequence.to_le_bytes());
        bytes.extend_from_slice(&self.unit.to_le_bytes());
        bytes.extend_from_slice(&self.recorded_time_us.to_le_bytes());
        bytes.extend_from_slice(&self.kind.to_le_bytes());
        bytes.extend_from_slice(&self.schema.to_le_bytes());
        bytes.extend_from_slice(&[u8::from(self.last_of_unit), 0, 0, 0]);
        bytes.extend_from_slice(leaf);
        bytes.extend_from_slice(chain);
        bytes.extend_from_slice(payload);
        let crc = crc32c::crc32c(&bytes[start + 8..]);
        bytes[start + 4..start + 8].copy_from_slice(&crc.to_le_bytes());
    }
}

impl Record {
    /// Stored bytes of a new record after the chain hash `previous`; sets `chain`.
    pub fn encode(&mut self, previous: &Hash) -> Vec<u8> {
        let leaf = leaf(&self.payload);
        self.chain = chain(previous, &leaf);
        let Record { sequence, unit, recorded_time_us, kind, schema, last_of_unit, .. } = *self;
        let mut bytes = Vec::with_capacity(RECORD_BYTES + self.payload.len());
        let fields = Fields { sequence, unit, recorded_time_us, kind, schema, last_of_unit };
        fields.encode(&leaf, &self.chain, &self.payload, &mut bytes);
        bytes
    }

    /// Reads the record that begins at `bytes`, checking checksum and leaf (not the chain).
    pub fn decode(bytes: &[u8]) -> Result<Record, String> {
        if bytes.len() < RECORD_BYTES {
            return Err("record header is cut off".into());
        }
        let length = le_u32(&bytes[..4]);
        if length == 0 || length > PAYLOAD_MAX_BYTES {
            return Err(format!("record length {length} is not possible"));
        }
        let end = RECORD_BYTES + length as usize;
        let Some(whole) = bytes.get(..end) else {
            return Err("record is cut off".into());
        };
        if le_u32(&whole[4..8]) != crc32c::crc32c(&whole[8..]) {
            return Err("record checksum differs".into());
        }
        let payload = whole[RECORD_BYTES..].to_vec();
        if hash(&whole[40..72]) != leaf(&payload) {
            return Err("leaf hash differs".into());
        }
        Ok(Record {
            sequence: le_u64(&whole[8..16]),
            unit: le_u64(&whole[16..24]),
            recorded_time_us: le_u64(&whole[24..32]).cast_signed(),
            kind: le_u16(&whole[32..34]),
            schema: le_u16(&whole[34..36]),
            last_of_unit: whole[36] == 1,
            chain: hash(&whole[72..104]),
            payload,
        })
    }

    /// Length of the stored record.
    pub fn stored_bytes(&self) -> u64 {
        (RECORD_BYTES + self.payload.len()) as u64
    }
}

impl Footer {
    /// Stored bytes.
    pub fn encode(&self) -> Vec<u8> {
        let mut bytes = Vec::new();
        bytes.extend_from_slice(&FOOTER_MARK.to_le_bytes());
        bytes.extend_from_slice(&[0; 4]);
        bytes.extend_from_slice(&self.last_sequence.to_le_bytes());
        bytes.extend_from_slice(&self.chain);
        bytes.extend_from_slice(&u32::try_from(self.index.len()).unwrap_or(u32::MAX).to_le_bytes());
        for (sequence, offset) in &self.index {
            bytes.extend_from_slice(&sequence.to_le_bytes());
            bytes.extend_from_slice(&offset.to_le_bytes());
        }
        let length = u32::try_from(bytes.len() + 4).unwrap_or(u32::MAX);
        bytes.extend_from_slice(&length.to_le_bytes());
        let crc = crc32c::crc32c(&bytes[8..]);
        bytes[4..8].copy_from_slice(&crc.to_le_bytes());
        bytes
    }

    /// Reads the footer that `bytes` is, exactly.
    pub fn decode(bytes: &[u8]) -> Result<Footer, String> {
        if bytes.len() < 56 || le_u32(&bytes[..4]) != FOOTER_MARK {
            return Err("no footer".into());
        }
        if le_u32(&bytes[4..8]) != crc32c::crc32c(&bytes[8..]) {
            return Err("footer checksum differs".into());
        }
        let count = le_u32(&bytes[48..52]) as usize;
        if bytes.len() != 56 + 16 * count {
            return Err("footer length differs".into());
        }
        let index = bytes[52..52 + 16 * count]
            .chunks_exact(16)
            .map(|entry| (le_u64(&entry[..8]), le_u64(&entry[8..])))
            .collect();
        Ok(Footer { last_sequence: le_u64(&bytes[8..16]), chain: hash(&bytes[16..48]), index })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record() -> Record {
        Record {
            sequence: 7,
            unit: 7,
            recorded_time_us: -5,
            kind: 63,
            schema: 1,
            last_of_unit: true,
            chain: [0; 32],
            payload: b"a tip".to_vec(),
        }
    }

    #[test]
    fn a_record_reads_back_and_every_flipped_bit_is_noticed() {
        let mut written = record();
        let bytes = written.encode(&[3; 32]);
        assert_eq!(Record::decode(&bytes), Ok(written.clone()));
        for byte in 0..bytes.len() {
            for bit in 0..8 {
                let mut flipped = bytes.clone();
                flipped[byte] ^= 1 << bit;
                assert!(Record::decode(&flipped).is_err(), "byte {byte} bit {bit}");
            }
        }
    }

    #[test]
    fn header_and_footer_read_back_and_notice_flips() {
        let header = Header { site: [9; 16], first_sequence: 12, previous: [1; 32], epoch: 2 };
        let bytes = header.encode();
        assert_eq!(Header::decode(&bytes), Ok(header));
        let footer = Footer { last_sequence: 40, chain: [8; 32], index: vec![(1, 96), (129, 9_000)] };
        let tail = footer.encode();
        assert_eq!(Footer::decode(&tail), Ok(footer));
        for byte in 0..bytes.len() {
            let mut flipped = bytes.clone();
            flipped[byte] ^= 1;
            assert!(Header::decode(&flipped).is_err(), "header byte {byte}");
        }
        for byte in 0..tail.len() {
            let mut flipped = tail.clone();
            flipped[byte] ^= 1;
            assert!(Footer::decode(&flipped).is_err(), "footer byte {byte}");
        }
    }

    /// The stored form of version 1, for ever. Own example, computed with this program once and checked by hand against
    /// FORMAT.md.
    #[test]
    fn the_first_bytes_of_a_record_are_as_written_down() {
        let bytes = record().encode(&[0; 32]);
        assert_eq!(bytes.len(), 104 + 5);
        assert_eq!(&bytes[..4], &[5, 0, 0, 0]);
        assert_eq!(&bytes[8..16], &[7, 0, 0, 0, 0, 0, 0, 0]);
        assert_eq!(&bytes[32..40], &[63, 0, 1, 0, 1, 0, 0, 0]);
    }
}
