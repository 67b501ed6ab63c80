//! Cuts a stream of JSON into the texts of single resources, so that no more than one of them is held at a time and each
//! is parsed on its own: a Bundle's entries, or the lines of NDJSON.
//!
//! Only what stands around the resources is judged here; a resource ends where its brackets close, strings left out.

use std::io::{BufRead, ErrorKind};

use serde::de::IgnoredAny;

/// A resource, or a line, may be this long at most, in bytes.
pub(crate) const LONGEST_RESOURCE: usize = 1 << 20;

/// How resources stand in a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Form {
    /// One JSON object, a Bundle: resources stand in its entries.
    Bundle,
    /// NDJSON: a resource a line.
    Lines,
}

/// The text of one entry or line.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Piece {
    /// The text; cut off where it is too long.
    pub(crate) text: Vec<u8>,
    /// Where it begins, in bytes from 0; in a packed file, of the text unpacked.
    pub(crate) first_byte: u64,
    /// It is longer than [`LONGEST_RESOURCE`].
    pub(crate) too_long: bool,
    /// The file ends within the line: it may be cut off.
    pub(crate) at_end: bool,
}

/// What stops the cutting.
#[derive(Debug)]
pub(crate) enum CutFault {
    /// The stream failed.
    Io(std::io::Error),
    /// At this byte the text is no JSON, or ends before it should.
    NotJson(u64),
    /// At this byte the text is not UTF-8.
    NotUtf8(u64),
    /// The JSON is something else than a Bundle.
    NotABundle,
}

/// Where the reading of a Bundle stands.
#[derive(Clone, Copy)]
enum State {
    /// Before the opening brace.
    Start,
    /// Before a name or the closing brace; whether a value went before.
    Names(bool),
    /// Before an entry or the closing bracket; whether an entry went before.
    Entries(bool),
    /// After the closing brace.
    End,
}

/// Cuts a stream.
pub(crate) struct Cutter<R> {
    reader: R,
    form: Form,
    /// Bytes taken so far.
    byte: u64,
    state: State,
    is_bundle: bool,
    has_entries: bool,
}

impl<R: BufRead> Cutter<R> {
    pub(crate) fn new(reader: R, form: Form) -> Self {
        Self {
            reader,
            form,
            byte: 0,
            state: State::Start,
            is_bundle: false,
            has_entries: false,
        }
    }

    /// The next resource, or none at the end.
    pub(crate) fn next_piece(&mut self) -> Result<Option<Piece>, CutFault> {
        match self.form {
            Form::Bundle => self.next_entry(),
            Form::Lines => self.next_line(),
        }
    }

    fn next_line(&mut self) -> Result<Option<Piece>, CutFault> {
        if self.byte == 0 {
            self.pass_over_mark()?;
        }
        loop {
            let mut piece = self.begin();
            loop {
                let chunk = filled(&mut self.reader)?;
                if chunk.is_empty() {
                    piece.at_end = true;
                    break;
                }
                let end = memchr::memchr(b'\n', chunk);
                let used = end.map_or(chunk.len(), |at| at + 1);
                let text = chunk.get(..end.unwrap_or(chunk.len())).unwrap_or_default();
                append(&mut piece, text);
                self.consume(used);
                if end.is_some() {
                    break;
                }
            }
            if !piece.text.iter().all(is_blank) {
                return Ok(Some(piece));
            }
            if piece.at_end {
                return Ok(None);
            }
        }
    }

    fn next_entry(&mut self) -> Result<Option<Piece>, CutFault> {
        loop {
            match self.state {
                State::Start => {
                    self.pass_over_mark()?;
                    self.expect(b'{')?;
                    self.state = State::Names(false);
                }
                State::Names(follows) => match self.peek()? {
                    Some(b'}') => {
                        self.consume(1);
                        self.state = State::End;
                    }
                    _ => {
                        if follows {
                            self.expect(b',')?;
                        }
                        self.member()?;
                    }
                },
                State::Entries(follows) => match self.peek()? {
                    Some(b']') => {
                        self.consume(1);
                        self.state = State::Names(true);
                    }
                    _ => {
                        if follows {
                            self.expect(b',')?;
                        }
                        if self.peek()? != Some(b'{') {
                            return Err(CutFault::NotJson(self.byte));
                        }
                        self.state = State::Entries(true);
                        return self.value().map(Some);
                    }
                },
                State::End => {
                    return match self.peek()? {
                        Some(_) => Err(CutFault::NotJson(self.byte)),
                        None if self.is_bundle => Ok(None),
                        None => Err(CutFault::NotABundle),
                    };
                }
            }
        }
    }

    /// A name of the Bundle and its value; of `entry` the opening bracket only.
    fn member(&mut self) -> Result<(), CutFault> {
        self.peek()?;
        let name = self.value()?;
        let name: String = parsed(&name)?;
        self.expect(b':')?;
        self.peek()?;
        if name == "entry" {
            if std::mem::replace(&mut self.has_entries, true) {
                return Err(CutFault::NotJson(self.byte));
            }
            self.expect(b'[')?;
            self.state = State::Entries(false);
            return Ok(());
        }
        let value = self.value()?;
        if name == "resourceType" {
            if parsed::<String>(&value)? != "Bundle" {
                return Err(CutFault::NotABundle);
            }
            if std::mem::replace(&mut self.is_bundle, true) {
                return Err(CutFault::NotJson(value.first_byte));
            }
        } else {
            parsed::<IgnoredAny>(&value)?;
        }
        self.state = State::Names(true);
        Ok(())
    }

    /// The text of a value, which begins at the next byte.
    fn value(&mut self) -> Result<Piece, CutFault> {
        let mut piece = self.begin();
        let (mut depth, mut in_string, mut escaped) = (0_u64, false, false);
        loop {
            let chunk = filled(&mut self.reader)?;
            if chunk.is_empty() {
                return Err(CutFault::NotJson(self.byte));
            }
            let mut end = None;
            for (at, &byte) in chunk.iter().enumerate() {
                if in_string {
                    match byte {
                        _ if escaped => escaped = false,
                        b'\\' => escaped = true,
                        b'"' => {
                            in_string = false;
                            if depth == 0 {
                                end = Some(at + 1);
                                break;
                            }
                        }
                        _ => {}
                    }
                    continue;
                }
                match byte {
                    b'"' => in_string = true,
                    b'{' | b'[' => depth += 1,
                    // The end of what is around a number or a word.
                    b'}' | b']' if depth == 0 => {
                        end = Some(at);
                        break;
                    }
                    b'}' | b']' => {
                        depth -= 1;
                        if depth == 0 {
                            end = Some(at + 1);
                            break;
                        }
                    }
                    b',' | b':' | b' ' | b'\t' | b'\r' | b'\n' if depth == 0 => {
                        end = Some(at);
                        break;
                    }
                    _ => {}
                }
            }
            let used = end.unwrap_or(chunk.len());
            append(&mut piece, chunk.get(..used).unwrap_or_default());
            self.consume(used);
            if end.is_some() {
                return Ok(piece);
            }
        }
    }

    fn begin(&self) -> Piece {
        Piece {
            text: Vec::new(),
            first_byte: self.byte,
            too_long: false,
            at_end: false,
        }
    }

    /// The next byte that is not blank, left where it is.
    fn peek(&mut self) -> Result<Option<u8>, CutFault> {
        loop {
            let chunk = filled(&mut self.reader)?;
            if chunk.is_empty() {
                return Ok(None);
            }
            let blank = chunk.iter().take_while(|byte| is_blank(byte)).count();
            let next = chunk.get(blank).copied();
            self.consume(blank);
            match next {
                Some(byte) if !byte.is_ascii() => return Err(CutFault::NotUtf8(self.byte)),
                Some(byte) => return Ok(Some(byte)),
                None => {}
            }
        }
    }

    /// Takes the next byte that is not blank, which has to be this one.
    fn expect(&mut self, wanted: u8) -> Result<(), CutFault> {
        if self.peek()? != Some(wanted) {
            return Err(CutFault::NotJson(self.byte));
        }
        self.consume(1);
        Ok(())
    }

    /// Passes over a byte order mark, which some programs put in front of UTF-8.
    fn pass_over_mark(&mut self) -> Result<(), CutFault> {
        if filled(&mut self.reader)?.starts_with(b"\xEF\xBB\xBF") {
            self.consume(3);
        }
        Ok(())
    }

    fn consume(&mut self, count: usize) {
        self.reader.consume(count);
        self.byte = self.byte.saturating_add(count as u64);
    }
}

/// Bytes at hand; none at the end of the stream.
fn filled(reader: &mut impl BufRead) -> Result<&[u8], CutFault> {
    loop {
        match reader.fill_buf() {
            Ok(_) => break,
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            Err(error) => return Err(CutFault::Io(error)),
        }
    }
    // What is in the buffer already is given again.
    reader.fill_buf().map_err(CutFault::Io)
}

fn is_blank(byte: &u8) -> bool {
    matches!(byte, b' ' | b'\t' | b'\r' | b'\n')
}

fn append(piece: &mut Piece, text: &[u8]) {
    let room = LONGEST_RESOURCE - piece.text.len();
    piece.too_long |= text.len() > room;
    piece
        .text
        .extend_from_slice(text.get(..room).unwrap_or(text));
}

/// A value of the Bundle itself.
fn parsed<T: serde::de::DeserializeOwned>(piece: &Piece) -> Result<T, CutFault> {
    if let Err(fault) = std::str::from_utf8(&piece.text)
        && !piece.too_long
    {
        return Err(CutFault::NotUtf8(
            piece.first_byte + fault.valid_up_to() as u64,
        ));
    }
    serde_json::from_slice(&piece.text).map_err(|_| CutFault::NotJson(piece.first_byte))
}

#[cfg(test)]
mod tests {
    use std::io::BufReader;

    use super::*;

    fn cut(form: Form, text: &[u8], buffer: usize) -> Result<Vec<(u64, String)>, CutFault> {
        let mut cutter = Cutter::new(BufReader::with_capacity(buffer, text), form);
        let mut out = Vec::new();
        while let Some(piece) = cutter.next_piece()? {
            out.push((
                piece.first_byte,
                String::from_utf8(piece.text).expect("text"),
            ));
        }
        Ok(out)
    }

    #[test]
    fn entries_are_cut_whatever_the_order_and_the_buffer() {
        let text = br#" { "id" : "b}]", "entry":[ {"resource":{"a":"}\"]"}} ,{"resource":[1,{}]}],"total":2,
            "resourceType":"Bundle" } "#;
        let expected = [
            (27, r#"{"resource":{"a":"}\"]"}}"#.to_owned()),
            (54, r#"{"resource":[1,{}]}"#.to_owned()),
        ];
        for buffer in 1..80 {
            assert_eq!(cut(Form::Bundle, text, buffer).expect("a Bundle"), expected);
        }
    }

    #[test]
    fn lines_are_cut_and_blank_ones_passed_over() {
        let text = b"\xEF\xBB\xBF{\"a\":1}\r\n\n  \n{\"b\":2}";
        for buffer in 3..40 {
            let pieces = cut(Form::Lines, text, buffer).expect("lines");
            assert_eq!(
                pieces,
                [(3, "{\"a\":1}\r".to_owned()), (16, "{\"b\":2}".to_owned())]
            );
        }
        assert_eq!(cut(Form::Lines, b"", 8).expect("nothing"), []);
    }

    #[test]
    fn what_is_no_bundle_is_refused_with_its_byte() {
        let whole = br#"{"resourceType":"Bundle","entry":[{"resource":{}}],"total":1}"#;
        for end in 0..whole.len() {
            let fault = cut(Form::Bundle, &whole[..end], 7).expect_err("cut off");
            let CutFault::NotJson(byte) = fault else {
                panic!("{end}: {fault:?}")
            };
            assert_eq!(byte, end as u64);
        }
        for (text, byte) in [
            (&b"[]"[..], 0),
            (b"{\"entry\":{}}", 9),
            (b"{\"entry\":[5]}", 10),
            (b"{\"entry\":[{},]}", 13),
            (b"{\"entry\":[{} {}]}", 13),
            (b"{\"entry\":[],\"entry\":[]}", 20),
            (b"{\"total\":1,}", 11),
            (b"{\"total\":01}", 9),
            (b"{\"total\" 1}", 9),
            (b"{total:1}", 1),
            (b"{\"resourceType\":\"Bundle\"} {}", 26),
        ] {
            let fault = cut(Form::Bundle, text, 64).expect_err("no Bundle");
            assert!(
                matches!(fault, CutFault::NotJson(at) if at == byte),
                "{} {fault:?}",
                String::from_utf8_lossy(text)
            );
        }
        for text in [
            &b"{\"entry\":[]}"[..],
            b"{\"resourceType\":\"Observation\"}",
            b"{\"resourceType\":\"Observation\"}\n{\"resourceType\":\"Observation\"}",
        ] {
            let fault = cut(Form::Bundle, text, 64).expect_err("no Bundle");
            assert!(matches!(fault, CutFault::NotABundle), "{fault:?}");
        }
        let fault = cut(Form::Bundle, b"\xFF\xFE{\0", 64).expect_err("UTF-16");
        assert!(matches!(fault, CutFault::NotUtf8(0)), "{fault:?}");
    }

    /// Memory is bounded by the longest resource, however long a text goes on.
    #[test]
    fn what_is_too_long_is_passed_over_and_said() {
        let long = "x".repeat(3 * LONGEST_RESOURCE);
        let bundle = format!(r#"{{"resourceType":"Bundle","entry":[{{"a":"{long}"}},{{"b":1}}]}}"#);
        let lines = format!("{{\"a\":\"{long}\"}}\n{{\"b\":1}}\n");
        for (form, text) in [(Form::Bundle, bundle), (Form::Lines, lines)] {
            let mut cutter = Cutter::new(text.as_bytes(), form);
            let first = cutter.next_piece().expect("JSON").expect("a piece");
            assert!(first.too_long && first.text.len() == LONGEST_RESOURCE);
            let second = cutter.next_piece().expect("JSON").expect("a piece");
            assert_eq!((second.too_long, &*second.text), (false, &b"{\"b\":1}"[..]));
        }
    }
}
