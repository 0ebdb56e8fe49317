//! Bytes of a segment: header, record, footer. See FORMAT.md beside this file; the two change together.

use std::collections::BTreeSet;
use std::sync::LazyLock;

use prost::Message as _;
use prost_types::FileDescriptorSet;
use sha2::{Digest, Sha256};

/// First bytes of every segment.
pub const MAGIC: &[u8; 8] = b"PKLOFTJ1";
/// Version of the layout that is written; older ones are read.
pub const VERSION: u32 = 2;
/// Length of a segment header.
pub const HEADER_BYTES: usize = 96;
/// Where the records begin since version 2: header and marks have a page each before them.
pub const RECORDS_AT: usize = 8_192;
/// Where the two marks of a segment stand, each in sectors of its own.
pub const MARKS_AT: [usize; 2] = [4_096, 6_144];
/// Length of a mark.
pub const MARK_BYTES: usize = 96;
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
    /// Version of the layout.
    pub version: u32,
    /// Site id.
    pub site: [u8; 16],
    /// First sequence.
    pub first_sequence: u64,
    /// Chain hash before the first record.
    pub previous: Hash,
    /// Writer epoch.
    pub epoch: u64,
}

/// Which file a mark was written into, as far as the file system tells; zeros where it does not.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Identity {
    /// Number of the file in its file system.
    pub number: u64,
    /// When the file was made, in nanoseconds since 1970.
    pub made_ns: i64,
}

/// A proof beside the records: what stood at its sequence was durable when it was written.
///
/// It lies in the segment before the records, so whoever copies the file while it grows copies the mark first: a copy never
/// proves more than it holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Mark {
    /// Newest durable sequence.
    pub sequence: u64,
    /// Chain hash there.
    pub chain: Hash,
    /// The file it was written into.
    pub identity: Identity,
    /// Of the machine's clock, in microseconds since 1970.
    pub written_us: i64,
    /// Made anew at each start of a server.
    pub start: u128,
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
    /// Place in the group it was written with, from 1; 0 where that is not said.
    pub place: u32,
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
    /// Offset of the first record.
    pub fn records_at(&self) -> usize {
        if self.version == 1 { HEADER_BYTES } else { RECORDS_AT }
    }

    /// Stored bytes.
    pub fn encode(&self) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(HEADER_BYTES);
        bytes.extend_from_slice(MAGIC);
        bytes.extend_from_slice(&self.version.to_le_bytes());
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
    pub fn decode(bytes: &[u8]) -> Result<Header, HeaderFault> {
        let broken = |text: &str| Err(HeaderFault::Broken(text.into()));
        if bytes.len() < HEADER_BYTES {
            return Err(HeaderFault::Broken(format!("segment header has {} of {HEADER_BYTES} bytes", bytes.len())));
        }
        if &bytes[..8] != MAGIC {
            return broken("segment header has another first word");
        }
        let crc = le_u32(&bytes[92..96]);
        if crc != crc32c::crc32c(&bytes[..92]) {
            return broken("segment header checksum differs");
        }
        let version = le_u32(&bytes[8..12]);
        if version > VERSION {
            return Err(HeaderFault::TooNew(version));
        }
        if version == 0 {
            return broken("segment format version 0 is none");
        }
        Ok(Header {
            version,
            site: bytes[12..28].try_into().unwrap_or_default(),
            first_sequence: le_u64(&bytes[28..36]),
            previous: hash(&bytes[36..68]),
            epoch: le_u64(&bytes[68..76]),
        })
    }
}

/// Why a header cannot be used.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum HeaderFault {
    /// Its bytes are wrong.
    Broken(String),
    /// It is sound, in a layout of a newer program: its version.
    TooNew(u32),
}

impl Mark {
    /// Stored bytes.
    pub fn encode(&self) -> Vec<u8> {
        let mut bytes = vec![0; 4];
        bytes.extend_from_slice(&self.sequence.to_le_bytes());
        bytes.extend_from_slice(&self.chain);
        bytes.extend_from_slice(&self.identity.number.to_le_bytes());
        bytes.extend_from_slice(&self.identity.made_ns.to_le_bytes());
        bytes.extend_from_slice(&self.written_us.to_le_bytes());
        bytes.extend_from_slice(&self.start.to_le_bytes());
        bytes.resize(MARK_BYTES, 0);
        let crc = crc32c::crc32c(&bytes[4..]);
        bytes[..4].copy_from_slice(&crc.to_le_bytes());
        bytes
    }

    /// Reads a mark; none where its bytes do not check.
    pub fn decode(bytes: &[u8]) -> Option<Mark> {
        let bytes = bytes.get(..MARK_BYTES)?;
        if le_u32(&bytes[..4]) != crc32c::crc32c(&bytes[4..]) {
            return None;
        }
        Some(Mark {
            sequence: le_u64(&bytes[4..12]),
            chain: hash(&bytes[12..44]),
            identity: Identity { number: le_u64(&bytes[44..52]), made_ns: le_u64(&bytes[52..60]).cast_signed() },
            written_us: le_u64(&bytes[60..68]).cast_signed(),
            start: u128::from_le_bytes(bytes[68..84].try_into().ok()?),
        })
    }

    /// The newer of the two marks at the beginning of a segment.
    pub fn newest(beginning: &[u8]) -> Option<(usize, Mark)> {
        let read = |place: usize| beginning.get(MARKS_AT[place]..).and_then(Mark::decode).map(|mark| (place, mark));
        [read(0), read(1)].into_iter().flatten().max_by_key(|(_, mark)| (mark.sequence, mark.written_us))
    }
}

/// Kinds that this program knows: numbers of the facts in the stored event's descriptor.
pub fn known_kinds() -> &'static BTreeSet<u16> {
    static KINDS: LazyLock<BTreeSet<u16>> = LazyLock::new(|| {
        let set = FileDescriptorSet::decode(packloft_proto::journal::DESCRIPTOR).unwrap_or_default();
        let messages = set.file.iter().flat_map(|file| &file.message_type);
        let event = messages.filter(|message| message.name() == "Event");
        let facts = event.flat_map(|event| &event.field).filter(|field| field.oneof_index.is_some());
        facts.filter_map(|field| u16::try_from(field.number()).ok()).collect()
    });
    &KINDS
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
    /// Place in the group it was written with, from 1; 0 where that is not said.
    pub place: u32,
}

impl Fields {
    /// Adds the stored bytes of a record with its leaf and the chain hash after it.
    pub fn encode(&self, leaf: &Hash, chain: &Hash, payload: &[u8], bytes: &mut Vec<u8>) {
        let start = bytes.len();
        let length = u32::try_from(payload.len()).unwrap_or(u32::MAX);
        assert!((1..=PAYLOAD_MAX_BYTES).contains(&length), "a record of {length} bytes could not be read back");
        assert!(self.unit >= 1 && self.unit <= self.sequence, "a unit begins with or before its entries");
        bytes.extend_from_slice(&length.to_le_bytes());
        bytes.extend_from_slice(&[0; 4]);
        bytes.extend_from_slice(&self.sequence.to_le_bytes());
        bytes.extend_from_slice(&self.unit.to_le_bytes());
        bytes.extend_from_slice(&self.recorded_time_us.to_le_bytes());
        bytes.extend_from_slice(&self.kind.to_le_bytes());
        bytes.extend_from_slice(&self.schema.to_le_bytes());
        bytes.push(u8::from(self.last_of_unit));
        // Three bytes; a longer group does not say it.
        let place = if self.place < 1 << 24 { self.place } else { 0 };
        bytes.extend_from_slice(&place.to_le_bytes()[..3]);
        bytes.extend_from_slice(leaf);
        bytes.extend_from_slice(chain);
        bytes.extend_from_slice(payload);
        let crc = crc32c::crc32c(&bytes[start + 8..]);
        bytes[start + 4..start + 8].copy_from_slice(&crc.to_le_bytes());
        assert_eq!(bytes.len() - start, RECORD_BYTES + payload.len(), "length of a record");
    }
}

impl Record {
    /// Stored bytes of a new record after the chain hash `previous`; sets `chain`.
    pub fn encode(&mut self, previous: &Hash) -> Vec<u8> {
        let leaf = leaf(&self.payload);
        self.chain = chain(previous, &leaf);
        let Record { sequence, unit, recorded_time_us, kind, schema, last_of_unit, place, .. } = *self;
        let mut bytes = Vec::with_capacity(RECORD_BYTES + self.payload.len());
        let fields = Fields { sequence, unit, recorded_time_us, kind, schema, last_of_unit, place };
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
        let (sequence, unit) = (le_u64(&whole[8..16]), le_u64(&whole[16..24]));
        if unit == 0 || unit > sequence {
            return Err(format!("entry {sequence} cannot belong to a unit that begins with {unit}"));
        }
        Ok(Record {
            sequence,
            unit,
            recorded_time_us: le_u64(&whole[24..32]).cast_signed(),
            kind: le_u16(&whole[32..34]),
            schema: le_u16(&whole[34..36]),
            last_of_unit: whole[36] == 1,
            place: u32::from_le_bytes([whole[37], whole[38], whole[39], 0]),
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
            place: 2,
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
        let header = Header { version: VERSION, site: [9; 16], first_sequence: 12, previous: [1; 32], epoch: 2 };
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

    #[test]
    fn a_mark_reads_back_and_a_flipped_one_proves_nothing() {
        let identity = Identity { number: 77, made_ns: -3 };
        let mark = Mark { sequence: 9, chain: [4; 32], identity, written_us: 12, start: 5 };
        let bytes = mark.encode();
        assert_eq!(Mark::decode(&bytes), Some(mark));
        for byte in 0..bytes.len() {
            let mut flipped = bytes.clone();
            flipped[byte] ^= 1;
            assert_eq!(Mark::decode(&flipped), None, "byte {byte}");
        }
        let mut beginning = vec![0; RECORDS_AT];
        beginning[MARKS_AT[0]..][..MARK_BYTES].copy_from_slice(&bytes);
        beginning[MARKS_AT[1]..][..MARK_BYTES].copy_from_slice(&Mark { sequence: 8, ..mark }.encode());
        assert_eq!(Mark::newest(&beginning), Some((0, mark)));
        beginning[MARKS_AT[0]] ^= 1;
        assert_eq!(Mark::newest(&beginning).map(|(place, mark)| (place, mark.sequence)), Some((1, 8)));
        assert_eq!(Mark::newest(&beginning[..96]), None);
    }

    #[test]
    fn the_kinds_are_those_of_the_stored_event() {
        let known = known_kinds();
        assert!(known.contains(&20) && known.contains(&63) && !known.contains(&10) && !known.contains(&999));
        assert!(known.len() > 60, "{}", known.len());
    }

    /// The stored form of version 1, for ever. Own example, computed with this program once and checked by hand against
    /// FORMAT.md.
    #[test]
    fn the_first_bytes_of_a_record_are_as_written_down() {
        let bytes = record().encode(&[0; 32]);
        assert_eq!(bytes.len(), 104 + 5);
        assert_eq!(&bytes[..4], &[5, 0, 0, 0]);
        assert_eq!(&bytes[8..16], &[7, 0, 0, 0, 0, 0, 0, 0]);
        assert_eq!(&bytes[32..40], &[63, 0, 1, 0, 1, 2, 0, 0]);
    }
}
