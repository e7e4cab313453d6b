//! Many small values of the daemon in one commit: a fleet's alerts after a busy minute cost one flush.

use super::tree::{Commit, Space};
use super::{Store, StoreError};

impl Store {
    /// Keeps every value under its name, all of them or none; an empty one is forgotten. Durable when it returns.
    pub fn keep_all<'a>(&self, values: impl IntoIterator<Item = (&'a str, &'a [u8])>) -> Result<(), StoreError> {
        let mut commit = Commit::default();
        for (name, value) in values {
            if value.is_empty() {
                commit.remove(Space::Keepsakes, name);
            } else {
                commit.put(Space::Keepsakes, name, value.to_vec());
            }
        }
        if commit.is_empty() { Ok(()) } else { self.disk().commit(commit) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::settings::StoreSettings;

    #[test]
    fn many_values_are_kept_and_forgotten_together() {
        let dir = tempfile::tempdir().unwrap();
        let settings = StoreSettings { path: dir.path().join("store"), cache_bytes: 8 << 20 };
        let store = Store::open(&settings).unwrap();
        store.keep_all([("alerts/a/b", &b"1"[..]), ("alerts/a/c", b"2")]).unwrap();
        store.keep_all([("alerts/a/b", &b""[..]), ("alerts/a/d", b"3")]).unwrap();
        drop(store);
        let store = Store::open(&settings).unwrap();
        let kept = ["alerts/a/b", "alerts/a/c", "alerts/a/d"].map(|name| store.kept(name).unwrap());
        assert_eq!(kept, [None, Some(b"2".to_vec()), Some(b"3".to_vec())]);
    }
}
