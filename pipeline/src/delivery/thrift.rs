//! Headers of Parquet pages, read from Thrift's compact protocol: of each only what says how much there is.

use std::io::Read;

/// What a page holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum PageKind {
    Data,
    Index,
    Dictionary,
}

/// The header of a page, as `PageHeader` of `parquet.thrift` gives it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct PageHeader {
    pub(super) kind: PageKind,
    /// Bytes on disk after the header.
    pub(super) packed: u64,
    /// Bytes when unpacked.
    pub(super) unpacked: u64,
    pub(super) values: u64,
    /// Number of the encoding in `parquet.thrift`.
    pub(super) encoding: i64,
    /// Bytes of levels before the values that are not packed (second version of data pages).
    pub(super) levels: u64,
    /// Whether the values are packed, where the column is.
    pub(super) is_packed: bool,
}

/// Structs within structs; headers have three.
const DEEPEST: u8 = 16;

/// Reads a header of at most `limit` bytes: the header, and how many bytes it took.
///
/// None where the bytes are no header, or one that names no kind, no size or a negative one.
pub(super) fn page_header(reader: &mut impl Read, limit: u64) -> Option<(PageHeader, u64)> {
    let mut input = Compact {
        reader: reader.take(limit),
    };
    let (mut kind, mut packed, mut unpacked) = (None, None, None);
    let mut values = 0;
    let mut encoding = 0;
    let mut levels = 0_i64;
    let mut is_packed = true;
    input.fields(0, &mut |input, id, wire| {
        match (id, wire) {
            (1, I32) => kind = Some(input.number()?),
            (2, I32) => unpacked = Some(input.number()?),
            (3, I32) => packed = Some(input.number()?),
            // Data, dictionary, data of the second version.
            (5 | 7 | 8, STRUCT) => input.fields(1, &mut |input, inner, wire| {
                match (id, inner, wire) {
                    (_, 1, I32) => values = input.number()?,
                    (5 | 7, 2, I32) | (8, 4, I32) => encoding = input.number()?,
                    (8, 5 | 6, I32) => levels = levels.checked_add(input.number()?)?,
                    (8, 7, TRUE | FALSE) => is_packed = wire == TRUE,
                    _ => input.skip(wire, 1)?,
                }
                Some(())
            })?,
            _ => input.skip(wire, 0)?,
        }
        Some(())
    })?;
    let header = PageHeader {
        kind: match kind? {
            0 | 3 => PageKind::Data,
            1 => PageKind::Index,
            2 => PageKind::Dictionary,
            _ => return None,
        },
        packed: size(packed?)?,
        unpacked: size(unpacked?)?,
        values: size(values)?,
        encoding,
        levels: size(levels)?,
        is_packed,
    };
    Some((header, limit - input.reader.limit()))
}

/// A size of 32 bits that is not negative.
fn size(number: i64) -> Option<u64> {
    i32::try_from(number)
        .ok()
        .and_then(|number| u64::try_from(number).ok())
}

const TRUE: u8 = 1;
const FALSE: u8 = 2;
const BYTE: u8 = 3;
const I32: u8 = 5;
const I64: u8 = 6;
const DOUBLE: u8 = 7;
const BINARY: u8 = 8;
const LIST: u8 = 9;
const SET: u8 = 10;
const MAP: u8 = 11;
const STRUCT: u8 = 12;
const UUID: u8 = 13;

/// Thrift's compact protocol.
struct Compact<R> {
    reader: R,
}

/// What is done with a field: its id and kind are given, its value is still to be read.
type EachField<'a, R> = dyn FnMut(&mut Compact<R>, i16, u8) -> Option<()> + 'a;

impl<R: Read> Compact<R> {
    fn byte(&mut self) -> Option<u8> {
        let mut byte = [0];
        self.reader.read_exact(&mut byte).ok()?;
        Some(byte[0])
    }

    fn unsigned(&mut self) -> Option<u64> {
        let mut value = 0_u64;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            value |= u64::from(byte & 0x7F) << shift;
            if byte & 0x80 == 0 {
                return Some(value);
            }
        }
        None
    }

    /// A number in zigzag form.
    fn number(&mut self) -> Option<i64> {
        let value = self.unsigned()?;
        Some((value >> 1).cast_signed() ^ -(value & 1).cast_signed())
    }

    /// Calls back with each field of a struct.
    fn fields(&mut self, depth: u8, each: &mut EachField<'_, R>) -> Option<()> {
        if depth > DEEPEST {
            return None;
        }
        let mut id = 0_i16;
        loop {
            let head = self.byte()?;
            if head == 0 {
                return Some(());
            }
            id = match head >> 4 {
                0 => i16::try_from(self.number()?).ok()?,
                step => id.checked_add(i16::from(step))?,
            };
            each(self, id, head & 0x0F)?;
        }
    }

    /// Passes over a value.
    fn skip(&mut self, wire: u8, depth: u8) -> Option<()> {
        match wire {
            TRUE | FALSE => Some(()),
            BYTE => self.pass(1),
            4..=I64 => self.unsigned().map(|_| ()),
            DOUBLE => self.pass(8),
            UUID => self.pass(16),
            BINARY => {
                let length = self.unsigned()?;
                self.pass(length)
            }
            STRUCT => self.fields(depth + 1, &mut |input, _, wire| input.skip(wire, depth + 1)),
            LIST | SET => {
                let head = self.byte()?;
                let count = match head >> 4 {
                    15 => self.unsigned()?,
                    count => count.into(),
                };
                self.elements(count, &[head & 0x0F], depth)
            }
            MAP => match self.unsigned()? {
                0 => Some(()),
                count => {
                    let kinds = self.byte()?;
                    self.elements(count, &[kinds >> 4, kinds & 0x0F], depth)
                }
            },
            _ => None,
        }
    }

    fn elements(&mut self, count: u64, kinds: &[u8], depth: u8) -> Option<()> {
        if depth >= DEEPEST {
            return None;
        }
        for _ in 0..count {
            for kind in kinds {
                match *kind {
                    // Within a list a truth takes a byte, so that a count without bytes behind it ends here.
                    TRUE | FALSE => self.pass(1)?,
                    kind => self.skip(kind, depth + 1)?,
                }
            }
        }
        Some(())
    }

    fn pass(&mut self, length: u64) -> Option<()> {
        let mut rest = self.reader.by_ref().take(length);
        let passed = std::io::copy(&mut rest, &mut std::io::sink()).ok()?;
        (passed == length).then_some(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bytes put together by hand from the field numbers of `parquet.thrift` and the compact protocol's specification.
    #[test]
    fn headers_are_read_by_their_field_numbers() {
        // 1: type 0, 2: 300 unpacked, 3: 100 packed, 5: { 1: 64 values, 2: encoding 8, 3: 3, 4: 3, 5: {1: "ab"} }.
        let data = [
            0x15, 0x00, 0x15, 0xD8, 0x04, 0x15, 0xC8, 0x01, 0x2C, 0x15, 0x80, 0x01, 0x15, 0x10,
            0x15, 0x06, 0x15, 0x06, 0x1C, 0x18, 0x02, b'a', b'b', 0x00, 0x00, 0x00,
        ];
        let expected = PageHeader {
            kind: PageKind::Data,
            packed: 100,
            unpacked: 300,
            values: 64,
            encoding: 8,
            levels: 0,
            is_packed: true,
        };
        let read = page_header(&mut &data[..], 1000);
        assert_eq!(read, Some((expected, data.len() as u64)));
        for cut in 0..data.len() {
            assert_eq!(page_header(&mut &data[..cut], 1000), None);
            assert_eq!(page_header(&mut &data[..], cut as u64), None);
        }
        // 1: type 3, 2: 20, 3: 20, 8: { 1: 5 values, 2: 0 nulls, 3: 5 rows, 4: encoding 0, 5: 2, 6: 1, 7: false }.
        let second = [
            0x15, 0x06, 0x15, 0x28, 0x15, 0x28, 0x5C, 0x15, 0x0A, 0x15, 0x00, 0x15, 0x0A, 0x15,
            0x00, 0x15, 0x04, 0x15, 0x02, 0x12, 0x00, 0x00,
        ];
        let (read, _) = page_header(&mut &second[..], 1000).expect("a header");
        assert_eq!((read.values, read.levels, read.is_packed), (5, 3, false));
    }

    #[test]
    fn sizes_below_zero_and_endless_nesting_are_no_header() {
        // A packed size of -1.
        let negative = [0x15, 0x00, 0x15, 0x02, 0x15, 0x01, 0x00];
        assert_eq!(page_header(&mut &negative[..], 1000), None);
        let nested = [0x1C; 1000];
        assert_eq!(page_header(&mut &nested[..], 1000), None);
        // A list of 2^60 truths without a byte behind it.
        let list = [
            0x19, 0xF1, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x10,
        ];
        assert_eq!(page_header(&mut &list[..], 1000), None);
    }
}
