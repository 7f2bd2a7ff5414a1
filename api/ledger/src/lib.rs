//! Who acts and what the record keeps of it: accounts and their sessions, the audit log with its tree heads, files taken in, and
//! the laboratory as it names itself.

pub mod accounts;
pub mod audit;
pub mod imports;
pub mod laboratory;
pub mod set_up;
