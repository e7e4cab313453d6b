//! Readings to days to causes, dates and a verdict. PURE: numbers in, numbers out.
