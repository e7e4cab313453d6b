//! PURE: the small pieces every stored value is made of: variable-length integers, numbers, length-prefixed bytes.
//!
//! Reading never panics and never allocates more than the bytes at hand can fill: damaged input ends in [`Damage`].

/// Stored bytes that cannot be what was written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("damaged: {0}")]
pub struct Damage(
    /// What does not fit.
    pub &'static str,
);

/// Appends `value` in 7-bit groups, least first: 1 byte up to 127, at most 10.
pub fn put_varint(out: &mut Vec<u8>, mut value: u64) {
    while value >= 0x80 {
        out.push(value as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

/// Appends a signed integer so that values near zero are short.
pub fn put_signed(out: &mut Vec<u8>, value: i64) {
    put_varint(out, zigzag(value));
}

/// Appends the length, then the bytes.
pub fn put_bytes(out: &mut Vec<u8>, bytes: &[u8]) {
    put_varint(out, bytes.len() as u64);
    out.extend_from_slice(bytes);
}

/// 0, -1, 1, -2 ... to 0, 1, 2, 3 ...
pub fn zigzag(value: i64) -> u64 {
    ((value << 1) ^ (value >> 63)) as u64
}

/// The inverse of [`zigzag`].
pub fn unzigzag(value: u64) -> i64 {
    (value >> 1) as i64 ^ -((value & 1) as i64)
}

/// Reads from the front of stored bytes.
#[derive(Clone, Debug)]
pub struct Reader<'a> {
    rest: &'a [u8],
}

impl<'a> Reader<'a> {
    /// Starts at the first of `bytes`.
    pub fn new(bytes: &'a [u8]) -> Self {
        Self { rest: bytes }
    }

    /// How many bytes are left.
    pub fn left(&self) -> usize {
        self.rest.len()
    }

    /// The next byte.
    pub fn byte(&mut self) -> Result<u8, Damage> {
        let (&first, rest) = self.rest.split_first().ok_or(Damage("ends too soon"))?;
        self.rest = rest;
        Ok(first)
    }

    /// The next `count` bytes.
    pub fn take(&mut self, count: usize) -> Result<&'a [u8], Damage> {
        let (taken, rest) = self.rest.split_at_checked(count).ok_or(Damage("ends too soon"))?;
        self.rest = rest;
        Ok(taken)
    }

    /// The next `N` bytes as an array.
    pub fn array<const N: usize>(&mut self) -> Result<[u8; N], Damage> {
        let (taken, rest) = self.rest.split_first_chunk::<N>().ok_or(Damage("ends too soon"))?;
        self.rest = rest;
        Ok(*taken)
    }

    /// What [`put_varint`] wrote.
    pub fn varint(&mut self) -> Result<u64, Damage> {
        let mut value = 0_u64;
        for shift in (0..70).step_by(7) {
            let byte = self.byte()?;
            let bits = u64::from(byte & 0x7f);
            if shift == 63 && bits > 1 {
                break;
            }
            value |= bits << shift;
            if byte < 0x80 {
                return Ok(value);
            }
        }
        Err(Damage("an integer is too long"))
    }

    /// What [`put_signed`] wrote.
    pub fn signed(&mut self) -> Result<i64, Damage> {
        self.varint().map(unzigzag)
    }

    /// What [`put_bytes`] wrote.
    pub fn bytes(&mut self) -> Result<&'a [u8], Damage> {
        let len = usize::try_from(self.varint()?).map_err(|_| Damage("a length is too great"))?;
        self.take(len)
    }

    /// What [`put_bytes`] wrote, as text.
    pub fn text(&mut self) -> Result<&'a str, Damage> {
        std::str::from_utf8(self.bytes()?).map_err(|_| Damage("a text is not UTF-8"))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn integers_round_trip(values: Vec<(u64, i64)>, tail: Vec<u8>) {
            let mut out = Vec::new();
            for (unsigned, signed) in &values {
                put_varint(&mut out, *unsigned);
                put_signed(&mut out, *signed);
            }
            put_bytes(&mut out, &tail);
            let mut reader = Reader::new(&out);
            for (unsigned, signed) in values {
                prop_assert_eq!(reader.varint(), Ok(unsigned));
                prop_assert_eq!(reader.signed(), Ok(signed));
            }
            prop_assert_eq!(reader.bytes(), Ok(tail.as_slice()));
            prop_assert_eq!(reader.left(), 0);
        }

        #[test]
        fn any_bytes_read_without_panic(bytes: Vec<u8>) {
            let mut reader = Reader::new(&bytes);
            while reader.left() > 0 && reader.varint().is_ok() && reader.bytes().is_ok() {}
        }
    }

    #[test]
    fn an_integer_of_more_than_64_bits_is_damage() {
        assert_eq!(Reader::new(&[0xff; 9]).varint(), Err(Damage("ends too soon")));
        assert!(Reader::new(&[0xff; 11]).varint().is_err());
        let mut most = vec![0xff; 9];
        most.push(1);
        assert_eq!(Reader::new(&most).varint(), Ok(u64::MAX));
    }
}
