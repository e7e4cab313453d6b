//! A SenML pack of any length, cut into parts between its records.

use std::io::{self, BufRead};

/// Records of a part.
const PART_RECORDS: usize = 4_096;
/// A part with more bytes than this has no records that could be ours.
const PART_BYTES_MAX: usize = 16 << 20;

/// Cuts a pack into packs, without looking into its records.
pub(super) struct Parts<R> {
    input: R,
    /// Bytes read.
    offset: u64,
    scan: Scan,
    ended: bool,
}

/// Where in the JSON we are.
#[derive(Default)]
struct Scan {
    depth: usize,
    quoted: bool,
    escaped: bool,
}

/// Why there is no next part.
pub(super) enum Cut {
    Read(io::Error),
    /// What is wrong, with the place.
    Shape(String),
}

impl<R: BufRead> Parts<R> {
    /// Of a pack; white space before it is passed over.
    pub fn new(input: R) -> Self {
        Self { input, offset: 0, scan: Scan::default(), ended: false }
    }

    /// The next part, as a pack; `None` after the last.
    pub fn next(&mut self) -> Result<Option<Vec<u8>>, Cut> {
        let mut part = Vec::new();
        let mut records = 1;
        loop {
            let buffer = self.input.fill_buf().map_err(Cut::Read)?;
            if buffer.is_empty() {
                if self.ended {
                    return Ok(None);
                }
                return Err(Cut::Shape(format!(
                    "ends at byte {} in the middle of the pack: it was cut off",
                    self.offset
                )));
            }
            let mut used = 0;
            let mut whole = false;
            for byte in buffer {
                used += 1;
                if self.ended || self.scan.depth == 0 && *byte != b'[' {
                    if byte.is_ascii_whitespace() {
                        continue;
                    }
                    let place = self.offset + used as u64 - 1;
                    let what = if self.ended { "something follows the pack" } else { "the pack does not begin with [" };
                    return Err(Cut::Shape(format!("byte {place}: {what}")));
                }
                let between = self.scan.step(*byte);
                if between && records == PART_RECORDS {
                    part.push(b']');
                    whole = true;
                    break;
                }
                records += usize::from(between);
                if part.is_empty() && (self.scan.depth > 1 || *byte != b'[') {
                    part.push(b'[');
                }
                part.push(*byte);
                if self.scan.depth == 0 {
                    self.ended = true;
                    whole = true;
                    break;
                }
            }
            self.input.consume(used);
            self.offset += used as u64;
            if whole {
                return Ok(Some(part));
            }
            if part.len() > PART_BYTES_MAX {
                return Err(Cut::Shape(format!("byte {}: the records here are too long for readings", self.offset)));
            }
        }
    }
}

impl Scan {
    /// Takes a byte; whether it is a comma between two records.
    fn step(&mut self, byte: u8) -> bool {
        match byte {
            _ if self.escaped => self.escaped = false,
            b'\\' if self.quoted => self.escaped = true,
            b'"' => self.quoted = !self.quoted,
            _ if self.quoted => {}
            b'[' | b'{' => self.depth += 1,
            b']' | b'}' => self.depth = self.depth.saturating_sub(1),
            b',' => return self.depth == 1,
            _ => {}
        }
        false
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parts(text: &str) -> Result<Vec<String>, String> {
        let mut parts = Parts::new(io::BufReader::with_capacity(7, text.as_bytes()));
        let mut all = Vec::new();
        loop {
            match parts.next() {
                Ok(Some(part)) => all.push(String::from_utf8(part).unwrap()),
                Ok(None) => return Ok(all),
                Err(Cut::Shape(why)) => return Err(why),
                Err(Cut::Read(error)) => panic!("{error}"),
            }
        }
    }

    #[test]
    fn every_part_is_a_pack_and_together_they_are_the_whole() {
        let record = |i: usize| format!(r#"{{"n":"a,]\"{i}","v":[{i},{{"x":1}}]}}"#);
        for count in [1, PART_RECORDS, PART_RECORDS + 1, 3 * PART_RECORDS] {
            let records: Vec<String> = (0..count).map(record).collect();
            let parts = parts(&format!(" [{}]\n", records.join(" ,\n"))).unwrap();
            assert_eq!(parts.len(), count.div_ceil(PART_RECORDS));
            let back: Vec<serde_json::Value> =
                parts.iter().flat_map(|part| serde_json::from_str::<Vec<serde_json::Value>>(part).unwrap()).collect();
            let want: Vec<serde_json::Value> = records.iter().map(|r| serde_json::from_str(r).unwrap()).collect();
            assert_eq!(back, want);
        }
        assert_eq!(parts("[]"), Ok(vec!["[]".to_owned()]));
    }

    #[test]
    fn what_is_no_whole_pack_is_refused_with_the_place() {
        for (text, want) in [
            (r#"[{"v":1},{"v""#, "ends at byte 13 in the middle"),
            ("[1]x", "byte 3: something follows the pack"),
            ("{}", "byte 0: the pack does not begin with ["),
        ] {
            assert!(parts(text).unwrap_err().contains(want), "{text}: {:?}", parts(text));
        }
    }
}
