//! Integers and texts of variable length, as the form of the archive has them.

/// Bytes that cannot be what was written: what is wrong with them.
pub(super) type Wrong = &'static str;

/// Appends `value` in 7-bit groups, least first.
pub(super) fn put_varint(out: &mut Vec<u8>, mut value: u64) {
    while value >= 0x80 {
        out.push(value as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

/// Appends a signed integer; near zero it is short.
pub(super) fn put_svarint(out: &mut Vec<u8>, value: i64) {
    put_varint(out, ((value << 1) ^ (value >> 63)) as u64);
}

/// Appends a text with its length.
pub(super) fn put_text(out: &mut Vec<u8>, text: &str) {
    put_varint(out, text.len() as u64);
    out.extend_from_slice(text.as_bytes());
}

/// Reads from the front of a body.
#[derive(Debug)]
pub(super) struct Front<'a>(pub &'a [u8]);

impl<'a> Front<'a> {
    pub fn take(&mut self, count: usize) -> Result<&'a [u8], Wrong> {
        let (taken, rest) = self.0.split_at_checked(count).ok_or("ends too soon")?;
        self.0 = rest;
        Ok(taken)
    }

    pub fn byte(&mut self) -> Result<u8, Wrong> {
        self.take(1).map(|byte| byte[0])
    }

    pub fn double(&mut self) -> Result<f64, Wrong> {
        let bytes: [u8; 8] = self.take(8)?.try_into().map_err(|_| "ends too soon")?;
        Ok(f64::from_le_bytes(bytes))
    }

    pub fn varint(&mut self) -> Result<u64, Wrong> {
        let mut value = 0_u64;
        for shift in (0..64).step_by(7) {
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
        Err("an integer is too long")
    }

    pub fn svarint(&mut self) -> Result<i64, Wrong> {
        let value = self.varint()?;
        Ok((value >> 1) as i64 ^ -((value & 1) as i64))
    }

    pub fn text(&mut self) -> Result<&'a str, Wrong> {
        let len = usize::try_from(self.varint()?).map_err(|_| "a length is too great")?;
        std::str::from_utf8(self.take(len)?).map_err(|_| "a text is not UTF-8")
    }
}
