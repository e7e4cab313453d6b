//! Which alerts a unit has, and their life. PURE.
