//! Cuts a stream of CSV text into blocks of whole records, so that blocks can be parsed side by side.

use std::io::Read;

/// A record, quoted fields and all, may be this long at most; beyond it a quote is missing.
pub(crate) const LONGEST_RECORD: usize = 1 << 16;

/// A run of whole records.
#[derive(Debug)]
pub(crate) struct Block {
    /// The text.
    pub(crate) bytes: Vec<u8>,
    /// Line of the file on which it begins, from 1.
    pub(crate) first_line: u32,
    /// Where it begins in the text, in bytes from 0; in a packed file, of the text unpacked.
    pub(crate) first_byte: u64,
}

/// What stops the cutting.
#[derive(Debug)]
pub(crate) enum BlockFault {
    /// The stream failed.
    Io(std::io::Error),
    /// A record that begins on this line does not end within the limit, or not at all.
    UnclosedQuote(u32),
    /// The row on this line ends in a carriage return alone.
    LineEnds(u32),
}

/// Reads blocks of about `size` bytes.
pub(crate) struct BlockReader<R> {
    reader: R,
    size: usize,
    separator: u8,
    carried: Vec<u8>,
    next_line: u32,
    next_byte: u64,
    ended: bool,
}

impl<R: Read> BlockReader<R> {
    /// `separator` stands between the fields of a record.
    pub(crate) fn new(reader: R, size: usize, separator: u8) -> Self {
        Self {
            reader,
            size,
            separator,
            carried: Vec::new(),
            next_line: 1,
            next_byte: 0,
            ended: false,
        }
    }

    /// Line of the file on which the next block begins.
    pub(crate) fn next_line(&self) -> u32 {
        self.next_line
    }

    /// The next block, or none at the end.
    pub(crate) fn next_block(&mut self) -> Result<Option<Block>, BlockFault> {
        if self.ended {
            return Ok(None);
        }
        let mut bytes = std::mem::take(&mut self.carried);
        let wanted = self.size.max(bytes.len() + LONGEST_RECORD);
        // `take` ends early only at the end of the stream.
        let room = wanted - bytes.len();
        let read = (&mut self.reader)
            .take(room as u64)
            .read_to_end(&mut bytes)
            .map_err(BlockFault::Io)?;
        self.ended = read < room;
        let cut = last_record_end(&bytes, self.separator);
        if let Some(at) = cut.bare_return {
            return Err(BlockFault::LineEnds(self.line_at(&bytes, at)));
        }
        let end = if self.ended {
            if cut.inside_quotes {
                return Err(BlockFault::UnclosedQuote(self.line_at(&bytes, cut.end)));
            }
            bytes.len()
        } else if cut.end == 0 || bytes.len() - cut.end > LONGEST_RECORD {
            return Err(BlockFault::UnclosedQuote(self.line_at(&bytes, cut.end)));
        } else {
            cut.end
        };
        self.carried = bytes.split_off(end);
        if bytes.is_empty() {
            return Ok(None);
        }
        let first_line = self.next_line;
        self.next_line = first_line.saturating_add(count_lines(&bytes));
        let first_byte = self.next_byte;
        self.next_byte = first_byte.saturating_add(bytes.len() as u64);
        Ok(Some(Block {
            bytes,
            first_line,
            first_byte,
        }))
    }

    fn line_at(&self, bytes: &[u8], end: usize) -> u32 {
        let before = bytes.get(..end).unwrap_or_default();
        self.next_line.saturating_add(count_lines(before))
    }
}

/// Number of line feeds.
pub(crate) fn count_lines(bytes: &[u8]) -> u32 {
    u32::try_from(memchr::memchr_iter(b'\n', bytes).count()).unwrap_or(u32::MAX)
}

struct Cut {
    /// One past the last line feed that ends a record.
    end: usize,
    /// Whether the text after it ends inside quotes.
    inside_quotes: bool,
    /// The first carriage return outside quotes that ends a record without a line feed. Lines are counted by line
    /// feeds, so that places would be wrong from there on.
    bare_return: Option<usize>,
}

/// Whether the carriage return at a place has neither a line feed nor another carriage return after it. What stands
/// last is not judged: more text may follow.
fn is_bare(bytes: &[u8], at: usize) -> bool {
    !matches!(bytes.get(at + 1), None | Some(b'\n' | b'\r'))
}

/// Finds the end of the last whole record: the last line feed that is not inside quotes. As in the parser, a quote opens
/// a field only at its beginning; anywhere else in an unquoted field it is a character like others.
fn last_record_end(bytes: &[u8], separator: u8) -> Cut {
    // In most files no carriage return stands alone, quotes or not.
    let bare_return = memchr::memchr_iter(b'\r', bytes).find(|at| is_bare(bytes, *at));
    if memchr::memchr(b'"', bytes).is_none() {
        return Cut {
            end: memchr::memrchr(b'\n', bytes).map_or(0, |at| at + 1),
            inside_quotes: false,
            bare_return,
        };
    }
    let mut returns = bare_return.into_iter().flat_map(|first| {
        let rest = bytes.get(first..).unwrap_or_default();
        memchr::memchr_iter(b'\r', rest)
            .map(move |at| first + at)
            .filter(|at| is_bare(bytes, *at))
    });
    let mut next_return = returns.next();
    let mut bare_return = None;
    let mut inside_quotes = false;
    let mut closed_at = None;
    let mut end = 0;
    for at in memchr::memchr2_iter(b'"', b'\n', bytes) {
        while let Some(before) = next_return.filter(|before| *before < at) {
            if !inside_quotes {
                bare_return = bare_return.or(Some(before));
            }
            next_return = returns.next();
        }
        if bytes.get(at) == Some(&b'"') {
            if inside_quotes {
                inside_quotes = false;
                closed_at = Some(at);
            } else {
                let before = at.checked_sub(1);
                // A doubled quote inside a quoted field closes and opens it again.
                let doubled = before.is_some() && before == closed_at;
                let begins_field = match before.and_then(|before| bytes.get(before)) {
                    None | Some(b'\n' | b'\r') => true,
                    Some(&byte) if byte == separator => true,
                    Some(_) => bytes.get(..at) == Some(b"\xEF\xBB\xBF"),
                };
                inside_quotes = doubled || begins_field;
            }
        } else if !inside_quotes {
            end = at + 1;
        }
    }
    if !inside_quotes {
        bare_return = bare_return.or(next_return);
    }
    Cut {
        end,
        inside_quotes,
        bare_return,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all_blocks(text: &str, size: usize) -> Vec<(u32, String)> {
        let mut reader = BlockReader::new(text.as_bytes(), size, b',');
        let mut out = Vec::new();
        while let Some(block) = reader.next_block().expect("whole records") {
            out.push((
                block.first_line,
                String::from_utf8(block.bytes).expect("text"),
            ));
        }
        out
    }

    #[test]
    fn blocks_hold_whole_records_and_know_their_lines() {
        let row = "a,\"two\nlines\",c\n";
        let text = row.repeat(20_000);
        let blocks = all_blocks(&text, 1000);
        assert!(blocks.len() > 1);
        let mut line = 1;
        for (first_line, block) in &blocks {
            assert_eq!(*first_line, line);
            assert_eq!(block.len() % row.len(), 0);
            line += 2 * u32::try_from(block.len() / row.len()).expect("small");
        }
        let joined: String = blocks.into_iter().map(|(_, block)| block).collect();
        assert_eq!(joined, text);
    }

    #[test]
    fn the_last_record_needs_no_line_feed() {
        assert_eq!(
            all_blocks("a,b\n1,2", 1 << 20),
            [(1, "a,b\n1,2".to_owned())]
        );
        assert!(all_blocks("", 16).is_empty());
    }

    /// Two rows with a stray quote each, far apart: neither opens a field, so neither swallows what is between.
    #[test]
    fn a_quote_inside_an_unquoted_field_is_a_character() {
        let text = format!("a,b\n1,5\" tube\n{}2,6\" tube\n", "x,y\n".repeat(50_000));
        let blocks = all_blocks(&text, 1000);
        assert!(blocks.len() > 1);
        let doubled = "a,b\n1,\"say \"\"so\nand so\"\"\"\n";
        assert_eq!(all_blocks(doubled, 1 << 20).len(), 1);
    }

    #[test]
    fn rows_that_end_in_carriage_returns_alone_are_named() {
        let line = |text: &str| {
            let mut reader = BlockReader::new(text.as_bytes(), 1 << 20, b',');
            match reader.next_block() {
                Err(BlockFault::LineEnds(line)) => Some(line),
                _ => None,
            }
        };
        assert_eq!(line("a,b\r1,2\r"), Some(1));
        assert_eq!(line("a,b\n1,2\r3,4\n"), Some(2));
        assert_eq!(line("a,b\n1,\"2\r\"\r3,4\n"), Some(2));
        assert_eq!(line("a,b\n\"1\n\",2\n3,4\r5,6"), Some(4));
        // Inside quotes it is text; doubled line ends, and one cut in two by the end of the file, are line ends.
        for text in [
            "a,b\n1,\"2\r3\"\n",
            "a,b\r\r\n1,2\r\r\n",
            "a,b\r\n1,2\r",
            "a,b\r",
        ] {
            assert_eq!(line(text), None, "{text:?}");
        }
    }

    #[test]
    fn a_missing_quote_is_found_with_its_line() {
        let at_end = "a,b\n1,2\n3,\"4\n5,6\n";
        let mut reader = BlockReader::new(at_end.as_bytes(), 1 << 20, b',');
        assert!(matches!(
            reader.next_block(),
            Err(BlockFault::UnclosedQuote(3))
        ));
        let far = format!("a,b\n1,\"2\n{}", "x,y\n".repeat(100_000));
        let mut reader = BlockReader::new(far.as_bytes(), 1 << 17, b',');
        assert!(matches!(
            reader.next_block(),
            Err(BlockFault::UnclosedQuote(2))
        ));
    }
}
