//! States of recorded things and the legal moves between them.
