//! SenML packs (RFC 8428). PURE.
