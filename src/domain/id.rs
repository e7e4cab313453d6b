//! Names of sites and units.

use std::fmt;
use std::str::FromStr;
use std::sync::Arc;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// The longest site or unit id, in characters.
pub const ID_MAX_LEN: usize = 40;

/// `SITE/UNIT`: names one unit. Both parts match `[a-z0-9][a-z0-9-]{0,39}`. Cheap to clone.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct UnitId {
    text: Arc<str>,
    slash: usize,
}

/// What was wrong with a text that should have named a unit.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum IdError {
    /// A site or unit id with characters outside the allowed set, empty, or too long.
    #[error("`{text}` is not an id: use 1 to {ID_MAX_LEN} of a-z, 0-9 and -, not starting with -")]
    Part {
        /// The offending text, shortened.
        text: String,
    },
    /// No slash, or more than one.
    #[error("`{text}` does not name a unit: write SITE/UNIT")]
    Shape {
        /// The offending text, shortened.
        text: String,
    },
}

/// Checks one site or unit id.
pub fn check_id(text: &str) -> Result<(), IdError> {
    let allowed = |c: u8| c.is_ascii_lowercase() || c.is_ascii_digit() || c == b'-';
    if text.is_empty() || text.len() > ID_MAX_LEN || text.starts_with('-') || !text.bytes().all(allowed) {
        return Err(IdError::Part { text: shorten(text) });
    }
    Ok(())
}

impl UnitId {
    /// From a site id and a unit id, both checked.
    pub fn new(site: &str, unit: &str) -> Result<Self, IdError> {
        check_id(site)?;
        check_id(unit)?;
        Ok(Self { text: format!("{site}/{unit}").into(), slash: site.len() })
    }

    /// The site's id.
    pub fn site(&self) -> &str {
        &self.text[..self.slash]
    }

    /// The unit's id within its site.
    pub fn unit(&self) -> &str {
        &self.text[self.slash + 1..]
    }

    /// `SITE/UNIT`.
    pub fn as_str(&self) -> &str {
        &self.text
    }
}

impl fmt::Display for UnitId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.text)
    }
}

impl FromStr for UnitId {
    type Err = IdError;

    fn from_str(text: &str) -> Result<Self, IdError> {
        let (site, unit) = text.split_once('/').ok_or_else(|| IdError::Shape { text: shorten(text) })?;
        if unit.contains('/') {
            return Err(IdError::Shape { text: shorten(text) });
        }
        Self::new(site, unit)
    }
}

impl Serialize for UnitId {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.text)
    }
}

impl<'de> Deserialize<'de> for UnitId {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
    }
}

fn shorten(text: &str) -> String {
    text.chars().take(60).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids() {
        let id: UnitId = "heron-bight/boathouse".parse().unwrap();
        assert_eq!((id.site(), id.unit(), id.as_str()), ("heron-bight", "boathouse", "heron-bight/boathouse"));
        for bad in ["", "a", "a/", "/a", "a/b/c", "A/b", "a/-b", "a b/c", "ä/b", &format!("{}/b", "x".repeat(41))] {
            assert!(bad.parse::<UnitId>().is_err(), "{bad}");
        }
        assert!(format!("{0}/{0}", "x".repeat(40)).parse::<UnitId>().is_ok());
    }
}
