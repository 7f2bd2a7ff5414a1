//! Who is asking, and what they may do.

pub mod allowed;
pub mod current_user;
pub mod local_key;
pub mod one_time_codes;
pub mod passwords;
pub mod permissions;
pub mod sealed;
pub mod throttle;
pub mod tokens;
